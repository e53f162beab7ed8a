"""Sharpness of the CG against that of the plate, by the width of edges.

The sharpest edges of a picture show what lens, sensor and filters do; others are soft by themselves, as shadows,
or out of focus. So the sharpest edges of the plate are compared with those of the CG's matte, or of its colour
where it has no matte's edge. Nothing is said

- where either has few edges,
- where the whole plate is so soft that it is out of focus: the CG may be in focus,
- about softness where the CG is not opaque or its edges differ in width, as with motion blur, or where they are so
  soft that it is out of focus by intention.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated

import numpy as np
import numpy.typing as npt
from pydantic import Field

from stackcomp.data.image import Image
from stackcomp.data.window import Window
from stackcomp.inspection.check import PairCheck
from stackcomp.inspection.edge_width import WIDTH_OF_SIGMA, Edges, edges
from stackcomp.inspection.finding import Finding
from stackcomp.inspection.limits import Length, Limits, Some
from stackcomp.inspection.pair import Array, Planes, planes_of, shared

__all__ = ["CHECK", "SharpnessLimits", "find"]

#: Contrast of edges, in parts of the brighter side, and of alpha.
_CONTRAST = 0.3
#: What is added to the brighter side, in parts of the plate's median: so that noise in black has no contrast.
_FLOOR = 0.05
#: Percentiles of widths: of the plate the sharpest, and those that are sharp; of the CG likewise.
_PLATE = (5, 12, 25)
#: From its sharpest edges to those that are sharp, a plate's width rises at most so many times (from 1 px on);
#: else it has hardly any edge that its softness alone blurs.
_BROAD = 1.3
_CG_SOFT, _CG_SHARP = 10, 30
#: Step of alpha of an edge of what is opaque: what moves, and smoke, is soft by itself.
_OPAQUE = 0.9
#: From the 5th percentile to the median the CG's edges are at most so many times wider, unless it is motion blur.
_ALIKE = 1.25
#: Form of an edge (see `Edges`) below which motion or defocus blurred it.
_FORM, _NARROW = 0.93, 1.8
#: Pixels that an edge of the CG's colour lies away from the edge of its matte.
_INSIDE = 6


class SharpnessLimits(Limits):
    """Limits of `find`."""

    ratio: Annotated[
        float,
        Field(
            gt=1,
            allow_inf_nan=False,
            description="How many times wider edges may be than the others. Clean made pairs lie within 1.25; "
            "chosen on these, no source.",
        ),
    ] = 1.35
    radius: Annotated[
        Length,
        Field(
            description="Standard deviation in pixels of a Gaussian blur that can be seen at 1:1. Common "
            "practice, no source."
        ),
    ] = 0.5
    focus: Annotated[
        Length,
        Field(
            description="Standard deviation in pixels of the blur of a picture that counts as in focus; softer "
            "ones are out of focus by intention. Common practice, no source."
        ),
    ] = 2.0
    edges: Annotated[
        Some,
        Field(
            description="Edges that must be measured in either. No clean made pair raised a false alarm with 24; "
            "chosen on these, no source."
        ),
    ] = 30


def find(source: Image, backdrop: Image, comp: Image | None, limits: SharpnessLimits) -> Iterator[Finding]:
    """Find CG that is sharper or softer than the plate.

    Args:
        source: premultiplied colour with A, scene-linear, float32.
        backdrop: colour, likewise; all of it inside the frame is the plate.
        comp: not looked at: the edges of the CG lie in its matte.
        limits: see `SharpnessLimits`.
    """
    pair = shared(source, backdrop, comp)
    if pair is None:
        return
    light = _grey(planes_of(backdrop, backdrop.window & backdrop.display))
    floor = _FLOOR * _middle(light)
    front = edges(pair.alpha, least=_CONTRAST)
    opaque = front.some(front.step > _OPAQUE)
    if len(front) < limits.edges:
        front = opaque = _within(pair.front, pair.alpha, floor)
    if len(front) < limits.edges:
        return
    plate = edges(light, least=_CONTRAST, floor=floor)
    if len(plate) < limits.edges:
        return
    plate = plate.some((plate.form > _FORM) | (plate.width < _NARROW))
    if len(plate) < limits.edges:
        return
    least, sharpest, sharp = (float(width) for width in np.percentile(plate.width, _PLATE))
    high = float(np.percentile(front.width, _CG_SHARP))
    low = float(np.percentile(opaque.width, _CG_SOFT)) if len(opaque) >= limits.edges else 0.0
    if high * limits.ratio < sharpest:
        word, own, other = "sharper", high, sharpest
        told = sharp <= min(limits.focus * WIDTH_OF_SIGMA, _BROAD * max(least, 1.0))
    elif low > sharp * limits.ratio:
        word, own, other = "softer", low, sharp
        told = low <= limits.focus * WIDTH_OF_SIGMA and _alike(opaque)
    else:
        return
    radius = float(np.sqrt(abs(own * own - other * other))) / WIDTH_OF_SIGMA
    if told and radius >= limits.radius:
        yield _finding(word, own, other, radius, _place(front, own, pair.window), limits)


def _alike(front: Edges) -> bool:
    """Whether edges are about equally wide, and have the form that a filter gives them."""
    low, middle = np.percentile(front.width, (5, 50))
    return bool(middle <= _ALIKE * low and np.median(front.form) > _FORM)


def _grey(planes: Planes) -> Array:
    with np.errstate(invalid="ignore", over="ignore"):
        return np.asarray((planes[0] + planes[1] + planes[2]) / np.float32(3), np.float32)


def _middle(light: Array) -> float:
    """About the median of a plane's finite pixels."""
    step = max(1, int(np.sqrt(light.size / 100_000)))
    some = light[::step, ::step]
    some = some[np.isfinite(some)]
    return max(float(np.median(some)), 0.0) if some.size else 0.0


