"""The CG's black against the plate's: a camera lifts black by a veil of stray light, a renderer does not.

The plate's black is that of its darkest region (`stackcomp.measure.black`), and it is believed only where the
plate has a floor: a part of the picture that lies at that level, far below the rest. CG that reaches below it was
not lifted. CG that has a floor of its own above it was lifted too far. CG or plates without dark
parts say nothing.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated

import numpy as np
import numpy.typing as npt
from pydantic import Field

from stackcomp.data.image import Image
from stackcomp.data.port_types import Colour, Encoding
from stackcomp.data.window import Window
from stackcomp.inspection.averages import averaged
from stackcomp.inspection.check import PairCheck
from stackcomp.inspection.finding import Finding
from stackcomp.inspection.limits import Count, Length, Limits, Share, Stops
from stackcomp.inspection.pair import Array, Planes, Shared, planes_of, shared
from stackcomp.inspection.places import largest_cluster
from stackcomp.measure.black import BlackError, BlackLevel, darkest_region

__all__ = ["CHECK", "BlackLimits", "code_value", "find"]

Floats = npt.NDArray[np.float64]

#: Pixels of a plate, about, in which the darkest region is looked for; larger ones are averaged.
_PIXELS = 300_000
#: Alpha from which on a pixel is covered; the percentile of its light that counts as bright.
_COVERED, _BRIGHT = 0.99, 90.0
#: Standard errors of both levels that must lie between them.
_ERRORS = 4.0
_LIGHT = Encoding("scene-linear", "scene-linear")
#: What lies that far above a level still belongs to its floor.
_FLOOR = 1.12
#: Side of the cells by which parts are told apart, and cells that a part has at least.
_CELL, _PART = 4, 6
#: Light under alpha 0 that counts, and the share of the pixels there that makes a glow.
_BARE, _GLOWING = 1e-4, 1e-3
#: The CG is smaller than the plate: its floor takes so many times the share.
_OF_CG = 3


class BlackLimits(Limits):
    """Limits of `find`."""

    codes: Annotated[
        Length,
        Field(
            description="Difference of both blacks as 8-bit code values of sRGB (IEC 61966-2-1), which is what a "
            "viewer sees. Two are hardly seen side by side; common practice, no source."
        ),
    ] = 2.5
    stops: Annotated[
        Stops,
        Field(description="How many stops darker than the plate's black. Common practice, no source."),
    ] = 0.5
    stops_above: Annotated[
        Stops,
        Field(
            description="How many stops brighter: the CG's darkest part may be no black. Clean made pairs reach "
            "0.7; chosen on these, no source."
        ),
    ] = 1.0
    floor: Annotated[
        Share,
        Field(
            description="Share of the plate that lies at its darkest level, so that this is a floor. Made plates "
            "with parts without light have 0.055 and more; chosen on these, no source."
        ),
    ] = 0.05
    depth: Annotated[
        Stops,
        Field(
            description="How many stops the floor lies below the median of the plate, or below the bright parts "
            "of the CG; nearer ones are dark objects. Chosen on made plates, no source."
        ),
    ] = 3.0
    tint: Annotated[
        float,
        Field(
            ge=1,
            allow_inf_nan=False,
            description="Largest by smallest channel of a floor: a veil is stray light of the whole picture, and "
            "about neutral; more is a dark object, or a glow. Common practice, no source.",
        ),
    ] = 1.4
    parts: Annotated[
        Count,
        Field(
            description="Separate parts of the plate that lie at the floor, before CG counts as darker: one may "
            "be a dark object of one colour. Chosen on made plates, no source."
        ),
    ] = 2
    brightest: Annotated[
        Length,
        Field(
            description="A black brighter than that is something lit. A veil is some tenths of a percent of "
            "white; common practice, no source."
        ),
    ] = 0.02
    pixels: Annotated[
        Count, Field(description="Pixels of the CG that are covered. Common practice, no source.")
    ] = 400


def code_value(light: float) -> float:
    """The 8-bit code value of sRGB for display light, 0 to 255 and beyond (IEC 61966-2-1)."""
    if light <= 0.0031308:
        return 255 * 12.92 * light
    return float(255 * (1.055 * light ** (1 / 2.4) - 0.055))


def find(source: Image, backdrop: Image, comp: Image | None, limits: BlackLimits) -> Iterator[Finding]:
    """Find CG whose black lies below or above that of the plate.

    Args:
        source: premultiplied colour with A, scene-linear, float32.
        backdrop: colour, likewise; all of it inside the frame is the plate.
        comp: what is seen; over of the two when None.
        limits: see `BlackLimits`.
    """
    pair = shared(source, backdrop, comp)
    if pair is None:
        return
    cover = averaged(pair.alpha, _factor(pair.window))
    front = _averaged(pair.front if pair.comp is None else pair.comp, _factor(pair.window))
    with np.errstate(over="ignore", invalid="ignore"):
        light = np.mean(front, axis=0)
    covered = (cover > _COVERED) & np.isfinite(light)
    if np.count_nonzero(covered) < limits.pixels:
        return
    plate = _averaged(planes_of(backdrop, backdrop.window & backdrop.display), _factor(backdrop.window))
    try:
        # What is not finite counts as bright there.
        own, _ = darkest_region(_image([np.where(covered, plane, np.float32(np.nan)) for plane in front]))
        black, _ = darkest_region(_image(plate))
    except BlackError:
        return
    level, lowest = _mean(black.black), _mean(own.black)
    with np.errstate(over="ignore", invalid="ignore"):
        squares = np.mean(plate, axis=0)
    if not _neutral(black, limits):
        return
    if not _is_floor(squares, level, float(np.median(squares)), _mean(black.standard_deviation), limits):
        return
    if lowest < level and _parts(squares, level, _mean(black.standard_deviation)) < limits.parts:
        return
    if not _seen(lowest, level, _ERRORS * (_mean(black.standard_error) + _mean(own.standard_error)), limits):
        return
    word = "darker" if lowest < level else "brighter"
    bright = float(np.percentile(light[covered], _BRIGHT))
    grain = _mean(own.standard_deviation)
    if word == "brighter":
        lit = light[covered]
        if _glows(pair) or not _neutral(own, limits) or not _lowest(light, covered, lowest, grain):
            return
        if not _is_floor(lit, lowest, bright, grain, limits, _OF_CG):
            return
    with np.errstate(invalid="ignore"):
        dark = covered & (light <= _FLOOR * max(lowest, 0) + 3 * _mean(own.standard_deviation))
    yield _finding(word, black, own, _place(dark, pair.window), limits)


def _factor(window: Window) -> int:
    """Over how many pixels each way a picture is averaged, so that it is quick to look at."""
    return max(1, int(np.sqrt(window.width * window.height / _PIXELS)))


def _averaged(planes: Planes, factor: int) -> list[Array]:
    return [averaged(plane, factor) for plane in planes]


def _image(planes: list[Array]) -> Image:
    size = Window.of_size(*planes[0].shape[::-1])
    return Image(dict(zip("RGB", planes, strict=True)), size, size, Colour("none", _LIGHT))


def _mean(triple: tuple[float, float, float]) -> float:
    return sum(triple) / 3


def _glows(pair: Shared) -> bool:
    """Whether there is light beside the CG, which may lie over it as well."""
    bare = pair.alpha < 1e-4
    bright = np.count_nonzero(np.max(pair.front, axis=0)[bare] > _BARE)
    # Beyond the CG's window there is neither coverage nor light, however tightly it was cropped.
    beyond = pair.frame.width * pair.frame.height - pair.alpha.size
    return bool(bright > _GLOWING * (np.count_nonzero(bare) + beyond))


def _lowest(light: Array, covered: npt.NDArray[np.bool_], level: float, grain: float) -> bool:
    """Whether nothing that is larger than grain is much darker than a level."""
    cells, whole = averaged(np.where(covered, light, 0), _CELL), averaged(covered.astype(np.float32), _CELL)
    inside = cells[whole == 1]
    return bool(inside.size and np.percentile(inside, 1) * _FLOOR >= level - 2 * grain / _CELL)


def _neutral(black: BlackLevel, limits: BlackLimits) -> bool:
    """Whether a level is neutral, as far as grain lets it be known."""
    unsure = _ERRORS * max(black.standard_error)
    return max(black.black) <= limits.tint * max(min(black.black), 0) + unsure


def _is_floor(
    light: Array, level: float, bright: float, grain: float, limits: BlackLimits, least: float = 1
) -> bool:
    """Whether a part of a picture lies at its darkest level, far below the rest.

    Args:
        light: pixels.
        level: the darkest level.
        bright: a level of the rest.
        grain: standard deviation of single pixels.
        limits: see `BlackLimits`.
        least: how many times the share of the limits the floor takes.
    """
    if level > limits.brightest or bright < max(level, 1e-6) * 2**limits.depth:
        return False
    # Half of a floor's pixels lie below its level, whatever the grain.
    share = np.mean(light[np.isfinite(light)] <= _FLOOR * max(level, 1e-6)) * (2 if grain > 0 else 1)
    return bool(share >= least * limits.floor)


def _parts(light: Array, level: float, grain: float) -> int:
    """How many parts of a picture that do not lie near each other have that level or less."""
    from scipy import ndimage

    cells = averaged(light, _CELL)
    low = cells <= _FLOOR * level + 2 * grain / _CELL
    labels, count = ndimage.label(ndimage.binary_dilation(low, np.ones((3, 3)), iterations=2), np.ones((3, 3)))
    sizes = np.bincount(labels[low], minlength=count + 1)[1:]
    return int(np.count_nonzero(sizes >= _PART))


def _seen(lowest: float, level: float, error: float, limits: BlackLimits) -> bool:
    apart = abs(code_value(max(lowest, 0)) - code_value(level)) >= limits.codes
    low, high = sorted((max(lowest, 0), level))
    return (
        apart
        and abs(lowest - level) > error
        and high >= low * 2 ** (limits.stops if lowest < level else limits.stops_above)
    )


def _place(mask: npt.NDArray[np.bool_], window: Window) -> Window | None:
    height, width = mask.shape
    found = largest_cluster(mask, Window.of_size(width, height), cell=8)
    if found is None:
        return None
    factor = _factor(window)
    big = Window(factor * found.x0, factor * found.y0, factor * found.x1, factor * found.y1)
    return big.shift(window.x0, window.y0) & window


def _finding(word: str, black: BlackLevel, own: BlackLevel, place: Window | None, limits: BlackLimits) -> Finding:
    level, lowest = _mean(black.black), _mean(own.black)
    codes = code_value(max(lowest, 0)) - code_value(level)
    stops = f"{np.log2(lowest / level):+.1f} stops" if lowest > 0 else "no light at all"
    lift = ", ".join(f"{a - b:+.5f}" for a, b in zip(black.black, own.black, strict=True))
    return Finding(
        check="black",
        sort=word,
        place=place,
        value=codes,
        limit=-limits.codes if word == "darker" else limits.codes,
        unit="code values",
        message=f"the CG's black is {word} than the plate's: {lowest:.5f} against {level:.5f} scene-linear, "
        f"{stops}, {codes:+.1f} of 255 code values of sRGB",
        cure=f"lift the CG by the difference (R G B {lift}), under its alpha: match_black does it"
        if word == "darker"
        else f"lift it less (R G B {lift}): perhaps it is lifted twice, or its render holds a haze",
        level="doubt",
    )


CHECK = PairCheck(
    name="black",
    limits=BlackLimits,
    find=find,
    summary="CG whose black lies below or above that of the plate.",
    cure="Lift the CG to the plate's black, under its alpha.",
    source="code values: sRGB, IEC 61966-2-1; the plate's black: stackcomp.measure.black; limits: common practice",
)
