"""The shop's pages: an order on a tablet, also where there is no network for a while."""

import itertools

import pytest
from surf import check_page

NUMBERS = itertools.count(1)


@pytest.fixture
def order(client):
    """A fan service that somebody is at work on."""
    depot = client.get("/v1/vehicles/V104").json()["depot"]
    unit = f"T{next(NUMBERS)}"
    car = {"unit": unit, "depot": depot, "in_service_on": "2025-01-01", "odometer_in_service": 10, "distance_unit": "mi"}
    client.post("/v1/vehicles", car)
    raised = client.post("/v1/work-orders", {"unit": unit, "kind": "fan-service", "reason": "fan noise"})
    return raised.json()["number"]


def begin(page, order):
    page.goto(f"/board/work/{order}")
    form = page.locator("form[action$='/start']")
    who = form.locator("[name=by]")
    if who.evaluate("field => field.tagName") == "SELECT":
        who.select_option(index=1)
    else:
        who.fill("kim")
    form.get_by_role("button").click()
    page.get_by_text("is at work").wait_for()


def fill_first_step(page):
    form = page.locator("form[action$='/steps/1']")
    form.locator("[name='records/maker_procedure']").fill("MP 4")
    form.get_by_label("no", exact=True).check()
    return form


def recorded(client, order):
    return len(client.get(f"/v1/work-orders/{order}/steps").json()["steps"][0]["entries"])


def test_an_order_can_be_read(surf, order):
    page = surf.signed_in(width=390, height=844)
    begin(page, order)
    check_page(page)


def test_targets_are_big(surf, order):
    page = surf.signed_in(width=390, height=844)
    begin(page, order)
    boxes = page.locator(".act .target:visible, .act .big:visible").evaluate_all(
        "all => all.map(one => one.getBoundingClientRect().height)"
    )
    assert boxes and min(boxes) >= 48, boxes


def test_it_works_without_scripts(surf, client, order):
    page = surf.signed_in(java_script_enabled=False)
    page.goto(f"/board/work/{order}")
    begin(page, order)
    fill_first_step(page).get_by_role("button", name="Record this step").click()
    page.get_by_text("MP 4").wait_for()
    assert recorded(client, order) == 1


def test_what_is_sent_without_a_network_arrives_once(surf, client, order):
    page = surf.signed_in()
    begin(page, order)
    page.context.set_offline(True)
    fill_first_step(page).get_by_role("button", name="Record this step").click()
    page.get_by_text("Not sent yet.").wait_for()
    page.get_by_text("no connection").wait_for()
    assert recorded(client, order) == 0
    page.context.set_offline(False)
    page.locator("#step-1").get_by_text("MP 4").wait_for()
    page.reload()
    assert page.get_by_text("Not sent yet.").count() == 0
    assert recorded(client, order) == 1


def test_an_answer_that_is_lost_leaves_one_entry(surf, client, order):
    page = surf.signed_in()
    begin(page, order)
    lost = []

    def lose(route):
        route.fetch(max_redirects=0)
        lost.append(route)
        route.abort("connectionreset")

    page.route("**/steps/1", lose, times=1)
    fill_first_step(page).get_by_role("button", name="Record this step").click()
    page.get_by_text("no connection").wait_for()
    page.get_by_role("button", name="Send now").click()
    page.locator("#step-1").get_by_text("MP 4").wait_for()
    assert lost and recorded(client, order) == 1


def test_what_is_refused_stays_to_be_corrected(surf, order):
    page = surf.signed_in()
    begin(page, order)
    form = page.locator("form[action$='/steps/1']")
    form.locator("[name='records/maker_procedure']").fill("MP 4")
    form.get_by_role("button", name="Record this step").click()
    page.get_by_text("Not taken.").wait_for()
    assert page.locator("[name='records/maker_procedure']").input_value() == "MP 4"
    page.reload()
    page.get_by_text("refused:").wait_for()
    assert page.locator("[name='records/maker_procedure']").input_value() == "MP 4"
    page.get_by_role("button", name="Throw it away").click()
    assert page.get_by_text("Not sent yet.").count() == 0
