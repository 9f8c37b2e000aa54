"""The machine's clock jumps, forward and back."""

import shutil
import time
from datetime import date, datetime, timedelta, timezone
from pathlib import Path

import pytest

from daemon import PATIENCE, car, depot, wait_until
from load import SETTINGS, Load
from soundness import has_caught_up, is_sound, journal_lines

LIBRARY = next(Path("/usr/lib").glob("*/faketime/libfaketimeMT.so.1"), None)
DAY = "2024-07-01"


class Clock:
    """The wall clock of a daemon, so many days off; its monotonic one runs on."""

    def __init__(self, folder):
        self.file = folder / "clock"
        self.set(0)
        self.environment = {
            "LD_PRELOAD": str(LIBRARY),
            "FAKETIME_TIMESTAMP_FILE": str(self.file),
            "FAKETIME_NO_CACHE": "1",
            "FAKETIME_DONT_FAKE_MONOTONIC": "1",
        }

    def set(self, days):
        new = self.file.with_suffix(".new")
        new.write_text(f"{days:+}d\n")
        new.replace(self.file)


@pytest.fixture
def clock(tmp_path):
    assert LIBRARY and shutil.which("faketime"), "the package faketime; tests/run installs it"
    return Clock(tmp_path)


def test_nothing_is_lost_when_the_clock_jumps(new_daemon, clock):
    daemon = new_daemon(settings=SETTINGS, extra=clock.environment)
    with Load(daemon, 5, posters=1, hands=1) as load:
        load.start(DAY).go_on()
        for days in (0, 40, 0, -40, 0):
            clock.set(days)
            time.sleep(0.5)
            answered = load.answered()
            assert wait_until(lambda: load.answered() > answered + 5, PATIENCE), f"it stands still at {days:+} days"
        load.finish()
        load.check([DAY])
        client, journal = load.client(), journal_lines(daemon)
        load.hands()[0].check_trail(client, journal)
        for unit in load.workers[0].units:
            assert wait_until(lambda: has_caught_up(client, unit), PATIENCE), unit
        is_sound(daemon)
    assert "ERROR" not in daemon.log.read_text()


def test_what_was_begun_at_a_later_date_is_taken_up_again(new_daemon, clock):
    """Killed while the clock was wrong: neither its claims nor its forecasts of that day may stand until the day comes."""
    daemon = new_daemon(settings=SETTINGS, extra=clock.environment)
    client = daemon.client()
    depot(client)
    units = [f"T{number}" for number in range(200)]
    client.store("/v1/vehicles", [car(unit) for unit in units])
    clock.set(40)
    readings = [{"unit": unit, "at": "2025-03-01T12:00:00Z", "odometer": 500, "distance_unit": "mi"} for unit in units]
    client.store("/v1/odometer-readings", readings)
    assert wait_until(lambda: has_caught_up(client, units[0]), PATIENCE)
    daemon.kill()
    clock.set(0)
    daemon.start()
    assert wait_until(lambda: all(has_caught_up(client, unit) for unit in units[:20] + units[-20:]), 20)
    today = datetime.now(timezone.utc).date()

    def made_today(unit):
        made = date.fromisoformat(client.get(f"/v1/vehicles/{unit}/forecast").json()["today"])
        return abs(made - today) <= timedelta(days=1)

    assert wait_until(lambda: all(made_today(unit) for unit in units[:5]), PATIENCE)
