"""The strength of a light, so that a grey card under it is as bright as the plate's card.

Light is linear: a render at twice the strength is twice as bright. So one test render at a known strength is
enough, and one division for each channel. A light has one strength, which is matched by luminance. The rest is the
tint: factors of R, G and B that do not change the card's luminance.

Without a test render the card is computed from the light itself: a lat-long picture of the place, integrated over
the hemisphere in front of the card (`stackcomp.measure.irradiance`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from stackcomp.errors import ArgumentError, Problem
from stackcomp.files.colorimetry import luminance_weights
from stackcomp.files.colour import DEFAULT_CONFIG
from stackcomp.measure.given import AreaLike, Triple, TripleLike, number, rgb
from stackcomp.measure.grey import doubts_about, quotient, quotient_error
from stackcomp.measure.irradiance import Irradiance, irradiance
from stackcomp.measure.level import Level, PatchError, level
from stackcomp.measure.picture import Measured, opened

__all__ = ["LEFT_OUT", "LightMatch", "match_light", "match_light_from_hdri"]

LEFT_OUT = (
    "occlusion: objects between the card and the place, the card's own stand included",
    "bounce: light that reaches the card from the CG",
    "distance: the lat-long picture is right for its own point; a card elsewhere sees near objects differently",
    "shine: the card is assumed to scatter light evenly in all directions",
)
"""What a card that is computed from a lat-long picture leaves out."""

_BRIGHT_PIXEL = 0.2


@dataclass(frozen=True)
class LightMatch:
    """The strength, gain and tint of a light.

    Attributes:
        strength: by luminance, in the light's own unit; with an HDRI, a factor on it as it is.
        stops: the change of strength in stops.
        gain: factors of R, G, B that make the whole change at once: plate / rendered.
        strength_per_channel: the strengths that R, G and B would need by themselves.
        tint: the gain without the change of luminance: what remains once the strength is right.
        relative_standard_error: of the gain, R G B, from grain.
        plate: the patch of the plate, after the black was subtracted.
        rendered: light of the card at the known strength, R G B, scene-linear.
        known_strength: that strength.
        other: the patch of the test render; None with an HDRI.
        light: the irradiance from the HDRI; None with a test render.
        reflectance: of the computed card; None with a test render.
        left_out: sentences about what the computed card leaves out.
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
        record: dict[str, Any] = {
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
            record["other"] = self.other.as_dict()
        if self.light is not None:
            record |= {
                "other": self.light.as_dict(),
                "reflectance": self.reflectance,
                "left_out": list(self.left_out),
            }
        return {**record, "doubts": list(self.doubts)}


def match_light(
    plate: Measured,
    plate_area: AreaLike | None,
    other: Measured,
    other_area: AreaLike | None,
    *,
    strength: float = 1.0,
    plate_black: TripleLike = (0.0, 0.0, 0.0),
    working_space: str = "ACEScg",
    colour_config: str = DEFAULT_CONFIG,
) -> LightMatch:
    """Find a light's strength from a test render of the card.

    Args:
        plate: the camera's picture, from `open_measured`.
        plate_area: inside the card there, in pixels; the whole picture when None.
        other: the test render, lit by this light alone.
        other_area: inside the card there.
        strength: of the light in the test render, above 0, in the light's own unit.
        plate_black: the camera's black, R, G, B, scene-linear, subtracted from the plate.
        working_space: space of both, for luminance.
        colour_config: name or path of an OCIO config with that space.

    Returns:
        Strength, gain, tint, errors and doubts.

    Raises:
        ArgumentError: the strength is not above 0, or an argument is of the wrong kind.
        AreaError, PatchError, RequestError: as `stackcomp.measure.match_grey`.
    """
    plate, other = opened(plate, "plate"), opened(other, "other")
    strength = number(strength, "strength", way_out="give the render's, above 0")
    if strength <= 0:
        raise ArgumentError(
            Problem("strength", f"the strength {strength:g} is not above 0", "give that of the test render")
        )
    ours = level(plate, plate_area, "the plate's area", black=rgb(plate_black, "plate_black"))
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
    plate_area: AreaLike | None,
    hdri: Measured,
    normal: Triple,
    *,
    reflectance: float = 0.18,
    plate_black: TripleLike = (0.0, 0.0, 0.0),
    working_space: str = "ACEScg",
    colour_config: str = DEFAULT_CONFIG,
) -> LightMatch:
    """Find an HDRI's strength from the plate's card, without a render.

    Args:
        plate: the camera's picture, from `open_measured`.
        plate_area: inside the card there, in pixels; the whole picture when None.
        hdri: lat-long picture of the place. Its middle column looks along +y, the column a quarter of the width
            right of it along +x, the top row along +z.
        normal: the direction that the card faces, (x, y, z) in these axes, of any length above 0; `direction`
            makes it from degrees.
        reflectance: share of the light that the card scatters, above 0 and at most 1.
        plate_black: the camera's black, R, G, B, scene-linear, subtracted from the plate.
        working_space: space of both, for luminance.
        colour_config: name or path of an OCIO config with that space.

    Returns:
        Strength, gain, tint, errors, doubts, and what the computed card leaves out.

    Raises:
        ArgumentError: a reflectance or normal that is out of range, or an argument of the wrong kind.
        AreaError, PatchError: as `stackcomp.measure.match_grey`.
        RequestError: the HDRI is not a whole lat-long picture, or has pixels that are not finite.
    """
    plate, hdri = opened(plate, "plate"), opened(hdri, "hdri")
    reflectance = number(reflectance, "reflectance", way_out="a grey card has 0.18")
    if not 0 < reflectance <= 1:
        raise ArgumentError(
            Problem(
                "reflectance",
                f"the reflectance {reflectance:g} is not above 0 and at most 1",
                "a grey card has 0.18",
            )
        )
    ours = level(plate, plate_area, "the plate's area", black=rgb(plate_black, "plate_black"))
    received = irradiance(hdri.light, normal)
    card = received.card(reflectance)
    if not min(card) > 0:
        raise PatchError(
            "no-light",
            f"the HDRI gives no light on a card with normal {_words(received.normal)}",
            "check that the normal points to the light, and that the HDRI is the right one",
        )
    error = quotient_error(ours)
    doubts = list(doubts_about(error, (("the plate's", ours),)))
    highest = max(float(plane.max()) for plane in hdri.stored.planes.values())
    if highest >= hdri.ceiling:
        doubts.append("the HDRI has clipped pixels: its brightest light is too weak, and so is the card's")
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
