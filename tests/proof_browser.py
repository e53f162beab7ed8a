"""A proof page in a headless browser, driven as a person drives it."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

__all__ = ["Driven", "number", "opened"]


@contextlib.contextmanager
def opened(browser: Any, path: Path, width: int = 1280, height: int = 900, **context: Any) -> Iterator[Driven]:
    """Open a page; at the end, nothing may have been reported in its console or asked from outside."""
    made = browser.new_context(viewport={"width": width, "height": height}, **context)
    page = made.new_page()
    troubles: list[str] = []
    page.on("console", lambda message: troubles.append(message.text))
    page.on("pageerror", lambda error: troubles.append(str(error)))
    page.on("dialog", lambda dialog: (troubles.append(dialog.message), dialog.dismiss()))
    inside = ("file:", "data:", "blob:")
    page.on("request", lambda sent: None if sent.url.startswith(inside) else troubles.append(sent.url))
    page.goto(path.as_uri())
    yield Driven(page)
    assert not troubles, troubles
    made.close()


class Driven:
    """What a person does with the page."""

    def __init__(self, page: Any) -> None:
        self.page = page

    # -- the board ----------------------------------------------------------------------------------------------

    def box(self, name: str) -> Any:
        """The box of a node."""
        number = self.page.evaluate(
            "(name) => [...document.querySelectorAll('.box')].findIndex("
            "(box) => box.querySelector('.name b').textContent === name)",
            name,
        )
        assert number >= 0, f"no box of {name!r}"
        return self.page.locator(".box").nth(number)

    def open_node(self, name: str) -> None:
        """Open a node, and wait until its picture is drawn."""
        self.box(name).click()
        self.drawn()

    def drawn(self) -> None:
        """Wait until what was asked for is on the screen."""
        self.page.wait_for_selector('#sheet[data-loading="false"]')
        self.settled()
        self.page.wait_for_selector('#stage[data-done="true"]')
        self.settled()

    def settled(self) -> None:
        """Wait until the screen was drawn anew."""
        self.page.evaluate(
            "() => new Promise((done) => {"
            " requestAnimationFrame(() => requestAnimationFrame(() => setTimeout(done))); })"
        )

    # -- the probe ----------------------------------------------------------------------------------------------

    def spot(self) -> tuple[int, int]:
        """The pixel of the frame that the probe is at."""
        told = self._cells("#probe .where .value")
        return int(told["x"].replace(_MINUS, "-")), int(told["y"].replace(_MINUS, "-"))

    def values(self, row: int = 0) -> dict[str, str]:
        """What the probe says, by the last part of a channel's name."""
        return self._cells(f"#probe .probe-row:nth-child({row + 1}) .value")

    def remarks(self) -> str:
        """What the probe adds to its values."""
        return " / ".join(self.page.locator("#probe .remark").all_inner_texts())

    def _cells(self, selector: str) -> dict[str, str]:
        pairs = self.page.eval_on_selector_all(
            selector,
            "(cells) => cells.map((one) => ['i', 'b', 'small'].map((tag) => one.querySelector(tag)?.textContent))",
        )
        self.units = {name: unit for name, _, unit in pairs}
        return {name: text for name, text, _ in pairs}

    def point_at(self, x: int, y: int) -> None:
        """Move the pointer near a pixel of the frame, and go the rest of the way by keys."""
        stage = self.page.locator("#stage").bounding_box()
        left, top = stage["x"] + stage["width"] / 2, stage["y"] + stage["height"] / 2
        self.page.mouse.move(left, top)
        first = self.spot()
        self.page.mouse.move(left + 40, top + 40)
        second = self.spot()
        scale = (second[0] - first[0]) / 40, (second[1] - first[1]) / 40
        self.page.mouse.move(left + (x - first[0]) / scale[0], top + (y - first[1]) / scale[1])
        for _ in range(200):
            now = self.spot()
            if now == (x, y):
                return
            keys = ("ArrowLeft" if now[0] > x else "ArrowRight") if now[0] != x else None
            self.page.locator("#stage").press(keys or ("ArrowUp" if now[1] > y else "ArrowDown"))
        raise AssertionError(f"the probe stays at {self.spot()}")


_MINUS = "−"


def number(text: str) -> float:
    """The number that a text of the page stands for."""
    words = {"not a number": "nan", "+infinite": "inf", f"{_MINUS}infinite": "-inf"}
    return float(words.get(text, text.replace(_MINUS, "-")))
