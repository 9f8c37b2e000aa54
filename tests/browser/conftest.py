"""Each test has the demo fleet, served from SQLite and from Postgres, and a real browser."""

import os
import sys
from pathlib import Path

import pytest
from playwright.sync_api import sync_playwright

sys.path.insert(0, str(Path(__file__).parents[1] / "clients"))

from daemon import Daemon, Database, run  # noqa: E402
from surf import Surfer, chromium  # noqa: E402


@pytest.fixture(scope="session", params=["sqlite", "postgres"])
def engine(request):
    return request.param


@pytest.fixture(scope="session")
def daemon(engine, tmp_path_factory):
    """The demo fleet, loaded once for all tests of a database."""
    folder = tmp_path_factory.mktemp("demo")
    database = Database(engine, folder)
    made = run("demo", "--once", "--listen", "127.0.0.1:0", "--database", database.address, cwd=folder)
    assert made.returncode == 0, made.stderr
    serving = Daemon(database, folder).start()
    yield serving
    serving.stop()
    database.drop()


@pytest.fixture(scope="session")
def client(daemon):
    """Asks the interface beside the pages."""
    return daemon.client()


@pytest.fixture(scope="session")
def browser():
    # Chromium's own sandbox does not run as root.
    alone = ["--no-sandbox"] if os.geteuid() == 0 else []
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=chromium(), args=alone)
        yield started
        started.close()


@pytest.fixture
def surf(browser, daemon):
    """Opens windows; at the end no page may have complained."""
    surfer = Surfer(browser, daemon)
    yield surfer
    surfer.close()
    assert not surfer.complaints, surfer.complaints
