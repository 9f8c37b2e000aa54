"""The interface's page, which needs no key."""

from surf import check_page


def test_the_interface_can_be_read(surf):
    page = surf.window()
    page.goto("/docs")
    page.get_by_role("heading", level=1).wait_for()
    check_page(page)
