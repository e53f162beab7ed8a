"""Names of any text, two states of a graph, and drawings: nothing overlaps, flows upwards or leaves the window."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from made_dumps import Made, random_colour, write_dump
from proof_browser import opened

from stackcomp.review.proof_page import write_page

pytestmark = pytest.mark.browser


NAMES = (
    "<script>alert(1)</script>",
    '</script><img src=x onerror="alert(2)">',
    "\"quotes\" & 'apostrophes' &amp; <!-- <style>",
    "פנס נחושת",
    "‮reversed",
    "{{ 7 * 7 }} {% raw %} ${1}",
    "a" * 600,
    "many words " * 40,
    " ",
    "\u2028line\u2029",
    "__proto__",
    "constructor",
)


def small(name: str, seed: int = 0, size=(32, 18), **more) -> Made:
    return Made(name, random_colour(*size, seed=seed), **more)


def shown_names(page):
    return page.eval_on_selector_all(".box .name b", "(all) => all.map((one) => one.textContent)")


@pytest.mark.parametrize("width", [1280, 2560])
def test_any_text_is_shown_as_text(browser, tmp_path, width):
    nodes = [small(name, seed=k, parameters={"path": name, name: [name]}) for k, name in enumerate(NAMES)]
    for before, node in zip(NAMES, nodes[1:], strict=False):
        node.inputs["image"] = before
        node.more = {"about": before, "warnings": [before]}
    write_dump(tmp_path / "dump", nodes, about=NAMES[1])
    write_page(tmp_path / "page.html", [tmp_path / "dump"])
    with opened(browser, tmp_path / "page.html", width) as driven:
        assert shown_names(driven.page) == list(NAMES)
        assert driven.page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        inside = "[...document.querySelectorAll('.box')].every((box) => box.scrollWidth <= box.clientWidth + 1)"
        assert driven.page.evaluate(inside)
        for name in NAMES:
            driven.open_node(name)
            assert driven.page.locator("#sheet-name").text_content() == name
            assert name in driven.page.locator("#reading-parameters").text_content()
            assert driven.page.evaluate("document.documentElement.scrollWidth <= innerWidth")
            driven.page.keyboard.press("Escape")
        assert driven.page.locator("script:not([id])").count() == 1


@pytest.mark.parametrize("width", [1280, 2560])
def test_two_hundred_nodes(browser, tmp_path, width):
    random = np.random.default_rng(8)
    nodes = []
    for k in range(200):
        sources = random.choice(max(k, 1), size=min(k, int(random.integers(0, 4))), replace=False)
        inputs = {f"port{n}": f"n{s}" for n, s in enumerate(sources)}
        nodes.append(small(f"n{k}", k, (16, 9), inputs=inputs))
    write_dump(tmp_path / "dump", nodes)
    write_page(tmp_path / "page.html", [tmp_path / "dump"])
    with opened(browser, tmp_path / "page.html", width) as driven:
        page = driven.page
        assert sorted(shown_names(page)) == sorted(node.name for node in nodes)
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        boxes = page.eval_on_selector_all(
            ".box",
            "(all) => all.map((one) => { const b = one.getBoundingClientRect();"
            " return [b.left, b.top, b.right, b.bottom]; })",
        )
        for number_of, a in enumerate(boxes):
            for b in boxes[number_of + 1 :]:
                assert a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1], "two boxes overlap"
        tops = dict(zip(shown_names(page), (box[1] for box in boxes), strict=True))
        for node in nodes:
            for source in node.inputs.values():
                assert tops[source] < tops[node.name], "a picture flows upwards"


def test_two_states(browser, tmp_path):
    """The first node that differs is marked; what is new, gone or changed is told."""
    old = [
        small("plate"),
        small("grade", 1, inputs={"image": "plate"}, parameters={"stops": 0.5}),
        small("final", 2, inputs={"image": "grade"}),
        small("gone", 3, inputs={"image": "plate"}),
    ]
    new = [
        small("plate"),
        small("grade", 11, inputs={"image": "plate"}, parameters={"stops": 0.75}),
        small("final", 12, inputs={"image": "grade"}),
        small("added", 13, inputs={"image": "final"}),
    ]
    write_dump(tmp_path / "old", old)
    write_dump(tmp_path / "new", new)
    write_page(tmp_path / "page.html", [tmp_path / "new"], before=[tmp_path / "old"])
    with opened(browser, tmp_path / "page.html") as driven:
        page = driven.page
        words = {
            name: driven.box(name).inner_text().lower() for name in ("plate", "grade", "final", "gone", "added")
        }
        assert "first" in words["grade"]
        assert not any("first" in words[name] for name in ("plate", "final", "gone", "added"))
        for name in words:
            assert driven.box(name).locator(".picture").count() == 2
        driven.open_node("grade")
        parameters = page.locator("#reading-parameters").inner_text()
        assert "0.75" in parameters
        assert "0.5" in parameters.replace("0.75", "")
        page.keyboard.press("Escape")
        summary = page.locator("body").inner_text()
        assert "gone" in summary
        assert "added" in summary


def _lantern(seed: int = 0) -> list[Made]:
    """The nodes and wires of the demo's graph, with pictures of their own."""
    graph = json.loads((Path(__file__).parents[3] / "graphs" / "lantern.json").read_text("utf-8"))
    nodes = []
    for number_of, (name, fields) in enumerate(graph["nodes"].items()):
        inputs = {port: s for port, s in fields.items() if isinstance(s, str) and s in graph["nodes"]}
        nodes.append(small(name, 100 * seed + number_of, kind=fields["kind"], inputs=inputs))
    return nodes


@pytest.mark.parametrize("states", [1, 2])
@pytest.mark.parametrize("width", [1280, 2560])
def test_the_drawing_of_the_demo_is_not_wider_than_the_window(browser, tmp_path, width, states):
    write_dump(tmp_path / "dump", _lantern())
    write_dump(tmp_path / "old", _lantern(1))
    write_page(tmp_path / "page.html", [tmp_path / "dump"], before=[tmp_path / "old"] * (states - 1))
    with opened(browser, tmp_path / "page.html", width) as driven:
        right = driven.page.eval_on_selector_all(
            ".box", "(all) => Math.max(...all.map((one) => one.getBoundingClientRect().right))"
        )
        assert right <= width
