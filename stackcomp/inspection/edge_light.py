"""Light along lines across the edges of a matte, beyond what premultiplied over explains.

Across an edge alpha ``a`` rises from 0 to that of the inside. With ``C`` the straight colour inside, carried on to
the edge, and ``G`` light beside the element (a glow), premultiplied colour is ``a C + G``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stackcomp.inspection.across_edges import REACH, Crossings, sampled
from stackcomp.inspection.pair import Array, Planes

__all__ = ["EdgeLight", "edge_light"]

Index = npt.NDArray[np.intp]

#: Alpha of the first pixel that counts as inside, as outside, and as empty, in parts of that inside.
_INSIDE, _OUTSIDE, _EMPTY = 0.96, 0.02, 0.002
#: By how much the colour may change from the inside to the edge: a light along the rim.
_MOST_CHANGE = 2.0
#: Places around the middle whose colour is compared with that of other coverage, in pixels.
_AROUND = 2


@dataclass(frozen=True, eq=False)
class EdgeLight:
    """What is measured along each line.

    Attributes:
        middle: light beyond ``a C + G`` in the middle of the edge, ``(3, lines)``; ``C`` is that colour of the
            first covered pixels, or of these carried on by its slope, which explains most.
        outside: likewise, at the first pixel outside.
        fade: light two pixels farther out than that.
        beside: as ``middle``, with the colour of pixels that lie deeper.
        glow: ``G`` in the middle, an estimate.
        inner: ``C`` in the middle.
        deeper: the colour two pixels deeper.
        deepest: likewise, four pixels deeper; NaN where there is not as much inside.
        behind: the backdrop in the middle.
        tint: straight colour around the middle, ``(places, lines)``, the mean of R, G and B.
        part: alpha at these places, in parts of that inside.
    """

    middle: Array
    outside: Array
    fade: Array
    beside: Array
    glow: Array
    inner: Array
    deeper: Array
    deepest: Array
    behind: Array
    tint: Array
    part: Array


def edge_light(cross: Crossings, front: Planes, behind: Planes) -> EdgeLight:
    """Measure light along lines.

    Args:
        cross: the lines.
        front: premultiplied CG.
        behind: the backdrop.

    Returns:
        Arrays of the number of lines; NaN and infinity where pixels are not finite.
    """
    each = np.arange(len(cross))
    last = 2 * REACH
    alpha, top = cross.alpha, cross.top
    light = np.stack([sampled(plane, cross.y, cross.x) for plane in front])

    def at(place: Index) -> Array:
        taken: Array = light[:, each, np.clip(place, 0, last)]
        return taken

    def cover(place: Index) -> Array:
        taken: Array = alpha[each, np.clip(place, 0, last)]
        return taken

    inside = REACH + np.argmax(alpha[:, REACH:] >= _INSIDE * top[:, None], axis=1)
    outwards = alpha[:, REACH::-1]
    outside = REACH - _first(outwards <= _OUTSIDE * top[:, None])
    empty = REACH - _first(outwards <= _EMPTY * top[:, None])
    middle = np.full_like(inside, REACH)
    with np.errstate(all="ignore"):
        # Farther out than a matte is ever off by mistake, what remains is a glow; it rises about evenly inwards.
        # Beside another part of the CG, what lies at the edge itself is taken for it.
        bare = cover(empty) <= _EMPTY * top
        alone = (cover(empty - 3) <= _EMPTY * top) & (cover(empty - 6) <= _EMPTY * top)
        near = np.where(alone, np.maximum(at(empty - 3), 0), np.where(bare, np.maximum(at(empty), 0), 0))
        rise = np.where(alone, np.maximum(near - np.maximum(at(empty - 6), 0), 0), 0) / 3

        def glow(place: Index) -> Array:
            carried: Array = near + rise * np.clip(place - empty + 3, 0, REACH)
            return carried

        def straight(place: Index) -> Array:
            own = at(place)
            taken: Array = (own - np.minimum(glow(place), np.maximum(own, 0))) / cover(place)
            return taken

        edge, deepest = straight(inside), straight(inside + 4)
        thick, thickest = (cover(inside + k) > 0.9 * top for k in (2, 4))
        deeper = np.where(thick, straight(inside + 2), edge)
        change = (edge - deeper) / 2

        def carried(place: Index) -> Array:
            moved: Array = np.clip(edge + change * (inside - place), edge / _MOST_CHANGE, edge * _MOST_CHANGE)
            return moved

        def beyond(place: Index, colour: Array) -> Array:
            left: Array = at(place) - glow(place) - cover(place) * colour
            return left

        # Of the colours that the edge may have, the nearest decides: so a highlight along a wire does not.
        colours = [carried(middle), edge]
        thin = np.stack([straight(inside + k) if k == 1 else deeper for k in (1, 2)])
        thin = np.where(~thickest & (cover(inside + 1) > 0.9 * top), thin, edge)
        above = beyond(middle, np.max([*colours, *thin], axis=0))
        below = beyond(middle, np.min([*colours, *thin], axis=0))
        places = middle + np.arange(-_AROUND, _AROUND + 1)[:, None]
        return EdgeLight(
            middle=np.maximum(above, 0) + np.minimum(below, 0),
            outside=beyond(outside, carried(outside)),
            fade=at(outside - 2),
            beside=beyond(middle, deeper),
            glow=glow(middle),
            inner=carried(middle),
            deeper=deeper,
            deepest=np.where(thick & thickest, deepest, np.nan),
            behind=np.stack([sampled(plane, cross.y[:, REACH], cross.x[:, REACH]) for plane in behind]),
            tint=np.stack([straight(place).mean(axis=0) for place in places]),
            part=np.stack([cover(place) / top for place in places]),
        )


def _first(mask: npt.NDArray[np.bool_]) -> Index:
    """Where each row is first set; the last place where it is not."""
    return np.asarray(np.where(mask.any(axis=1), mask.argmax(axis=1), mask.shape[1] - 1), np.intp)
