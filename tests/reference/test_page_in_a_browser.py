"""The page in a headless browser: keys, search, both widths, dark and light, and no request to anywhere."""

from __future__ import annotations

import pytest

from stackcomp import KINDS
from stackcomp.reference import write_page

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def page_file(tmp_path_factory):
    path = tmp_path_factory.mktemp("page") / "kinds.html"
    write_page(path, KINDS)
    return path


@pytest.fixture(params=[(1280, "light"), (2560, "dark")], ids=["1280 light", "2560 dark"])
def page(request, browser, page_file):
    width, scheme = request.param
    context = browser.new_context(viewport={"width": width, "height": 900}, color_scheme=scheme)
    page = context.new_page()
    troubles = []
    page.on("console", lambda message: troubles.append(message.text))
    page.on("pageerror", lambda error: troubles.append(str(error)))
    page.on("request", lambda sent: None if sent.url.startswith(("file:", "data:")) else troubles.append(sent.url))
    page.goto(page_file.as_uri())
    yield page
    assert troubles == []
    context.close()


def test_nothing_is_wider_than_the_window(page):
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    sizes = page.evaluate("[...document.images].map((i) => [i.naturalWidth, i.clientWidth])")
    assert len(sizes) > len(KINDS)
    assert all(natural == shown == 320 for natural, shown in sizes)


def test_keys_lead_from_kind_to_kind(page):
    names = list(KINDS)
    for expected in (names[0], names[1], names[2]):
        page.keyboard.press("j")
        page.wait_for_function(f"location.hash === '#{expected}'")
        page.wait_for_function(f"Math.abs(document.getElementById('{expected}').getBoundingClientRect().top) < 40")
    page.keyboard.press("k")
    page.wait_for_function(f"location.hash === '#{names[1]}'")


def test_search(page):
    page.keyboard.press("/")
    page.keyboard.type("half-light")
    shown = "[...document.querySelectorAll('section.kind')].filter((s) => !s.hidden).map((s) => s.id)"
    assert page.evaluate(shown) == ["glow"]
    page.keyboard.press("Escape")
    assert page.evaluate(shown) == list(KINDS)


def test_dark_and_light_are_readable(page):
    """The contrast of text to paper is at least 7, as WCAG 2.2, success criterion 1.4.6, asks."""
    colours = page.evaluate(
        "['color', 'backgroundColor'].map("
        "(name) => getComputedStyle(document.body)[name].match(/[0-9]+/g).map(Number))"
    )

    def luminance(rgb):
        linear = [v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in (c / 255 for c in rgb[:3])]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    low, high = sorted(map(luminance, colours))
    assert (high + 0.05) / (low + 0.05) >= 7
