"""Files to be written."""

from __future__ import annotations

from dataclasses import dataclass

from stackcomp.check.checked import CheckedNode
from stackcomp.plan.steps.base import Frame, Step

__all__ = ["SinkStep"]


@dataclass(frozen=True)
class SinkStep(Step):
    """Has a deliver node write its picture; its own value is that picture."""

    checked: CheckedNode

    def domain(self, frame: Frame) -> None:
        frame.domains[self.makes[0]] = frame.domains[self.reads[0]]

    def needs(self, frame: Frame) -> None:
        shown = frame.shown(self.reads[0])
        frame.need(self.reads[0], shown)
        frame.needs[self.makes[0]] = shown

    def run(self, frame: Frame) -> tuple[str, ...]:
        key = self.reads[0]
        takes_half = frame.node(self.checked.name).takes_half(frame.types[key])
        image = (frame.settled(key) if takes_half else frame.wide(key)).over(frame.shown(key))
        files = frame.write(self.checked.name, image, frame.clamped.get(key, 0) if takes_half else 0)
        frame.values[self.makes[0]] = image
        return files
