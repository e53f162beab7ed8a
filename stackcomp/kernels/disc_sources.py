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
from stackcomp.kernels.disc_slopes import STEEP
from stackcomp.kernels.disc_tables import SIDE_PART, SIDE_SLOTS, SLOTS

__all__ = [
    "INNER",
    "RING",
    "Sources",
    "brightness",
    "collect",
    "grained",
    "largest_in_blocks",
    "slot_of",
    "slots_of",
]

# Lights are multiples of one over this.
_GRAIN = 2.0**38
_DIRECT = 2.0**10
#: Pixels from a pixel to the ring around it.
RING = 4
#: Weight of the radius of a pixel that does not lie at the end of its surface.
INNER = 0.01
# Light of a pixel beyond the mean of its block, as a multiple of that mean and as brightness of a disc: the sum
# of three planes. Pixels below both are joined.
_CONTRAST, _FAINT = 1.0, 5e-4
# A pixel so many times as bright as the ring around it is a highlight.
_SINGLE = 6.0
# By how much at most side discs darken a disc. Discs of openings that are not round have another shape where they
# are small, and no sides below this radius of their narrow side.
_DARKEST, _NARROW = 0.98, 6.0
# Radii of a block differ by less than this, as a share of the radius.
_ALIKE = 1 / 32


class Sources(NamedTuple):
    """What spreads light into a tile, by rows; see `collect`."""

    ends: Array
    places: Array
    discs: Array
    downs: Array
    reaches: Array
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
def brightness(planes: tuple[Array, ...], y: int, x: int) -> float:
    """The sum of R, G and B of a pixel, each without its sign."""
    return abs(float(planes[0][y, x])) + abs(float(planes[1][y, x])) + abs(float(planes[2][y, x]))


@inlined
def grained(value: float) -> float:
    """Round light to what sums of it keep exactly."""
    return float(np.rint(np.float64(np.float32(value)) * _GRAIN) * (1 / _GRAIN))


@inlined
def _cut(value: float) -> float:
    """Cut light off towards 0, to what sums of it keep exactly."""
    return float(np.trunc(np.float64(np.float32(value)) * _GRAIN) * (1 / _GRAIN))


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
    alpha = planes[3]
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
            light = brightness(planes, j, i)
            total += light
            most = max(most, light)
    if smallest < least or widest - smallest > _ALIKE * smallest:
        return False
    mean = total / (side * side)
    return most - mean <= max(_CONTRAST * mean, _FAINT / share)


@inlined
def _light(planes: tuple[Array, ...], y: int, x: int) -> float:
    """Brightness of a pixel, or of the nearest one at the border."""
    return brightness(planes, min(max(y, 0), planes[0].shape[0] - 1), min(max(x, 0), planes[0].shape[1] - 1))


@inlined
def _is_highlight(planes: tuple[Array, ...], y: int, x: int) -> bool:
    """Whether a pixel is far brighter than the mean of a ring around it, and so a small bright thing."""
    ring = 0.0
    for k in range(-1, 2, 2):
        ring += _light(planes, y + k * RING, x) + _light(planes, y, x + k * RING)
        ring += _light(planes, y + k * RING, x + k * RING) + _light(planes, y + k * RING, x - k * RING)
    return bool(_light(planes, y, x) > _SINGLE * ring / 8)


@inlined
def _tilt(slopes: Array, moments: Array, room: float, y: int, x: int, held: float, places: Array) -> float:
    """Find the two side discs that make a disc brighter on one side and darker on the other.

    Added at one place and taken away at the opposite one, they move the middle of the light as far as if
    brightness changed evenly over the disc (`disc_slopes`).

    Args:
        slopes: of `disc_slopes`.
        moments: of the disc.
        room: how far out both may lie, as a part of where they would touch the rim of a round disc.
        y: row of the pixel.
        x: its column.
        held: its signed radius.
        places: rows and columns from the pixel to each of the two, ``(2, 2)``.

    Returns:
        Their share of the light; 0 if there is no slope.
    """
    down, across = slopes[0, y, x] / (STEEP * held), slopes[1, y, x] / (STEEP * held)
    to_down = moments[0] * down + moments[1] * across
    to_across = moments[1] * down + moments[2] * across
    length = np.sqrt(to_down * down + to_across * across)
    half, apart = 0.5 * (moments[0] + moments[2]), np.hypot(0.5 * (moments[0] - moments[2]), moments[1])
    if not length > 0 or ((room < 1 or apart > 0.01 * half) and 2 * np.sqrt(max(0.0, half - apart)) < _NARROW):
        return 0.0
    # Twice the root of the moment is the radius in that direction. What is taken away lies strictly within the
    # disc, so that no part of it becomes negative.
    out = 2 * (1 - SIDE_PART) * room / length
    places[0, 0], places[0, 1] = int(to_down * out), int(to_across * out)
    places[1, 0], places[1, 1] = -places[0, 0], -places[0, 1]
    if places[0, 0] == 0 and places[0, 1] == 0:
        # Of a disc of few pixels it is taken from the middle. That moves the light half as far, which was nearest
        # to traces.
        places[0, 0], places[0, 1] = int(np.rint(to_down * out)), int(np.rint(to_across * out))
    # Places are whole pixels: what is farther out counts for less.
    far = 2 * np.hypot(places[0, 0], places[0, 1])
    return float(np.hypot(to_down, to_across) / far) if far > 0 else 0.0


