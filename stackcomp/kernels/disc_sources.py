"""What spreads light into a tile of fast defocus: pixels, and blocks of pixels that are alike, row by row.

**Sums are exact.** Lights are rounded to multiples of 2^-38 and differences of discs to those of 2^-8, and are
added in float64 (`disc_scatter`). So a running sum over a bright disc returns to what was before, bit for bit, and
a pixel does not depend on where its tile begins, up to sums of 128. Beyond, sums are rounded to 1 part in 2^53.
Lights that would leave a trace in the dark even so, of more than `_DIRECT` after division by the sum of their
disc, are kept apart, and added pixel by pixel.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from stackcomp.kernels.compiled import Array, compiled, inlined
from stackcomp.kernels.disc_tables import SLOTS

__all__ = ["INNER", "Sources", "collect", "grained", "largest_in_blocks", "slot_of", "slots_of"]

# Lights are multiples of one over this.
_GRAIN = 2.0**38
_DIRECT = 2.0**10
#: Weight of the radius of a pixel that does not lie at the end of its surface.
INNER = 0.01
# Light of a pixel beyond the mean of its block, as a multiple of that mean and as brightness of a disc: the sum
# of three planes. Pixels below both are joined.
_CONTRAST, _FAINT = 1.0, 5e-4
# Radii of a block differ by less than this, as a share of the radius.
_ALIKE = 1 / 32


class Sources(NamedTuple):
    """What spreads light into a tile, by rows; see `collect`."""

    ends: Array
    places: Array
    discs: Array
    layers: Array
    lights: Array
    bright: Array
    bright_lights: Array
    steps: Array


@inlined
def slot_of(radius: float) -> int:
    """Number of the rounded radius nearest to one, as in `aperture.RADII`."""
    if radius < 16:
        return int(max(radius, 0.5) * 32 + 0.5)
    if radius < 32:
        return 512 + int((radius - 16) * 16 + 0.5)
    if radius < 64:
        return 768 + int((radius - 32) * 8 + 0.5)
    if radius < 128:
        return 1024 + int((radius - 64) * 2 + 0.5)
    return 1152 + int((radius - 128) * 0.5 + 0.5)


@compiled
def slots_of(
    planes: tuple[Array, ...], spread: Array, largest: float, coarse: bool, result: Array, first: int, last: int
) -> Array:
    """Find the rounded radius of each pixel's disc.

    Args:
        planes: R, G, B and alpha, float32.
        spread: signed radii; NaN is unknown.
        largest: upper limit of radii.
        coarse: take only every eighth of the radii from 4 pixels on, every second below.
        result: int16: number of the radius, negative in front of the focus; 0 where there is no disc.
        first: first row.
        last: row behind the last.

    Returns:
        How often each occurs in front of the focus, and behind it, ``(2, numbers)``.
    """
    red, green, blue, alpha = planes
    counts = np.zeros((2, SLOTS), np.int64)
    most = slot_of(largest)
    for y in range(first, last):
        for x in range(spread.shape[1]):
            size = spread[y, x]
            slot = 0
            if (alpha[y, x] != 0 or red[y, x] != 0 or green[y, x] != 0 or blue[y, x] != 0) and not np.isnan(size):
                slot = slot_of(min(float(abs(size)), largest))
                if coarse:
                    by = 8 if slot >= 128 else 2
                    rounded = (slot + by // 2) // by * by
                    slot = rounded if rounded <= most else slot // by * by
                counts[1 if size > 0 else 0, slot] += 1
                if size <= 0:
                    slot = -slot
            result[y, x] = slot
    return counts


@compiled
def largest_in_blocks(slots: Array, side: int, result: Array, first: int, last: int) -> None:
    """Find the largest number of a radius in each block, rows ``first`` to ``last`` of blocks."""
    height, width = slots.shape
    for row in range(first, last):
        for column in range(result.shape[1]):
            result[row, column] = 0
        for y in range(row * side, min(height, (row + 1) * side)):
            for x in range(width):
                column = x // side
                result[row, column] = max(result[row, column], abs(slots[y, x]))


@inlined
def grained(value: float) -> float:
    """Round light to what sums of it keep exactly."""
    return float(np.rint(np.float64(np.float32(value)) * _GRAIN) * (1 / _GRAIN))


@compiled
def _joins(
    planes: tuple[Array, ...],
    slots: Array,
    spread: Array,
    cells: Array,
    largest: float,
    y: int,
    x: int,
    side: int,
    least: float,
    share: float,
) -> bool:
    """Whether the pixels of a block are alike enough to spread their light as one."""
    red, green, blue, alpha = planes
    front, covers = slots[y, x] < 0, alpha[y, x] > 0
    cell = cells[y, x] if cells.size else 0
    smallest, widest = np.inf, 0.0
    total = most = 0.0
    for j in range(y, y + side):
        for i in range(x, x + side):
            if slots[j, i] == 0 or (slots[j, i] < 0) != front or (alpha[j, i] > 0) != covers:
                return False
            if cells.size and cells[j, i] != cell:
                return False
            radius = min(largest, float(abs(spread[j, i])))
            smallest, widest = min(smallest, radius), max(widest, radius)
            light = float(abs(red[j, i])) + float(abs(green[j, i])) + float(abs(blue[j, i]))
            total += light
            most = max(most, light)
    if smallest < least or widest - smallest > _ALIKE * smallest:
        return False
    mean = total / (side * side)
    return most - mean <= max(_CONTRAST * mean, _FAINT / share)


@compiled
def collect(
    planes: tuple[Array, ...],
    slots: Array,
    spread: Array,
    cells: Array,
    ends: Array,
    largest: float,
    bounds: tuple[int, int, int, int],
    origin: tuple[int, int],
    levels: Array,
    found: Array,
    top: Array,
    shares: Array,
    turns: bool,
    lanes: int,
    left: int,
) -> Sources:
    """Find what spreads light into a tile: pixels, and blocks of pixels that are alike.

    Blocks lie at multiples of their side in the coordinates of the frame, so they do not depend on the tile.

    Args:
        planes: R, G, B and alpha.
        slots: of `slots_of`.
        spread: signed radii.
        cells: part of the field of each pixel; empty if all are alike.
        ends: whether each pixel within the bounds lies beside clear pixels; empty if there are none.
        largest: upper limit of radii.
        bounds: first row, row behind the last, first column and column behind the last of the pixels that are
            looked at, in the planes.
        origin: row and column of the frame's origin in the planes.
        levels: least radius of each size of blocks.
        found: of `Discs`.
        top: of `Discs`.
        shares: of `Discs`.
        turns: whether discs in front of the focus differ from those behind it.
        lanes: 4 for R, G, B and coverage, where all is opaque or of one radius; 8 for R, G, B, coverage, weight,
            weight of what lies at the end of its surface, and radius and side times that.
        left: column of the planes at which rows of sums begin.

    Returns:
        The end of each row among sources; place in a row, disc, layer and lights of each source; lights that are
        too bright: row, column, disc and layer, and R, G, B and coverage; the step of each layer, twice the
        rounded spread, and one more for light without coverage.
    """
    red, green, blue, alpha = planes
    y0, y1, x0, x1 = bounds
    height, width = y1 - y0, x1 - x0
    size = np.ones((height, width), np.uint8)
    for level in range(levels.size - 1, 0, -1):
        side = 1 << level
        if largest < levels[level]:
            continue
        top_y = y0 + (origin[0] - y0) % side
        left_x = x0 + (origin[1] - x0) % side
        for y in range(top_y, y1 - side + 1, side):
            for x in range(left_x, x1 - side + 1, side):
                if size[y - y0, x - x0] != 1 or min(abs(float(spread[y, x])), largest) < levels[level]:
                    continue
                slot = abs(slots[y, x])
                if slot == 0:
                    continue
                key = slot + (SLOTS if slots[y, x] > 0 or not turns else 0)
                if cells.size:
                    key += 2 * SLOTS * cells[y, x]
                share = shares[found[0, key]]
                if _joins(planes, slots, spread, cells, largest, y, x, side, levels[level], share):
                    for j in range(y - y0, y - y0 + side):
                        for i in range(x - x0, x - x0 + side):
                            size[j, i] = 0
                    size[y - y0, x - x0] = side
    count = 0
    for y in range(height):
        for x in range(width):
            count += 1 if size[y, x] > 0 else 0
    row_ends = np.zeros(height + 1, np.int64)
    places, discs = np.empty(count, np.int64), np.empty(count, np.int32)
    layers, lights = np.empty(count, np.int32), np.empty(count * lanes, np.float32)
    # Before they are in order.
    row_places, row_discs = np.empty(width, np.int32), np.empty(width, np.int32)
    row_steps, row_lights = np.empty(width, np.int32), np.empty((width, 8))
    most = int(np.rint(largest)) + 1
    there = np.zeros(4 * most + 4, np.bool_)
    by_reach = np.zeros(4 * most + 40, np.int32)
    bright = np.empty((16, 4), np.int32)
    bright_lights = np.empty((16, 4))
    brights = 0
    n = 0
    for y in range(y0, y1):
        found_here = 0
        for x in range(x0, x1):
            side = int(size[y - y0, x - x0])
            if side == 0 or slots[y, x] == 0:
                continue
            if side == 1:
                r, g, b, a = float(red[y, x]), float(green[y, x]), float(blue[y, x]), float(alpha[y, x])
                held = min(largest, max(-largest, float(spread[y, x])))
                slot = int(abs(slots[y, x]))
                level = 0
            else:
                r = g = b = a = held = 0.0
                for j in range(y, y + side):
                    for i in range(x, x + side):
                        r += red[j, i]
                        g += green[j, i]
                        b += blue[j, i]
                        a += alpha[j, i]
                        held += min(largest, max(-largest, float(spread[j, i])))
                part = 1.0 / (side * side)
                r, g, b, a, held = r * part, g * part, b * part, a * part, held * part
                slot = int(abs(slots[y + side // 2, x + side // 2]))
                level = 1
                while 1 << level < side:
                    level += 1
            key = slot + (SLOTS if slots[y, x] > 0 or not turns else 0)
            if cells.size:
                key += 2 * SLOTS * cells[y, x]
            disc = found[level, key]
            share = shares[disc]
            radius = abs(held)
            step = 2 * (int(np.rint(held)) + most) + (0 if alpha[y, x] > 0 else 1)
            there[step] = True
            values = row_lights[found_here]
            values[0], values[1], values[2], values[3] = r * share, g * share, b * share, a * share
            dazzling = False
            for k in range(4):
                dazzling = dazzling or not abs(values[k]) <= _DIRECT
            if dazzling:
                if brights == bright.shape[0]:
                    more, more_lights = np.empty((2 * brights, 4), np.int32), np.empty((2 * brights, 4))
                    for k in range(brights):
                        for i in range(4):
                            more[k, i], more_lights[k, i] = bright[k, i], bright_lights[k, i]
                    bright, bright_lights = more, more_lights
                bright[brights, 0], bright[brights, 1] = y - y0, x - left
                bright[brights, 2], bright[brights, 3] = disc, step
                for k in range(4):
                    if not abs(values[k]) <= _DIRECT:
                        bright_lights[brights, k] = values[k]
                        values[k] = 0.0
                    else:
                        bright_lights[brights, k] = 0.0
                brights += 1
            values[4] = share
            at_end = share * (1.0 if ends.size == 0 or ends[y - y0, x - x0] else INNER)
            values[5] = at_end
            values[6] = at_end * radius * (1 / 64)
            values[7] = at_end if held > 0 else -at_end
            row_places[found_here], row_discs[found_here], row_steps[found_here] = x - left, disc, step
            by_reach[by_reach.size - 1 + top[disc]] += 1
            found_here += 1
        # Those that reach farthest come first.
        start = 0
        for k in range(by_reach.size):
            some = by_reach[k]
            by_reach[k] = start
            start += some
        for k in range(found_here):
            bucket = by_reach.size - 1 + top[row_discs[k]]
            to = n + by_reach[bucket]
            by_reach[bucket] += 1
            places[to], discs[to], layers[to] = row_places[k], row_discs[k], row_steps[k]
            for lane in range(lanes):
                lights[to * lanes + lane] = grained(row_lights[k, lane])
        for k in range(by_reach.size):
            by_reach[k] = 0
        n += found_here
        row_ends[y - y0 + 1] = n
    number = np.zeros(there.size, np.int32)
    kinds = 0
    for k in range(there.size):
        number[k] = kinds
        kinds += 1 if there[k] else 0
    steps = np.empty(kinds, np.int64)
    for k in range(there.size):
        if there[k]:
            steps[number[k]] = k - 2 * most
    for k in range(n):
        layers[k] = number[layers[k]]
    for k in range(brights):
        bright[k, 3] = number[bright[k, 3]]
    return Sources(
        row_ends, places[:n], discs[:n], layers[:n], lights[: n * lanes], bright[:brights],
        bright_lights[:brights], steps,
    )  # fmt: skip
