"""The dispatcher's day: who comes in, yes and no to slots, days to spare, what happened, and news while the page is open."""

import itertools
import re
from datetime import date, timedelta

import pytest
import requests
from daemon import Daemon, Database, depot
from surf import Surfer, check_page, pdf

NUMBERS = itertools.count(1)

# Longer than a page takes to notice that it hears nothing.
NOTICES_MS = 60_000


def next_open_day():
    """A weekday from tomorrow on: the demo's shops are closed on Sundays."""
    day = date.today() + timedelta(days=1)
    return day + timedelta(days=1) if day.weekday() == 6 else day


def raised(client):
    """A car of its own and an order for it."""
    place = client.get("/v1/vehicles/V104").json()["depot"]
    unit = f"D{next(NUMBERS)}"
    car = {"unit": unit, "depot": place, "in_service_on": "2025-01-01", "odometer_in_service": 10, "distance_unit": "mi"}
    client.post("/v1/vehicles", car)
    order = client.post("/v1/work-orders", {"unit": unit, "kind": "cooling-check", "reason": "fan noise"}, 201).json()
    return unit, order["number"], place


def act(client, number, name, body):
    etag = client.get(f"/v1/work-orders/{number}").headers["etag"]
    return client.post(f"/v1/work-orders/{number}/{name}", body, headers={"if-match": etag})


def planned(client, day):
    """An order with a slot on the day."""
    unit, number, place = raised(client)
    tries = itertools.product(("09:00", "11:00", "13:00", "15:00"), (1, 2, 3))
    slots = ({"on": day.isoformat(), "start": start, "minutes": 60, "bay": bay} for start, bay in tries)
    assert any(act(client, number, "plan", slot).status_code == 200 for slot in slots)
    return unit, number, place


def row(page, number):
    return page.locator(f"#slot-{number}")


def test_the_dispatchers_day(surf, client):
    day = next_open_day()
    comes, other = planned(client, day), planned(client, day)
    page = surf.signed_in(surf.daemon.new_key("read,plan"))
    page.get_by_role("navigation", name="Pages").get_by_role("link", name="The day").click()
    page.get_by_label("Day", exact=True).fill(day.isoformat())
    page.get_by_label("Depot").select_option(comes[2])
    page.get_by_role("button", name="Show").click()

    # Yes to one slot, no to the other: not without a reason.
    row(page, comes[1]).get_by_text("Not confirmed").wait_for()
    row(page, comes[1]).get_by_role("button", name="It comes").click()
    row(page, comes[1]).get_by_text("Comes, says").wait_for()
    row(page, other[1]).get_by_text("It cannot come").click()
    row(page, other[1]).get_by_role("button", name="Refuse the slot").click()
    row(page, other[1]).get_by_text("Not taken.").wait_for()
    row(page, other[1]).get_by_label("Why").fill("a driver needs it")
    row(page, other[1]).get_by_role("button", name="Refuse the slot").click()
    row(page, other[1]).wait_for(state="detached")
    assert client.get(f"/v1/work-orders/{other[1]}").json()["slots_refused"][0]["reason"] == "a driver needs it"
    assert client.get(f"/v1/work-orders/{comes[1]}").json()["slot_confirmed_by"]
    check_page(page)

    # Days on which a car can be spared, and taken back.
    page.get_by_text("Spare a car").click()
    spare = page.locator("form[action='/board/day/spare']")
    spare.get_by_label("Unit number").fill(other[0])
    spare.get_by_label("First day").fill((day + timedelta(days=1)).isoformat())
    spare.get_by_role("button", name="Spare it").click()
    line = page.locator("ul.spare > li", has_text=other[0])
    line.wait_for()
    line.get_by_role("button", name="Take back").click()
    line.wait_for(state="detached")

    # A driver smells something, then the car breaks down.
    page.get_by_text("A driver reports a symptom").click()
    report = page.locator("form[action='/board/day/reports']")
    report.get_by_label("Unit number").fill(other[0])
    report.get_by_label("smell or heat").check()
    report.get_by_label("What happened").fill("hot behind the seat")
    report.get_by_role("button", name="Tell it").click()
    page.get_by_text("Tell the driver now: stop the car").wait_for()
    page.get_by_text("A car broke down").click()
    broken = page.locator("form[action='/board/day/breakdowns']")
    broken.get_by_label("Unit number").fill(other[0])
    broken.get_by_label("What happened").fill("towed in")
    broken.get_by_role("button", name="Tell it").click()
    page.get_by_text("The car is off the road from").wait_for()
    assert client.get(f"/v1/vehicles/{other[0]}/off-road").json()["items"]
    check_page(page)


