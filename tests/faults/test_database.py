"""What is below the daemon fails: the server goes, the disk is full, the file may only be read, a sync takes long."""

import subprocess
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager

import pytest

from daemon import BINARY, PATIENCE, Client, check_problem, environment, wait_until
from load import SETTINGS, Load
from server import Named, fill, small_disk
from soundness import has_caught_up, is_sound, journal_lines

DAY = "2024-07-01"


def on(engine):
    """For a test that makes sense on one database only."""
    return pytest.mark.parametrize("engine", [engine], indirect=True)


def settled(load):
    """Everything pending is answered, and all is as the clients wrote it down."""
    load.finish()
    load.check([DAY])
    is_sound(load.daemon)
    client, journal = load.client(), journal_lines(load.daemon)
    for worker in load.hands():
        worker.check_trail(client, journal)


def refused(answer, status, kind):
    problem = check_problem(answer)
    assert (answer.status_code, problem["type"]) == (status, f"urn:ventmile:problem:{kind}"), answer.text
    assert int(answer.headers["retry-after"]) > 0
    return problem["detail"]


def one_reading(load):
    row = {"unit": load.workers[0].units[0], "at": "2024-06-20T12:00:00Z", "odometer": 50, "distance_unit": "mi"}
    return load.client().call("POST", "/v1/odometer-readings", json=row)


@pytest.mark.parametrize("mode", ["fast", "immediate"])
@on("postgres")
def test_the_server_goes_and_comes_back(new_daemon, postgres, mode):
    daemon = new_daemon(postgres.database(), SETTINGS)
    with Load(daemon, 1, posters=1, hands=1) as load:
        load.start(DAY).go_on()
        time.sleep(1)
        postgres.stop(mode)
        client = load.client()
        assert client.get("/livez").json() == {"status": "alive"}
        begin = time.monotonic()
        with ThreadPoolExecutor() as pool:
            ready = pool.submit(client.call, "GET", "/readyz")
            listed = pool.submit(Client(daemon.url, load.key).call, "GET", "/v1/depots")
            for answer in (one_reading(load), ready.result(), listed.result()):
                refused(answer, 503, "unavailable")
        assert time.monotonic() - begin < 20, "a client waits too long to hear that the database is away"
        answered = load.answered()
        postgres.start()
        assert wait_until(lambda: load.answered() > answered + 5, PATIENCE), "it does not go on"
        client.get("/readyz")
        settled(load)
        assert wait_until(lambda: has_caught_up(client, load.workers[0].units[0]), PATIENCE)


@contextmanager
def on_small_disk(engine, request):
    """A database all of whose tables are in a folder with little room, and the folder."""
    with small_disk("48m") as folder:
        if engine == "sqlite":
            yield Named(engine, f"sqlite:{folder}/fleet.db", folder / "fleet.db"), folder
            return
        postgres = request.getfixturevalue("postgres")
        postgres.own(folder)
        postgres.sql(f"CREATE TABLESPACE small LOCATION '{folder}'")
        yield postgres.database("TABLESPACE small"), folder
        postgres.stop("fast")


def test_a_full_disk_loses_nothing_and_goes_on_with_room(new_daemon, engine, request):
    with on_small_disk(engine, request) as (database, folder):
        daemon = new_daemon(database, SETTINGS)
        with Load(daemon, 2, posters=1, hands=1) as load:
            load.start(DAY).go_on()
            wait_until(lambda: load.answered() > 20, PATIENCE)
            ballast = fill(folder)
            load.wait_refused(507, PATIENCE)
            load.pause()
            load.gate.wait_parked()
            # What is there can be read, and is right.
            load.check([DAY])
            ballast.unlink()
            answered = load.answered()
            load.go_on()
            assert wait_until(lambda: load.answered() > answered + 5, PATIENCE), "it does not go on"
            settled(load)
        daemon.stop()


def without_override():
    """Root may write what nobody may, unless it gives that up."""
    return ("setpriv", "--bounding-set=-dac_override", "--inh-caps=-dac_override")


@on("sqlite")
def test_a_file_that_may_only_be_read_is_named(new_daemon):
    daemon = new_daemon()
    client = daemon.client()
    daemon.stop()
    file = daemon.database.file
    file.chmod(0o444)
    command = [*without_override(), BINARY, "serve", "--listen", "127.0.0.1:0", "--database", daemon.database.address]
    done = subprocess.run(command, env=environment(), capture_output=True, text=True, timeout=PATIENCE, check=False)
    assert done.returncode == 1
    assert str(file) in done.stderr and "may not be written" in done.stderr, done.stderr
    file.chmod(0o644)
    daemon.start()
    Client(daemon.url, client.key).get("/v1/depots")


@on("postgres")
def test_a_server_that_takes_no_writes_is_said(new_daemon, postgres):
    daemon = new_daemon(postgres.database(), SETTINGS)
    with Load(daemon, 3, posters=1, hands=1) as load:
        load.start(DAY).go_on()
        wait_until(lambda: load.answered() > 10, PATIENCE)
        # As a standby does, and a server whose operator has put it at rest.
        reload = "SELECT pg_reload_conf()"
        postgres.sql("ALTER SYSTEM SET default_transaction_read_only = on", reload)
        load.wait_refused(503, PATIENCE)
        assert "no writes" in refused(one_reading(load), 503, "unavailable")
        load.client().get("/v1/depots")
        postgres.sql("ALTER SYSTEM RESET default_transaction_read_only", reload)
        settled(load)


SLOW_SYNC = """
#define _GNU_SOURCE
#include <dlfcn.h>
#include <unistd.h>

static int slow(const char *name, int file) {
    int (*sync)(int) = (int (*)(int))dlsym(RTLD_NEXT, name);
    usleep(DELAY_US);
    return sync(file);
}

int fsync(int file) { return slow("fsync", file); }
int fdatasync(int file) { return slow("fdatasync", file); }
"""


@pytest.fixture(scope="module")
def slow_sync(tmp_path_factory):
    """A library that makes every sync take 50 ms."""
    folder = tmp_path_factory.mktemp("slow")
    (folder / "slow.c").write_text(SLOW_SYNC)
    command = ["cc", "-shared", "-fPIC", "-DDELAY_US=50000", "-o", folder / "slow.so", folder / "slow.c", "-ldl"]
    subprocess.run(command, check=True)
    return folder / "slow.so"


# Postgres syncs in a process of its own.
@on("sqlite")
def test_a_slow_disk_slows_and_breaks_nothing(new_daemon, slow_sync):
    daemon = new_daemon(settings=SETTINGS, extra={"LD_PRELOAD": str(slow_sync)})
    with Load(daemon, 4, posters=6, hands=2) as load:
        load.start(DAY).go_on()
        assert wait_until(lambda: load.answered() > 30, PATIENCE)
        load.pause()
        daemon.kill()
        daemon.start()
        load.go_on()
        settled(load)
    assert "ERROR" not in daemon.log.read_text()
