"""The coverage of named objects: ids become a matte."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from stackcomp.check.checked import CheckedNode
from stackcomp.data.image import Image, Plane
from stackcomp.data.port_types import Ids, Layers, Matte
from stackcomp.errors import FileError
from stackcomp.nodes.named_ids import IdChoice, NamesIds
from stackcomp.plan.steps.base import Frame, Key, Step, is_layers
from stackcomp.plan.steps.blank import blank

__all__ = ["CoverageStep"]

#: Sums beyond this are not what rounding makes of 1.
_FULL = 1.002


@dataclass(frozen=True)
class CoverageStep(Step):
    """Sums up the coverage of what a node names, from the layers of a file or from ids.

    Of layers, coverage is summed up at full size, and the matte is then brought to the scale of the render: ids
    themselves cannot be averaged. The planes are read where the file's are.

    ``pairs`` are channels of the layers, where a node between chose them; else each frame's header says which.
    """

    checked: CheckedNode
    pairs: tuple[tuple[str, str], ...] | None = None

    @property
    def names_ids(self) -> NamesIds:
        """The node, as what chooses names."""
        assert isinstance(self.checked.node, NamesIds)
        return self.checked.node

    def channels(self, type: Layers) -> frozenset[str]:
        """Channels that it reads of a file's layers."""
        pairs = self.names_ids.chosen_pairs(type) if self.pairs is None else self.pairs
        return frozenset(channel for pair in pairs for channel in pair)

    def domain(self, frame: Frame) -> None:
        source = frame.domains[self.reads[0]]
        frame.domains[self.makes[0]] = source.scaled(frame.scale) if self._of_layers(frame) else source

    def needs(self, frame: Frame) -> None:
        # A scaled matte is made from all of the full-size one.
        whole = self._of_layers(frame) and frame.scale != 1
        frame.need(self.reads[0], frame.domains[self.reads[0]] if whole else frame.needs[self.makes[0]])

    def run(self, frame: Frame) -> tuple[str, ...]:
        key, made = self.reads[0], self.makes[0]
        scaled = self._of_layers(frame) and frame.scale != 1
        source = frame.values[key]
        window = source.window if scaled else frame.needs[made]
        if window.empty or frame.needs[made].empty:
            frame.values[made] = blank(frame, made, frame.needs[made])
            return ()
        choice = self._choice(source, key, frame)
        target = np.empty(window.shape, np.float32) if scaled else frame.take_plane(window.shape)
        self._sum(choice, source, target, (window.y0 - source.window.y0, window.x0 - source.window.x0), frame)
        display = source.display if scaled else frame.display(self.node)
        image = Image({"A": target}, window, display, Matte())
        frame.values[made] = frame.scaled(image, Matte()) if scaled else image
        return ()

    def _choice(self, source: Image, key: Key, frame: Frame) -> IdChoice:
        type = frame.types[key]
        file_of = type.file_of if isinstance(type, Layers) else None
        opened = frame.job(self.checked.name).opened
        node: NamesIds = frame.node(self.checked.name)
        if self.pairs is not None:
            return IdChoice(self.pairs, node.chosen(Ids(len(self.pairs)), {}, None, opened).ids)
        if file_of is None:
            # A picture that was given may say in its type what its header said.
            metadata = source.metadata or (type.metadata if isinstance(type, Layers) else {})
            return node.chosen(type, metadata, None, opened)
        return node.chosen(type, source.metadata, file_of(frame.frame), opened)

    def _sum(self, choice: IdChoice, source: Image, target: Plane, corner: tuple[int, int], frame: Frame) -> None:
        from stackcomp.kernels.id_coverage import id_coverage

        for ids, cover in choice.pairs:
            missing = next((name for name in (ids, cover) if name not in source.planes), None)
            if missing is not None:
                raise FileError(missing, "the first frame has no such channel of ids", "render all frames alike")
            if source.planes[ids].dtype == np.float16:
                raise FileError(ids, "ids stored as 16-bit floats have lost their bits", "render them as 32 bits")
        pairs = [(source.planes[ids], _wide(source.planes[cover])) for ids, cover in choice.pairs]
        odd, most = id_coverage(pairs, choice.ids, target, corner)
        if odd:
            frame.warn(self.checked.name, f"{odd} coverages that are negative or not finite were taken as 0")
        if most > _FULL:
            frame.warn(self.checked.name, f"coverage of the ids adds up to {most:.3g}, and was limited to 1")

    def _of_layers(self, frame: Frame) -> bool:
        return is_layers(frame.types[self.reads[0]])


def _wide(plane: Plane) -> Plane:
    return plane.astype(np.float32) if plane.dtype == np.float16 else plane
