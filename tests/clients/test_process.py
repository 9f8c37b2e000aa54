"""The process itself: what it keeps when it is killed, what runs beside it, how it ends."""

import hashlib
import json
import sqlite3
import subprocess
import time
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta, timezone

from requests.exceptions import RequestException

from daemon import BINARY, PATIENCE, Client, car, depot, environment, wait_until


def fleet(daemon):
    client = daemon.client()
    depot(client)
    client.store("/v1/vehicles", [car(f"K{number}") for number in range(4)])
    return client


def posted_until_gone(daemon, key, unit, acknowledged):
    """One client that posts reading after reading until the server is gone."""
    client = Client(daemon.url, key)
    for number in range(1, 100_000):
        at = f"2025-03-{1 + number // 86400:02}T{number // 3600 % 24:02}:{number // 60 % 60:02}:{number % 60:02}Z"
        row = {"unit": unit, "at": at, "odometer": 100 + number / 1000, "distance_unit": "mi"}
        try:
            verdicts = client.send_ndjson("/v1/odometer-readings", [row])
        except RequestException:
            return
        assert verdicts["stored"] == 1
        acknowledged.append(at)


def test_acknowledged_rows_outlive_a_kill(new_daemon):
    # What the killed process had claimed is free again after so many seconds.
    settings = ["loops.claim_seconds=2"]
    daemon = new_daemon(settings=settings)
    key = fleet(daemon).key
    acknowledged = {f"K{number}": [] for number in range(4)}
    with ThreadPoolExecutor(len(acknowledged)) as pool:
        posting = [pool.submit(posted_until_gone, daemon, key, unit, times) for unit, times in acknowledged.items()]
        wait_until(lambda: all(len(times) >= 50 for times in acknowledged.values()), PATIENCE)
        daemon.kill()
    for posted in posting:
        posted.result()
    again = new_daemon(daemon.database, settings)
    client = again.client()
    for unit, times in acknowledged.items():
        assert len(times) >= 50
        stored = {item["at"] for item in client.items(f"/v1/odometer-readings?unit={unit}&limit=500")}
        assert set(times) <= stored, unit
    # What was under way when it was killed is taken up again: the cars' forecasts come from all their rows.
    for unit, times in acknowledged.items():
        path = f"/v1/upcoming?unit={unit}"
        last = max(item["at"] for item in client.items(f"/v1/odometer-readings?unit={unit}&limit=500"))
        assert wait_until(lambda: client.get(path).json()["items"][0]["last_reading_at"] == last, 20), unit


def test_posting_and_the_loops_do_not_get_in_each_others_way(new_daemon):
    """Both change what is known of the same cars: no request may fail for it."""
    daemon = new_daemon()
    client = daemon.client()
    depot(client)
    units = [f"L{number}" for number in range(300)]
    client.store("/v1/vehicles", [car(unit) for unit in units])

    def post(hour):
        own = Client(daemon.url, client.key)
        for minute in range(30):
            at = f"2025-03-01T{hour:02}:{minute:02}:00Z"
            own.store("/v1/odometer-readings", [
                {"unit": unit, "at": at, "odometer": 100, "distance_unit": "mi"} for unit in units
            ])

    with ThreadPoolExecutor(3) as pool:
        list(pool.map(post, range(3)))
    assert "ERROR" not in daemon.log.read_text()


def test_a_second_process_on_one_file_is_refused(engine, new_daemon):
    daemon = new_daemon()
    if engine == "postgres":
        # Several processes may serve one Postgres.
        second = new_daemon(daemon.database)
        key = daemon.new_key()
        for process in (daemon, second):
                    Client(process.url, key).get("/v1/upcoming")
        return
    command = [BINARY, "serve", "--listen", "127.0.0.1:0", "--database", daemon.database.address]
    second = subprocess.run(command, env=environment(), capture_output=True, text=True, timeout=PATIENCE, check=False)
    assert second.returncode != 0
    assert f"another ventmile serves {daemon.database.file}" in second.stderr
    daemon.client().get("/v1/upcoming")


def test_the_file_is_free_again_after_a_kill(new_daemon):
    daemon = new_daemon()
    daemon.kill()
    new_daemon(daemon.database).client().get("/v1/upcoming")


def test_keys_are_made_and_revoked_beside_it(new_daemon):
    daemon = new_daemon()
    name = "shop"
    made = daemon.command("key new", "--name", name, "--may", "read")
    assert made.returncode == 0 and made.stdout.startswith("vm_")
    client = Client(daemon.url, made.stdout.strip())
    client.get("/v1/upcoming")
    assert daemon.command("key new", "--name", name, "--may", "read").returncode != 0, "a name stands once"
    assert daemon.command("key new", "--name", "x", "--may", "fly").returncode != 0
    assert name in daemon.command("key list").stdout
    assert daemon.command("key revoke", name).returncode == 0
    assert wait_until(lambda: client.call("GET", "/v1/upcoming").status_code == 401, 3)
    assert daemon.command("key revoke", name).returncode != 0
    assert "revoked" in daemon.command("key list").stdout


