"""Files go through the same checks as posts: the same rows end up in the database."""

import csv
import json
import re
from datetime import datetime, timedelta, timezone

import pytest

from daemon import car, depot, ndjson

READINGS = [
    {"unit": "I1", "at": f"2025-03-{day:02}T18:00:00-05:00", "odometer": 1000 + 180.5 * day, "distance_unit": "mi",
     "source": "telematics"}
    for day in range(1, 29)
] + [{"unit": "I2", "at": "2025-03-01T18:00:00Z", "odometer": 500, "distance_unit": "km", "source": "fuel, card"}]

DUTY = [
    {"unit": "I1", "date": f"2025-03-{day:02}", "shift": shift, "hours": 6.25, "trips": 11, "source": "dispatch"}
    for day in range(1, 29)
    for shift in ("day", "night")
]

NIGHTS = [
    {"unit": "I2", "start_at": "2025-03-08T22:00:00-05:00", "end_at": "2025-03-09T06:00:00-04:00", "shift": "night"},
    {"unit": "I2", "start_at": "2025-03-10T22:00:00-04:00", "end_at": "2025-03-11T06:00:00-04:00", "shift": "night"},
]

SEATS = [{"unit": "I1", "date": f"2025-03-{day:02}", "trips": 22, "rear_trips": day % 22} for day in range(1, 29)]

SERVICES = [
    {"unit": "I1", "kind": "fan-service", "at": "2025-03-02T12:00:00Z", "odometer": 1200, "distance_unit": "mi",
     "note": 'ducts "whole", seat\nout'},
]

LOGS = {
    "odometer-readings": [READINGS],
    "duty-logs": [DUTY, NIGHTS],
    "seat-logs": [SEATS],
    "past-services": [SERVICES],
}


def fleet(daemon):
    client = daemon.client()
    depot(client)
    client.store("/v1/vehicles", [car(f"I{number}") for number in (1, 2)])
    return client


def taken_in(daemon, client, path, *named):
    """A file imported while the daemon serves: over HTTP where it holds the file, beside it on Postgres."""
    held = ["--server", daemon.url, "--key", client.key] if daemon.database.engine == "sqlite" else []
    return daemon.command("import", path, *named, *held)


def write(rows, path):
    """The rows as a file, in the format its name says."""
    if path.suffix == ".csv":
        with path.open("w", newline="") as file:
            table = csv.DictWriter(file, fieldnames=list(rows[0]))
            table.writeheader()
            table.writerows(rows)
    elif path.suffix == ".json":
        path.write_text(json.dumps(rows, indent=1))
    else:
        path.write_text(ndjson(rows))
    return path


def stored(client):
    """All that is kept of the cars, and what comes of it."""
    kept = {
        f"{log} {unit}": client.items(f"/v1/{log}?unit={unit}&limit=500") for log in LOGS for unit in ("I1", "I2")
    }
    days = {unit: client.get(f"/v1/vehicles/{unit}/duty-days").json() for unit in ("I1", "I2")}
    return kept | days


def counts(text):
    found = re.search(r"stored (\d+), repeated (\d+), replaced (\d+), refused (\d+)", text)
    return tuple(map(int, found.groups()))


@pytest.mark.parametrize("ending", [".csv", ".ndjson", ".json"])
def test_a_file_gives_the_same_rows_as_a_post(new_daemon, tmp_path, ending):
    posted, imported = new_daemon(), new_daemon()
    client, other = fleet(posted), fleet(imported)
    for log, sets in LOGS.items():
        for number, rows in enumerate(sets):
            client.store(f"/v1/{log}", rows)
            path = write(rows, tmp_path / f"{log}-{number}{ending}")
            # What a JSON array holds is not looked for in it.
            named = ["--log", log] if ending == ".json" else []
            done = taken_in(imported, other, path, *named)
            assert done.returncode == 0, done.stderr
            assert counts(done.stdout) == (len(rows), 0, 0, 0)
            again = taken_in(imported, other, path, *named)
            assert counts(again.stdout) == (0, len(rows), 0, 0)
    assert stored(other) == stored(client)


