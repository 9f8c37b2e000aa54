"""The manager's packs: the riskiest one, why it is, its place on the life curve, and whether the chances were right."""

from surf import check_page


def test_from_the_riskiest_pack_to_hindsight(surf):
    page = surf.signed_in(surf.daemon.new_key("read"))
    ways = page.get_by_role("navigation", name="Pages")

    # The packs of a depot that call for something now.
    ways.get_by_role("link", name="Packs").click()
    page.get_by_label("Depot").select_option("OM")
    page.get_by_label("Risk").select_option("now")
    page.get_by_role("button", name="Show").click()
    page.wait_for_url("**band=now*")
    packs = page.locator("ul.cars > li")
    assert packs.count() > 0
    assert all("to be seen to now" in text and "in 90 days" in text for text in packs.all_inner_texts())

    # The one whose block nears its limit, by its car; why it is there.
    worn = packs.filter(has_text="M203")
    assert "The weakest block lay" in worn.inner_text()
    serial = worn.locator("a.unit").inner_text()
    worn.locator("a.unit").click()
    page.get_by_role("heading", name=serial, level=1).wait_for()
    text = page.locator("main").inner_text()
    assert "Raises it. The weakest block lay" in text
    assert "pack assessment" in text, "the order that is open for it"

    # Its place on the life curve, among the fleet's packs, also in numbers.
    curve = page.locator("figure").filter(has_text="Share of packs that get further")
    assert serial in curve.inner_text()
    assert curve.locator("path.mark.look-own").count() == 2, "itself, and in the key"
    assert curve.locator("path.mark.look-2").count() > 10 and curve.locator("path.mark.look-1").count() > 10
    page.get_by_text("The packs on it").click()
    table = page.get_by_label("The packs on the life curve")
    assert table.get_by_role("row", name=serial).inner_text().split("\t")[3] == "running"
    blocks = page.locator("figure").filter(has_text="How far the weakest block lies under the others")
    blocks.locator("summary").click()
    assert "set aside: current not known or not like the others" in blocks.inner_text()
    check_page(page)

    # To the car and back through its own link.
    page.get_by_role("link", name="M203").first.click()
    page.get_by_role("heading", name="M203").wait_for()
    page.get_by_role("region", name="Its pack").get_by_role("link", name=serial).click()
    page.get_by_role("heading", name=serial, level=1).wait_for()
    page.get_by_role("link", name="Packs").last.click()

    # What waiting costs, and on which settings that rests.
    page.get_by_role("link", name="What waiting costs").click()
    page.get_by_role("heading", name="What waiting costs").wait_for()
    assert "cost.shifts_roadside" in page.locator("main").inner_text()
    assert page.get_by_label("Another month with each pack").get_by_role("link", name=serial).count()

    # The demo fleet has no record of half a year: the page says from when on there is one.
    ways.get_by_role("link", name="Hindsight").click()
    page.get_by_role("heading", name="Were the chances right?").wait_for()
    assert "the first chances end on" in page.locator("main").inner_text()
