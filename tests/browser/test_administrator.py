"""The administrator's day: a key for the shop, a file of rows, a rule."""

from datetime import UTC, datetime, timedelta

from playwright.sync_api import expect
from surf import check_page


def test_the_administrators_day(surf):
    page = surf.signed_in()
    ways = page.get_by_role("navigation", name="Pages")

    # A key, shown once.
    ways.get_by_role("link", name="Keys").click()
    page.get_by_text("Open the form").click()
    page.get_by_label("Name").fill("shop tablet")
    page.get_by_label("work: ").check()
    page.get_by_role("button", name="Make the key").click()
    assert page.locator("code.secret").inner_text().startswith("vm_")
    page.get_by_role("link", name="Back to the keys").click()
    page.get_by_text("New secret or end for shop tablet").click()
    page.get_by_role("button", name="Revoke it").last.click()
    page.get_by_role("heading", name="shop tablet revoked").wait_for()

    # Rows of a file: tried, then stored.
    ways.get_by_role("link", name="Rows in").click()
    at = (datetime.now(UTC) - timedelta(days=40)).isoformat(timespec="seconds")
    rows = f"unit,at,odometer,distance_unit\nV104,{at},5,mi\nnone,{at},5,mi\n"
    page.get_by_label("From a file").set_input_files({"name": "r.csv", "mimeType": "text/csv", "buffer": rows.encode()})
    expect(page.locator("#rows")).not_to_have_value("")
    page.get_by_role("button", name="Try them").click()
    page.get_by_role("heading", name="Tried, nothing stored yet").wait_for()
    assert "none" in page.get_by_role("table").first.inner_text()
    page.get_by_role("button", name="Store them").click()
    page.get_by_role("heading", name="Stored", exact=True).wait_for()

    # The journal tells of it; its filter finds the key.
    ways.get_by_role("link", name="Journal").click()
    page.get_by_label("Who, what or to what").fill("shop tablet")
    page.get_by_role("button", name="Show").click()
    page.wait_for_url("**part=shop*")
    assert page.locator("ul.lines > li").count() >= 2
    check_page(page)
