"""Bodies that are too large, too deep, or swell when they are unpacked; heads without end."""

import gzip
import json
import re
import time
from pathlib import Path

import pytest
from requests.exceptions import RequestException

from daemon import check_problem, depot, wait_until
from test_injection import raw

JSON = "application/json"
READINGS = "/v1/odometer-readings"

# Of the daemon under test, see conftest.
BODY_MIB, DECOMPRESSED_MIB = 2, 4
MIB = 1 << 20

POSTS = ("/v1/depots", "/v1/vehicles", READINGS, "/v1/pack-checks", "/v1/work-orders", "/v1/procedures", "/v1/technicians",
         "/v1/vehicles/Z1/what-if", "/v1/packs")


def resident_mib(daemon):
    """What the process holds in memory."""
    status = Path(f"/proc/{daemon.process.pid}/status").read_text()
    return int(re.search(r"VmRSS:\s+(\d+) kB", status)[1]) / 1024


def nested(depth, opening, closing):
    return (opening * depth + "1" + closing * depth).encode()


@pytest.mark.parametrize("opening, closing", [("[", "]"), ('{"a":', "}"), ('[{"unit":', "}]")])
@pytest.mark.parametrize("depth", [200, 100_000])
def test_deep_json_is_refused(client, opening, closing, depth):
    body = nested(depth, opening, closing)
    for whole in (body, body[: len(body) // 2]):
        for path in POSTS:
            for media_type in (JSON, "application/x-ndjson"):
                headers = {"content-type": media_type, "idempotency-key": '"deep"'}
                answer = client.call("POST", path, data=whole, headers=headers)
                # Rows that cannot be read are refused one by one.
                refused = answer.status_code == 200 and answer.json()["stored"] == 0
                assert refused or 400 <= answer.status_code < 500, (path, media_type, answer.text)


def attempt(client, path, **options):
    """`None` where the refusal was lost: a server that hangs up on a body it will not read may cut off its own answer."""
    try:
        return client.call("POST", path, **options)
    except RequestException:
        client.get("/livez")
        return None


def too_large(answer, names):
    if answer is None:
        return
    problem = check_problem(answer)
    assert answer.status_code == 413 and names in problem["detail"], answer.text


def test_a_large_body_is_refused_before_it_is_read(client):
    body = b" " * (BODY_MIB * MIB + 1)
    for path in POSTS:
        headers = {"content-type": JSON, "idempotency-key": '"large"'}
        too_large(attempt(client, path, data=body, headers=headers), "limits.body_mib")
        # Nobody says beforehand how long it will be.
        parts = (body[start : start + 65_536] for start in range(0, len(body), 65_536))
        too_large(attempt(client, path, data=parts, headers=headers), "limits.body_mib")


def bombs():
    row = json.dumps({"unit": "Z1", "at": "2025-03-01T00:00:00Z", "odometer": 1, "distance_unit": "mi"}).encode()
    huge = 64 * MIB
    yield "blank lines", gzip.compress(b"\n" * huge)
    yield "one endless line", gzip.compress(b'{"unit":"' + b"a" * huge)
    yield "one row again and again", gzip.compress((row + b"\n") * (huge // len(row)))
    yield "many members", gzip.compress(b" " * (4 * MIB)) * 200
    yield "an array", gzip.compress(b"[" + b"1," * (huge // 2))
    yield "a bomb within", gzip.compress(gzip.compress(b"\n" * huge))


@pytest.mark.parametrize("media_type", ["application/x-ndjson", JSON, "text/csv"])
def test_a_bomb_does_not_go_off(daemon, client, media_type):
    before = resident_mib(daemon)
    for name, bomb in bombs():
        if len(bomb) > BODY_MIB * MIB:
            bomb = bomb[: BODY_MIB * MIB]
        begin = time.monotonic()
        headers = {"content-type": media_type, "content-encoding": "gzip"}
        answer = attempt(client, READINGS, data=bomb, headers=headers)
        assert answer is None or 400 <= answer.status_code < 500 or answer.json()["stored"] <= 1, (name, answer.text[:200])
        assert time.monotonic() - begin < 60, name
    # The limit on what comes out is 4 MiB; sixteen times that would be the bombs' size.
    assert wait_until(lambda: resident_mib(daemon) - before < 60, 10), (before, resident_mib(daemon))


def test_what_is_no_gzip_is_refused(client):
    headers = {"content-type": "application/x-ndjson", "content-encoding": "gzip"}
    whole = gzip.compress(b'{"unit":"Z1"}\n' * 1000)
    for body in (b"{}", whole[:-5], whole[:20], b"\x1f\x8b" + b"\xff" * 100):
        answer = client.call("POST", READINGS, data=body, headers=headers)
        assert 400 <= answer.status_code < 500, answer.text
    answer = client.call("POST", READINGS, data=b"{}", headers=headers | {"content-encoding": "br"})
    assert answer.status_code == 415


def test_a_head_has_an_end(daemon, client):
    key = {"authorization": f"Bearer {client.key}"}
    for status, target, headers in (
        ((414, 431, 400), "/v1/depots?x=" + "a" * 100_000, {}),
        ((431, 400), "/v1/depots", {"x-long": "a" * 1_000_000}),
        ((431, 400), "/v1/depots", {f"x-{number}": "1" for number in range(1_000)}),
    ):
        try:
            assert raw(daemon, "GET", target, key | headers)[0] in status
        except (ConnectionResetError, BrokenPipeError):
            # Closed while the head was still being sent: refused as well.
            pass
    client.get("/v1/depots")


def test_long_texts_are_refused_by_name(client):
    depot(client, "LONG")
    long = "x" * 100_000
    new = {"unit": "Z1", "depot": "LONG", "in_service_on": "2025-01-01", "odometer_in_service": 1, "distance_unit": "mi"}
    for field in ("unit", "model", "vin"):
        answer = client.call("POST", "/v1/vehicles", json=[new | {field: long}])
        told = answer.json()["refused"]
        assert answer.status_code == 200 and told[0]["field"] in (field, ""), answer.text[:200]
    for body in ({"unit": "Z1", "kind": "fan-service", "reason": long}, {"unit": long, "kind": "fan-service", "reason": "x"}):
        assert 400 <= client.post("/v1/work-orders", body).status_code < 500
