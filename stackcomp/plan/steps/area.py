"""A result of a node that looks at neighbours."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import reduce
from operator import or_

import numpy as np

from stackcomp.check.checked import CheckedNode
from stackcomp.data.image import Image, Plane, all_finite
from stackcomp.data.reach import reachable
from stackcomp.data.window import Window
from stackcomp.nodes.base import AreaNode, Port
from stackcomp.plan.steps.base import EMPTY, Frame, Key, Step
from stackcomp.plan.steps.blank import blank

__all__ = ["AreaStep"]


@dataclass(frozen=True)
class AreaStep(Step):
    """Has an area node compute its result; ``ports`` says which value arrives where."""

    checked: CheckedNode
    ports: Mapping[str, Key] = field(hash=False)

    def domain(self, frame: Frame) -> None:
        domains = self._domains(frame)
        types = {port: frame.types[key] for port, key in self.ports.items()}
        node: AreaNode = frame.node(self.checked.name)
        window = node.domain(domains, types)
        if node.spreads:
            # What spreads past the frame and past all overscan would only cost time and never be seen.
            window = window & reduce(or_, domains.values(), frame.display(self.checked.name))
        frame.domains[self.makes[0]] = window

    def needs(self, frame: Frame) -> None:
        for key in self.reads:
            frame.need(key, EMPTY)  # where nothing is wanted, nothing is needed
        for port, window in self._windows(frame).items():
            key = self.ports[port]
            frame.need(key, reachable(window, frame.domains[key]))

    def run(self, frame: Frame) -> tuple[str, ...]:
        key, name = self.makes[0], self.checked.name
        wanted = frame.needs[key]
        if wanted.empty:
            frame.values[key] = blank(frame, key, wanted)
            return ()
        node: AreaNode = frame.node(name)
        images = {port: self._input(frame, port, window) for port, window in self._windows(frame).items()}
        # Area kinds work in memory of their own, so whatever is held besides comes on top: let go of it.
        frame.make_room()
        job = frame.job(name, domains=self._domains(frame))
        made = node.compute(wanted, images, job, self.checked.type)
        self._check(made, wanted)
        frame.values[key] = made
        return ()

    def _check(self, made: object, wanted: Window) -> None:
        """The picture is what was asked for; another one would spoil what is made of it, wherever that is."""
        if not isinstance(made, Image):
            raise TypeError(f"compute gives {type(made).__name__}, not an Image")
        if made.window != wanted:
            raise ValueError(f"compute gives pixels in {made.window}, asked for were {wanted}")
        if made.type != self.checked.type:
            raise ValueError(f"compute gives {made.type}, but result announced {self.checked.type}")

    def _domains(self, frame: Frame) -> dict[str, Window]:
        return {port: frame.domains[key] for port, key in self.ports.items()}

    def _windows(self, frame: Frame) -> Mapping[str, Window]:
        """What the node reads at each port."""
        node: AreaNode = frame.node(self.checked.name)
        wanted = frame.needs[self.makes[0]]
        return {} if wanted.empty else node.needs(wanted, self._domains(frame), frame.frame)

    def _input(self, frame: Frame, port: str, window: Window) -> Image:
        """An input over exactly ``window``, free of NaN and infinity."""
        key, spec = self.ports[port], self._specs[port]
        image = frame.wide(key)
        if spec.beyond == "frame":
            image = frame.beyond_frame(image, window, frame.domains[key])
        image = image.over(window)
        planes: dict[str, Plane] = {}
        bad = 0
        for channel, plane in image.planes.items():
            planes[channel] = plane
            if plane.dtype == np.float32 and not spec.keeps_non_finite and not all_finite(plane):
                finite = np.isfinite(plane)
                bad += int(plane.size - np.count_nonzero(finite))
                planes[channel] = np.where(finite, plane, np.float32(0))
        if bad:
            frame.warn(self.checked.name, f'{bad} values of "{key.node}" that are not finite were taken as 0')
        return replace(image, planes=planes)

    @property
    def _specs(self) -> dict[str, Port]:
        return self.checked.node.wired_ports()
