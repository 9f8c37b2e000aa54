"""A check that cannot fail checks nothing: each must refuse a page that is broken on purpose."""

import pytest
from surf import check_access, check_html, check_width, pdf

GOOD = """<!DOCTYPE html>
<html lang="en"><head><meta charset="utf-8"><title>Good</title></head>
<body><main><h1>Good</h1><p>Words.</p></main></body></html>
"""


def broken(old, new):
    assert old in GOOD
    return GOOD.replace(old, new)


@pytest.fixture
def page(browser):
    context = browser.new_context()
    yield context.new_page()
    context.close()


def test_a_good_page_passes(page):
    page.set_content(GOOD)
    check_html(GOOD, "good")
    check_width(page)
    check_access(page)
    assert [text.split() for text in pdf(page, "A4")] == [["Good", "Words."]]


@pytest.mark.parametrize(
    ("text", "rule"),
    [
        (broken("<p>Words.</p>", '<img src="data:,">'), "image-alt"),
        (broken("<p>Words.</p>", "<input>"), "label"),
        (broken(' lang="en"', ""), "html-has-lang"),
        (broken("<p>Words.</p>", '<p style="color: #999; background: #eee">Words.</p>'), "color-contrast"),
    ],
)
def test_access_is_refused(page, text, rule):
    page.set_content(text)
    with pytest.raises(AssertionError, match=rule):
        check_access(page)


@pytest.mark.parametrize(
    ("text", "rule"),
    [
        (broken("<p>Words.</p>", "<div>Words."), "close-order"),
        (broken("<p>", '<p id="a"></p><p id="a">'), "no-dup-id"),
        (broken("<p>Words.</p>", "<ul><p>Words.</p></ul>"), "element-permitted-content"),
        (broken("<title>Good</title>", ""), "element-required-content"),
    ],
)
def test_html_is_refused(text, rule):
    with pytest.raises(AssertionError, match=rule):
        check_html(text, "broken")


def test_a_wide_page_is_refused(page):
    page.set_content(broken("<p>", '<p style="width: 400px">'))
    with pytest.raises(AssertionError, match="400|408"):
        check_width(page)
