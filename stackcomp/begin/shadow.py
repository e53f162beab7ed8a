"""Whether a shadow pass is a ratio or coverage, by its values on a few frames.

A ratio is 1 where there is no shadow, and may be above 1 where the CG throws light. Coverage is 0 there, and never
above 1. Most of a frame has no shadow, so the value that most pixels have tells.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from stackcomp.begin.layers import Layer
from stackcomp.begin.samples import Samples
from stackcomp.data.image import Plane

__all__ = ["ShadowPass", "Style", "shadow_pass"]

Style = Literal["ratio", "coverage"]

#: How far from 0 or 1 a pixel may be and still count as that.
_NEAR = 0.02
#: The least share of pixels without shadow, and how much larger it is than the share of the other reading.
_LEAST, _TIMES = 0.2, 3.0


@dataclass(frozen=True)
class ShadowPass:
    """What a shadow pass is.

    Attributes:
        style: None where its values do not tell.
        channels: for a ratio R G B, for coverage R G B A: the plane of the result → a channel, or a number.
        reason: with the values seen, in words that go on from "since".
        coloured: coverage that has a colour of its own, which is added.
    """

    style: Style | None
    channels: dict[str, str | float]
    reason: str
    coloured: bool = False


def shadow_pass(layer: Layer, samples: Samples, told: Style | None = None) -> ShadowPass:
    """Tell what a layer is.

    Args:
        layer: the shadow pass.
        samples: of all of its channels.
        told: what the caller says that it is.
    """
    planes = layer.planes
    names = [planes[c] for c in "RGB"] if layer.has_colour else [planes.get("A") or layer.channels[0]]
    alpha = planes.get("A") if layer.has_colour else None
    if not samples.frames:
        return ShadowPass(told, _channels(told or "ratio", names, None), "no frame could be read")
    light = samples.stacked(names)
    if alpha is not None and (found := _black_with_alpha(light, samples.stacked([alpha]), told)):
        colour = found == "coloured"
        channels: dict[str, str | float] = {c: planes[c] if colour else 0.0 for c in "RGB"}
        reason = f"its alpha varies and its colour is {'dark' if colour else 'black'} on {samples.words}"
        return ShadowPass("coverage", {**channels, "A": alpha}, reason, colour)
    high = float(np.mean([(stack >= 1 - _NEAR).all(axis=0).mean() for stack in light]))
    low = float(np.mean([(stack <= _NEAR).all(axis=0).mean() for stack in light]))
    least, most = min(float(s.min()) for s in light), max(float(s.max()) for s in light)
    reason = (
        f"its values lie between {least:.3g} and {most:.3g} on {samples.words}, {_percent(high)} of the pixels "
        f"are at least {1 - _NEAR}, {_percent(low)} at most {_NEAR}"
    )
    style = told or _style(high, low, most)
    return ShadowPass(style, _channels(style or "ratio", names, light), reason)


def _style(high: float, low: float, most: float) -> Style | None:
    if high >= _LEAST and high > _TIMES * low:
        return "ratio"
    if low >= _LEAST and low > _TIMES * high and most <= 1 + _NEAR:
        return "coverage"
    return None


def _black_with_alpha(light: Sequence[Plane], alpha: Sequence[Plane], told: Style | None) -> str:
    """``black`` or ``coloured`` for a premultiplied shadow with alpha; empty for anything else."""
    if told == "ratio":
        return ""
    varies = any(float(plane.max()) > _NEAR and float(plane.min()) < 1 - _NEAR for plane in alpha)
    inside = all(bool((stack <= plane + _NEAR).all()) for stack, plane in zip(light, alpha, strict=True))
    empty = max(float(plane.max()) for plane in alpha) <= _NEAR
    black = all(float(np.abs(stack).max()) <= 1e-4 for stack in light)
    if not (varies and inside) and not (empty and black) and told is None:
        return ""
    if told is None and not black and not all(_is_dark(s, a) for s, a in zip(light, alpha, strict=True)):
        return ""
    return "black" if black else "coloured" if varies else ""


def _is_dark(stack: Plane, alpha: Plane) -> bool:
    """Whether the colour is much darker than its alpha: a shadow, and no matte beside its own copy."""
    covered = alpha[0] > _NEAR
    return not covered.any() or float(np.median(stack.max(axis=0)[covered] / alpha[0][covered])) < 0.5


def _channels(style: Style, names: Sequence[str], light: Sequence[Plane] | None) -> dict[str, str | float]:
    red, green, blue = names if len(names) == 3 else [names[0]] * 3
    if style == "ratio":
        return {"R": red, "G": green, "B": blue}
    return {"R": 0.0, "G": 0.0, "B": 0.0, "A": green}


def _percent(share: float) -> str:
    """A share in per cent; neither 0 nor 100 unless it is."""
    if 0 < share < 0.005:
        return "under 1 %"
    return f"{min(round(100 * share), 99 if share < 1 else 100)} %"
