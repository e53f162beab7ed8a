"""A composition in which pictures stand in for some nodes, for functions that take a composition alone."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any

from stackcomp.composition import Composition, Prepared
from stackcomp.data.given_pictures import pictures
from stackcomp.data.image import Image

__all__ = ["with_given"]


def with_given(composition: Composition, replace: Mapping[str, Image] | None) -> Composition:
    """The composition, with pictures for some nodes whatever is asked of it; itself where there are none."""
    given = pictures(replace)
    return _Given(composition, given) if given else composition


class _Given(Composition):
    def __init__(self, composition: Composition, given: dict[str, Image]) -> None:
        super().__init__(
            composition.graph,
            root=composition.root,
            variables=composition.given,
            variable_files=composition.variable_files,
        )
        self._given_pictures = given

    def prepare(self, nodes: Collection[str], frames: Collection[int], **options: Any) -> Prepared:
        wanted, chosen, outputs = tuple(nodes), tuple(frames), self._outputs(())
        checked = self._checked(wanted, chosen, self._given_pictures, outputs)
        return Prepared(checked, frozenset(wanted), frozenset(chosen), outputs, self._pool)

    def results(self, nodes: Collection[str], frame: int, **options: Any) -> Any:
        options.pop("prepared", None)
        return super().results(nodes, frame, **{**options, "replace": self._given_pictures})
