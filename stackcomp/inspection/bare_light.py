"""Light under alpha 0: a flame, a glow. It is counted and allowed."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated

import numpy as np
from pydantic import Field

from stackcomp.data.image import Image
from stackcomp.data.port_types import Colour
from stackcomp.inspection.check import PictureCheck
from stackcomp.inspection.finding import Finding
from stackcomp.inspection.limits import Length, Limits
from stackcomp.inspection.places import bounds

__all__ = ["CHECK", "BareLightLimits", "find"]

_CURE = "nothing where it is a glow or a flame; else look at what multiplies alpha without colour"
_LEFT_OVER = "nothing: with straight alpha, colour under alpha 0 is not seen"


class BareLightLimits(Limits):
    """Limits of `find`."""

    light: Annotated[
        Length,
        Field(description="The largest channel from which on a pixel counts: far below what any screen shows."),
    ] = 1e-4


def find(image: Image, limits: BareLightLimits) -> Iterator[Finding]:
    """Count pixels that have light and alpha 0.

    Args:
        image: colour with A, float32.
        limits: see `BareLightLimits`.
    """
    if not isinstance(image.type, Colour) or image.type.alpha == "none" or image.window.empty:
        return
    with np.errstate(invalid="ignore"):
        brightest = np.maximum(np.maximum(image["R"], image["G"]), image["B"])
        bare = (image["A"] == 0) & (brightest > limits.light)
    count = int(np.count_nonzero(bare))
    if not count:
        return
    straight = image.type.alpha == "straight"
    peak = float(np.max(brightest, where=bare & np.isfinite(brightest), initial=0))
    what = "colour" if straight else "light"
    yield Finding(
        check="bare_light",
        place=bounds(bare, image.window),
        value=count,
        unit="px",
        message=f"{count} pixels have {what} under alpha 0, up to {peak:.4g}",
        cure=_LEFT_OVER if straight else _CURE,
        level="note",
    )


CHECK = PictureCheck(
    name="bare_light",
    limits=BareLightLimits,
    find=find,
    summary="Light under alpha 0, counted: a glow or flame has it, and it is allowed.",
    cure=_CURE,
    source="OpenEXR, Technical Introduction: premultiplied pixels may have colour where alpha is 0",
)