def test_a_calendar_of_ones_own(surf, client):
    page = surf.signed_in(surf.daemon.new_key("read,plan"))
    page.goto("/board/calendars")
    page.get_by_label("Veldane Bay").check()
    page.get_by_label("Who reads it").fill("dispatcher's phone")
    page.get_by_role("button", name="Make the address").click()
    address = page.locator("code.secret").inner_text()
    assert requests.get(address, timeout=60).text.startswith("BEGIN:VCALENDAR")
    page.get_by_role("link", name="Back to the calendars").click()
    page.get_by_text("Take back the address of dispatcher's phone").click()
    page.get_by_role("button", name="Take it back").click()
    page.get_by_text("its address was taken back").wait_for()
    assert requests.get(address, timeout=60).status_code == 404


def test_the_day_works_without_scripts(surf, client):
    day = next_open_day()
    _, number, _ = planned(client, day)
    page = surf.signed_in(java_script_enabled=False)
    page.goto(f"/board/day?date={day}")
    row(page, number).get_by_role("button", name="It comes").click()
    row(page, number).get_by_text("Comes, says").wait_for()


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_the_day_prints_on_two_sheets(surf, client, paper):
    day = next_open_day()
    unit, _, place = planned(client, day)
    page = surf.signed_in()
    for path, zone in ((f"/board/day?date={day}", "[A-Z]{3,4}"), (f"/board/day?date={day}&depot={place}", "E[SD]T")):
        page.goto(path)
        sheets = pdf(page, paper)
        assert len(sheets) <= 2, [len(sheet) for sheet in sheets]
        assert unit in sheets[0], sheets[0]
        assert re.search(rf"As of \d+ \w+ \d{{4}}, \d\d:\d\d {zone}", sheets[0]), sheets[0]


def stays(page):
    """Marks the window, so that a reload would show."""
    page.evaluate("window.mark = 1")
    return lambda: page.evaluate("window.mark") == 1


@pytest.mark.parametrize("path", ["/board/work?depot=VB", "/board/day?depot=VB"])
def test_an_order_appears_by_itself(surf, client, path):
    page = surf.signed_in()
    page.goto(path)
    same = stays(page)
    summary = page.locator("main details summary").last
    if summary.count():
        summary.click()
    page.evaluate("scrollTo(0, 40)")
    unit, number, _ = raised(client)
    page.get_by_text(number).first.wait_for()
    page.locator("#news.just", has_text=f"{unit}: {number} raised").wait_for()
    assert same() and page.evaluate("scrollY") == 40
    assert not summary.count() or page.locator("main details[open]").count() == 1, "what was open stays open"


def test_an_order_s_page_hears_of_its_car(surf, client):
    unit, number, _ = raised(client)
    page = surf.signed_in()
    page.goto(f"/board/work/{number}")
    same = stays(page)
    raised(client)
    act(client, number, "accept", {"by": "kim"})
    page.get_by_text("Taken by kim").wait_for()
    assert same()
    assert f"{unit}: {number} accepted" in page.locator("#news").inner_text()


def test_what_is_being_typed_stays(surf, client):
    day = next_open_day()
    _, number, place = planned(client, day)
    page = surf.signed_in()
    page.goto(f"/board/day?date={day}&depot={place}")
    same = stays(page)
    row(page, number).get_by_text("It cannot come").click()
    why = row(page, number).get_by_label("Why")
    why.fill("a driver")
    unit, other, _ = planned(client, day)
    page.locator("#news.offer", has_text=f"{unit}: {other} planned").wait_for()
    assert why.input_value() == "a driver" and not row(page, other).count()
    page.locator("#news button").click()
    row(page, other).wait_for()
    assert same()


def test_two_reports_of_one_car_both_arrive(surf, client):
    unit, _, place = raised(client)
    page = surf.signed_in()
    page.goto(f"/board/day?depot={place}")
    page.get_by_text("A driver reports a symptom").click()
    form = page.locator("form[action='/board/day/reports']")
    page.context.set_offline(True)
    for words in ("it howls", "it stopped"):
        form.get_by_label("Unit number").fill(unit)
        form.get_by_label("fan noise").check()
        form.get_by_label("What happened").fill(words)
        form.get_by_role("button", name="Tell it").click()
        page.get_by_text("no connection").first.wait_for()
    assert page.locator("#unsent li").count() == 2
    page.context.set_offline(False)
    page.locator("#unsent li").first.wait_for(state="detached")
    told = [event["told"] for event in client.items(f"/v1/driver-reports?unit={unit}")]
    assert told == ["it howls", "it stopped"]


def test_a_page_that_hears_nothing_says_so(browser, engine, tmp_path):
    database = Database(engine, tmp_path)
    serving = Daemon(database, tmp_path).start()
    depot(serving.client())
    surfer = Surfer(browser, serving)
    page = surfer.signed_in()
    page.goto("/board/day")
    same = stays(page)
    serving.stop()
    line = page.locator("#news.stale")
    line.wait_for(timeout=NOTICES_MS)
    assert re.search(r"connection to the server is lost\. What stands here is as of \d+ \w+ \d{4}, \d\d:\d\d", line.inner_text())
    serving.start()
    line.wait_for(state="hidden", timeout=NOTICES_MS)
    assert same()
    surfer.close()
    serving.stop()
    database.drop()
