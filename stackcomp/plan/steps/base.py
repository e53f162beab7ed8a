"""What every step is made of, and what it may ask of the frame in which it computes."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple, Protocol, TypeVar

import numpy as np
import numpy.typing as npt

from stackcomp.check.checked import CheckedGraph
from stackcomp.data.image import Image, Plane
from stackcomp.data.port_types import Colour, Layers, PortType
from stackcomp.data.window import Window
from stackcomp.nodes.base import Job
from stackcomp.plan.program import Program

__all__ = ["COVERED", "EMPTY", "AnyLoop", "Frame", "Key", "Step", "Unsettled", "keeps_bare_light"]

_Made = TypeVar("_Made")

#: Plane name that stands for how far pixels are covered where no alpha says so: for colour without alpha 1
#: where it has pixels and 0 outside; for straight colour made by division 1 where alpha is not 0.
COVERED = "covered"

EMPTY = Window(0, 0, 0, 0)


def keeps_bare_light(type: PortType) -> bool:
    """Whether it is straight colour that keeps light under alpha 0, since it was made by division."""
    return isinstance(type, Colour) and type.alpha == "straight" and type.bare_light


class Key(NamedTuple):
    """Names a value: a node's result, or with a tag something between nodes."""

    node: str
    tag: str = ""


class AnyLoop(Protocol):
    """A compiled loop, as `stackcomp.execute.fuse.Loop` is one."""

    def __call__(
        self,
        first: int,
        last: int,
        width: int,
        numbers: npt.NDArray[np.float32],
        integers: npt.NDArray[np.int64],
        *planes: Plane,
    ) -> list[int]:
        """Fill rows, and return what was counted."""

    def on(
        self, planes: Sequence[Plane], numbers: npt.NDArray[np.float32]
    ) -> Callable[[int, int, int, npt.NDArray[np.int64]], list[int]]:
        """The loop on these planes, for many strips."""


@dataclass
class Unsettled:
    """Planes that may hold pixels that are not finite, and the node that deals with these."""

    node: str
    planes: set[str]


class Frame(Protocol):
    """One frame that is being computed, as steps see it. Windows are at the scale of the render.

    Only layers of a file are an exception: they stay at full size until a view takes planes from them.

    Attributes:
        frame: frame number.
        scale: of the render; 1 is full size.
        checked: the graph.
        types: of all values.
        domains: data window of each value.
        needs: the part of each value that somebody reads.
        values: finished values; planes of some are 16-bit floats.
        unsettled: by value, planes of which nobody knows whether all pixels that are read are finite.
        clamped: how many numbers of a value were clamped to the range of half.
    """

    frame: int
    scale: float
    checked: CheckedGraph
    types: Mapping[Key, PortType]
    domains: dict[Key, Window]
    needs: dict[Key, Window]
    values: dict[Key, Image]
    unsettled: dict[Key, Unsettled]
    clamped: dict[Key, int]

    def settled(self, key: Key) -> Image:
        """A value, after its node has dealt with pixels that are not finite."""

    def wide(self, key: Key, *, whole: bool = False) -> Image:
        """A value, settled, with all numbers as float32; the ``whole`` of it, or what is read of it."""

    def node(self, name: str) -> Any:
        """A node with its numbers at this frame and scale."""

    def job(self, name: str, **more: Any) -> Job:
        """What a node may need to know; ``more`` are fields of `Job`."""

    def display(self, name: str) -> Window:
        """A node's frame."""

    def warn(self, name: str, message: str) -> None:
        """Report what stops nothing."""

    def shown(self, key: Key) -> Window:
        """The window of a result: the same whatever else is computed."""

    def need(self, key: Key, window: Window) -> None:
        """Add to what is read of a value."""

    def scaled(self, image: Image, type: PortType) -> Image:
        """A full-size picture at the scale of the render."""

    def beyond_frame(self, image: Image, window: Window, domain: Window) -> Image:
        """The picture with its outermost pixels repeated beyond those edges of the frame that it reaches."""

    def take_plane(self, shape: tuple[int, int], *, half: bool = False) -> Plane:
        """Memory for a plane of floats that the value of this step will hold; its pixels are undefined."""

    def make_room(self) -> None:
        """Drop values that no later step reads, and free memory that waits to be used again."""

    def loop(self, key: object, make: Callable[[], tuple[Program, Any]]) -> tuple[AnyLoop, Program, Any]:
        """A compiled loop, its program and what was made with it; ``make`` is called once for each key."""

    def remembered(self, key: object, make: Callable[[], _Made]) -> _Made:
        """What was made for a key, kept for further frames where all of them are alike."""

    def write(self, name: str, image: Image, clamped: int) -> tuple[str, ...]:
        """Write the files of a deliver node and return their paths; ``clamped`` as in `Job`."""


@dataclass(frozen=True)
class Step(ABC):
    """Base of all steps: the values it makes and those it reads."""

    makes: tuple[Key, ...]
    reads: tuple[Key, ...]

    @property
    def node(self) -> str:
        """The node that is named when this step fails."""
        return self.makes[0].node if self.makes else ""

    def made_of(self) -> Mapping[Key, Collection[Key]]:
        """For each value that it makes or passes through, the values that it comes from."""
        return dict.fromkeys(self.makes, self.reads)

    @abstractmethod
    def domain(self, frame: Frame) -> None:
        """Set the data window of what it makes, from those of what it reads."""

    @abstractmethod
    def needs(self, frame: Frame) -> None:
        """Say what it reads, given what is needed of what it makes."""

    @abstractmethod
    def run(self, frame: Frame) -> tuple[str, ...]:
        """Compute the values; return the files written."""


def is_layers(type: PortType) -> bool:
    """Whether a value is the layers of a file, which stay at full size."""
    return isinstance(type, Layers)
