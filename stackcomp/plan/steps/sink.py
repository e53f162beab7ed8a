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
        image = frame.values[self.reads[0]].over(frame.shown(self.reads[0]))
        files = frame.write(self.checked.name, image)
        frame.values[self.makes[0]] = image
        return files
