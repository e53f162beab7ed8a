"""How strong a light has to be, so that a grey card under it sends what the plate's card sends.

Light is linear: a render at twice the strength is twice as bright. So one test render at a known strength is
enough, and one division a channel. The strength is told by luminance, since a light has one; what colour is then
still missing is the tint: factors of R, G and B that leave the card's luminance as it is.

Without a test render the card is taken from the light itself: a lat-long picture of the place, integrated over the
hemisphere in front of the card (`stackcomp.measure.irradiance`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from stackcomp.errors import Problem, RequestError
from stackcomp.files.colour import DEFAULT_CONFIG
from stackcomp.measure.area import Area
from stackcomp.measure.colorimetry import luminance_weights
from stackcomp.measure.grey import doubts_about, quotient, quotient_error
from stackcomp.measure.irradiance import Irradiance, irradiance
from stackcomp.measure.level import Level, PatchError, Triple, level
from stackcomp.measure.picture import Measured

__all__ = ["LEFT_OUT", "LightMatch", "match_light", "match_light_from_hdri"]

LEFT_OUT = (
    "occlusion: whatever stands between the card and the place, the card's own stand included",
    "bounce: light that reaches the card from what the CG adds",
    "distance: the lat-long picture is true for its own point; a card elsewhere sees near things otherwise",
    "shine: the card is taken to scatter evenly to all sides",
)
"""What the card that is computed from a lat-long picture does not have."""

_BRIGHT_PIXEL = 0.2


@dataclass(frozen=True)
class LightMatch:
    """What to do with a light.

    Attributes:
        strength: by luminance; the light's own unit (with an HDRI: factor on it as it is).
        stops: the same as a change, in stops: how much the light of the render (the HDRI) has to change.
        gain: factors of R, G, B that do all of it at once: plate / rendered.
        strength_per_channel: strengths that R, G and B would need each.
        tint: gain less the change by luminance: what remains when the strength is right.
        relative_standard_error: of the gain, R G B, from grain.
        plate: what was measured in the plate, less the black that was taken off.
        rendered: light of the card under the known strength, R G B.
        known_strength: that strength.
        other: what was measured in a test render; None with an HDRI.
        light: what was integrated; None with a test render.
        reflectance: of the card that was computed; None with a test render.
        left_out: sentences about what the computed card does not have.
        doubts: sentences about what may be wrong.
    """

    strength: float
    stops: float
    gain: Triple
    strength_per_channel: Triple
    tint: Triple
    relative_standard_error: Triple
    plate: Level
    rendered: Triple
    known_strength: float = 1.0
    other: Level | None = None
    light: Irradiance | None = None
    reflectance: float | None = None
    left_out: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """As JSON data."""
        told: dict[str, Any] = {
            "strength": self.strength,
            "stops": self.stops,
            "gain": list(self.gain),
            "strength_per_channel": list(self.strength_per_channel),
            "tint": list(self.tint),
            "relative_standard_error": list(self.relative_standard_error),
            "known_strength": self.known_strength,
            "rendered": list(self.rendered),
            "plate": self.plate.as_dict(),
        }
        if self.other is not None:
            told["other"] = self.other.as_dict()
        if self.light is not None:
            told |= {
                "hdri": self.light.as_dict(),
                "reflectance": self.reflectance,
                "left_out": list(self.left_out),
            }
        return {**told, "doubts": list(self.doubts)}


def match_light(
    plate: Measured,
    plate_area: Area,
    other: Measured,
    other_area: Area,
    *,
    strength: float = 1.0,
    plate_black: Triple = (0.0, 0.0, 0.0),
    working_space: str = "ACEScg",
    colour_config: str = DEFAULT_CONFIG,
) -> LightMatch:
    """Find a light's strength from a test render of the card.

    Args:
        plate: the camera's picture.
        plate_area: inside the card there.
        other: the test render, lit by this light alone.
        other_area: inside the card there.
        strength: of the light in the test render, above 0.
        plate_black: taken off the plate, scene-linear.
        working_space: space of both, for luminance.
        colour_config: config that knows it.

    Raises:
        RequestError: the strength is not above 0.
        AreaError, PatchError, RequestError: as `stackcomp.measure.grey.match_grey`.
    """
    if not (strength > 0 and np.isfinite(strength)):
        raise RequestError(
            Problem("strength", f"a strength of {strength:g} gives no light", "give the render's, above 0")
        )
    ours = level(plate, plate_area, "the plate's area", black=plate_black)
    theirs = level(other, other_area, "the render's area")
    error = quotient_error(ours, theirs)
    return _found(
        ours,
        theirs.mean,
        _luminance(working_space, colour_config),
        strength,
        error,
        other=theirs,
        doubts=doubts_about(error, (("the plate's", ours), ("the render's", theirs))),
    )


def match_light_from_hdri(
    plate: Measured,
    plate_area: Area,
    hdri: Measured,
    normal: Triple,
    *,
    reflectance: float = 0.18,
    plate_black: Triple = (0.0, 0.0, 0.0),
    working_space: str = "ACEScg",
    colour_config: str = DEFAULT_CONFIG,
) -> LightMatch:
    """Find an HDRI's strength from the plate's card, without a render.

    Args:
        plate: the camera's picture.
        plate_area: inside the card there.
        hdri: lat-long picture of the place, mapped as `stackcomp.measure.irradiance` tells.
        normal: the card's, in the axes of the HDRI; of any length above 0.
        reflectance: share of the light that the card scatters, above 0 and at most 1.
        plate_black: taken off the plate, scene-linear.
        working_space: space of both, for luminance.
        colour_config: config that knows it.

    Raises:
        RequestError: a reflectance that no card has.
        AreaError, PatchError: as `stackcomp.measure.grey.match_grey`.
        RequestError: no lat-long picture, pixels that are not finite, a normal without a direction.
    """
    if not 0 < reflectance <= 1:
        raise RequestError(
            Problem("reflectance", f"no card scatters {reflectance:g} of the light", "a grey card has 0.18")
        )
    ours = level(plate, plate_area, "the plate's area", black=plate_black)
    received = irradiance(hdri.light, normal)
    card = received.card(reflectance)
    if not min(card) > 0:
        raise PatchError(
            "no-light",
            f"the HDRI throws no light onto a card with normal {_words(normal)}",
            "look whether the normal points away from the light, and whether the HDRI is the right one",
        )
    error = quotient_error(ours)
    doubts = list(doubts_about(error, (("the plate's", ours),)))
    highest = max(float(plane.max()) for plane in hdri.stored.planes.values())
    if highest >= hdri.ceiling:
        doubts.append("the HDRI holds clipped pixels: its brightest light is too weak, and so is the card")
    if received.brightest > _BRIGHT_PIXEL:
        doubts.append(f"one pixel of the HDRI gives {received.brightest:.0%} of the card's light: is it the sun?")
    return _found(
        ours,
        card,
        _luminance(working_space, colour_config),
        1.0,
        error,
        light=received,
        reflectance=reflectance,
        left_out=LEFT_OUT,
        doubts=tuple(doubts),
    )


def _luminance(working_space: str, config: str) -> Triple:
    red, green, blue = luminance_weights(working_space, config).tolist()
    return red, green, blue


def _found(
    plate: Level, rendered: Triple, weights: Triple, strength: float, error: Triple, **more: Any
) -> LightMatch:
    ours, theirs = float(np.dot(weights, plate.mean)), float(np.dot(weights, rendered))
    if min(ours, theirs) <= 0:
        raise PatchError("no-light", "a patch has no luminance in the working space", "choose the chart's grey")
    change = ours / theirs
    gain = quotient(plate.mean, rendered)
    each = gain[0] * strength, gain[1] * strength, gain[2] * strength
    return LightMatch(
        strength=strength * change,
        stops=float(np.log2(change)),
        gain=gain,
        strength_per_channel=each,
        tint=quotient(gain, (change, change, change)),
        relative_standard_error=error,
        plate=plate,
        rendered=rendered,
        known_strength=strength,
        **more,
    )


def _words(numbers: Triple) -> str:
    return ", ".join(f"{number:.4g}" for number in numbers)
