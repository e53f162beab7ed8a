"""Alpha outside 0 to 1."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated

import numpy as np
from pydantic import Field

from stackcomp.data.image import Image
from stackcomp.data.port_types import Matte
from stackcomp.inspection.check import PictureCheck
from stackcomp.inspection.finding import Finding
from stackcomp.inspection.limits import Count, Length, Limits
from stackcomp.inspection.places import largest_cluster

__all__ = ["CHECK", "AlphaRangeLimits", "find"]

_CURE = (
    "clamp alpha alone to 0–1 where it is made (sums of mattes, sharpening filters); colour stays as it is, "
    "or is divided by the old alpha and multiplied by the new one"
)


class AlphaRangeLimits(Limits):
    """Limits of `find`."""

    rounding: Annotated[
        Length,
        Field(
            description="How far outside alpha may lie. Half floats above 1 are 0.001 apart (IEEE 754, binary16), "
            "and renderers that add up samples reach a few of these steps."
        ),
    ] = 0.005
    wrong: Annotated[
        Length,
        Field(
            description="How far outside it is wrong beyond doubt: one more tenth shows at an edge; "
            "common practice, no source."
        ),
    ] = 0.1
    pixels: Annotated[Count, Field(description="Pixels beyond rounding that are allowed.")] = 0


def find(image: Image, limits: AlphaRangeLimits) -> Iterator[Finding]:
    """Find alpha below 0 and above 1.

    Args:
        image: colour with A, or a matte; float32.
        limits: see `AlphaRangeLimits`.
    """
    if "A" not in image or not image["A"].size:
        return
    alpha = image["A"]
    label = "matte" if isinstance(image.type, Matte) else "alpha"
    with np.errstate(invalid="ignore"):
        lowest, highest = float(np.nanmin(alpha, initial=0)), float(np.nanmax(alpha, initial=1))
        if lowest >= 0 and highest <= 1:
            return
        sides = (
            ("below 0", alpha < 0, alpha < -limits.rounding, -lowest, -limits.rounding),
            ("above 1", alpha > 1, alpha > 1 + limits.rounding, highest - 1, 1 + limits.rounding),
        )
    for sort, outside, beyond, by, limit in sides:
        outside, beyond = outside & np.isfinite(alpha), beyond & np.isfinite(alpha)
        count = int(np.count_nonzero(beyond))
        worst = -by if sort == "below 0" else 1 + by
        if np.isinf(worst):
            finite = alpha[np.isfinite(alpha)]
            worst = float(finite.min() if sort == "below 0" else finite.max()) if finite.size else 0.0
            by = -worst if sort == "below 0" else worst - 1
        if count > limits.pixels:
            yield Finding(
                check="alpha_range",
                sort=sort,
                place=largest_cluster(beyond, image.window),
                value=worst,
                limit=limit,
                message=f"{label} is {sort} in {count} pixels, as far as {worst:.5g}",
                cure=_CURE,
                level="fault" if by > limits.wrong else "doubt",
            )
        elif outside.any():
            yield Finding(
                check="alpha_range",
                sort=f"{sort}, rounding",
                value=worst,
                limit=limit,
                message=f"{label} is {sort} by rounding in {int(np.count_nonzero(outside))} pixels, as far as "
                f"{worst:.6g}",
                cure="nothing",
                level="note",
            )


CHECK = PictureCheck(
    name="alpha_range",
    limits=AlphaRangeLimits,
    find=find,
    summary="Alpha below 0 or above 1.",
    cure=_CURE,
    source="Porter & Duff 1984: alpha is the covered share of a pixel",
)