def test_check_runs_beside_it(new_daemon):
    daemon = new_daemon()
    checked = daemon.command("check", "--set", "duty.mean_hours=9.5")
    assert checked.returncode == 0, checked.stderr
    lines = {line.split(" = ")[0].strip(): line for line in checked.stdout.splitlines() if " = " in line}
    assert lines["duty.mean_hours"].endswith("= 9.5  (flag)")
    assert lines["duty.week_days"].endswith("= 6  (default)")
    wrong = daemon.command("check", "--set", "duty.week_days=9")
    assert wrong.returncode != 0
    assert "duty.week_days = 9 (flag): give 1 to 7" in wrong.stderr


def test_backup_runs_beside_it(engine, new_daemon, tmp_path):
    daemon = new_daemon()
    fleet(daemon)
    target = tmp_path / "copy.db"
    copied = daemon.command("backup", str(target))
    if engine == "postgres":
        assert copied.returncode != 0
        assert "pg_dump" in copied.stderr
        return
    assert copied.returncode == 0, copied.stderr
    copy = sqlite3.connect(target)
    assert copy.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    assert copy.execute("SELECT count(*) FROM vehicles").fetchone() == (4,)
    copy.close()
    again = daemon.command("backup", str(target))
    assert again.returncode != 0
    assert "is there already" in again.stderr


def test_it_ends_when_told_to(new_daemon):
    daemon = new_daemon()
    client = fleet(daemon)
    client.get("/v1/upcoming")
    # The client's connection is still open; it must not hold up the end.
    begin = time.monotonic()
    daemon.stop()
    assert time.monotonic() - begin < 15
    assert "stopped" in daemon.log.read_text()


def test_rows_posted_just_before_the_end_are_there(new_daemon):
    daemon = new_daemon()
    client = fleet(daemon)
    rows = [{"unit": "K1", "date": f"2025-03-{day:02}", "hours": 8} for day in range(1, 32)]
    client.store("/v1/duty-logs", rows)
    daemon.stop()
    client = new_daemon(daemon.database).client()
    assert len(client.items("/v1/duty-logs?unit=K1")) == len(rows)


def test_wrong_settings_are_named(new_database):
    database = new_database()
    command = [BINARY, "serve", "--database", database.address, "--set", "limits.page=0"]
    ended = subprocess.run(command, env=environment(), capture_output=True, text=True, timeout=PATIENCE, check=False)
    assert ended.returncode != 0
    assert "limits.page" in ended.stderr


def chained(lines):
    """The last hash of a journal, counted anew from what its lines say."""
    previous = ""
    for line in lines:
        assert line["previous"] == previous
        at = datetime.fromisoformat(line["at"])
        micros = round((at - datetime(1970, 1, 1, tzinfo=timezone.utc)) / timedelta(microseconds=1))
        sides = [
            "" if line[side] is None else json.dumps(line[side], separators=(",", ":"), ensure_ascii=False)
            for side in ("before", "after")
        ]
        depot_number = "" if line["depot_number"] is None else str(line["depot_number"])
        fields = [line["actor"], line["action"], line["subject"], *sides, depot_number]
        whole = previous + str(micros) + "".join("\x1f" + field for field in fields)
        previous = hashlib.sha256(whole.encode()).hexdigest()
        assert line["hash"] == previous, line
    return previous


def test_the_journal_is_verified_and_exported(new_daemon):
    daemon = new_daemon()
    client = fleet(daemon)
    exported = daemon.command("journal export")
    lines = [json.loads(line) for line in exported.stdout.splitlines()]
    assert len(lines) == 6 and chained(lines) == lines[-1]["hash"]
    assert client.get("/v1/journal?format=ndjson").text == exported.stdout
    good = daemon.command("journal verify", "--holds", lines[3]["hash"])
    assert good.returncode == 0, good.stdout
    assert f"6 lines, 0 faults; the last is {lines[-1]['id']} with the hash {lines[-1]['hash']}" in good.stdout
    lost = daemon.command("journal verify", "--holds", "00")
    assert lost.returncode == 1 and "cut off or written anew" in lost.stdout
    if daemon.database.engine != "sqlite":
        return
    daemon.stop()
    with sqlite3.connect(daemon.database.address.removeprefix("sqlite:")) as database:
        for trigger in ("journal_is_never_changed", "journal_is_never_deleted"):
            database.execute(f"DROP TRIGGER {trigger}")
        database.execute("UPDATE journal SET subject = 'vehicle K9' WHERE id = 4")
    bad = daemon.command("journal verify")
    assert bad.returncode == 1 and "line 4: it was changed" in bad.stdout
