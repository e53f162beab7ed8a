"""What a wire carries.

Each type lists the planes of its images and the state that the check stage knows about them. Types are
values: two equal types may be exchanged for each other.

Outside an image's data window there are no pixels. Reading there gives ``outside`` of its type: nothing
(0) for everything except a ratio, which multiplies and so is 1.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, ClassVar, Literal, get_args

from stackcomp.errors import ArgumentError, cut, did_you_mean

__all__ = [
    "METRES",
    "Alpha",
    "Colour",
    "Coordinates",
    "Depth",
    "Encoding",
    "Ids",
    "Layers",
    "Matte",
    "Motion",
    "PortType",
    "Ratio",
]

Alpha = Literal["premultiplied", "straight", "none"]
EncodingFamily = Literal["scene-linear", "log", "display", "data"]


def _seen(value: Any) -> str:
    return cut(repr(value), 60)


def _chosen(what: str, value: Any, choices: Any) -> None:
    """Make sure that a value is one of the choices."""
    if not isinstance(value, str) or value not in get_args(choices):
        names = list(get_args(choices))
        raise ArgumentError(what, f"{_seen(value)} is not known", did_you_mean(str(value)[:60], names))


@dataclass(frozen=True)
class Encoding:
    """How numbers encode light: a colour space by its OCIO name, and the family it belongs to."""

    name: str
    family: EncodingFamily

    def __post_init__(self) -> None:
        if not isinstance(self.name, str):
            raise ArgumentError(
                "name", f"{_seen(self.name)} is not the name of a colour space", 'such as "ACEScg"'
            )
        _chosen("family", self.family, EncodingFamily)

    @property
    def linear(self) -> bool:
        """Whether numbers are proportional to light in the scene."""
        return self.family == "scene-linear"

    def __str__(self) -> str:
        return self.name if self.name.casefold() == self.family else f"{self.name} ({self.family})"


@dataclass(frozen=True)
class PortType:
    """Base of all types. ``name`` is the word messages use."""

    name: ClassVar[str]
    outside: ClassVar[float] = 0.0

    @property
    def planes(self) -> tuple[str, ...]:
        """Channel names of an image of this type, in order."""
        raise NotImplementedError

    def __str__(self) -> str:
        return self.name


@dataclass(frozen=True)
class Colour(PortType):
    """R G B and perhaps A.

    ``bare_light`` tells that straight colour came from premultiplied colour by division, so what stands
    under alpha 0 is light (a glow, a flame) and not a left-over of some paint program's canvas.
    """

    name: ClassVar[str] = "colour"
    alpha: Alpha
    encoding: Encoding
    bare_light: bool = False

    def __post_init__(self) -> None:
        _chosen("alpha", self.alpha, Alpha)
        if not isinstance(self.encoding, Encoding):
            raise ArgumentError(
                "encoding",
                f"{_seen(self.encoding)} is not an Encoding",
                'give one, such as Encoding("ACEScg", "scene-linear"); Image.from_array takes its name alone',
            )

    @property
    def planes(self) -> tuple[str, ...]:
        return ("R", "G", "B") if self.alpha == "none" else ("R", "G", "B", "A")

    def __str__(self) -> str:
        alpha = {"none": "colour without alpha"}.get(self.alpha, f"{self.alpha} colour")
        return f"{alpha} in {self.encoding}"


@dataclass(frozen=True)
class Matte(PortType):
    """Coverage, 0 to 1, in one plane ``A``."""

    name: ClassVar[str] = "matte"

    @property
    def planes(self) -> tuple[str, ...]:
        return ("A",)


@dataclass(frozen=True)
class Ratio(PortType):
    """R G B, a multiplier: what a shadow pass holds. 1 changes nothing."""

    name: ClassVar[str] = "ratio"
    outside: ClassVar[float] = 1.0

    @property
    def planes(self) -> tuple[str, ...]:
        return ("R", "G", "B")


#: How many metres a unit of length has; the foot is the international one, 0.3048 m exactly (1959 agreement).
METRES = {"mm": 0.001, "cm": 0.01, "m": 1.0, "ft": 0.3048}


@dataclass(frozen=True)
class Depth(PortType):
    """Distance from the camera in metres in one plane ``Z``; 0 where there is nothing."""

    name: ClassVar[str] = "depth"
    along: Literal["axis", "ray"] = "axis"

    def __post_init__(self) -> None:
        _chosen("along", self.along, Literal["axis", "ray"])

    @property
    def planes(self) -> tuple[str, ...]:
        return ("Z",)

    def __str__(self) -> str:
        return f"depth along the {'optical axis' if self.along == 'axis' else 'ray'}"


@dataclass(frozen=True)
class Ids(PortType):
    """Ranked pairs of object id and coverage: planes ``id0 cover0 id1 cover1 …``.

    Ids are bit patterns, kept as uint32 planes; they are never averaged or computed with.
    """

    name: ClassVar[str] = "ids"
    ranks: int = 1
    manifest: tuple[tuple[str, int], ...] = field(default=(), repr=False)

    def __post_init__(self) -> None:
        if not isinstance(self.ranks, int) or isinstance(self.ranks, bool) or self.ranks < 0:
            raise ArgumentError("ranks", f"{_seen(self.ranks)} is not a number of pairs", "give a whole number")

    @property
    def planes(self) -> tuple[str, ...]:
        return tuple(f"{part}{rank}" for rank in range(self.ranks) for part in ("id", "cover"))


@dataclass(frozen=True)
class Motion(PortType):
    """Movement in pixels per frame, planes ``dx dy``."""

    name: ClassVar[str] = "motion"

    @property
    def planes(self) -> tuple[str, ...]:
        return ("dx", "dy")


@dataclass(frozen=True)
class Coordinates(PortType):
    """Where to look, planes ``s t``, 0 to 1 across the display window."""

    name: ClassVar[str] = "coordinates"

    @property
    def planes(self) -> tuple[str, ...]:
        return ("s", "t")


@dataclass(frozen=True)
class Layers(PortType):
    """All channels of a file as read, by their full names.

    ``alpha`` and ``encoding`` describe what its R G B [A] would be as colour; ``encoding`` is None where
    neither the graph nor the file says, and ``header_says`` then tells what of its header could not be understood.
    ``layer_alpha`` is the state of the A of any other layer; ``none`` where the graph says that no A is used.
    ``metadata`` holds the text attributes of the file's header. ``lossy`` are channels whose bits are not those
    that were rendered, and why. ``file_of`` gives the file of a frame, where files are what it comes from.
    """

    name: ClassVar[str] = "layers"
    channels: tuple[str, ...] = ()
    alpha: Alpha = "none"
    encoding: Encoding | None = None
    metadata: Mapping[str, str] = field(default_factory=dict, repr=False, compare=False, hash=False)
    header_says: str = field(default="", repr=False, compare=False)
    layer_alpha: Alpha = field(default="premultiplied", repr=False)
    lossy: Mapping[str, str] = field(default_factory=dict, repr=False, compare=False, hash=False)
    file_of: Callable[[int], Path] | None = field(default=None, repr=False, compare=False, hash=False)

    def __post_init__(self) -> None:
        if not isinstance(self.channels, tuple) or not all(isinstance(name, str) for name in self.channels):
            raise ArgumentError(
                "channels", f"{_seen(self.channels)} is not a tuple of names", 'such as ("R", "G", "B")'
            )
        _chosen("alpha", self.alpha, Alpha)
        if not isinstance(self.encoding, Encoding | None):
            raise ArgumentError("encoding", f"{_seen(self.encoding)} is not an Encoding", "give one, or None")

    @property
    def planes(self) -> tuple[str, ...]:
        return self.channels

    @property
    def unused_alpha(self) -> bool:
        """Whether the graph says that no A of the file is used; it can still be chosen by name."""
        return self.layer_alpha == "none"

    @property
    def no_encoding(self) -> str:
        """The reason why its encoding is not known, in words."""
        if self.header_says:
            return f"the graph does not say which colour space its colours are in, and {self.header_says}"
        return "neither the graph nor the file says which colour space its colours are in"

    def __str__(self) -> str:
        return f"layers of a file ({len(self.channels)} channels)"
