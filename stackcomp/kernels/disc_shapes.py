"""The loop of exact defocus for openings that are not round: every disc that covers a pixel, in float64."""

from __future__ import annotations

import numpy as np

from stackcomp.kernels.compiled import Array, compiled
from stackcomp.kernels.disc_scatter import Tile
from stackcomp.kernels.disc_sources import INNER

__all__ = ["gather_shapes"]


@compiled
def gather_shapes(
    planes: tuple[Array, ...],
    spread: Array,
    tilts: Array,
    numbers: Array,
    ends: Array,
    discs: tuple[Array, ...],
    largest: float,
    reach: int,
    at: tuple[int, int],
    tile: Tile,
) -> None:
    """Add up all discs on a tile, and composite them from the nearest to the farthest.

    Args:
        planes: R, G, B and alpha, float32.
        spread: signed radii.
        tilts: as for `disc_gather.gather`.
        numbers: number of the disc of each pixel, -1 without one.
        ends: whether each pixel lies beside clear pixels; empty if there are none.
        discs: of each number the place of its middle among the weights and half its side, and the weights.
        largest: upper limit of radii.
        reach: farthest that a disc extends.
        at: of the tile's first pixel in the planes.
        tile: receives what lands.
    """
    red, green, blue, alpha = planes
    middles, reaches, weights = discs
    height, width = tile.full.shape
    most = int(np.rint(largest)) + 1
    # Per step of spread two rows: those of views with coverage, then those of bare light.
    landed = np.zeros((4 * most + 4, 8))
    for row in range(height):
        for column in range(width):
            py, px = row + at[0], column + at[1]
            nearest, farthest = landed.shape[0], -1
            for y in range(py - reach, py + reach + 1):
                for x in range(px - reach, px + reach + 1):
                    number = numbers[y, x]
                    if number < 0:
                        continue
                    far = reaches[number]
                    if abs(py - y) > far or abs(px - x) > far:
                        continue
                    weight = weights[middles[number] + (py - y) * (2 * far + 1) + px - x]
                    weight *= max(0.0, 1.0 + (py - y) * tilts[0, y, x] + (px - x) * tilts[1, y, x])
                    if weight > 0:
                        held = min(largest, max(-largest, np.float64(spread[y, x])))
                        step = 2 * (int(np.rint(held)) + most) + (0 if alpha[y, x] > 0 else 1)
                        nearest, farthest = min(nearest, step), max(farthest, step)
                        land, size = landed[step], abs(held)
                        land[0] += weight * red[y, x]
                        land[1] += weight * green[y, x]
                        land[2] += weight * blue[y, x]
                        land[3] += weight * alpha[y, x]
                        land[4] += weight
                        if ends.size and not ends[y, x]:
                            weight *= INNER
                        land[5] += weight
                        land[6] += weight * size * (1 / 64)
                        land[7] += weight if held > 0 else -weight
            light, sizes = tile.light[row, column], tile.sizes[row, column]
            back, own = tile.back[row, column], tile.own[row, column] + 2 * most
            for k in range(4):
                light[k] = 0
            for k in range(5):
                back[k] = 0
            for k in range(3):
                sizes[k] = 0
            full = clear = covering = 0.0
            for step in range(nearest, farthest + 1):
                land = landed[step]
                if land[4] > 0:
                    part = min(1.0, max(0.0, 1.0 - full) / land[4])
                    full += part * land[3]
                    if step % 2 == 0:
                        covering += land[4]
                        clear += part * (land[4] - land[3])
                        for k in range(3):
                            sizes[k] += land[5 + k]
                    for k in range(4):
                        light[k] += part * land[k]
                        if step >= own:
                            back[k] += part * land[k]
                    if step >= own:
                        back[4] += part * land[3 if step % 2 else 4]
                    for k in range(8):
                        land[k] = 0
            tile.full[row, column] = min(1.0, full + clear)
            tile.covering[row, column] = covering
