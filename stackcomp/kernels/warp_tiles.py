"""Warping in tiles: each tile of a target is made from its part of the source; see `stackcomp.kernels.warp`."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import numpy as np

from stackcomp.data.window import Window
from stackcomp.kernels.compiled import Array, plane_of
from stackcomp.kernels.cubic_filter import PLANES, filtered
from stackcomp.kernels.stack import stacked, unstack
from stackcomp.kernels.strips import over_strips

__all__ = ["in_tiles", "prepared", "put_planes", "tiles_of"]

# Size in pixels of the tiles of a target.
_TILE = 128
# Pixels of a tile's part of the source beyond which it is taken from a stack of the whole.
_LARGE = 16 * 256 * 256


def prepared(
    planes: Sequence[Array], source_window: Window, target_window: Window
) -> tuple[list[Array], list[Array]]:
    """The planes as kernels want them, and planes of nothing for the result."""
    for plane in planes:
        if plane.shape != source_window.shape:
            raise ValueError(f"a plane is {plane.shape}, but its window is {source_window.shape}")
    return [plane_of(plane) for plane in planes], [np.zeros(target_window.shape, np.float32) for _ in planes]


def in_tiles(
    source: Sequence[Array],
    source_window: Window,
    tiles: Sequence[Window],
    parts: Sequence[Window],
    lay_out: Callable[[Window, Window, Array, Array], None],
    put: Callable[[Window, Sequence[Array]], None],
) -> None:
    """Compute tile by tile; ``lay_out`` writes the places and steps of a tile within its part of the source.

    Tiles that need nothing of the source are 0.
    """
    # Stacked tile by tile, which takes little memory; once as a whole at a horizon and for a very small picture,
    # where each tile reads much of the source.
    whole = stacked(source, source_window, source_window) if any(map(_is_large, parts)) else None

    def compute(first: int, last: int) -> None:
        for tile, part in zip(tiles[first:last], parts[first:last], strict=True):
            if part.empty:
                put(tile, [np.zeros((*tile.shape, PLANES), np.float32)] * -(-len(source) // PLANES))
                continue
            large = whole is not None and _is_large(part)
            stacks = whole if whole is not None and large else stacked(source, source_window, part)
            places, steps = np.empty((2, *tile.shape)), np.empty((4, *tile.shape), np.float32)
            lay_out(tile, source_window if large else part, places, steps)
            put(tile, [filtered(stack, places, steps) for stack in stacks])

    over_strips(compute, len(tiles), least=1)


def tiles_of(window: Window) -> Iterator[Window]:
    """Yield the tiles of a window, row by row."""
    for y in range(window.y0, window.y1, _TILE):
        for x in range(window.x0, window.x1, _TILE):
            yield Window(x, y, min(x + _TILE, window.x1), min(y + _TILE, window.y1))


def _is_large(part: Window) -> bool:
    return part.width * part.height > _LARGE


def put_planes(tile: Window, warped: Sequence[Array], results: Sequence[Array], window: Window) -> None:
    """Write the planes of a tile, which lie four side by side, into those of a window."""
    there = tile.slices_in(window)
    for k, several in enumerate(warped):
        unstack(several, results[k * PLANES : (k + 1) * PLANES], there[0].start, there[1].start)
