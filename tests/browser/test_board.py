"""The board's pages, as a person who has signed in with a key sees them."""

import pytest
from pages import DEMO as PAGES
from surf import check_page, pdf


def test_signing_in_can_be_read(surf):
    page = surf.window()
    page.goto("/board/sign-in")
    check_page(page)


@pytest.mark.parametrize("path", PAGES)
def test_a_page_can_be_read(surf, path):
    page = surf.signed_in()
    page.goto(path)
    check_page(page)


def test_the_keyboard_is_enough(surf):
    page = surf.signed_in()
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Skip to the page"
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "main"


def test_pages_are_useful_without_scripts(surf):
    page = surf.signed_in(java_script_enabled=False)
    page.get_by_label("Depot").select_option("VB")
    page.get_by_role("button", name="Show").click()
    page.get_by_role("heading", name="Veldane Bay").wait_for()
    page.get_by_role("button", name="Sign out").click()
    page.get_by_role("heading", name="Sign in").wait_for()


def test_the_list_prints(surf):
    page = surf.signed_in()
    page.goto("/board/cars?band=past")
    for paper in ("A4", "Letter"):
        sheets = pdf(page, paper)
        assert "V103" in sheets[0] and "As of" in sheets[-1], sheets
