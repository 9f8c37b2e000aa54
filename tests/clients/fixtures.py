"""What the Python tests of every folder start from: each runs on SQLite and on Postgres."""

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

    def start(database=None, settings=(), **how):
        started.append(Daemon(database or new_database(), tmp_path, settings, **how).start())
        return started[-1]

    yield start
    running = [daemon for daemon in started if daemon.is_running()]
    for daemon in running:
        daemon.stop()
