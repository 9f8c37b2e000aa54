"""Hostile requests. How much is tried comes from the environment; `tests/run --long` asks for more:

    VENTMILE_TEST_HOSTILE   cases made from the document for each database
    VENTMILE_TEST_SEED      what they are drawn from
"""

import os
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "clients"))

from daemon import Daemon, Database  # noqa: E402
from fixtures import engine, new_daemon, new_database  # noqa: E402, F401


@pytest.fixture(scope="session")
def hostile():
    return int(os.environ.get("VENTMILE_TEST_HOSTILE", "250"))


@pytest.fixture(scope="session")
def seed():
    return int(os.environ.get("VENTMILE_TEST_SEED", "1"))


@pytest.fixture(scope="module")
def daemon(engine, tmp_path_factory):  # noqa: F811
    folder = tmp_path_factory.mktemp("attack")
    database = Database(engine, folder)
    serving = Daemon(database, folder, ["limits.decompressed_mib=4", "limits.body_mib=2", "limits.stranger_requests=0"]).start()
    yield serving
    serving.stop()
    database.drop()


@pytest.fixture(scope="module")
def client(daemon):
    return daemon.client()
