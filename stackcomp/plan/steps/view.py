"""Planes chosen from one value."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from stackcomp.data.image import Held, Image, Plane, times
from stackcomp.data.port_types import Ids, Motion, PortType
from stackcomp.nodes.base import Pick
from stackcomp.plan.steps.base import Frame, Step, Unsettled, is_layers

__all__ = ["ViewStep"]


@dataclass(frozen=True)
class ViewStep(Step):
    """Renames planes, multiplies them by a factor, and fills others with a constant.

    Of the layers of a file the source decides what becomes of pixels that are not finite; then the planes are
    brought to the scale of the render.
    """

    picks: tuple[Pick, ...]
    type: PortType

    def domain(self, frame: Frame) -> None:
        source = frame.domains[self.reads[0]]
        frame.domains[self.makes[0]] = source.scaled(frame.scale) if self._of_layers(frame) else source

    def needs(self, frame: Frame) -> None:
        # A scaled picture is made from all of the full-size one.
        whole = self._of_layers(frame) and frame.scale != 1
        frame.need(self.reads[0], frame.domains[self.reads[0]] if whole else frame.needs[self.makes[0]])

    def run(self, frame: Frame) -> tuple[str, ...]:
        key = self.reads[0]
        source = frame.settled(key)
        planes = {pick.plane: self._plane(pick, source) for pick in self.picks}
        if isinstance(self.type, Motion) and not self._of_layers(frame) and frame.scale != 1:
            # What was scaled before as colour becomes a length only here.
            planes = {name: times(plane, frame.scale) for name, plane in planes.items()}
        made = self.makes[0]
        frame.values[made] = Held(planes, source.window, source.display, self.type, source.metadata)
        if frame.node(key.node).settles(self.type):
            frame.unsettled[made] = Unsettled(key.node, set(planes))
        if self._of_layers(frame) and frame.scale != 1:
            frame.values[made] = frame.scaled(frame.wide(made, whole=True), self.type)
        return ()

    def _of_layers(self, frame: Frame) -> bool:
        return is_layers(frame.types[self.reads[0]])

    def _plane(self, pick: Pick, source: Image) -> Plane:
        bits = isinstance(self.type, Ids) and pick.plane.startswith("id")
        if pick.channel is None:
            constant = np.full(source.window.shape, pick.constant, np.uint32 if bits else np.float32)
            return times(constant, pick.factor)
        plane = times(source[pick.channel], pick.factor)
        if bits:
            return plane.astype(np.float32, copy=False).view(np.uint32)
        return plane
