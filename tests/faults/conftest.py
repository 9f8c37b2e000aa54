"""Faults on purpose, on SQLite and on Postgres. How much is tried comes from the environment; `tests/run --long` asks for
more:

    VENTMILE_TEST_KILLS   how often the daemon is killed on each database
    VENTMILE_TEST_SEED    what the random moments and loads are drawn from
"""

import os
import random
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "clients"))

from fixtures import engine, new_daemon, new_database  # noqa: E402, F401
from server import Postgres  # noqa: E402


@pytest.fixture
def kills():
    return int(os.environ.get("VENTMILE_TEST_KILLS", "5"))


@pytest.fixture
def dice():
    return random.Random(int(os.environ.get("VENTMILE_TEST_SEED", "1")))


@pytest.fixture(scope="session")
def server():
    made = Postgres()
    yield made
    made.end()


@pytest.fixture
def postgres(server):
    """A server that the test may stop."""
    if not server.is_running():
        server.start()
    return server
