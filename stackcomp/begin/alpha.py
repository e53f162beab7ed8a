"""Whether the colours of a CG render are premultiplied, by its edges.

Towards an edge alpha falls to 0. Premultiplied colour falls with it, straight colour stays as bright as it is
inside. So the slope of the colour's logarithm over that of alpha is about 1 in the one case and about 0 in
the other. The limits between are common practice, no source.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from stackcomp.begin.samples import Samples

__all__ = ["AlphaSeen", "alpha_seen"]

#: Limits of the ranges of alpha in which the median of the colour is taken.
_RANGES = (0.02, 0.1, 0.2, 0.35, 0.5, 0.65, 0.8, 0.98)
_LEAST_IN_RANGE, _LEAST_RANGES = 12, 3
_STRAIGHT, _PREMULTIPLIED = 0.3, 0.6
#: The largest share of the pixels under alpha 0 that have light, where straight colour is still certain.
_BARE = 1e-3


@dataclass(frozen=True)
class AlphaSeen:
    """What pixels tell.

    Attributes:
        state: ``"between"`` where colour falls less than alpha, ``"unclear"`` where edges say straight and light
            under alpha 0 says otherwise, ``"unseen"`` where there are no edges to judge by.
        reason: with the numbers seen.
    """

    state: Literal["premultiplied", "straight", "between", "unclear", "unseen"]
    reason: str


def alpha_seen(samples: Samples, colour: list[str], alpha: str) -> AlphaSeen:
    """Judge colour and alpha of a few frames.

    Args:
        samples: with these channels.
        colour: names of red, green and blue.
        alpha: name of alpha.
    """
    if not samples.frames:
        return AlphaSeen("unseen", "no frame could be read")
    brightest = np.concatenate([stack.max(axis=0).ravel() for stack in samples.stacked(colour)])
    covered = np.concatenate([stack.ravel() for stack in samples.stacked([alpha])])
    lit = brightest > 1e-6
    logs = []
    edge = 0
    for low, high in itertools.pairwise(_RANGES):
        inside = lit & (covered >= low) & (covered < high)
        count = int(np.count_nonzero(inside))
        edge += count
        if count >= _LEAST_IN_RANGE:
            level = float(np.median(brightest[inside]))
            logs.append((math.log(float(np.median(covered[inside]))), math.log(level)))
    if len(logs) < _LEAST_RANGES:
        return AlphaSeen("unseen", f"only {edge} pixels of edges on {samples.words}, too few to judge by")
    slope = float(np.polyfit([x for x, _ in logs], [y for _, y in logs], 1)[0])
    seen = f"over {edge} pixels of edges on {samples.words} colour "
    if slope >= _PREMULTIPLIED:
        return AlphaSeen("premultiplied", f"{seen}falls with alpha")
    bare = int(np.count_nonzero(lit & (covered == 0)))
    if slope <= _STRAIGHT and bare <= _BARE * max(int(np.count_nonzero(covered == 0)), 1):
        return AlphaSeen("straight", f"{seen}stays as bright as inside, whatever alpha is")
    if slope <= _STRAIGHT:
        reason = (
            f"{seen}stays bright, and {bare} pixels have light under alpha 0: straight colour, or flames and glows"
        )
        return AlphaSeen("unclear", reason)
    return AlphaSeen("between", f"{seen}falls less than alpha does")
