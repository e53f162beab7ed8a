"""Match two pictures by a grey card that is in both.

Light is linear, so one division for each channel is enough: ``gain = plate / other``. The overall change, in
stops, is that of luminance; the rest of the gain is tint. The gain is computed from means. The medians, which have
no part in it, give the residual.

Source: white balance by a neutral patch, common practice, no source; error of a quotient to first order.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from stackcomp.files.colorimetry import luminance_weights
from stackcomp.files.colour import DEFAULT_CONFIG
from stackcomp.measure.given import AreaLike, Triple, TripleLike, rgb
from stackcomp.measure.level import Level, PatchError, level
from stackcomp.measure.picture import Measured, opened

__all__ = ["GreyMatch", "doubts_about", "match_grey", "quotient", "quotient_error"]


@dataclass(frozen=True)
class GreyMatch:
    """Factors that make the other picture's grey equal the plate's.

    Attributes:
        gain: multiplies R, G, B of the other picture.
        stops: the same by luminance alone, in stops; the tint is what the gain does beyond it.
        residual: relative difference that the gain leaves: plate's median / corrected other's median - 1; the
            largest of R, G and B, without sign.
        residuals: the same with its sign, R G B.
        relative_standard_error: of the gain, R G B, from the grain of both pictures.
        plate: the patch of the plate, after the black was subtracted.
        other: the patch of the other picture.
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
    plate_area: AreaLike | None,
    other: Measured,
    other_area: AreaLike | None,
    *,
    plate_black: TripleLike = (0.0, 0.0, 0.0),
    working_space: str = "ACEScg",
    colour_config: str = DEFAULT_CONFIG,
) -> GreyMatch:
    """Find the gain between two pictures of the same card.

    Args:
        plate: the camera's picture, from `open_measured`.
        plate_area: inside the card there, in pixels; the whole picture when None.
        other: the picture to be matched, such as an HDRI or a test render.
        other_area: inside the card there.
        plate_black: the camera's black, R, G, B, scene-linear, subtracted from the plate.
        working_space: space of both, for luminance.
        colour_config: name or path of an OCIO config with that space.

    Returns:
        The gain, its errors, and doubts.

    Raises:
        AreaError: an area leaves its picture, or holds no pixel.
        PatchError: a patch is clipped, without light, or not finite.
        ArgumentError: an argument of the wrong kind.
        RequestError: the luminance of the working space is not known.
    """
    plate, other = opened(plate, "plate"), opened(other, "other")
    ours = level(plate, plate_area, "the plate's area", black=rgb(plate_black, "plate_black"))
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
    """The quotients of R, G and B."""
    return above[0] / below[0], above[1] / below[1], above[2] / below[2]


def quotient_error(above: Level, below: Level | None = None) -> Triple:
    """Relative standard error of ``above / below``; of ``above`` alone where ``below`` is None."""
    share = np.array(above.standard_error) / above.mean
    if below is not None:
        share = np.hypot(share, np.array(below.standard_error) / below.mean)
    return float(share[0]), float(share[1]), float(share[2])


def doubts_about(error: Triple, levels: tuple[tuple[str, Level], ...]) -> tuple[str, ...]:
    """Sentences about strong grain in a small area, uneven light, and pixels that are left out."""
    doubts = []
    if max(error) > 0.001:
        larger = (max(error) / 0.001) ** 2
        doubts.append(
            f"grain gives the factors a standard error of {max(error):.2%}; an area "
            f"{larger:.{0 if larger >= 10 else 1}f} times as large would give 0.1 %"
        )
    for whose, patch in levels:
        if abs(patch.uneven) > 0.005:
            doubts.append(
                f"{whose} patch is not even: median and mean differ by {abs(patch.uneven):.1%}; "
                "look for shadow, shine or dirt in the area"
            )
        if patch.left_out:
            doubts.append(
                f"{patch.left_out} of {patch.pixels} pixels of {whose} area were left out: clipped, not finite or "
                "outliers"
            )
    return tuple(doubts)