def _within(front: Planes, alpha: Array, floor: float) -> Edges:
    """Edges of the CG's colour under full coverage."""
    from scipy import ndimage

    with np.errstate(invalid="ignore"):
        covered = alpha > 0.99
    side = 2 * _INSIDE + 1
    covered = ndimage.minimum_filter(covered, size=side, mode="nearest")
    return edges(_grey(front), least=_CONTRAST, floor=floor, within=np.asarray(covered))


def _place(front: Edges, own: float, window: Window) -> Window:
    """Where most edges of the CG are about as wide as said."""
    chosen: npt.NDArray[np.bool_] = np.abs(front.width / own - 1) < 0.25
    rows, columns = front.rows[chosen], front.columns[chosen]
    if not rows.size:
        rows, columns = front.rows, front.columns
    side = max(48, window.width // 16)
    keys, counts = np.unique(rows // side * (1 << 32) + columns // side, return_counts=True)
    key = int(keys[int(counts.argmax())])
    x, y = key % (1 << 32) * side + window.x0, key // (1 << 32) * side + window.y0
    return Window(x, y, x + side, y + side) & window


def _finding(
    word: str, own: float, other: float, radius: float, place: Window, limits: SharpnessLimits
) -> Finding:
    ratio = own / other
    what = "the CG" if word == "sharper" else "the plate"
    return Finding(
        check="sharpness",
        sort=word,
        place=place,
        value=ratio,
        limit=1 / limits.ratio if word == "sharper" else limits.ratio,
        message=f"the CG is {word} than the plate: its sharpest edges rise from 10 to 90 % over {own:.2f} px, "
        f"{ratio:.2f} times the {other:.2f} px of the plate's; a Gaussian of {radius:.2f} px standard deviation "
        f"on {what} would make them equal",
        cure=f"soften the CG with its alpha, premultiplied, by {radius:.2f} px, before grain is put on"
        if word == "sharper"
        else "look for what softened the CG (a filter, a resize, a lens effect applied twice) and take it out, or "
        "render it at the size of the plate",
        level="doubt",
    )


CHECK = PairCheck(
    name="sharpness",
    limits=SharpnessLimits,
    find=find,
    summary="CG that is sharper or softer than the plate.",
    cure="Soften the sharper one by the standard deviation that is named.",
    source="width of a blurred step: the error function, 10 to 90 % in 2.563 standard deviations; the choice of "
    "edges is ours",
)
