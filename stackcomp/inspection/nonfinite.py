"""Pixels that are not finite: NaN, +inf and -inf, counted separately."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Annotated

import numpy as np
import numpy.typing as npt
from pydantic import Field

from stackcomp.begin.layer_words import role_of
from stackcomp.data.image import Image, Plane
from stackcomp.data.port_types import Depth
from stackcomp.inspection.check import PictureCheck
from stackcomp.inspection.finding import Finding
from stackcomp.inspection.limits import Count, Limits
from stackcomp.inspection.places import largest_cluster

__all__ = ["CHECK", "NonFiniteLimits", "find"]

Mask = npt.NDArray[np.bool_]

_NAMES_OF_IDS = re.compile(r"cryptomatte/[^/]+/name")
_MOST_NAMED = 6
#: The bits of a half float's exponent, all of them set in NaN and infinity (IEEE 754, binary16).
_EXPONENT, _MAGNITUDE, _SIGN = 0x7C00, 0x7FFF, 0x8000
_CURE = (
    "find the node or shader that divides by 0 or takes a root of a negative number; "
    'a read node repairs such pixels by "non_finite": "repair"'
)


class NonFiniteLimits(Limits):
    """Limits of `find`."""

    pixels: Annotated[
        Count,
        Field(description="Pixels of one sort that are allowed. 0: one such pixel spreads in every blur."),
    ] = 0


def find(image: Image, limits: NonFiniteLimits) -> Iterator[Finding]:
    """Find NaN, +inf and -inf in all channels.

    Ids are bit patterns and are left out. In depth +inf means that nothing is there, and is allowed.

    Args:
        image: of any type; planes float32 or float16.
        limits: see `NonFiniteLimits`.
    """
    counts: dict[str, dict[str, int]] = {"NaN": {}, "+inf": {}, "-inf": {}}
    masks: dict[str, Mask] = {}
    ids = _id_layers(image.metadata)
    for name, plane in image.planes.items():
        if plane.dtype == np.uint32 or name.rpartition(".")[0].rstrip("0123456789") in ids:
            continue
        odd = _not_finite(plane)
        if odd is None:
            continue
        role = role_of(name)[0]
        if role == "ids":
            continue
        depth = isinstance(image.type, Depth) or role == "depth"
        for sort, mask in _sorts(plane, odd):
            if depth and sort == "+inf":
                continue
            number = int(np.count_nonzero(mask))
            if number:
                counts[sort][name] = number
                masks[sort] = mask | masks[sort] if sort in masks else mask
    for sort, mask in masks.items():
        pixels = int(np.count_nonzero(mask))
        if pixels <= limits.pixels:
            continue
        listed = [f"{number} in {name}" for name, number in counts[sort].items()]
        more = f" and {len(listed) - _MOST_NAMED} more channels" if len(listed) > _MOST_NAMED else ""
        what = f"{pixels} pixels are" if pixels > 1 else "1 pixel is"
        yield Finding(
            check="nonfinite",
            sort=sort,
            place=largest_cluster(mask, image.window),
            value=pixels,
            limit=limits.pixels,
            unit="px",
            message=f"{what} {sort} ({', '.join(listed[:_MOST_NAMED])}{more})",
            cure=_CURE,
            level="fault",
        )


def _not_finite(plane: Plane) -> Mask | None:
    """Which values are not finite; None where all are."""
    if plane.dtype == np.float16:
        odd = (plane.view(np.uint16) & np.uint16(_EXPONENT)) == _EXPONENT
        return odd if odd.any() else None
    with np.errstate(invalid="ignore", over="ignore"):
        if np.isfinite(plane.sum(dtype=np.float64)):
            return None
    odd = ~np.isfinite(plane)
    return odd if odd.any() else None


def _sorts(plane: Plane, odd: Mask) -> Iterator[tuple[str, Mask]]:
    yield "NaN", np.isnan(plane)
    yield "+inf", odd & (plane == np.inf)
    yield "-inf", odd & (plane == -np.inf)


def _id_layers(metadata: Mapping[str, object]) -> frozenset[str]:
    """Names of layers whose float channels are ids or belong to them (the open ID-matte specification, 1.2)."""
    return frozenset(str(value) for name, value in metadata.items() if _NAMES_OF_IDS.fullmatch(name))


CHECK = PictureCheck(
    name="nonfinite",
    limits=NonFiniteLimits,
    find=find,
    of="layers",
    summary="Pixels that are NaN, +inf or -inf, in any channel.",
    cure=_CURE,
    source="IEEE 754; OpenEXR permits such values in files",
)
