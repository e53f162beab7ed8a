"""Planes side by side, so that one vector holds several planes of several pixels."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from stackcomp.data.window import Window
from stackcomp.kernels.compiled import Array, compiled
from stackcomp.kernels.cubic_filter import BORDER, PLANES

__all__ = ["lay_over", "stacked", "unstack"]


def stacked(planes: Sequence[Array], window: Window, part: Window) -> list[Array]:
    """Return a part of some planes, four side by side in each array, with a border of nothing.

    Args:
        planes: float32, each of ``window.shape``.
        window: of the planes.
        part: of that window.

    Returns:
        for each four planes a float32 array ``(height + 2 BORDER, width + 2 BORDER, 4)``. Where there are
        fewer than four, the last one stands in for those that are not there.
    """
    stacks = []
    for first in range(0, len(planes), PLANES):
        some = _four(planes[first : first + PLANES])
        stack = np.empty((part.height + 2 * BORDER, part.width + 2 * BORDER, PLANES), np.float32)
        stack[:BORDER] = stack[-BORDER:] = 0
        stack[:, :BORDER] = stack[:, -BORDER:] = 0
        _interleave(*some, part.y0 - window.y0, part.x0 - window.x0, stack)
        stacks.append(stack)
    return stacks


def unstack(stack: Array, targets: Sequence[Array], top: int, left: int) -> None:
    """Write the planes of an array ``(height, width, 4)`` into one to four planes, from a row and a column on."""
    _separate(stack, *_four(targets), top, left, len(targets))


def lay_over(stack: Array, below: Sequence[Array], targets: Sequence[Array], top: int, left: int) -> None:
    """Lay the premultiplied planes of an array ``(height, width, 4)`` over planes, from a row and a column on."""
    for k, (plane, target) in enumerate(zip(below, targets, strict=True)):
        _lay_over(stack, k, plane, target, top, left)


@compiled
def _lay_over(stack: Array, plane: int, below: Array, target: Array, top: int, left: int) -> None:
    one = np.float32(1)
    for y in range(stack.shape[0]):
        for x in range(stack.shape[1]):
            target[y + top, x + left] = stack[y, x, plane] + below[y + top, x + left] * (one - stack[y, x, 3])


def _four(planes: Sequence[Array]) -> tuple[Array, Array, Array, Array]:
    """One to four planes as four: the last one again for those that are not there."""
    last = len(planes) - 1
    return planes[0], planes[min(1, last)], planes[min(2, last)], planes[min(3, last)]


@compiled
def _separate(
    stack: Array, first: Array, second: Array, third: Array, fourth: Array, top: int, left: int, count: int
) -> None:
    for y in range(stack.shape[0]):
        for x in range(stack.shape[1]):
            first[y + top, x + left] = stack[y, x, 0]
        if count > 1:
            for x in range(stack.shape[1]):
                second[y + top, x + left] = stack[y, x, 1]
        if count > 2:
            for x in range(stack.shape[1]):
                third[y + top, x + left] = stack[y, x, 2]
        if count > 3:
            for x in range(stack.shape[1]):
                fourth[y + top, x + left] = stack[y, x, 3]


@compiled
def _interleave(
    first: Array, second: Array, third: Array, fourth: Array, top: int, left: int, stack: Array
) -> None:
    width = stack.shape[1] - 2 * BORDER
    for y in range(stack.shape[0] - 2 * BORDER):
        for x in range(width):
            stack[y + BORDER, x + BORDER, 0] = first[y + top, x + left]
            stack[y + BORDER, x + BORDER, 1] = second[y + top, x + left]
            stack[y + BORDER, x + BORDER, 2] = third[y + top, x + left]
            stack[y + BORDER, x + BORDER, 3] = fourth[y + top, x + left]
