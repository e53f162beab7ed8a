"""Negative pixels, and which of them no camera and no gamut explains.

Slightly negative values are legal in scene-linear colour: grain around black reaches below 0, and a saturated
colour of a wider gamut has a negative channel. Neither gives a pixel whose channels add up to much less than 0.
Subtraction of a layer that was not there, and filters with negative lobes beside a lamp, do.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated

import numpy as np
import numpy.typing as npt
from pydantic import Field

from stackcomp.data.image import Image
from stackcomp.data.port_types import Colour
from stackcomp.inspection.check import PictureCheck
from stackcomp.inspection.finding import Finding
from stackcomp.inspection.limits import Count, Length, Limits, Share
from stackcomp.inspection.places import largest_cluster

__all__ = ["CHECK", "NegativeLimits", "find"]

_CURE = (
    "look at what subtracts or sharpens there (a layer taken from another, a filter beside a lamp); "
    "clamp at 0 only where nothing else explains it"
)


class NegativeLimits(Limits):
    """Limits of `find`."""

    depth: Annotated[
        Length,
        Field(
            description="Scene-linear and display: how far below 0 the mean of R, G and B may lie. Four standard "
            "deviations of the grain of a pushed camera in black (0.002 to 0.005); common practice, no source."
        ),
    ] = 0.02
    log_depth: Annotated[
        Length,
        Field(
            description="Log encodings: how far below 0 a code value may lie. 0.1 below 0 is about -0.016 of "
            "light in ACEScct, so that grain in black does not reach it."
        ),
    ] = 0.1
    gamut: Annotated[
        Length,
        Field(
            description="How far below 0 one channel may lie, in parts of the largest channel. Colours of "
            "ACES2065-1 without negative values reach 0.43 in ACEScg and 1.27 in linear Rec.709 (from the "
            "published chromaticities, SMPTE ST 2065-1, S-2014-004, BT.709)."
        ),
    ] = 1.5
    share: Annotated[
        Share,
        Field(
            description="Share of the pixels that may lie deeper. Dead pixels of a sensor are fewer; "
            "common practice, no source."
        ),
    ] = 5e-5
    pixels: Annotated[
        Count,
        Field(description="Pixels that may lie deeper in any picture; a few are dead pixels, no source."),
    ] = 4


def find(image: Image, limits: NegativeLimits) -> Iterator[Finding]:
    """Find pixels that are deeper below 0 than grain and gamut explain; else count those below 0.

    Args:
        image: colour, float32.
        limits: see `NegativeLimits`.
    """
    if not isinstance(image.type, Colour):
        return
    planes = [image[name] for name in "RGB"]
    with np.errstate(invalid="ignore", over="ignore"):
        if not any(plane.size and np.nanmin(plane, initial=0) < 0 for plane in planes):
            return
        lowest = np.minimum(np.minimum(planes[0], planes[1]), planes[2])
        below = np.isfinite(lowest) & (lowest < 0)
        rows, columns = np.nonzero(below)
        if not rows.size:
            return
        red, green, blue = (plane[rows, columns] for plane in planes)
        least = lowest[rows, columns]
        most = np.maximum(np.maximum(red, green), blue)
        if image.type.encoding.family == "log":
            limit = limits.log_depth
            deep = least < -limit
        else:
            limit = limits.depth
            deep = (red + green + blue) / 3 < -limit
            deep |= least < -(limit + limits.gamut * np.maximum(most, 0))
    total = image.window.width * image.window.height
    count = int(np.count_nonzero(deep))
    if count > max(limits.pixels, limits.share * total):
        mask: npt.NDArray[np.bool_] = np.zeros(image.window.shape, bool)
        mask[rows[deep], columns[deep]] = True
        worst = float(least[deep].min())
        yield Finding(
            check="negative",
            sort="deep",
            place=largest_cluster(mask, image.window),
            value=worst,
            limit=-limit,
            message=f"{count} pixels ({100 * count / total:.3g} %) are negative beyond grain and gamut, down to "
            f"{worst:.4g}",
            cure=_CURE,
            level="doubt",
        )
        return
    yield Finding(
        check="negative",
        sort="slight",
        value=float(least.min()),
        limit=-limit,
        message=f"{rows.size} pixels ({100 * rows.size / total:.3g} %) are below 0, down to "
        f"{float(least.min()):.4g}",
        cure="nothing, where grain or a wider gamut explains it",
        level="note",
    )


CHECK = PictureCheck(
    name="negative",
    limits=NegativeLimits,
    find=find,
    summary="Negative pixels, as far as neither grain around black nor a wider gamut explains them.",
    cure=_CURE,
    source="gamut: the published chromaticities of the spaces; grain: common practice, no source",
)
