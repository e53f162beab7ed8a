"""Grain of the CG against that of the plate at the same level.

Both are measured in squares of pixels without detail (see `grain_level`), so that a texture is not taken for
grain:

- Texture only adds. CG that has less than the plate there has too little grain, whatever its texture.
- Grain lies over all of the CG. Only where nearly all its squares have more than the plate does it have too much.
- A plate whose squares differ much has no flat part, and nothing follows.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated

import numpy as np
import numpy.typing as npt
from pydantic import Field

from stackcomp.data.image import Image
from stackcomp.data.window import Window
from stackcomp.inspection.check import PairCheck
from stackcomp.inspection.finding import Finding
from stackcomp.inspection.grain_level import SIDE, Squares, flattest, grain_by_level, squares
from stackcomp.inspection.limits import Length, Limits, Share, Some
from stackcomp.inspection.pair import planes_of, shared
from stackcomp.inspection.places import largest_cluster

__all__ = ["CHECK", "GrainLimits", "find"]

#: Of the quotients of all squares of the CG, the percentile that says whether all of it has more grain.
_NEARLY_ALL = 15
#: How far that may lie below the quotient of the flattest: by chance alone the lowest have so much less.
_BY_CHANCE = 0.8
#: By how much the channels of one may be more correlated than those of the other, as long as both are grain.
_ALIKE = 0.1
#: What is weaker than that, in parts of the level, is rounding: half floats are up to 2^-10 of their value apart
#: (IEEE 754, binary16), a standard deviation of 2^-10 / sqrt(12). It is independent in each channel.
_ROUNDING = 5e-4


class GrainLimits(Limits):
    """Limits of `find`."""

    ratio: Annotated[
        float,
        Field(
            gt=1,
            allow_inf_nan=False,
            description="How many times the plate's standard deviation the CG may have, or the plate that of the "
            "CG; mean of the channels. Clean made pairs lie within 1.45; chosen on these, no source.",
        ),
    ] = 1.6
    channel: Annotated[
        float,
        Field(
            gt=1,
            allow_inf_nan=False,
            description="Likewise of the worst channel; clean made pairs lie within 1.65. Chosen on these, no "
            "source.",
        ),
    ] = 2.0
    visible: Annotated[
        Length,
        Field(
            description="Standard deviation of what is fine, in parts of the level, that can be seen; below that "
            "neither counts. Common practice, no source."
        ),
    ] = 0.006
    squares: Annotated[
        Some,
        Field(
            description="Squares of 8 × 8 pixels without detail that CG and each level of the plate must have. "
            "With 16 a standard deviation is known within about 5 %."
        ),
    ] = 16
    spread: Annotated[
        float,
        Field(
            gt=1,
            allow_inf_nan=False,
            description="Upper by lower quartile of the plate's squares of a level. Grain alone gives 1.2 to "
            "1.45, texture 1.8 and more on made plates; chosen on these, no source.",
        ),
    ] = 1.5
    covered: Annotated[
        Share,
        Field(description="Share of the CG's squares whose level the plate has too. Common practice, no source."),
    ] = 0.2


def find(source: Image, backdrop: Image, comp: Image | None, limits: GrainLimits) -> Iterator[Finding]:
    """Find CG with more or less grain than the plate.

    Args:
        source: premultiplied colour with A, scene-linear, float32.
        backdrop: colour, likewise; all of it inside the frame is the plate.
        comp: what is seen; over of the two when None.
        limits: see `GrainLimits`.
    """
    pair = shared(source, backdrop, comp)
    if pair is None:
        return
    front = squares(pair.front if pair.comp is None else pair.comp, pair.alpha)
    if front.rows.size < limits.squares:
        return
    plate = squares(planes_of(backdrop, backdrop.window & backdrop.display))
    measured = [_channel(front, plate, channel, limits) for channel in range(3)]
    if any(one is None for one in measured):
        return
    red, green, blue = (one for one in measured if one is not None)
    channels = (red, green, blue)
    if max(one.seen for one in channels) < limits.visible:
        return
    middle, most, everywhere, alike = (
        np.array([getattr(one, name) for one in channels]) for name in ("middle", "most", "everywhere", "alike")
    )
    chosen = np.unique(np.concatenate([one.flat for one in channels]))
    if _mean(most) < 1 / limits.ratio or most.min() < 1 / limits.channel:
        # Where the plate's channels are more alike than those of the CG, it is texture.
        if alike.max() < _ALIKE:
            place = _place(front, chosen, pair.window)
            yield _finding(middle, "less", int(most.argmin()), _mean(most) < 1 / limits.ratio, place, limits)
    elif _more(middle, everywhere, limits) and alike.min() > -_ALIKE:
        place = _place(front, chosen, pair.window)
        yield _finding(middle, "more", int(middle.argmax()), _mean(middle) > limits.ratio, place, limits)


@dataclass(frozen=True, eq=False)
class _Channel:
    """One channel of the CG against the plate's.

    Attributes:
        middle: how many times the plate's standard deviation the flattest squares have.
        most: likewise, of the lower quartile of the plate's squares.
        everywhere: likewise, what nearly all squares exceed.
        alike: how much more the plate's channels are correlated than those of the CG.
        seen: the larger of both deviations in parts of the level.
        flat: the squares that were compared.
    """

    middle: float
    most: float
    everywhere: float
    alike: float
    seen: float
    flat: npt.NDArray[np.intp]


def _channel(front: Squares, plate: Squares, channel: int, limits: GrainLimits) -> _Channel | None:
    """Compare one channel; None where there is too little to compare."""
    grain = grain_by_level(plate, channel, limits.squares, limits.spread)
    level, fine = front.level[channel], front.fine[channel]
    expected, least = grain.at(level, grain.deviation), grain.at(level, grain.low)
    known = np.isfinite(expected) & (least > 0)
    flat = np.concatenate([*flattest(front, channel, limits.squares // 2), np.zeros(0, np.intp)])
    flat = flat[known[flat]]
    if flat.size < limits.squares or known.mean() < limits.covered:
        return None
    seen = np.maximum(fine[flat], expected[flat]) / np.maximum(level[flat], 1e-4)
    # Rounding tells nothing about how much alike grain is.
    own = np.where(fine[flat] > _ROUNDING * level[flat], front.alike[flat], 1.0)
    alike = grain.at(level[flat], grain.alike) - own
    return _Channel(
        middle=float(np.median(fine[flat] / expected[flat])),
        most=float(np.median(fine[flat] / least[flat])),
        everywhere=float(np.percentile(fine[known] / expected[known], _NEARLY_ALL)),
        alike=float(np.median(alike)),
        seen=float(np.median(seen)),
        flat=flat,
    )


def _more(middle: npt.NDArray[np.float64], everywhere: npt.NDArray[np.float64], limits: GrainLimits) -> bool:
    overall = _mean(middle) > limits.ratio and _mean(everywhere) > _BY_CHANCE * limits.ratio
    worst = int(middle.argmax())
    return bool(overall or (middle[worst] > limits.channel and everywhere[worst] > _BY_CHANCE * limits.channel))


def _mean(quotients: npt.NDArray[np.float64]) -> float:
    """The geometric mean of the channels."""
    return float(np.exp(np.log(np.maximum(quotients, 1e-6)).mean()))


def _place(front: Squares, flat: npt.NDArray[np.intp], window: Window) -> Window | None:
    mask = np.zeros(window.shape, bool)
    for row, column in zip(front.rows[flat], front.columns[flat], strict=True):
        mask[row : row + SIDE, column : column + SIDE] = True
    return largest_cluster(mask, window)


def _finding(
    middle: npt.NDArray[np.float64],
    word: str,
    worst: int,
    overall: bool,
    place: Window | None,
    limits: GrainLimits,
) -> Finding:
    limit = limits.ratio if overall else limits.channel
    value = _mean(middle) if overall else float(middle[worst])
    by_channel = ", ".join(f"{name} {quotient:.2f}" for name, quotient in zip("RGB", middle, strict=True))
    return Finding(
        check="grain",
        sort=word,
        place=place,
        value=value,
        limit=1 / limit if word == "less" else limit,
        message=f"the CG has {word} grain than the plate at the same levels: {by_channel} times its standard "
        f"deviation, {_mean(middle):.2f} in the mean",
        cure="put the plate's grain on it, under its alpha, at the strength of the plate at that level"
        if word == "less"
        else "put less grain on it, or render it with more samples if the noise is the renderer's",
        level="doubt",
    )


CHECK = PairCheck(
    name="grain",
    limits=GrainLimits,
    find=find,
    summary="More or less grain on the CG than on the plate at the same level.",
    cure="Put the plate's grain on it, under its alpha.",
    source="noise of a square: J. Immerkær, Fast Noise Variance Estimation, 1996; the choice of squares is ours",
)
