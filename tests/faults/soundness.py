"""What an operator would ask after a fault."""

import json
import sqlite3
from collections import Counter

from load import PAGE


def is_sound(daemon):
    for command in ("check", "check --deep", "journal verify"):
        told = daemon.command(command)
        assert told.returncode == 0, f"{command}: {told.stdout}{told.stderr}"
    if daemon.database.engine == "sqlite":
        with sqlite3.connect(daemon.database.file) as database:
            assert database.execute("PRAGMA quick_check").fetchall() == [("ok",)]


def journal_lines(daemon):
    """How many lines the journal has of each thing."""
    exported = daemon.command("journal export")
    assert exported.returncode == 0, exported.stderr
    return Counter(json.loads(line)["subject"] for line in exported.stdout.splitlines())


def has_caught_up(client, unit):
    """Whether the car's forecast comes from all its readings."""
    readings = client.items(f"/v1/odometer-readings?unit={unit}&limit={PAGE}")
    last = max((item["at"] for item in readings), default=None)
    items = client.get(f"/v1/upcoming?unit={unit}").json()["items"]
    return [item["last_reading_at"] for item in items] == [last]
