"""A whole database: checked, moved, put back, by the commands an operator types."""

import os
import re
import sqlite3
import subprocess
from contextlib import closing
from pathlib import Path

import pytest

from daemon import Client, Daemon, Database, car, depot, environment, run, wait_until

RUNBOOK = Path(__file__).parents[2] / "deploy" / "RUNBOOK.md"

MAIN_ANSWERS = [
    "/v1/upcoming?limit=500",
    "/v1/work-orders?limit=500",
    "/v1/vehicles?limit=500",
    "/v1/packs?limit=500&with_removed=true",
    "/v1/pack-outlook?limit=500",
    "/v1/service-rules",
    "/v1/depots",
    "/v1/hindsight",
    "/v1/journal?limit=500",
]


@pytest.fixture(scope="module")
def demo(engine, tmp_path_factory):
    """The invented fleet with its forecasts, packs and orders."""
    folder = tmp_path_factory.mktemp("demo")
    database = Database(engine, folder)
    done = run("demo", "--once", "--listen", "127.0.0.1:0", "--database", database.address)
    assert done.returncode == 0, done.stderr
    # What the fleet's past says is learnt by the first process that serves it for a while.
    with_fits = Daemon(database, folder).start()
    assert wait_until(lambda: count(database, "usage_fits") > 0, 60)
    with_fits.stop()
    yield database
    database.drop()


def count(database, table):
    statement = f"SELECT count(*) FROM {table}"
    if database.engine == "sqlite":
        with closing(sqlite3.connect(database.file)) as connection:
            return connection.execute(statement).fetchone()[0]
    command = ["psql", "--no-psqlrc", "-At", "-c", statement, database.address]
    return int(subprocess.run(command, capture_output=True, text=True, check=True).stdout)


def answers(daemon, key):
    client = Client(daemon.url, key)
    found = {path: client.get(path).json() for path in MAIN_ANSWERS}
    for item in found["/v1/upcoming?limit=500"]["items"][:20]:
        path = f"/v1/vehicles/{item['unit']}/forecast"
        found[path] = client.get(path).json()
    return found


def test_the_demo_moved_answers_the_same(engine, demo, tmp_path):
    other = Database("postgres" if engine == "sqlite" else "sqlite", tmp_path)
    # The loops would recast and raise in the one and not yet in the other.
    still = ["loops.tick_ms=600000"]
    try:
        here = Daemon(demo, tmp_path, still).start()
        key = here.new_key()
        before = answers(here, key)
        held = run("move", "--from", demo.address, "--to", other.address)
        assert held.returncode != 0, "not while it is served"
        assert re.search("another ventmile (serves|uses)", held.stderr), held.stderr
        here.stop()

        moved = run("move", "--from", demo.address, "--to", other.address)
        assert moved.returncode == 0, moved.stderr
        rows = dict(re.findall(r"^(\w+) +(\d+) rows, sum [0-9a-f]{32}$", moved.stdout, re.MULTILINE))
        assert int(rows["odometer_readings"]) > 10_000 and int(rows["forecasts"]) > 50, moved.stdout
        assert "the same in both" in moved.stdout
        again = run("move", "--from", demo.address, "--to", other.address)
        assert again.returncode != 0
        assert "the target is not empty" in again.stderr

        there = Daemon(other, tmp_path, still).start()
        after = answers(there, key)
        assert before.keys() == after.keys()
        for path in before:
            assert before[path] == after[path], path
        verified = there.command("journal verify")
        assert verified.returncode == 0, verified.stdout
        checked = there.command("check --deep")
        assert checked.returncode == 0, checked.stdout + checked.stderr
        there.stop()
    finally:
        other.drop()


def test_the_deep_check_runs_beside_it_and_names_what_is_wrong(engine, demo, tmp_path):
    daemon = Daemon(demo, tmp_path).start()
    checked = daemon.command("check --deep")
    daemon.stop()
    assert checked.returncode == 0, checked.stdout + checked.stderr
    lines = checked.stdout.splitlines()
    assert len(lines) > 20 and all(line.startswith("ok ") for line in lines), checked.stdout
    if engine == "postgres":
        return
    broken = tmp_path / "broken.db"
    assert run("backup", broken, "--database", demo.address).returncode == 0
    with closing(sqlite3.connect(broken)) as connection:
        connection.execute("DELETE FROM forecasts WHERE vehicle_id = 1")
        connection.commit()
    checked = run("check", "--deep", "--database", f"sqlite:{broken}")
    assert checked.returncode == 1
    told = checked.stdout.split("NOT  forecasts\n")[1].splitlines()
    assert re.fullmatch(r" +car \S+ has neither a forecast nor a mark to make one", told[0]), checked.stdout
    assert told[1].startswith("     → "), checked.stdout


def commands(heading):
    """The commands under a heading of the runbook."""
    section = RUNBOOK.read_text().split(f"\n### {heading}\n")[1].split("\n#")[0]
    return [line for block in re.findall(r"```sh\n(.*?)```", section, re.DOTALL) for line in block.splitlines()]


def test_postgres_is_backed_up_and_put_back_as_the_runbook_says(engine, demo, tmp_path):
    if engine == "sqlite":
        return
    copy = Database("postgres", tmp_path)
    try:
        variables = {"DATABASE": demo.address, "NEW_DATABASE": copy.address, "FILE": str(tmp_path / "fleet.dump")}
        binary = Path(os.environ["VENTMILE_BINARY"]).parent
        path = f"{binary}:{os.environ['PATH']}"
        for line in commands("Postgres"):
            env = environment() | variables | {"PATH": path}
            done = subprocess.run(["sh", "-ec", line], env=env, capture_output=True, text=True, check=False)
            assert done.returncode == 0, f"{line}\n{done.stdout}{done.stderr}"
        assert (tmp_path / "fleet.dump").stat().st_size > 100_000
        rows = count(demo, "odometer_readings")
        assert count(copy, "odometer_readings") == rows > 10_000
    finally:
        copy.drop()


def test_a_backup_is_put_back(engine, new_daemon, tmp_path):
    daemon = new_daemon()
    client = daemon.client()
    depot(client)
    client.post("/v1/vehicles", car("K1"), 201)
    target = tmp_path / "copy.db"
    if engine == "postgres":
        refused = daemon.command("restore", str(target))
        assert refused.returncode != 0
        assert "pg_restore" in refused.stderr
        return
    made = daemon.command("backup", str(target))
    assert made.returncode == 0, made.stderr
    assert "read through and sound" in made.stdout
    client.post("/v1/vehicles", car("K2"), 201)
    served = daemon.command("restore", str(target), "--replace")
    assert served.returncode != 0
    assert "another ventmile serves" in served.stderr
    daemon.stop()
    held = daemon.command("restore", str(target))
    assert held.returncode != 0
    assert "with --replace it is moved aside" in held.stderr
    done = daemon.command("restore", str(target), "--replace")
    assert done.returncode == 0, done.stderr
    again = new_daemon(daemon.database)
    assert [item["unit"] for item in Client(again.url, client.key).items("/v1/vehicles")] == ["K1"]
