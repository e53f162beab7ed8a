"""What the page says of each kind: its text and its examples, those with the same inputs side by side."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from stackcomp.errors import BadValueError
from stackcomp.nodes.base import Node
from stackcomp.nodes.description import KindText, describe
from stackcomp.reference.pictures import Example, Shown, rendered_examples, scene_picture

__all__ = ["Entry", "Row", "entries"]


@dataclass(frozen=True)
class Row:
    """Examples with the same inputs: pairs of a port and its picture, and the results."""

    before: tuple[tuple[str, Shown], ...]
    examples: tuple[Example, ...]


@dataclass(frozen=True)
class Entry:
    """A kind on the page."""

    text: KindText
    rows: tuple[Row, ...]


def entries(
    kinds: Mapping[str, type[Node]], warn: Callable[[str], None], *, most: int | None = None
) -> list[Entry]:
    """Return what there is to say and to show of kinds, in their order.

    Args:
        kinds: classes by name.
        warn: called with what is wrong with an example; the kind then has no pictures.
        most: how many examples of a kind to show; all when None.
    """
    return [Entry(describe(kind), _rows(kind, warn, most)) for kind in kinds.values()]


def _rows(kind: type[Node], warn: Callable[[str], None], most: int | None) -> tuple[Row, ...]:
    try:
        examples = rendered_examples(kind, most)
    except BadValueError as error:
        warn(str(error))
        return ()
    return tuple(_grouped(examples))


def _grouped(examples: Iterable[Example]) -> list[Row]:
    rows: list[Row] = []
    for example in examples:
        before = tuple((port, scene_picture(name)) for port, name in example.before)
        if rows and [(port, shown.name) for port, shown in rows[-1].before] == list(example.before):
            rows[-1] = Row(rows[-1].before, (*rows[-1].examples, example))
        else:
            rows.append(Row(before, (example,)))
    return rows
