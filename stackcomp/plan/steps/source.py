"""A picture from a source node."""

from __future__ import annotations

from dataclasses import dataclass

from stackcomp.check.checked import CheckedNode
from stackcomp.data.window import Window
from stackcomp.plan.steps.base import Frame, Step, is_layers

__all__ = ["SourceStep"]


@dataclass(frozen=True)
class SourceStep(Step):
    """Has a source node make its picture; of a file's channels only ``channels``, or all when None."""

    checked: CheckedNode
    channels: frozenset[str] | None = None

    def domain(self, frame: Frame) -> None:
        name = self.checked.name
        frame.domains[self.makes[0]] = frame.node(name).source_domain(frame.job(name), self._display(frame))

    def needs(self, frame: Frame) -> None:
        """It reads nothing."""

    def run(self, frame: Frame) -> tuple[str, ...]:
        key, name = self.makes[0], self.checked.name
        job = frame.job(name, channels=self.channels)
        frame.values[key] = frame.node(name).produce(
            frame.needs[key], self._display(frame), self.checked.type, job
        )
        return ()

    def _display(self, frame: Frame) -> Window:
        return self.checked.display if is_layers(self.checked.type) else frame.display(self.checked.name)
