"""Whether colours are premultiplied or straight, by the picture's own soft edges, against what is declared.

Across a soft edge alpha falls from that of the inside towards 0. Premultiplied colour falls with it, to the light
that lies outside; straight colour stays that of the inside. Each of some thousand pixels of edges is compared with
the nearest neighbour of a clearly higher alpha (colour ``C``) and the light beside the edge (``G``, 0 where alpha
does not reach 0 nearby). With ``r`` the ratio of both alphas a pixel should have

    premultiplied   G + r (C - G)
    straight        C

and votes for what it is nearer to, on a scale of ratios. A pixel that fits neither (a shadow beside the object, a
flame in front of it) has no vote.

A photograph with a matte beside it cannot be told from a premultiplied object in front of light: at its edges,
too, colour goes from that of the object to what lies behind.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated

import numpy as np
import numpy.typing as npt
from pydantic import Field

from stackcomp.data.image import Image
from stackcomp.data.port_types import Colour
from stackcomp.data.window import Window
from stackcomp.inspection.check import PictureCheck
from stackcomp.inspection.finding import Finding
from stackcomp.inspection.limits import Count, Limits, Share
from stackcomp.inspection.places import largest_cluster

__all__ = ["CHECK", "AlphaStateLimits", "Votes", "find", "votes"]

Array = npt.NDArray[np.float32]
Places = tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]

_TO_STRAIGHT = (
    'say "alpha": "straight" at the read node, and multiply before over; or have it written premultiplied, which '
    "OpenEXR means"
)
_TO_PREMULTIPLIED = 'say "alpha": "premultiplied" at the read node, or have it written with straight alpha'

#: Alpha of the pixels that are asked, and how much more the neighbour has: so many times, and at least so much
#: more.
_SOFTEST, _HARDEST, _FAR_OUT = 0.03, 0.65, 0.3
_STEP, _LEAST_STEP = 1.5, 0.04
#: How far neighbours may lie, in pixels.
_REACH = 10
_MOST_ASKED = 4000
#: Slope of alpha at a pixel, in parts of that up to the neighbour; and its change there, in parts of alpha.
_LEAST_SLOPE, _LEAST_CHANGE = 0.4, 0.05
#: Pixels whose two predictions are nearer to each other than this part of the inside's colour are not asked.
_APART = 0.16
#: Alpha of an inside that covers.
_COVERING = 0.2
#: Of the inside of an edge: of light, and of display code values, of which 8 bits tell 255 apart and 1 is clipped.
_DARKEST, _DARKEST_CODE, _WHITE = 1e-4, 0.05, 0.985
#: The power of ``r`` that lies between premultiplied and straight. Light that was multiplied and then encoded
#: falls about as ``r`` to the power of 0.45 in code values.
_BETWEEN, _BETWEEN_CODES = 0.5, 0.35
#: The lowest level that still counts as premultiplied, as a power of ``r``.
_LOWEST = 1.5


class AlphaStateLimits(Limits):
    """Limits of `find`."""

    votes: Annotated[
        Count,
        Field(
            description="Votes that are needed: with fewer pixels of edges a texture decides. Chosen on made "
            "pictures, no source."
        ),
    ] = 30
    decided: Annotated[
        Share,
        Field(
            description="Share of the pixels of edges that must have a vote: with fewer, most of the picture fits "
            "neither state. Chosen on made pictures, no source."
        ),
    ] = 0.05
    straight: Annotated[
        Share,
        Field(
            description="Share of the votes from which on colour that is declared premultiplied looks straight. "
            "Made premultiplied pictures reached 0.3 (8 bits: 0.55), the open picture of a wine glass 0.68; "
            "straight ones have 0.92 and more (8 bits: 19 of 20 have 0.74). Chosen on these, no source."
        ),
    ] = 0.72
    premultiplied: Annotated[
        Share,
        Field(
            description="Share of the votes from which on colour that is declared straight looks premultiplied. "
            "Made straight pictures reached 0.6 (8 bits: 3 of 200 more than 0.75); of premultiplied ones 49 of 50 "
            "have 0.84 and more. Chosen on these, no source."
        ),
    ] = 0.8


@dataclass(frozen=True, eq=False)
class Votes:
    """How the pixels of edges voted.

    Attributes:
        straight: number of votes.
        premultiplied: likewise.
        undecided: pixels that fit neither.
        rows: of the voters, from the top of the data window.
        columns: likewise.
        voted_straight: which of the voters voted so.
    """

    straight: int
    premultiplied: int
    undecided: int
    rows: npt.NDArray[np.intp]
    columns: npt.NDArray[np.intp]
    voted_straight: npt.NDArray[np.bool_]

    @property
    def share_straight(self) -> float:
        """Share of the votes for straight, 0 to 1; 0.5 where nobody voted."""
        total = self.straight + self.premultiplied
        return self.straight / total if total else 0.5


def votes(
    colour: Array,
    alpha: Array,
    *,
    darkest: float = _DARKEST,
    brightest: float = np.inf,
    between: float = _BETWEEN,
) -> Votes:
    """Ask the pixels of soft edges.

    Args:
        colour: float32 ``(3, height, width)``, scene-linear or display-encoded.
        alpha: float32 ``(height, width)``.
        darkest: pixels whose inside is darker than that are not asked.
        brightest: pixels whose inside is brighter may be clipped; only those of low alpha are asked.
        between: the power of the ratio of alpha at which votes part: 1 is premultiplied, 0 straight.
    """
    rows, columns = _asked(alpha)
    none = Votes(0, 0, 0, rows[:0], columns[:0], np.zeros(0, bool))
    if not rows.size:
        return none
    reach = min(_REACH, *(side - 1 for side in alpha.shape)) if min(alpha.shape) > 1 else 0
    if not reach:
        return none
    offsets = np.arange(-reach, reach + 1)
    height, width = alpha.shape
    y = np.clip(rows[:, None, None] + offsets[None, :, None], 0, height - 1)
    x = np.clip(columns[:, None, None] + offsets[None, None, :], 0, width - 1)
    around = np.nan_to_num(alpha[y, x].reshape(rows.size, -1))
    distance = np.hypot(offsets[:, None], offsets[None, :]).astype(np.float32).ravel()
    side = offsets.size

    def at(flat: npt.NDArray[np.intp]) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
        return (
            np.clip(rows + offsets[flat // side], 0, height - 1),
            np.clip(columns + offsets[flat % side], 0, width - 1),
        )

    nothing = np.float32(np.inf)
    wanted = np.maximum(_STEP * alpha[rows, columns], alpha[rows, columns] + _LEAST_STEP)[:, None]
    to_inside = np.where(around >= wanted, distance, nothing)
    to_outside = np.where(around == 0, distance, nothing)
    each = np.arange(rows.size)
    nearest, beyond = np.argmin(to_inside, axis=1), np.argmin(to_outside, axis=1)
    far = to_inside[each, nearest]
    covered, free = np.isfinite(far), np.isfinite(to_outside[each, beyond])
    inner, beside = at(nearest), at(beyond)
    covered &= _on_the_slope(alpha, (rows, columns), inner, np.where(covered, far, np.float32(1)))

    own = colour[:, rows, columns]
    inside = colour[:, inner[0], inner[1]]
    outer = np.where(free, colour[:, beside[0], beside[1]], np.float32(0))
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        ratio = alpha[rows, columns] / alpha[inner]
        step = inside - outer
        gap = (1 - ratio) * np.sqrt((step * step).sum(axis=0))
        bright = np.sqrt((inside * inside).sum(axis=0))
        # How far up from the light outside to the inside's colour: ratio where premultiplied, 1 where straight.
        level = ((own - outer) * step).sum(axis=0) / (step * step).sum(axis=0)
        # Where the inside is clipped, multiplied light may be clipped as well; far out it is not.
        covered &= (inside.max(axis=0) < brightest) | (alpha[rows, columns] < _FAR_OUT)
        known = covered & (bright > darkest) & (gap > _APART * bright) & np.isfinite(level)
        # Where a covering inside has the colour of what lies outside, and what is between has it too, nothing was
        # multiplied. A glow outside would have to be much brighter than the inside.
        near = np.sqrt((step * step).sum(axis=0)) < _APART * bright
        unchanged = covered & free & (bright > darkest) & near & (alpha[inner] > _COVERING)
        unchanged &= np.sqrt(((own - inside) ** 2).sum(axis=0)) < _APART * bright
        middle = ratio**between
        straight = (known & (level > middle)) | unchanged
        premultiplied = known & (level <= middle) & (level > ratio**_LOWEST)
    voted = straight | premultiplied
    return Votes(
        int(np.count_nonzero(straight)),
        int(np.count_nonzero(premultiplied)),
        int(np.count_nonzero(~voted)),
        rows[voted],
        columns[voted],
        straight[voted],
    )


def _on_the_slope(alpha: Array, own: Places, inner: Places, far: Array) -> npt.NDArray[np.bool_]:
    """Whether alpha rises through a pixel; else the neighbour belongs to something else beside a flat area."""
    steps = [np.rint((there - here) / far).astype(np.intp) for here, there in zip(own, inner, strict=True)]

    def moved(sign: int) -> Array:
        places = (
            np.clip(here + sign * step, 0, side - 1)
            for here, step, side in zip(own, steps, alpha.shape, strict=True)
        )
        moved_alpha: Array = alpha[tuple(places)]
        return moved_alpha

    with np.errstate(invalid="ignore"):
        slope = (alpha[inner] - alpha[own]) / far
        towards, away = moved(1) - alpha[own], alpha[own] - moved(-1)
        return np.asarray((towards + away > 2 * _LEAST_SLOPE * slope) & (away > _LEAST_SLOPE * slope / 2))


def _asked(alpha: Array) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """Rows and columns of pixels of soft edges, at most `_MOST_ASKED`, spread evenly."""
    with np.errstate(invalid="ignore", over="ignore"):
        soft = (alpha > _SOFTEST) & (alpha < _HARDEST)
        if not soft.any():
            return np.zeros(0, np.intp), np.zeros(0, np.intp)
        rows, columns = np.nonzero(soft)
        height, width = alpha.shape
        left, right = np.maximum(columns - 1, 0), np.minimum(columns + 1, width - 1)
        above, below = np.maximum(rows - 1, 0), np.minimum(rows + 1, height - 1)
        change = np.abs(alpha[rows, right] - alpha[rows, left]) + np.abs(
            alpha[below, columns] - alpha[above, columns]
        )
        changes = change > _LEAST_CHANGE * alpha[rows, columns]
    rows, columns = rows[changes], columns[changes]
    if rows.size > _MOST_ASKED:
        chosen = (np.arange(_MOST_ASKED) * (rows.size / _MOST_ASKED)).astype(np.intp)
        rows, columns = rows[chosen], columns[chosen]
    return rows, columns


def find(image: Image, limits: AlphaStateLimits) -> Iterator[Finding]:
    """Find straight colour that is declared premultiplied, and the reverse.

    Args:
        image: colour with A, float32; its type declares the state. Log-encoded colour is not judged, since its
            numbers do not fall with alpha.
        limits: see `AlphaStateLimits`.
    """
    type = image.type
    if not isinstance(type, Colour) or type.alpha == "none" or type.encoding.family == "log":
        return
    colour = np.stack([image[name] for name in "RGB"])
    if type.encoding.linear:
        seen = votes(colour, image["A"])
    else:
        seen = votes(colour, image["A"], darkest=_DARKEST_CODE, brightest=_WHITE, between=_BETWEEN_CODES)
    total = seen.straight + seen.premultiplied
    against = seen.share_straight if type.alpha == "premultiplied" else 1 - seen.share_straight
    limit = limits.straight if type.alpha == "premultiplied" else limits.premultiplied
    asked = total + seen.undecided
    if total < max(limits.votes, limits.decided * asked) or against < limit:
        return
    mask = np.zeros(image.window.shape, bool)
    contrary = seen.voted_straight == (type.alpha == "premultiplied")
    mask[seen.rows[contrary], seen.columns[contrary]] = True
    place = largest_cluster(mask, image.window)
    yield from _found(type.alpha, against, total, limit, place)


def _found(declared: str, against: float, total: int, limit: float, place: Window | None) -> Iterator[Finding]:
    premultiplied = declared == "premultiplied"
    colour = "does not fall with alpha" if premultiplied else "falls with alpha"
    state = "straight" if premultiplied else "premultiplied"
    yield Finding(
        check="alpha_state",
        sort=state,
        place=place,
        value=100 * against,
        limit=100 * limit,
        unit="%",
        message=f"it looks {state}, but is declared {declared}: colour {colour} in {100 * against:.0f} % of "
        f"{total} pixels of soft edges",
        cure=_TO_STRAIGHT if premultiplied else _TO_PREMULTIPLIED,
        level="doubt",
    )


CHECK = PictureCheck(
    name="alpha_state",
    limits=AlphaStateLimits,
    find=find,
    summary="Straight colour in a picture that is declared premultiplied, and the reverse.",
    cure="Say the true state at the read node, or have the file written again.",
    source="Porter & Duff 1984; OpenEXR, Technical Introduction: colour is premultiplied; the votes are ours",
)
