"""Several processes at once: on one Postgres they share the work, on one SQLite file the second is refused."""

import json
import time
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta, timezone

import pytest

from daemon import PATIENCE, Client, car, depot, wait_until
from load import PAGE
from soundness import is_sound

CARS = 60
SETTINGS = ("raise.settle_seconds=0", "loops.claim_seconds=2", f"limits.page_max={PAGE}")


def overdue_fleet(client):
    """Cars that have all run far past their window."""
    depot(client)
    units = [f"S{number}" for number in range(CARS)]
    client.store("/v1/vehicles", [car(unit) for unit in units])
    now = datetime.now(timezone.utc)
    client.store("/v1/odometer-readings", [
        {"unit": unit, "at": (now - timedelta(days=days)).isoformat(), "odometer": 40_000 - 100 * days, "distance_unit": "mi"}
        for unit in units
        for days in range(200, 0, -20)
    ])
    return units


def post_readings(daemon, key, units, until):
    """Keeps the loops busy with the very cars whose orders are asked for."""
    client = Client(daemon.url, key)
    number = 0
    while time.monotonic() < until:
        number += 1
        at = (datetime.now(timezone.utc) - timedelta(hours=12) + timedelta(seconds=number)).isoformat()
        client.store("/v1/odometer-readings", [
            {"unit": unit, "at": at, "odometer": 40_000, "distance_unit": "mi"} for unit in units
        ])


def take_all(daemon, key, name):
    """Asks for the next order until there is none."""
    client = Client(daemon.url, key)
    taken = []
    while True:
        answer = client.post("/v1/work-orders/next", {"by": name})
        if answer.status_code == 204:
            return taken
        assert answer.status_code == 200, answer.text
        taken.append(answer.json()["number"])


@pytest.mark.parametrize("engine", ["postgres"], indirect=True)
def test_several_processes_share_the_work_of_one_database(new_daemon):
    first = new_daemon(settings=SETTINGS)
    others = [new_daemon(first.database, SETTINGS) for _ in range(2)]
    daemons = [first, *others]
    client = first.client()
    units = overdue_fleet(client)
    # One of them is killed in the middle of it: what it had begun is taken up by the others.
    others[1].kill()

    def raised():
        return client.items(f"/v1/work-orders?kind=fan-service&limit={PAGE}")

    assert wait_until(lambda: len(raised()) >= CARS, PATIENCE)
    others[1].start()
    time.sleep(1)
    orders = raised()
    assert Counter(order["unit"] for order in orders) == Counter(units), "an order for each car, none twice"

    with ThreadPoolExecutor() as pool:
        busy = pool.submit(post_readings, first, client.key, units, time.monotonic() + 3)
        takers = [pool.submit(take_all, daemons[number % 3], client.key, f"hand {number}") for number in range(6)]
        taken = [number for taker in takers for number in taker.result()]
        busy.result()
    assert Counter(taken) == Counter(order["number"] for order in orders), "each order is handed out, and once"
    lines = [json.loads(line) for line in first.command("journal export").stdout.splitlines()]
    raises = Counter(line["subject"] for line in lines if line["action"] == "work-order raise")
    assert set(raises.values()) == {1}
    is_sound(first)
    for daemon in daemons:
        assert "ERROR" not in daemon.log.read_text()
