"""Match two pictures by a grey card that stands in both.

Light is linear, so one division a channel is all: ``gain = plate / other``. The overall change is told apart from
the tint by luminance, in stops. The gain comes from means; the medians, which had no part in it, tell how well it
fits (the residual).

Source: white balance by a neutral patch, common practice, no source; error of a quotient to first order.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from stackcomp.files.colour import DEFAULT_CONFIG
from stackcomp.measure.area import Area
from stackcomp.measure.colorimetry import luminance_weights
from stackcomp.measure.level import Level, PatchError, Triple, level
from stackcomp.measure.picture import Measured

__all__ = ["GreyMatch", "doubts_about", "match_grey", "quotient", "quotient_error"]


@dataclass(frozen=True)
class GreyMatch:
    """Factors that make the other picture's grey equal the plate's.

    Attributes:
        gain: multiplies R, G, B of the other picture.
        stops: the same by luminance alone, in stops; the tint is what the gain does beyond it.
        residual: what is left when the gain was applied, relative: plate's median over corrected other's median,
            less 1; of the channel where it is largest, without sign.
        residuals: the same with its sign, R G B.
        relative_standard_error: of the gain, R G B, from the grain of both pictures.
        plate: what was measured in the plate, less the black that was taken off.
        other: what was measured in the other picture.
        doubts: sentences about what may be wrong.
    """

    gain: Triple
    stops: float
    residual: float
    residuals: Triple
    relative_standard_error: Triple
    plate: Level
    other: Level
    doubts: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """As JSON data."""
        return {
            "gain": list(self.gain),
            "stops": self.stops,
            "residual": self.residual,
            "residual_per_channel": list(self.residuals),
            "relative_standard_error": list(self.relative_standard_error),
            "plate": self.plate.as_dict(),
            "other": self.other.as_dict(),
            "doubts": list(self.doubts),
        }


def match_grey(
    plate: Measured,
    plate_area: Area,
    other: Measured,
    other_area: Area,
    *,
    plate_black: Triple = (0.0, 0.0, 0.0),
    working_space: str = "ACEScg",
    colour_config: str = DEFAULT_CONFIG,
) -> GreyMatch:
    """Find the gain between two pictures of the same card.

    Args:
        plate: the camera's picture.
        plate_area: inside the card there.
        other: the picture to be matched, such as an HDRI or a test render.
        other_area: inside the card there.
        plate_black: taken off the plate, scene-linear.
        working_space: space of both, for luminance.
        colour_config: config that knows it.

    Raises:
        AreaError: an area leaves its picture, or holds no pixel.
        PatchError: a patch is clipped, without light, or not finite.
        RequestError: the luminance of the working space is not known.
    """
    ours = level(plate, plate_area, "the plate's area", black=plate_black)
    theirs = level(other, other_area, "the other picture's area")
    weights = luminance_weights(working_space, colour_config)
    gain = quotient(ours.mean, theirs.mean)
    by_median = quotient(quotient(ours.median, theirs.median), gain)
    residuals = by_median[0] - 1, by_median[1] - 1, by_median[2] - 1
    luminance = float(weights @ ours.mean), float(weights @ theirs.mean)
    if min(luminance) <= 0:
        raise PatchError("no-light", "a patch has no luminance in the working space", "choose the chart's grey")
    error = quotient_error(ours, theirs)
    return GreyMatch(
        gain,
        float(np.log2(luminance[0] / luminance[1])),
        max(map(abs, residuals)),
        residuals,
        error,
        ours,
        theirs,
        doubts_about(error, (("the plate's", ours), ("the other picture's", theirs))),
    )


def quotient(above: Triple, below: Triple) -> Triple:
    """R, G and B each divided."""
    return above[0] / below[0], above[1] / below[1], above[2] / below[2]


def quotient_error(above: Level, below: Level | None = None) -> Triple:
    """Relative standard error of ``above / below``; of ``above`` alone where nothing is measured below."""
    share = np.array(above.standard_error) / above.mean
    if below is not None:
        share = np.hypot(share, np.array(below.standard_error) / below.mean)
    return float(share[0]), float(share[1]), float(share[2])


def doubts_about(error: Triple, levels: tuple[tuple[str, Level], ...]) -> tuple[str, ...]:
    """What a person should know: grain too strong for so small an area, uneven light, pixels left out."""
    found = []
    if max(error) > 0.001:
        larger = (max(error) / 0.001) ** 2
        found.append(
            f"grain leaves {max(error):.2%} of doubt about the factors; an area "
            f"{larger:.{0 if larger >= 10 else 1}f} times as large would leave 0.1 %"
        )
    for whose, seen in levels:
        if abs(seen.uneven) > 0.005:
            found.append(
                f"{whose} patch is not even: median and mean differ by {abs(seen.uneven):.1%}; "
                "look for shadow, shine or dirt in the area"
            )
        if seen.left_out:
            found.append(f"{seen.left_out} of {seen.pixels} pixels of {whose} area were left out as spoiled")
    return tuple(found)
