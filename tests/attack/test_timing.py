"""How long a wrong key takes tells nothing of a right one."""

import random
import time

import pytest

from daemon import Client


def chance_greater(first, second):
    """How often a value of the first is greater than one of the second: 0.5 when nothing tells them apart."""
    ranked = sorted([(value, 0) for value in first] + [(value, 1) for value in second])
    ranks = sum(rank for rank, (_, which) in enumerate(ranked, 1) if which == 0)
    return (ranks - len(first) * (len(first) + 1) / 2) / (len(first) * len(second))


def test_a_key_that_is_nearly_right_takes_no_longer(daemon, client, hostile, seed):
    if hostile < 5_000:
        pytest.skip("statistics need thousands of requests: `tests/run --long`")
    right = client.key
    dice = random.Random(seed)
    near = [right[:-1] + ("0" if right[-1] != "0" else "1"), right[:-8] + "00000000"]
    far = ["vm_" + "".join(dice.choices("0123456789abcdef", k=len(right) - 3)) for _ in range(2)]
    times = {True: [], False: []}
    session = Client(daemon.url)
    for _ in range(4_000):
        is_near = dice.random() < 0.5
        headers = {"authorization": f"Bearer {dice.choice(near if is_near else far)}"}
        begin = time.perf_counter()
        answer = session.session.get(daemon.url + "/v1/depots", headers=headers)
        times[is_near].append(time.perf_counter() - begin)
        assert answer.status_code == 401
    # The standard error is 0.5 / sqrt(3 * 1000) or so; a comparison byte by byte of a stored key would be found by far
    # more requests only, one that looks the key up in another way by these.
    assert abs(chance_greater(times[True], times[False]) - 0.5) < 0.06
