"""The manager's day: from signing in to the car that waits longest, and what the office may not touch."""

from surf import check_access


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
