"""The page as one HTML file: everything inside, nothing from the network, no text of a user taken as code."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

import jinja2
from markupsafe import Markup

from stackcomp.files.html_page import content_policy, environment
from stackcomp.review.proof_page.board import Board, Measures, drawn
from stackcomp.review.proof_page.store import Store

__all__ = ["as_html", "script"]

_HERE = Path(__file__).parent
_IMPORT = re.compile(r'^import\s+(?:\{[^}]*\}\s+from\s+)?"\./([\w-]+\.js)";\n', re.MULTILINE)
_EXPORT = re.compile(r"^export\s+", re.MULTILINE)
_START = "start.js"
#: A drawing that is too wide is made smaller by at most this; beyond, it is scrolled.
_SMALLEST = 0.85


def _measures(*, pairs: bool, wide: bool) -> Measures:
    """Sizes of the drawing for windows of 1280 px and of 2000 px and more."""
    across = 2400.0 if wide else 1192.0
    box = (456.0 if pairs else 352.0) if wide else (348.0 if pairs else 264.0)
    picture = round((box / 2 if pairs else box) * 9 / 16)
    return Measures(across, box, picture, port=124.0 if wide else 112.0, gap=32.0 if wide else 28.0)


def as_html(
    head: Mapping[str, Any],
    inputs: Mapping[str, Mapping[str, str]],
    input_types: Mapping[str, Mapping[str, str]],
    store: Store,
) -> str:
    """Return the page.

    Args:
        head: what its program is told.
        inputs: node → port → the node it is fed by.
        input_types: node → port → what arrives, in words.
        store: all pieces of data.
    """
    names = list(head["nodes"])
    pairs = len(head["sides"]) > 1
    sizes = [_measures(pairs=pairs, wide=wide) for wide in (False, True)]
    boards = [drawn(names, inputs, size) for size in sizes]
    number = {name: k for k, name in enumerate(names)}
    narrow, wide = (_rules(board, size, number) for board, size in zip(boards, sizes, strict=True))
    # The policy of the page forbids places in attributes.
    style = (_HERE / "page.css").read_text("utf-8") + f"{narrow}\n@media (min-width: 2000px) {{\n{wide}\n}}\n"
    program = script()
    first = head["cells"][0]
    shown = {cell["thumb"] for side in first for cell in side if cell is not None and cell["thumb"] is not None}
    pieces = dict(store.pieces())
    template = _environment().get_template("page.html.j2")
    page: str = template.render(
        head=head,
        number=number,
        words=[
            (word.node, word.port, _short(input_types.get(word.node, {}).get(word.port, "")))
            for word in boards[0].words
        ],
        full=input_types,
        boards=boards,
        first=first,
        pieces=pieces,
        shown=shown,
        slowest=max((cell["seconds"] or 0 for side in first for cell in side if cell), default=0) or 1,
        told=Markup(_json(head)),
        style=Markup(style),
        script=Markup(program),
        policy=content_policy(style, program),
    )
    return page


def script() -> str:
    """The page's program: its modules in one text, each after those that it imports."""
    placed: list[str] = []

    def place(name: str, above: tuple[str, ...] = ()) -> None:
        if name in placed:
            return
        if name in above:
            raise ValueError(f"modules import each other: {' → '.join((*above, name))}")
        for imported in _IMPORT.findall(_module(name)):
            place(imported, (*above, name))
        placed.append(name)

    place(_START)
    bodies = [_EXPORT.sub("", _IMPORT.sub("", _module(name))).strip() for name in placed]
    return '"use strict";\n(() => {\n' + "\n\n".join(bodies) + "\n})();\n"


@cache
def _module(name: str) -> str:
    return (_HERE / "js" / name).read_text("utf-8")


def _json(data: Any) -> str:
    """JSON that can stand in an element of script: no text in it can end the element."""
    text = json.dumps(data, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _rules(board: Board, sizes: Measures, number: Mapping[str, int]) -> str:
    """Rules of style that say where boxes and words stand."""
    zoom = max(_SMALLEST, min(1.0, sizes.across / max(board.width, 1.0)))
    rules = [
        f"#drawing{{width:{board.width:.0f}px;height:{board.height:.0f}px;zoom:{zoom:.3f}}}",
        f".pictures{{height:{sizes.picture:.0f}px}}",
    ]
    rules += [
        f"#n{number[box.name]}{{left:{box.x:.1f}px;top:{box.y:.1f}px;"
        f"width:{box.width:.1f}px;height:{box.height:.0f}px}}"
        for box in board.boxes
    ]
    rules += [
        f"#w{k}{{left:{word.x:.1f}px;top:{word.y:.1f}px;width:{word.width:.0f}px}}"
        for k, word in enumerate(board.words)
    ]
    return "\n".join(rules)


_STATES = re.compile(r"^(premultiplied|straight) (colour)|^(colour) without (alpha)")


def _short(words: str) -> tuple[str, str]:
    """The type on a wire in two lines: what it is, and its state."""
    head, _, encoding = words.partition(" in ")
    match = _STATES.match(head)
    if match:
        state = f"no {match[4]}" if match[3] else match[1]
        space = encoding.partition(" (")[0]
        return f"colour, {space}" if space else "colour", state
    head = head.replace("layers of a file", "layers")
    first, _, rest = head.partition(" ")
    return first, rest.strip("()")


@cache
def _environment() -> jinja2.Environment:
    made = environment(_HERE)
    made.filters["seconds"] = _seconds
    return made


def _seconds(seconds: float | None) -> str:
    if seconds is None:
        return ""
    if seconds >= 10:
        return f"{seconds:.1f} s"
    return (
        f"{seconds:.2f} s"
        if seconds >= 1
        else f"{seconds * 1000:.1f} ms"
        if seconds < 0.1
        else f"{seconds * 1000:.0f} ms"
    )
