"""Every test that asks for a database or a daemon runs on SQLite and on Postgres."""

import os

import pytest

from daemon import Daemon, Database


@pytest.fixture(scope="module", params=["sqlite", "postgres"])
def engine(request):
    return request.param


@pytest.fixture
def new_database(engine, tmp_path):
    """Makes databases that go with the test."""
    made = []

    def make():
        made.append(Database(engine, tmp_path))
        return made[-1]

    yield make
    for database in made:
        database.drop()


@pytest.fixture
def new_daemon(new_database, tmp_path):
    """Starts daemons; those that still run at the end are told to stop and must end well."""
    started = []

    def start(database=None, settings=()):
        started.append(Daemon(database or new_database(), tmp_path, settings).start())
        return started[-1]

    yield start
    running = [daemon for daemon in started if daemon.is_running()]
    for daemon in running:
        daemon.stop()


@pytest.fixture(scope="module")
def daemon(engine, tmp_path_factory):
    """One daemon for a module's tests that do not mind each other."""
    folder = tmp_path_factory.mktemp("module")
    database = Database(engine, folder)
    # The tests raise their own orders: the loop leaves cars alone whose logs came in within the last hour.
    serving = Daemon(database, folder, ["raise.settle_seconds=3600"]).start()
    yield serving
    serving.stop()
    database.drop()


@pytest.fixture(scope="module")
def client(daemon):
    """A client whose key may do all."""
    return daemon.client()


@pytest.fixture(scope="session")
def cases():
    """How many random cases a test tries; `tests/run --long` asks for many."""
    return int(os.environ.get("VENTMILE_TEST_CASES", "200"))
