"""Values that are computed once for all frames that deliver files.

They are kept while the files that they were made from are in the same state, and within two pictures of memory;
stills that are read count as inputs, as they would at every frame.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from stackcomp.data.image import Image
from stackcomp.data.window import Window
from stackcomp.files.file_state import FileState
from stackcomp.plan.constant import constant_values, kept_values
from stackcomp.plan.planning import Plan
from stackcomp.plan.steps.base import EMPTY, Key, Step, Unsettled
from stackcomp.plan.steps.source import SourceStep

__all__ = ["Constants"]

#: Kept beside stills, in pictures of four float32 planes.
_MOST_PICTURES = 2


@dataclass(frozen=True)
class _Kept:
    image: Image
    unsettled: Unsettled | None
    clamped: int
    opened: Mapping[Path, FileState]
    warnings: tuple[tuple[str, str], ...]


class Constants:
    """What frames of one plan have in common. Safe to use from several threads.

    Args:
        plan: the plan.
    """

    def __init__(self, plan: Plan) -> None:
        self._root = root = plan.checked.context.root
        self._moving: set[str] = set()
        self._constant = constant_values(plan.steps, root)
        self._wanted = kept_values(plan.steps, self._constant)
        self._kept: dict[Key, _Kept] = {}
        self._plan = plan
        sources = [step for step in plan.steps if isinstance(step, SourceStep)]
        self._sources = frozenset(key for step in sources for key in step.makes)
        frame = plan.checked.context.frame
        self._files = {
            path
            for step in sources
            if self._constant.issuperset(step.makes)
            for path in step.checked.node.files(frame, root)
        }

    def watches(self, step: Step) -> bool:
        """Whether what a step makes may be the same at every frame."""
        return bool(step.makes) and step.makes[0] in self._constant

    def asked_for_frame(self, step: Step) -> None:
        """A step's node has looked at the number of the frame, so what it makes may differ."""
        if isinstance(step, SourceStep) and step.checked.node.files(self._plan.checked.context.frame, self._root):
            return  # For the names of its files, which are the same.
        self._moving.add(step.node)
        self._constant = constant_values(self._plan.steps, self._root, self._moving)
        self._wanted = kept_values(self._plan.steps, self._constant)
        self._kept = {key: kept for key, kept in self._kept.items() if key in self._wanted}

    def known(
        self, needs: Mapping[Key, Window], opened: Mapping[Path, FileState]
    ) -> dict[Key, tuple[Image, Unsettled | None, int]]:
        """Values that need not be computed again.

        Args:
            needs: the part of each value that is read at this frame.
            opened: files of this frame and their states.
        """
        found = {}
        for key, kept in list(self._kept.items()):
            same = all(opened.get(path) == state for path, state in kept.opened.items())
            if same and needs.get(key, EMPTY) in kept.image.window:
                found[key] = (kept.image, _copy(kept.unsettled), kept.clamped)
        return found

    def warnings(self, keys: Iterable[Key]) -> list[tuple[str, str]]:
        """What was said when these values were computed."""
        return [warning for key in keys if key in self._kept for warning in self._kept[key].warnings]

    def idle(self, known: Collection[Key]) -> frozenset[int]:
        """Indices of steps that need not run when these values are known."""
        live = set(self._plan.wanted)
        idle = set()
        for k in range(len(self._plan.steps) - 1, -1, -1):
            step = self._plan.steps[k]
            asked = [key for key in step.makes if key in live and key not in known]
            if asked or not step.makes:
                live.update(step.reads)
            else:
                idle.add(k)
        return frozenset(idle)

    def keep(
        self,
        step: Step,
        values: Mapping[Key, Image],
        unsettled: Mapping[Key, Unsettled],
        clamped: Mapping[Key, int],
        opened: Mapping[Path, FileState],
        warnings: Collection[tuple[str, str]],
        disown: Callable[[Image], None],
        most_bytes: int,
    ) -> None:
        """Keep what a step has just made.

        Args:
            step: the step.
            values: finished values.
            unsettled: as in `Frame`.
            clamped: as in `Frame`.
            opened: files of this frame and their states.
            warnings: what was said while it ran.
            disown: takes an image's memory away from the frame, so that it is not used again.
            most_bytes: size of a picture.
        """
        for key in step.makes:
            if key not in self._wanted:
                continue
            image = values[key]
            size = sum(plane.nbytes for plane in image.planes.values())
            others = sum(
                sum(plane.nbytes for plane in kept.image.planes.values())
                for other, kept in list(self._kept.items())
                if other != key and other not in self._sources
            )
            if key not in self._sources and others + size > _MOST_PICTURES * most_bytes:
                continue
            disown(image)
            self._kept[key] = _Kept(
                image,
                _copy(unsettled.get(key)),
                clamped.get(key, 0),
                {path: state for path, state in opened.items() if path in self._files},
                tuple(warnings),
            )


def _copy(unsettled: Unsettled | None) -> Unsettled | None:
    return None if unsettled is None else replace(unsettled, planes=set(unsettled.planes))
