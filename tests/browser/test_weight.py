"""What a page weighs by itself: a fleet with one depot and no car, so that hardly a byte is the fleet's own."""

import pytest
from daemon import Daemon, Database, depot
from pages import EVERYWHERE
from surf import Surfer

HEAVIEST = 100_000


@pytest.fixture(scope="module")
def empty(engine, tmp_path_factory):
    folder = tmp_path_factory.mktemp("empty")
    database = Database(engine, folder)
    serving = Daemon(database, folder).start()
    depot(serving.client())
    yield serving
    serving.stop()
    database.drop()


@pytest.mark.parametrize("path", EVERYWHERE)
def test_a_page_is_light(browser, empty, path):
    surfer = Surfer(browser, empty)
    page = surfer.signed_in()
    sizes = {}
    page.on("response", lambda answer: sizes.update({answer.url: len(answer.body())}))
    page.route("**", lambda route: route.continue_(headers=route.request.headers | {"cache-control": "no-cache"}))
    # The stream of news weighs nothing and has no end.
    page.route("**/board/live**", lambda route: route.abort())
    page.goto(path, wait_until="networkidle")
    whole = sum(sizes.values())
    surfer.close()
    assert any(url.endswith(".css") for url in sizes), sizes
    assert whole < HEAVIEST, sizes
