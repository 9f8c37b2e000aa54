"""The daemon is killed at random moments under load: nothing that was acknowledged is lost, nothing is done twice or by half."""

import json
import sqlite3
import time
from collections import Counter
from datetime import date, timedelta

from daemon import PATIENCE, wait_until
from load import PAGE, SETTINGS, Load

FIRST = date(2024, 7, 1)


def is_sound(daemon):
    """What an operator would ask after a crash."""
    for command in ("check", "journal verify"):
        told = daemon.command(command)
        assert told.returncode == 0, f"{command}: {told.stdout}{told.stderr}"
    if daemon.database.engine == "sqlite":
        with sqlite3.connect(daemon.database.file) as database:
            assert database.execute("PRAGMA quick_check").fetchall() == [("ok",)]


def journal_lines(daemon):
    exported = daemon.command("journal export")
    assert exported.returncode == 0, exported.stderr
    return Counter(json.loads(line)["subject"] for line in exported.stdout.splitlines())


def has_caught_up(client, unit):
    """Whether the car's forecast comes from all its readings."""
    readings = client.items(f"/v1/odometer-readings?unit={unit}&limit={PAGE}")
    last = max((item["at"] for item in readings), default=None)
    [item] = client.get(f"/v1/upcoming?unit={unit}").json()["items"]
    return item["last_reading_at"] == last


def test_a_killed_daemon_loses_nothing_and_does_nothing_twice(new_daemon, dice, kills):
    daemon = new_daemon(settings=SETTINGS)
    days = [str(FIRST + timedelta(days=number)) for number in range(kills)]
    with Load(daemon, dice.random()) as load:
        load.start(days[0])
        for day in days:
            load.on(day)
            load.go_on()
            time.sleep(dice.uniform(0.02, 0.8))
            load.pause()
            daemon.kill()
            if dice.random() < 0.2:
                # Killed once more while it starts.
                daemon.launch()
                time.sleep(dice.uniform(0, 0.3))
                daemon.kill()
            daemon.start()
            load.gate.wait_parked()
            load.check([day])
            is_sound(daemon)
        load.finish()
        load.check(days)
        client, journal = load.client(), journal_lines(daemon)
        for worker in load.workers:
            if worker.name.startswith("H"):
                worker.check_trail(client, journal)
        for unit in load.workers[0].units:
            assert wait_until(lambda: has_caught_up(client, unit), PATIENCE), unit
        answered = sum(worker.answered for worker in load.workers)
        unknown = sum(worker.repeated for worker in load.workers)
        print(f"{kills} kills, {answered} requests answered, {unknown} sent again")
        assert unknown >= kills, "the kills hit nothing that was under way"
    assert "ERROR" not in daemon.log.read_text()
