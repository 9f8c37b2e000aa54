"""Every test that asks for a database or a daemon runs on SQLite and on Postgres."""

import os

import pytest

from daemon import Daemon, Database
from fixtures import engine, new_daemon, new_database  # noqa: F401


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
