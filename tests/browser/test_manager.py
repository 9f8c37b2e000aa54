"""The manager's day: from signing in to the car that waits longest, and what the office may not touch."""

from surf import check_access, check_page


def test_the_managers_day(surf):
    key = surf.daemon.new_key("read")
    page = surf.signed_in(key)

    # What is coming, of one depot.
    page.get_by_role("heading", name="What is coming", level=1).wait_for()
    ways = page.get_by_role("navigation", name="Pages")
    assert not ways.get_by_role("link", name="Keys").count(), "what the key may not do is not shown"
    page.get_by_label("Depot").select_option("VB")
    page.get_by_role("button", name="Show").click()
    page.get_by_role("heading", name="Veldane Bay").wait_for()

    # The cars past their window.
    ways.get_by_role("link", name="Cars").click()
    page.get_by_label("Against the window").select_option("past")
    page.get_by_role("button", name="Show").click()
    page.wait_for_url("**band=past*")
    cars = page.locator("ul.cars > li")
    assert cars.count() > 0
    assert all("past its window" in text or "silent" in text or "off the road" in text for text in cars.all_inner_texts())

    # One of them, found again by a part of its number.
    unit = cars.locator("a.unit").first.inner_text()
    page.get_by_label("Unit number").fill(unit.lower())
    page.get_by_role("button", name="Show").click()
    page.wait_for_url("**unit=*")
    page.get_by_role("link", name=unit, exact=True).first.click()
    page.get_by_role("heading", level=1).wait_for()
    assert unit in page.get_by_role("heading", level=1).inner_text()
    assert "beyond the late edge" in page.locator("main").inner_text()
    check_access(page)

    # Back to the list with the browser's own button: it is as it was left.
    page.go_back()
    assert page.get_by_label("Against the window").input_value() == "past"

    # A rule can be read, not changed; the keys are refused, in words.
    ways.get_by_role("link", name="Rules").click()
    page.get_by_role("heading", name="Service rules").wait_for()
    assert not page.get_by_text("Save the change").count()
    page.goto("/board/keys")
    page.get_by_text("This needs a key with the scope “admin”").wait_for()

    page.get_by_role("button", name="Sign out").click()
    page.get_by_role("heading", name="Sign in").wait_for()
    page.goto("/board/cars")
    page.wait_for_url("**/board/sign-in?**")


def test_a_car_and_what_would_be(surf, client):
    page = surf.signed_in(surf.daemon.new_key("read"))
    stored = ["", "/plans", "/off-road"]
    before = [client.get(f"/v1/vehicles/V104{what}").json() for what in stored]
    page.goto("/board/cars/V104")

    # What was sent and is not believed, and why.
    page.get_by_role("navigation", name="On this page").get_by_role("link", name="Odometer").click()
    row = page.get_by_role("row").filter(has_text="A digit seems to be missing")
    assert "set aside" in row.inner_text() and "fuel-card" in row.inner_text()
    assert "telematics" in page.locator("figure", has_text="believed").last.inner_text()
    few = page.get_by_role("row").count()
    page.get_by_role("link", name="Show all").first.click()
    page.wait_for_url("**readings=all**")
    assert page.get_by_role("row").count() > few + 100

    # Other shifts: the dates move, later; nothing is saved.
    page.goto("/board/cars/V104")
    page.get_by_text("Try other shifts").click()
    page.get_by_label("Driven days a week").fill("3")
    page.get_by_label("Hours on duty a driven day").fill("6,5")
    page.get_by_role("button", name="Show what would be").click()
    page.wait_for_url("**days_per_week=3**")
    said = page.get_by_role("status").inner_text()
    assert "The late edge would be reached on" in said and "days later." in said, said
    table = page.get_by_role("region", name="As it stands and as it would be").inner_text()
    assert "fan-service" in table and "the same" in table
    assert page.get_by_label("Hours on duty a driven day").input_value() == "6,5"
    check_page(page)
    assert [client.get(f"/v1/vehicles/V104{what}").json() for what in stored] == before

    # What cannot be is said beside its field, with nothing typed lost.
    page.get_by_label("Driven days a week").fill("9")
    page.get_by_role("button", name="Show what would be").click()
    page.get_by_text("give 0 to 7").wait_for()
    assert page.get_by_label("Hours on duty a driven day").input_value() == "6,5"
    check_access(page)
    page.get_by_role("link", name="Clear").click()
    page.wait_for_url(lambda url: "days_per_week" not in url)