def many(count):
    start = datetime(2025, 3, 1, tzinfo=timezone.utc)
    return [
        {"unit": "I1", "at": (start + timedelta(minutes=number)).isoformat(), "odometer": 1000 + number / 100,
         "distance_unit": "mi"}
        for number in range(count)
    ]


def test_a_held_file_is_taken_in_by_its_server(engine, new_daemon, tmp_path):
    daemon = new_daemon()
    client = fleet(daemon)
    rows = many(12_000)
    rows[7_000]["unit"] = "nobody"
    path = write(rows, tmp_path / "readings.csv")
    if engine == "sqlite":
        # Its server listens where the settings say.
        here = ["--set", f"listen={daemon.url.removeprefix('http://')}"]
        keyless = daemon.command("import", path, *here)
        assert keyless.returncode == 1
        assert f"a server holds {daemon.database.file}" in keyless.stderr and "VENTMILE_KEY" in keyless.stderr
        wrong = daemon.command("import", path, *here, "--key", "vm_wrong")
        assert wrong.returncode == 1 and "401" in wrong.stderr, wrong.stderr
        assert client.items("/v1/odometer-readings?unit=I1") == []
        may_not = daemon.command("import", path, *here, "--key", daemon.new_key("read"))
        assert may_not.returncode == 1 and "403" in may_not.stderr, may_not.stderr
    else:
        here = ["--server", daemon.url]
    done = daemon.command("import", path, *here, extra={"VENTMILE_KEY": client.key})
    assert counts(done.stdout) == (11_999, 0, 0, 1), done.stderr
    assert 'row 7001: unit = "nobody": ' in done.stderr
    again = daemon.command("import", write(rows, tmp_path / "readings.ndjson"), *here, "--key", client.key)
    assert counts(again.stdout) == (0, 11_999, 0, 1), again.stderr
    # Nobody serves any more: the rows go to the database itself.
    daemon.stop()
    alone = daemon.command("import", write(rows, tmp_path / "readings.json"), "--log", "odometer-readings")
    assert counts(alone.stdout) == (0, 11_999, 0, 1), alone.stderr
    gone = daemon.command("import", path, "--server", daemon.url, "--key", client.key)
    assert gone.returncode == 1 and "does not answer" in gone.stderr


def test_vehicles_come_from_a_file(new_daemon, tmp_path):
    daemon = new_daemon()
    client = daemon.client()
    depot(client)
    path = write([car(f"I{number}", model="Hybrid wagon") for number in range(5)], tmp_path / "vehicles.csv")
    assert counts(taken_in(daemon, client, path).stdout) == (5, 0, 0, 0)
    assert counts(taken_in(daemon, client, path).stdout) == (0, 5, 0, 0)
    assert [item["unit"] for item in client.items("/v1/vehicles")] == [f"I{number}" for number in range(5)]


def test_refused_rows_are_shown(new_daemon, tmp_path):
    daemon = new_daemon()
    client = fleet(daemon)
    rows = [dict(row) for row in READINGS[:5]]
    rows[1]["unit"] = "nobody"
    rows[2]["distance_unit"] = "miles"
    rows[3]["at"] = "yesterday"
    for ending in (".csv", ".ndjson"):
        done = taken_in(daemon, client, write(rows, tmp_path / f"readings{ending}"))
        assert done.returncode == 1
        assert counts(done.stdout)[3] == 3
        lines = [line.strip() for line in done.stderr.splitlines() if line.strip().startswith("row ")]
        starts = ['row 2: unit = "nobody": ', 'row 3: distance_unit = "miles": ', 'row 4: at = "yesterday": ']
        assert [line.startswith(start) for line, start in zip(lines, starts)] == [True] * 3, done.stderr
    assert len(client.items("/v1/odometer-readings?unit=I1")) == 2


def test_a_file_that_cannot_be_used_is_named(new_daemon, tmp_path):
    daemon = new_daemon()
    client = daemon.client()
    missing = taken_in(daemon, client, tmp_path / "nothing.csv")
    assert missing.returncode == 1
    assert "nothing.csv" in missing.stderr
    unclear = tmp_path / "unclear.csv"
    unclear.write_text("colour,size\nred,1\n")
    done = taken_in(daemon, client, unclear)
    assert done.returncode == 1
    assert "--log" in done.stderr
