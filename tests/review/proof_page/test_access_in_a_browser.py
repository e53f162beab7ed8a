"""Controls of the page have names, what has the focus is visible, and nothing moves where that is asked for."""

from __future__ import annotations

import numpy as np
import pytest
from made_dumps import Made, colour, write_dump
from proof_browser import opened

from stackcomp.review.proof_page import write_page

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def page_file(tmp_path_factory):
    folder = tmp_path_factory.mktemp("access")
    planes = {name: np.full((48, 64), 0.18, np.float32) for name in "RGBA"}
    nodes = [Made("plate", planes), Made("glass", planes, colour("premultiplied"), inputs={"image": "plate"})]
    return write_page(folder / "page.html", [write_dump(folder / "dump", nodes)])


@pytest.fixture
def driven(browser, page_file):
    with opened(browser, page_file) as driven:
        yield driven


def test_what_has_the_focus_is_visible(driven):
    """Every control that Tab reaches has an outline or a shadow of its own while it has the focus."""
    for opened_node in (False, True):
        if opened_node:
            driven.open_node("glass")
        seen = set()
        for _ in range(40):
            driven.page.keyboard.press("Tab")
            told = driven.page.evaluate(
                """() => {
                  const one = document.activeElement;
                  if (one === document.body) return null;
                  const styles = [one, one.nextElementSibling, one.closest("label")].filter(Boolean)
                    .map((e) => getComputedStyle(e));
                  const ring = styles.some((s) => (s.outlineStyle !== "none" && parseFloat(s.outlineWidth) >= 1)
                    || s.boxShadow !== "none");
                  return [one.id || one.className || one.tagName, ring];
                }"""
            )
            if told:
                seen.add(told[0])
                assert told[1], f"{told[0]} has the focus, and nothing shows it"
        assert len(seen) > 4


def test_every_control_has_a_name(driven):
    driven.open_node("glass")
    nameless = driven.page.evaluate(
        """() => [...document.querySelectorAll("button, input, select")].filter((one) => {
             const text = one.getAttribute("aria-label") || one.textContent.trim()
               || [...(one.labels ?? [])].map((l) => l.textContent.trim()).join("");
             return !text;
           }).map((one) => one.outerHTML.slice(0, 120))"""
    )
    assert nameless == []


def test_nothing_moves_where_that_is_asked_for(browser, page_file):
    with opened(browser, page_file, reduced_motion="reduce") as driven:
        driven.open_node("glass")
        moving = driven.page.evaluate(
            """() => [...document.querySelectorAll("*")].filter((one) => {
                 const style = getComputedStyle(one);
                 return style.transitionDuration.split(",").some((d) => parseFloat(d) > 0.001)
                   || (style.animationName !== "none" && parseFloat(style.animationDuration) > 0.001);
               }).length"""
        )
        assert moving == 0
