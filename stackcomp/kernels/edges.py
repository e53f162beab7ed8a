"""Colour at edges: what is known of it, and how pushed colour is laid beside it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from stackcomp.kernels.compiled import Array, compiled
from stackcomp.kernels.strips import over_strips

__all__ = ["end", "extend", "weighted"]


def weighted(planes: Sequence[Array], matte: Array, alpha: Array) -> list[Array]:
    """Return premultiplied colour times how reliable it is; 0 where nothing is covered.

    Args:
        planes: premultiplied colour, float32 ``(height, width)`` each.
        matte: how reliable it is, 0 to 1, of the same shape, or one row ``(1, width)`` for all.
        alpha: its coverage, 0 to 1.
    """
    results = [np.empty_like(plane) for plane in planes]

    def rows(first: int, last: int) -> None:
        for plane, result in zip(planes, results, strict=True):
            _weigh(plane, matte, alpha, result, first, last)

    over_strips(rows, alpha.shape[0])
    return results


def extend(
    planes: Sequence[Array],
    full: Sequence[Array],
    alpha: Array,
    matte: Array,
    share: Array,
    *,
    kept: bool,
    bare: bool,
) -> None:
    """Turn full colour into premultiplied colour, in which it stands for what is not reliable.

    Args:
        planes: premultiplied colour, float32 ``(height, width)`` each.
        full: colour of full coverage: `weighted` colour, and pushed colour for the rest. Becomes the result.
        alpha: coverage of the colour, 0 to 1.
        matte: how reliable it is, 0 to 1, of the same shape, or one row ``(1, width)`` for all.
        share: how much of the pushed colour is used, 0 to 1; as ``matte``.
        kept: coverage stays, else it becomes full.
        bare: what stands under alpha 0 is light, and stays; else it is nothing.
    """

    def rows(first: int, last: int) -> None:
        for plane, result in zip(planes, full, strict=True):
            _extend(plane, alpha, matte, share, kept, bare, result, first, last)

    over_strips(rows, alpha.shape[0])


def end(share: Array, away: Array, distance: float, fade: float) -> None:
    """Let a share end at a distance.

    Args:
        share: float32 ``(height, width)``; is multiplied by 1 near, by 0 beyond the distance.
        away: distance of each pixel's centre to that of the last one that is known, of the same shape.
        distance: where the share ends, in pixels from the edge of that last one.
        fade: the last part of it, over which the share falls smoothly; below 1, the end is as soft as a pixel is
            wide.
    """
    numbers = np.float32(distance), np.float32(fade)
    over_strips(lambda first, last: _end(share, away, *numbers, first, last), share.shape[0])


@compiled
def _end(share: Array, away: Array, distance: np.float32, fade: np.float32, first: int, last: int) -> None:
    half, one, nothing = np.float32(0.5), np.float32(1), np.float32(0)
    middle, wide, smooth = distance - half * fade, max(fade, one), min(fade, one)
    for y in range(first, last):
        out, far = share[y], away[y]
        for x in range(out.size):
            # The edge lies half a pixel beyond the centre of the last pixel that is known.
            near = (middle - max(far[x] - half, nothing)) / wide + half
            near = min(max(near, nothing), one)
            rounded = near * near * (np.float32(3) - np.float32(2) * near)
            out[x] *= near + smooth * (rounded - near)


@compiled
def _weigh(plane: Array, matte: Array, alpha: Array, result: Array, first: int, last: int) -> None:
    nothing = np.float32(0)
    for y in range(first, last):
        light, share, cover, out = plane[y], matte[min(y, matte.shape[0] - 1)], alpha[y], result[y]
        for x in range(out.size):
            out[x] = light[x] * share[x] if cover[x] > 0 else nothing


@compiled
def _extend(
    plane: Array,
    alpha: Array,
    matte: Array,
    share: Array,
    kept: bool,
    bare: bool,
    full: Array,
    first: int,
    last: int,
) -> None:
    one, nothing = np.float32(1), np.float32(0)
    light_stays = one if bare else nothing
    for y in range(first, last):
        light, out, cover = plane[y], full[y], alpha[y]
        sure, used = matte[min(y, matte.shape[0] - 1)], share[min(y, share.shape[0] - 1)]
        for x in range(out.size):
            a, w, p = cover[x], sure[x], light[x]
            known = w * a
            rest = one - known
            own = p * w if a > 0 else nothing
            # Of the pushed colour as much as of the coverage is not reliable.
            part = (a * (one - w) / rest if known < 1 else nothing) if kept else one
            target = own + part * (out[x] - own)
            target += nothing if a > 0 else (p if kept else p * light_stays)
            mixed = (one - used[x]) * p + used[x] * target
            out[x] = mixed if known < 1 else p
