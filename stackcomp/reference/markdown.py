"""The page as Markdown, with its pictures as files beside it."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

import numpy as np
import numpy.typing as npt

from stackcomp.nodes.description import KindText
from stackcomp.reference.gather import Entry, Row
from stackcomp.reference.words import default_words, node_json, value_words

__all__ = ["MOST_EXAMPLES", "as_markdown"]

Picture = npt.NDArray[np.uint8]

#: Examples of a kind that are shown; the HTML page shows all.
MOST_EXAMPLES = 4
_MOST_ACROSS = 3
# Every third of the 256 levels is kept: the files are a third smaller, and nothing is to be measured in them.
_STEP = 3

_HEAD = """# Kinds of node

Made by `stackcomp kinds --page graphs/KINDS.md`; do not edit. `stackcomp kinds --page kinds.html` makes a page
with all examples. The pictures are drawn and rendered by the program itself.

Colour is shown through the default view; a checkerboard is where nothing covers it. A matte is black at 0 and
white at 1, a ratio mid grey at 1, depth bright where it is near. Straight colour is shown without its alpha, log
colour by its own numbers. A parameter with * may change over frames:
`{"keys": [[1001, 0.2], [1012, 0.6]], "between": "smooth"}`, or `"linear"`, or `"hold"`.
"""


def as_markdown(entries: Sequence[Entry], folder: str) -> tuple[str, dict[str, Picture]]:
    """Return the page and its pictures, by file names below its folder.

    Args:
        entries: the kinds.
        folder: name of the folder for pictures, beside the page.
    """
    pictures: dict[str, Picture] = {}
    parts = [_HEAD, " · ".join(f"[{entry.text.kind}](#{_anchor(entry.text.kind)})" for entry in entries) + "\n"]
    for entry in entries:
        parts += _kind(entry, folder, pictures)
    return "\n".join(parts), pictures


def _kind(entry: Entry, folder: str, pictures: dict[str, Picture]) -> Iterator[str]:
    text = entry.text
    yield f"## {text.kind}\n"
    number = 0
    for row in entry.rows:
        yield _row(row, text.kind, folder, pictures, number)
        number += len(row.examples)
    yield f"{_no_tags(text.text)}\n"
    limits = " Its change can be limited with `within` and `amount`." if text.adjustable else ""
    package = f" Of the package {text.package}." if text.package else ""
    yield f"It {text.works_on}.{limits}{package}\n"
    yield from _tables(text)
    yield f'    "{text.kind}_1": {node_json(text.example)}\n'
    if text.source:
        yield f"Source of the maths: {_no_tags(text.source)}\n"


def _anchor(kind: str) -> str:
    """Return what readers of Markdown make of a heading: without its dots."""
    return kind.replace(".", "")


def _no_tags(text: str) -> str:
    """Return a text in which < is a sign, and no HTML; code between backquotes is as it was."""
    parts = re.split(r"(`[^`]*`)", text)
    return "".join(part if part.startswith("`") else part.replace("<", "\\<") for part in parts)


def _row(row: Row, kind: str, folder: str, pictures: dict[str, Picture], number: int) -> str:
    """Return examples with the same inputs: a table with the inputs, then the results."""
    cells = []
    for port, shown in row.before:
        name = f"scene-{shown.name}.png"
        pictures[name] = _fewer_levels(shown.pixels)
        cells.append((f"`{port}`: {_cell(shown.type)}", _picture(folder, name, f"{port}: {shown.name}")))
    for k, example in enumerate(row.examples, number + 1):
        name = f"{kind}-{k}.png"
        pictures[name] = _fewer_levels(example.after.pixels)
        about = f"{_cell(example.about)} " if example.about else ""
        label = f"→ {about}`{_cell(node_json(example.node))}`"
        cells.append((label, _picture(folder, name, f"result of {kind}")))
    rows = [cells[k : k + _MOST_ACROSS] for k in range(0, len(cells), _MOST_ACROSS)]
    lines = []
    for cells in rows:
        lines += [
            f"| {' | '.join(picture for _, picture in cells)} |",
            f"|{'---|' * len(cells)}",
            f"| {' | '.join(label for label, _ in cells)} |",
            "",
        ]
    return "\n".join(lines)


def _picture(folder: str, name: str, words: str) -> str:
    return f"![{words}]({folder}/{name})"


def _tables(text: KindText) -> Iterator[str]:
    if text.ports:
        lines = ["| port | takes | what it is for |", "|---|---|---|"]
        for port in text.ports:
            note = port.doc if port.required else f"{port.doc} (optional)"
            lines.append(f"| `{port.name}` | {_cell(port.takes)} | {_cell(note)} |")
        yield "\n".join(lines) + "\n"
    if text.parameters:
        lines = ["| parameter | values | left out | what it does |", "|---|---|---|---|"]
        lines += [
            f"| `{item.name}` | {_cell(value_words(item))} | {_cell(default_words(item))} | {_cell(item.doc)} |"
            for item in text.parameters
        ]
        yield "\n".join(lines) + "\n"


def _cell(text: str) -> str:
    """Return a text that cannot end its cell of a table."""
    return _no_tags(" ".join(text.split()).replace("|", "\\|").replace(" *", " \\*"))


def _fewer_levels(pixels: Picture) -> Picture:
    levels = np.rint(pixels / np.float32(_STEP)) * _STEP
    fewer: Picture = np.clip(levels, 0, 255).astype(np.uint8)
    return fewer
