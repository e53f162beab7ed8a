"""How much of each picture fits: a ladder from every bit to a rough picture, climbed within a limit of bytes.

A unit is what is packed together: three planes of colour, or one plane. Its rungs:

=====  ====================================================================================================
exact  every value, bit by bit
half   every value, rounded to a half float; the page says so wherever it shows one
grid   a viewing picture of every pixel (`stackcomp.review.proof_page.viewing`), and every bit of the values of
       each 2nd, 4th, 8th, 16th, 32nd or 64th pixel in both directions; on the last two, the viewing picture has
       a half and a quarter of the size
=====  ====================================================================================================

Ids are always exact: they cannot be rounded, and take next to nothing. What many nodes share is stored once.

Everything begins on the lowest rung. The final pictures (what nobody takes, and what deliver nodes take) then
climb as far as half of what is left allows. After that the others climb one rung after the other, all together,
those close to the end of the graph first. Sizes are estimated from strips of each plane; while the page is
written, a unit that turns out larger than its share steps down.

What was measured, on a node of 1920×1080 R G B float with strong camera grain (a standard deviation of 8 % at
18 % grey), in bytes of the file, which are 4/3 of the packed ones since a page is text:

==========================================  =======
exact                                       23.9 MB
half                                        10.8 MB
exact values of each 2nd pixel               6.0 MB
of each 4th, 8th, 16th                       1.5 MB, 0.38 MB, 0.10 MB
viewing picture, JPEG of quality 90          0.96 MB, 0.16 stops off in grain, 0.023 in means of 4×4 pixels
quality 80, 70, 50                           0.51 MB, 0.35 MB, 0.20 MB; means off by 0.036, 0.047, 0.067
JPEG with colour at half size, quality 80    0.30 MB; means off by 0.07, as full size at 0.20 MB
WebP (colour always at half size)            0.34 MB; means off by 0.06, as JPEG at 0.25 MB
AVIF of full colour                          0.38 MB; means off by 0.053, as JPEG at 0.3 MB, in 10 times the time
==========================================  =======

So 60 such nodes can not be kept as half in 40 MB. JPEG with colour at full size is best in what the eye keeps of
grain, and the quickest. Text in Latin-1 with escapes instead of base64 would save a quarter; any editor or mail
program would break such a page. To predict a node from the one that feeds it would help where little changes, but
every node before it would have to be unpacked to open one.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

__all__ = ["RUNGS", "Rung", "Unit", "climbed"]


@dataclass(frozen=True)
class Rung:
    """How a unit is kept.

    Attributes:
        name: ``exact``, ``half`` or ``grid``.
        step: distance of the pixels whose true values are kept.
        quality: of the viewing picture; 0 where there is none.
        shrink: by how much the viewing picture is smaller.
    """

    name: str
    step: int = 1
    quality: int = 0
    shrink: int = 1


#: From the best to the roughest.
RUNGS = (
    Rung("exact"),
    Rung("half"),
    Rung("grid", 2, 90),
    Rung("grid", 4, 86),
    Rung("grid", 8, 80),
    Rung("grid", 16, 70),
    Rung("grid", 32, 60, 2),
    Rung("grid", 64, 50, 4),
)
_FOR_FINAL = 0.5


@dataclass(frozen=True)
class Unit:
    """What is packed together.

    Attributes:
        key: tells equal units of different nodes apart from others.
        sizes: bytes in the page at each rung of `RUNGS`; None where it cannot be kept that way.
        final: whether it is of a final picture.
        place: how far along the graph it is; later ones climb first.
    """

    key: str
    sizes: tuple[int | None, ...]
    final: bool
    place: int


def climbed(units: Sequence[Unit], most: int) -> Mapping[str, int]:
    """The rung of each unit, as an index of `RUNGS`.

    Where not even the lowest rungs fit, everything is on them.
    """
    lowest = len(RUNGS) - 1
    at = {unit.key: _possible(unit, lowest) for unit in units}
    left = most - sum(_size(unit, at[unit.key]) for unit in units)
    order = sorted(units, key=lambda unit: (not unit.final, -unit.place))
    share = left * _FOR_FINAL
    for rung in range(lowest, -1, -1):
        for unit in order:
            cost = _cost(unit, at[unit.key], rung)
            if unit.final and cost is not None and cost <= share:
                at[unit.key], share, left = rung, share - cost, left - cost
    for rung in range(lowest, -1, -1):
        for unit in order:
            cost = _cost(unit, at[unit.key], rung)
            if cost is not None and cost <= left:
                at[unit.key], left = rung, left - cost
    return at


def _possible(unit: Unit, rung: int) -> int:
    """The nearest rung, from there upwards, that the unit can be kept on."""
    return next(k for k in range(rung, -1, -1) if unit.sizes[k] is not None)


def _size(unit: Unit, rung: int) -> int:
    size = unit.sizes[rung]
    return 0 if size is None else size


def _cost(unit: Unit, now: int, then: int) -> int | None:
    """What it costs to climb; None where it is there already, or cannot be kept that way."""
    size = unit.sizes[then]
    return None if then >= now or size is None else size - _size(unit, now)
