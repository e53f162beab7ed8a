"""Parts of a glow: a core and a skirt, each with a radius, a strength and a falloff of its own."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field

from stackcomp.data.numbers import Keyed, Number

__all__ = ["FALLOFF", "MOST", "RADIUS", "Falloff", "Lobe"]

#: Share of the light, and tint, at the most: products of them stay within float32.
MOST = 1e6
Falloff = Literal["exponential", "gaussian", "glare"]
RADIUS = Number(
    "half of the light lands within this distance of where it came from; glare has a size of its own",
    unit="px",
    low=0,
    high=8192,
)
FALLOFF = Field(
    description="How light fades with distance: exponential has a bright core and far tails, gaussian ends "
    "sooner, glare is that of an eye and needs focal_length and gate_width."
)


class Lobe(BaseModel):
    """A part of a glow."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    radius: Annotated[float, RADIUS] = 20.0
    strength: Annotated[float, Number("share of the light that spills in this way", low=0, high=MOST)] = 1.0
    falloff: Annotated[Falloff, FALLOFF] = "exponential"

    def at(self, frame: float, scale: float) -> Self:
        """The lobe with plain numbers, at the scale of a render."""
        radius, strength = _plain(self.radius, frame), _plain(self.strength, frame)
        return self.model_copy(update={"radius": radius * scale, "strength": strength})

    @property
    def still(self) -> bool:
        """Whether it is the same at every frame."""
        return not isinstance(self.radius, Keyed) and not isinstance(self.strength, Keyed)


def _plain(number: float | Keyed, frame: float) -> float:
    value = number.at(frame) if isinstance(number, Keyed) else number
    assert not isinstance(value, tuple)
    return value
