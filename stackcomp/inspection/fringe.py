"""A bright or dark line along the edge of a matte: light there that premultiplied over does not explain.

With ``a`` the alpha, ``C`` the straight colour inside, ``G`` a glow beside the element and ``B`` the backdrop,
over gives ``a C + G + (1 - a) B``. What a comp has beyond that is a fringe:

=======================================  ===========================================================
straight colour used as premultiplied    ``(1 - a) C``, bright
multiplied by alpha twice                ``-a (1 - a) C``, dark
matte smaller or larger than the colour  up to ``C`` beyond the edge, or missing within it
a colour behind it, left in              ``(1 - a) K``; multiplied after that, ``a (1 - a) (K - C)``
=======================================  ===========================================================

It is measured along lines across the edge. ``C`` is that of the first covered pixels, carried on by its slope, and
where alpha is low the colour must differ from that where it is high: a light along the rim of an object is no
fringe. Medians over stretches of the edge make grain and texture small.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated, Literal

import numpy as np
import numpy.typing as npt
from pydantic import Field

from stackcomp.data.image import Image
from stackcomp.data.window import Window
from stackcomp.inspection.across_edges import Crossings, crossings
from stackcomp.inspection.check import PairCheck
from stackcomp.inspection.edge_light import EdgeLight, edge_light
from stackcomp.inspection.finding import Finding
from stackcomp.inspection.limits import Length, Limits, Share
from stackcomp.inspection.pair import Array, Planes, Shared, shared

__all__ = ["CHECK", "FringeLimits", "Stretch", "find", "stretches"]

Kind = Literal["bright", "dark", "light outside", "dark line", ""]
Index = npt.NDArray[np.intp]

_CURES: dict[str, str] = {
    "bright": "see whether the CG is straight (multiply it by alpha before over), its matte is smaller than its "
    "colour, or the colour of what it was rendered or filmed against is still in its edge",
    "dark": "see whether it is multiplied by alpha twice, or its matte is larger than its colour",
    "light outside": "its matte is smaller than its colour: hold colour and alpha out with one matte, and shrink "
    "both or neither",
    "dark line": "its matte is larger than its colour: hold colour and alpha out with one matte, and grow both or "
    "neither",
}

_MOST_LINES = 6000
#: Side of the squares that divide the edge into stretches, in pixels, and fewest lines of a stretch.
_CELL, _FEWEST = 24, 6
#: Local contrast is at least that part of the brighter side: the eye sees a line between equal sides as well.
_LEAST_CONTRAST = 0.25
#: Stretches whose inside is darker than that part of the local contrast show no fringe.
_LIT = 0.2
#: Where less than that share of the edge is lit, the share that deviates counts as of so much.
_LEAST_LIT = 0.5
#: Alpha that counts as low and high, in parts of that inside; and how many times as bright the
#: colour is where it is low, at least and at most.
_LOW, _HIGH, _BRIGHTER, _DARKER = (0.06, 0.35), (0.55, 0.9), 1.45, 0.6
#: Share of the lines of a stretch that deviate to the same side.
_SAME = 0.75
#: A line beside a glow counts only as far as it exceeds that part of the glow, which is an estimate.
_GLOW = 0.5
#: Light outside that is a matter of the matte has faded that far two pixels farther out.
_FADED = 0.4
#: The colour of a dark line, in parts of that inside; and how flat the inside is.
_DARK, _FLAT = 0.35, 0.25


class FringeLimits(Limits):
    """Limits of `find`."""

    size: Annotated[
        Share,
        Field(
            description="Deviation in the middle of the edge, in parts of the local contrast (the difference "
            "between inside and backdrop, at least a quarter of the brighter). Clean made pairs reach 0.05, grain "
            "and texture aside; chosen on these, no source."
        ),
    ] = 0.12
    share: Annotated[
        Share,
        Field(
            description="Share of the edge that deviates to one side. 95 in 100 clean made pairs have less than "
            "0.03, most have 0; chosen on these, no source."
        ),
    ] = 0.35
    length: Annotated[
        Length,
        Field(
            description="Pixels of edge that deviate; with fewer a texture decides. Chosen on made pairs, no "
            "source."
        ),
    ] = 20
    strong: Annotated[
        Share,
        Field(
            description="Deviation from which on a single stretch counts, as where a holdout is off. Chosen on "
            "made pairs, no source."
        ),
    ] = 0.4
    stretch: Annotated[
        Length, Field(description="Pixels of edge of such a stretch. Chosen on made pairs, no source.")
    ] = 50


@dataclass(frozen=True)
class Stretch:
    """A stretch of an edge.

    Attributes:
        place: the square that it lies in, in pixels of the plane.
        lines: how many lines cross it.
        length: of the edge, in pixels.
        size: the deviation in parts of the local contrast, above 0 where bright; of the channel with the largest.
        kind: what it looks like; empty where nothing deviates.
        lit: whether the inside is bright enough beside the backdrop for a fringe to be seen.
    """

    place: Window
    lines: int
    length: float
    size: float
    kind: Kind
    lit: bool = True


def stretches(cross: Crossings, light: EdgeLight, least: float) -> list[Stretch]:
    """Stretches of the edge and what deviates there.

    Args:
        cross: lines across the edge.
        light: what was measured along them.
        least: deviations below that, in parts of the local contrast, are none.
    """
    side = max(_CELL, round(_CELL * cross.thinned / 3))
    # Edges of other directions in the same square, as the other side of a rope, are stretches of their own.
    down, across = cross.y[:, 1] - cross.y[:, 0], cross.x[:, 1] - cross.x[:, 0]
    towards = np.where(np.abs(down) > np.abs(across), 2 + (down > 0), across > 0)
    key = (cross.rows // side * (1 << 24) + cross.columns // side) * 4 + towards
    finite = np.isfinite(np.concatenate([light.middle, light.outside, light.beside, light.behind])).all(axis=0)
    order = np.argsort(key, kind="stable")
    order = order[finite[order]]
    groups = np.split(order, np.flatnonzero(np.diff(key[order])) + 1)
    found = []
    for group in groups:
        if group.size >= _FEWEST:
            x, y = int(cross.columns[group[0]]) // side * side, int(cross.rows[group[0]]) // side * side
            place = Window(x, y, x + side, y + side)
            length = float(cross.length[group].sum())
            found.append(Stretch(place, int(group.size), length, *_judged(light, group, least)))
    return found


def _judged(light: EdgeLight, group: Index, least: float) -> tuple[float, Kind, bool]:
    """The deviation of the lines of one stretch, its kind, and whether it is lit."""

    def median(values: Array) -> npt.NDArray[np.float64]:
        chosen = values[:, group]
        return np.asarray(np.median(chosen.astype(np.float64), axis=1))

    middle, outside, beside = median(light.middle), median(light.outside), median(light.beside)
    inner, deeper, behind = median(light.inner), median(light.deeper), median(light.behind)
    front, back = max(float(inner.mean()), float(deeper.mean())), float(behind.mean())
    scale = max(abs(front - back), _LEAST_CONTRAST * max(front, back))
    if not scale > 0:
        return 0.0, "", False
    lit = front > _LIT * scale
    spared = _GLOW * median(light.glow)
    k = int(np.argmax(np.abs(middle)))
    size = float(np.sign(middle[k]) * max(abs(middle[k]) - spared[k], 0) / scale)
    lean = light.middle[k, group] * np.sign(middle[k]) > 0
    if abs(size) >= least and float(lean.mean()) > _SAME:
        # A glow is rather underestimated, which makes low coverage look bright.
        glows = size < 0 and spared[k] > _GLOW * least * scale
        ratio = 0.0 if glows else _low_to_high(light, group)
        if ratio is None:
            # Along a row of pixels alpha is everywhere the same; then the inside must be even.
            differs = abs(size) > 2 * least and _even(light, group, k, deeper[k])
        else:
            differs = ratio > _BRIGHTER if size > 0 else ratio < _DARKER
        if differs:
            return size, "bright" if size > 0 else "dark", lit
    k = int(np.argmax(outside))
    beyond = float((outside[k] - spared[k]) / scale)
    if beyond >= least and median(light.fade)[k] < _FADED * outside[k]:
        return max(beyond, size), "light outside", lit
    k = int(np.argmin(beside))
    line = float((beside[k] + spared[k]) / scale)
    if line <= -least and inner.mean() < _DARK * deeper.mean() and _even(light, group, k, deeper[k]):
        return line, "dark line", lit
    return size, "", lit


def _even(light: EdgeLight, group: Index, channel: int, deeper: float) -> bool:
    """Whether there is enough inside, and of one level."""
    deepest = light.deepest[channel, group]
    known = deepest[np.isfinite(deepest)]
    return bool(known.size >= _FEWEST and deeper > 0 and abs(float(np.median(known)) / deeper - 1) < _FLAT)


def _low_to_high(light: EdgeLight, group: Index) -> float | None:
    """Straight colour where alpha is low over that where it is high; None where there is too little of either."""
    tint, part = light.tint[:, group], light.part[:, group]
    low, high = (tint[(part > least) & (part < most)] for least, most in (_LOW, _HIGH))
    if min(low.size, high.size) < _FEWEST:
        return None
    middle = float(np.median(high))
    return float(np.median(low)) / middle if middle > 0 else None


def find(source: Image, backdrop: Image, comp: Image | None, limits: FringeLimits) -> Iterator[Finding]:
    """Find a bright or dark line along the edge of CG.

    Args:
        source: premultiplied colour with A, scene-linear, float32.
        backdrop: colour, likewise, with a window of its own and the same frame.
        comp: what is seen; over of the two when None.
        limits: see `FringeLimits`.
    """
    pair = shared(source, backdrop, comp)
    if pair is None:
        return
    cross = crossings(pair.alpha, most=_MOST_LINES)
    if len(cross) < _FEWEST:
        return
    found = stretches(cross, edge_light(cross, _front(pair), pair.behind), limits.size)
    for kinds in (("bright", "light outside"), ("dark", "dark line")):
        yield from _along(found, kinds, pair.window, limits)


def _front(pair: Shared) -> Planes:
    """The CG as the comp shows it: what the comp has beyond the backdrop that is left."""
    if pair.comp is None:
        return pair.front
    planes = []
    for front, behind, comp in zip(pair.front, pair.behind, pair.comp, strict=True):
        with np.errstate(all="ignore"):
            seen: Array = comp - (1 - pair.alpha) * behind
            close = np.abs(seen - front) <= 1e-3 * (np.abs(comp) + np.abs(behind))
        planes.append(np.where(close, front, seen))
    red, green, blue = planes
    return red, green, blue


def _along(
    found: list[Stretch], kinds: tuple[Kind, Kind], window: Window, limits: FringeLimits
) -> Iterator[Finding]:
    bad = [stretch for stretch in found if stretch.kind in kinds]
    if not bad:
        return
    total, lit = _length(found), _length([stretch for stretch in found if stretch.lit])
    whole = _length(bad) >= max(limits.share * max(lit, _LEAST_LIT * total), limits.length)
    clusters = _clusters([stretch for stretch in bad if abs(stretch.size) >= limits.strong])
    longest = max(clusters, key=_length, default=[])
    if not whole and _length(longest) < limits.stretch:
        return
    shown = bad if whole else longest
    worst = max(shown, key=lambda stretch: abs(stretch.size) * min(stretch.lines, 2 * _FEWEST))
    kind = max(kinds, key=lambda one: _length([stretch for stretch in shown if stretch.kind == one]))
    length = _length(shown)
    word = "bright" if kinds[0] == "bright" else "dark"
    middle = float(np.median([abs(stretch.size) for stretch in shown for _ in range(stretch.lines)]))
    yield Finding(
        check="fringe",
        sort=word,
        place=worst.place.shift(window.x0, window.y0) & window,
        value=100 * middle,
        limit=100 * (limits.size if whole else limits.strong),
        unit="%",
        message=f"a {word} line along {100 * length / total:.0f} % of the matte's edge: {_percent(middle)} of the "
        f"local contrast, {_percent(abs(worst.size))} at the worst stretch",
        cure=_CURES[kind],
        level="doubt",
    )


def _percent(part: float) -> str:
    return f"{100 * part:.0f} %" if part < 10 else "more than 1000 %"


def _length(stretches: list[Stretch]) -> float:
    return sum(stretch.length for stretch in stretches)


def _clusters(stretches: list[Stretch]) -> list[list[Stretch]]:
    """Stretches whose squares touch."""
    left = list(stretches)
    clusters = []
    while left:
        cluster = [left.pop()]
        for one in cluster:
            near = [other for other in left if not (one.place.grow(1) & other.place).empty]
            cluster += near
            left = [other for other in left if other not in near]
        clusters.append(cluster)
    return clusters


CHECK = PairCheck(
    name="fringe",
    limits=FringeLimits,
    find=find,
    summary="A bright or dark line along the edge of the CG's matte.",
    cure="See whether the CG is straight, multiplied twice, or has a matte of another size than its colour.",
    source="over: Porter & Duff 1984; what is measured is ours",
)
