"""A result that the caller gave instead of letting a node compute it."""

from __future__ import annotations

from dataclasses import dataclass

from stackcomp.data.image import Image
from stackcomp.plan.steps.base import Frame, Step, is_layers

__all__ = ["GivenStep"]


@dataclass(frozen=True)
class GivenStep(Step):
    """Takes the caller's picture, brought to the scale of the render."""

    def domain(self, frame: Frame) -> None:
        frame.domains[self.makes[0]] = self._image(frame).window

    def needs(self, frame: Frame) -> None:
        """It reads nothing."""

    def run(self, frame: Frame) -> tuple[str, ...]:
        frame.values[self.makes[0]] = self._image(frame)
        return ()

    def _image(self, frame: Frame) -> Image:
        image = frame.checked.given[self.makes[0].node]
        return image if is_layers(image.type) else frame.scaled(image, image.type)