@compiled
def collect(
    planes: tuple[Array, ...],
    slots: Array,
    spread: Array,
    slopes: Array,
    cells: Array,
    ends: Array,
    largest: float,
    bounds: tuple[int, int, int, int],
    origin: tuple[int, int],
    levels: Array,
    found: Array,
    top: Array,
    shares: Array,
    moments: Array,
    room: float,
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
        slopes: of `disc_slopes`; empty if there are none.
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
        moments: of `Discs`.
        room: for side discs, see `_tilt`.
        turns: whether discs in front of the focus differ from those behind it.
        lanes: 4 for R, G, B and coverage, where all is opaque or of one radius; 8 for R, G, B, coverage, weight,
            weight of what lies at the end of its surface, and radius and side times that.
        left: column of the planes at which rows of sums begin.

    Returns:
        The end of each row among sources; place in a row, disc, rows by which it lies lower than its pixel, rows
        that it reaches at most, layer and lights of each source; lights that are
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
            if size[y, x] > 0:
                count += 1
                half = int(size[y, x]) // 2
                if slopes.size and (
                    slopes[0, y0 + y + half, x0 + x + half] != 0 or slopes[1, y0 + y + half, x0 + x + half] != 0
                ):
                    count += 2
    row_ends = np.zeros(height + 1, np.int64)
    places, discs = np.empty(count, np.int64), np.empty(count, np.int32)
    downs, reaches = np.empty(count, np.int16), np.empty(count, np.int16)
    layers, lights = np.empty(count, np.int32), np.empty(count * lanes, np.float32)
    # Before they are in order.
    row_places, row_discs = np.empty(3 * width, np.int32), np.empty(3 * width, np.int32)
    row_downs, row_reaches = np.empty(3 * width, np.int32), np.empty(3 * width, np.int32)
    row_steps, row_lights = np.empty(3 * width, np.int32), np.empty((3 * width, 8))
    row_sides, side_places = np.empty(3 * width, np.bool_), np.empty((2, 2), np.int64)
    most = int(np.rint(largest)) + 1
    there = np.zeros(4 * most + 4, np.bool_)
    by_reach = np.zeros(4 * most + 40 - 2 * (top.min() if top.size else 0), np.int32)
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
            row_downs[found_here], row_reaches[found_here], row_sides[found_here] = 0, -top[disc], False
            by_reach[by_reach.size - 1 + top[disc]] += 1
            found_here += 1
            if slopes.size == 0 or dazzling or not alpha[y, x] > 0:
                continue
            # Of a single bright disc the rims of side discs would show.
            if side == 1 and _is_highlight(planes, y, x):
                continue
            part = _tilt(slopes, moments[disc], room, y + side // 2, x + side // 2, held, side_places)
            if part <= 0:
                continue
            other = found[level, key - slot + SIDE_SLOTS[slot]]
            part = min(_DARKEST, part * shares[other] / share)
            for n_side in range(2):
                down, across = side_places[n_side, 0], side_places[n_side, 1]
                for k in range(8):
                    row_lights[found_here, k] = values[k] * part
                row_sides[found_here] = True
                part = -part
                row_places[found_here], row_discs[found_here] = x - left + across, other
                row_steps[found_here], row_downs[found_here] = step, down
                row_reaches[found_here] = abs(down) - top[other]
                by_reach[by_reach.size - 1 - row_reaches[found_here]] += 1
                found_here += 1
        # Those that reach farthest come first.
        start = 0
        for k in range(by_reach.size):
            some = by_reach[k]
            by_reach[k] = start
            start += some
        for k in range(found_here):
            bucket = by_reach.size - 1 - row_reaches[k]
            to = n + by_reach[bucket]
            by_reach[bucket] += 1
            places[to], discs[to], layers[to] = row_places[k], row_discs[k], row_steps[k]
            downs[to], reaches[to] = row_downs[k], row_reaches[k]
            for lane in range(lanes):
                light = row_lights[k, lane]
                # What is taken away is never more than what there is.
                lights[to * lanes + lane] = _cut(light) if row_sides[k] else grained(light)
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
        row_ends, places[:n], discs[:n], downs[:n], reaches[:n], layers[:n], lights[: n * lanes], bright[:brights],
        bright_lights[:brights], steps,
    )  # fmt: skip
