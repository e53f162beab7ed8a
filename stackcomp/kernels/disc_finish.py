"""The last loops of fast defocus: a missing share is transparency, hidden background, or made up for."""

from __future__ import annotations

import numpy as np

from stackcomp.kernels.compiled import Array, compiled, inlined
from stackcomp.kernels.disc_gather import MORE, SEEN
from stackcomp.kernels.disc_scatter import Tile
from stackcomp.kernels.disc_sources import brightness, grained, slot_of
from stackcomp.kernels.disc_tables import SLOTS

__all__ = [
    "BLOCK",
    "CELLS",
    "LANES",
    "UNSEEN",
    "cell_sums",
    "farthest_in_blocks",
    "finish",
    "sizes_wanted",
    "without_transparency",
]

#: Radii from which hidden background is taken from cells of 4, 8, 16, … pixels a side, instead of pixels.
CELLS = (10.0, 24.0, 64.0, 160.0, 400.0)
#: What is added up of each cell, see `cell_sums`.
LANES = 7
#: Side of the blocks whose farthest pixel is known.
BLOCK = 16
# Radius in pixels within which pixels count beside the cells that they are in: cells alone make the background
# soft at once where it goes out of sight.
_CLOSE = 4.0
# Missing share that is nothing but rounding.
_NOTHING = 1e-6
#: One too small for the background behind it to be seen.
UNSEEN = 2e-3
# Highlights more than so many times as bright as what is around them hardly count for the background, since they
# would be seen again where they are not.
_USUAL = 2.0
# Missing share of the discs of a surface due to the pixel grid: not compensated near the end of the surface.
_GRID = 0.02


@inlined
def _key(tile: Tile, cells: Array, turns: bool, y: int, x: int) -> int:
    """Key of the mean disc that lands on a pixel from the ends of surfaces."""
    key = slot_of(tile.sizes[y, x, 1] * 64 / tile.sizes[y, x, 0])
    if tile.sizes[y, x, 2] > 0 or not turns:
        key += SLOTS
    if cells.size:
        key += 2 * SLOTS * cells[y, x]
    return key


@compiled
def sizes_wanted(tile: Tile, cells: Array, turns: bool, missing: Array, keys: int, clear: bool) -> Array:
    """Find what is missing at each pixel, and which discs tell how much of that is transparency.

    Args:
        tile: what has landed.
        cells: part of the field of each pixel of the tile; empty if all are alike.
        turns: whether discs in front of the focus differ from those behind it.
        missing: receives the missing shares.
        keys: how many keys there are.
        clear: whether there are pixels without coverage at all.

    Returns:
        bool, for each key.
    """
    result = np.zeros(keys, np.bool_)
    height, width = missing.shape
    for y in range(height):
        for x in range(width):
            lack = 1.0 - tile.full[y, x]
            if tile.covering[y, x] <= 0 or lack <= _NOTHING:
                # Light without coverage has no missing share.
                missing[y, x] = 0 if tile.covering[y, x] <= 0 else max(0.0, lack)
                continue
            missing[y, x] = lack
            if clear:
                result[_key(tile, cells, turns, y, x)] = True
    return result


@compiled
def without_transparency(
    tile: Tile, cells: Array, turns: bool, missing: Array, until: Array, before: tuple[int, int], found: Array,
        top: Array,
    first: Array, rows: Array, columns: Array, changes: Array, shares: Array,
) -> None:  # fmt: skip
    """Take from missing shares that which would land from clear pixels if the surface continued there.

    It is taken to continue with the mean radius of what lands from its end.

    Args:
        tile: what has landed.
        cells: part of the field of each pixel of the tile; empty if all are alike.
        turns: whether discs in front of the focus differ from those behind it.
        missing: missing shares, which are changed.
        until: number of clear pixels in the row before each pixel of the tile and its surroundings, int32.
        before: rows and columns of these surroundings.
        found: of `Discs`, as all that follows.
        top: see there.
        first: see there.
        rows: see there.
        columns: see there.
        changes: see there.
        shares: see there.
    """
    height, width = missing.shape
    for y in range(height):
        for x in range(width):
            lack = missing[y, x]
            if lack <= _NOTHING:
                continue
            disc = found[0, _key(tile, cells, turns, y, x)]
            empty = 0.0
            for line in range(first[disc + 1] - first[disc]):
                # The disc of a pixel that lies so many rows above.
                counts = until[y + before[0] - (line + top[disc])]
                for n in range(rows[first[disc] + line], rows[first[disc] + line + 1]):
                    empty += changes[n] * counts[x + before[1] + 1 - columns[n]]
            empty *= shares[disc]
            less = max(0.0, lack - empty)
            kept = min(1.0, max(0.0, less / _GRID - 1))
            missing[y, x] = less * (1 - min(1.0, empty / _GRID) * (1 - kept))


@compiled
def cell_sums(
    planes: tuple[Array, ...],
    slots: Array,
    spread: Array,
    largest: float,
    bounds: tuple[int, int, int, int],
    side: int,
    steps: Array,
) -> Array:
    """Add up, over cells of pixels, all that is as far as a step or farther.

    Args:
        planes: R, G, B and alpha.
        slots: rounded radii, 0 where there is no disc.
        spread: signed radii.
        largest: upper limit of radii.
        bounds: first row, row behind the last, first column and column behind the last, in the planes;
            multiples of the side apart.
        side: of cells, in pixels.
        steps: rounded spreads that occur, from the nearest.

    Returns:
        Coverage up to 1; R, G, B and coverage times a weight; that weight, which is coverage up to 1, but less for
        pixels far brighter than those beside them; and squared radius times weight. float32
        ``(rows, columns, steps + 1, LANES)``.
    """
    red, green, blue, alpha = planes
    y0, y1, x0, x1 = bounds
    result = np.zeros(((y1 - y0) // side, (x1 - x0) // side, steps.size + 1, LANES), np.float32)
    lowest = steps[0]
    number = np.zeros(steps[-1] - lowest + 1, np.int32)
    for k in range(steps.size):
        number[steps[k] - lowest] = k
    usual = np.empty((result.shape[1], 2))
    for row in range(result.shape[0]):
        # The mean brightness of each cell without its brightest pixel.
        for column in range(result.shape[1]):
            usual[column, 0] = usual[column, 1] = 0
        for y in range(y0 + row * side, y0 + (row + 1) * side):
            for x in range(x0, x1):
                bright, column = brightness(planes, y, x), (x - x0) // side
                usual[column, 0] += bright
                usual[column, 1] = max(usual[column, 1], bright)
        for column in range(result.shape[1]):
            usual[column, 0] = (usual[column, 0] - usual[column, 1]) / (side * side - 1)
        for y in range(y0 + row * side, y0 + (row + 1) * side):
            for x in range(x0, x1):
                covers = alpha[y, x]
                if covers > 0 and slots[y, x] != 0:
                    held = min(largest, max(-largest, float(spread[y, x])))
                    step = int(np.rint(held)) - lowest
                    if 0 <= step < number.size:
                        weight = min(np.float32(1), covers)
                        column = (x - x0) // side
                        some = result[row, column, number[step]]
                        some[0] += weight
                        bright = brightness(planes, y, x)
                        if bright > _USUAL * usual[column, 0]:
                            weight = np.float32(weight * _USUAL * usual[column, 0] / bright)
                        some[5] += weight
                        some[1] += weight * red[y, x]
                        some[2] += weight * green[y, x]
                        some[3] += weight * blue[y, x]
                        some[4] += weight * covers
                        some[6] += weight * np.float32(held * held)
        for column in range(result.shape[1]):
            here = result[row, column]
            for k in range(steps.size - 1, -1, -1):
                for lane in range(LANES):
                    here[k, lane] += here[k + 1, lane]
    return result


@inlined
def _behind_pixels(
    planes: tuple[Array, ...], slots: Array, spread: Array, largest: float, y: int, x: int, own: float,
    radius: float, usual: float, total: Array,
) -> float:  # fmt: skip
    """Add up what is farther than a pixel within its disc; returns the share of its disc that is in front of it.

    Weights are those of `stackcomp.kernels.defocus`, but pixels far brighter than ``usual`` count for less.
    """
    red, green, blue, alpha = planes
    room = radius + 0.5
    far = int(room)
    past = 0.0
    for dy in range(-far, far + 1):
        for dx in range(-far, far + 1):
            covers = float(alpha[y + dy, x + dx])
            square = float(dx * dx + dy * dy)
            if covers > 0 and slots[y + dy, x + dx] != 0 and square < room * room:
                held = min(largest, max(-largest, float(spread[y + dy, x + dx])))
                farther = min(1.0, held - own - 0.5) * min(1.0, covers)
                if farther > 0:
                    past += farther * min(1.0, room - np.sqrt(square))
                    bright = brightness(planes, y + dy, x + dx)
                    weight = farther / (square + held * held + 1.0) ** 2
                    if bright > _USUAL * usual:
                        weight *= _USUAL * usual / bright
                    total[0] += weight
                    total[1] += weight * red[y + dy, x + dx]
                    total[2] += weight * green[y + dy, x + dx]
                    total[3] += weight * blue[y + dy, x + dx]
                    total[4] += weight * covers
    return past / (np.pi * (radius * radius + 1 / 12))


@inlined
def _behind_cells(
    cells: Array, y0: int, x0: int, side: int, steps: Array, y: int, x: int, own: float, radius: float,
    total: Array, values: Array,
) -> float:  # fmt: skip
    """As `_behind_pixels`, from cells whose first pixel is at y0 and x0."""
    level = own + 1.5
    nearest = 0
    while nearest < steps.size and steps[nearest] < np.ceil(level):
        nearest += 1
    # Of the step before, a part is farther.
    part = 0.0
    if nearest > 0 and steps[nearest - 1] == np.ceil(level) - 1:
        part = np.ceil(level) - level
    half = 0.5 * (side - 1)
    rows_first, rows_last = int((y - y0 - radius) // side), int((y - y0 + radius) // side)
    columns_first, columns_last = int((x - x0 - radius) // side), int((x - x0 + radius) // side)
    past = 0.0
    for row in range(max(0, rows_first), min(cells.shape[0], rows_last + 1)):
        dy = y0 + row * side + half - y
        for column in range(max(0, columns_first), min(cells.shape[1], columns_last + 1)):
            here = cells[row, column]
            coverage = here[nearest, 0]
            if part > 0:
                coverage += part * (here[nearest - 1, 0] - here[nearest, 0])
            if coverage <= 0:
                continue
            dx = x0 + column * side + half - x
            square = dx * dx + dy * dy
            lies = min(1.0, max(0.0, (radius - np.sqrt(square)) / side + 0.5))
            if lies > 0:
                past += lies * coverage
                for lane in range(1, LANES):
                    values[lane] = here[nearest, lane]
                    if part > 0:
                        values[lane] += part * (here[nearest - 1, lane] - values[lane])
                if values[5] > 0:
                    weight = lies / (square + values[6] / values[5] + 1.0 + side * side / 6) ** 2
                    for lane in range(1, 6):
                        total[lane % 5] += weight * values[lane]
    return past / (np.pi * (radius * radius + 1 / 12))


@compiled
def farthest_in_blocks(
    alpha: Array, slots: Array, spread: Array, largest: float, bounds: tuple[int, ...]
) -> Array:
    """Find the farthest of what is covered in each block of `BLOCK` pixels, as signed radius.

    Args:
        alpha: coverage.
        slots: rounded radii, 0 where there is no disc.
        spread: signed radii.
        largest: upper limit of radii.
        bounds: first row, row behind the last, first column and column behind the last, in the planes.

    Returns:
        float32; minus infinity where nothing is covered.
    """
    y0, y1, x0, x1 = bounds
    result = np.full(((y1 - y0 + BLOCK - 1) // BLOCK, (x1 - x0 + BLOCK - 1) // BLOCK), np.float32(-np.inf))
    for y in range(y0, y1):
        for x in range(x0, x1):
            if alpha[y, x] > 0 and slots[y, x] != 0:
                row, column = (y - y0) // BLOCK, (x - x0) // BLOCK
                held = min(np.float32(largest), max(np.float32(-largest), spread[y, x]))
                result[row, column] = max(result[row, column], held)
    return result


@inlined
def _is_behind(farthest: Array, y: int, x: int, own: float, radius: float) -> bool:
    """Whether anything around a place, counted from the first block, may lie behind a pixel there."""
    if farthest.size == 0:
        return True
    far = int(radius) + 1
    for row in range(max(0, y - far) // BLOCK, min(farthest.shape[0] - 1, (y + far) // BLOCK) + 1):
        for column in range(max(0, x - far) // BLOCK, min(farthest.shape[1] - 1, (x + far) // BLOCK) + 1):
            if farthest[row, column] > own + 0.5:
                return True
    return False


@compiled
def finish(
    planes: tuple[Array, ...],
    slots: Array,
    spread: Array,
    largest: float,
    offset: tuple[int, int],
    tile: Tile,
    missing: Array,
    steps: Array,
    farthest: Array,
    corner: tuple[int, int],
    sides: Array,
    cells: tuple[Array, ...],
    places: Array,
    result: tuple[Array, ...],
    at: tuple[int, int],
) -> None:
    """Fill in hidden background, make up for what else is missing, and write the result.

    Args:
        planes: R, G, B and alpha.
        slots: rounded radii.
        spread: signed radii.
        largest: upper limit of radii.
        offset: of the tile's first pixel in the planes.
        tile: what has landed.
        missing: missing shares.
        steps: rounded spreads of what is covered, from the nearest.
        farthest: of `farthest_in_blocks`; empty if that is not known.
        corner: first pixel of these blocks in the planes.
        sides: sides of cells.
        cells: of `cell_sums`, for each of the sides.
        places: first pixel of the cells of each side in the planes.
        result: four planes.
        at: of the tile's first pixel in the result.
    """
    height, width = missing.shape
    total, values = np.zeros(5), np.zeros(LANES)
    for y in range(height):
        for x in range(width):
            lack = missing[y, x]
            light, back = tile.light[y, x], tile.back[y, x]
            py, px = y + offset[0], x + offset[1]
            filled = 0.0
            slot = slots[py, px]
            if lack > UNSEEN and abs(slot) > 16 and steps.size:
                own = min(largest, max(-largest, float(spread[py, px])))
                radius = abs(own)
                for k in range(5):
                    total[k] = 0
                past = 0.0
                row, column = py - corner[0], px - corner[1]
                by_cells = radius >= CELLS[0] and sides.size > 0
                close = min(radius, _CLOSE) if by_cells else radius
                n = 0
                while by_cells and n + 1 < sides.size and radius >= CELLS[n + 1]:
                    n += 1
                # Cells reach half their side beyond the disc, and count what is a little nearer, too.
                beyond, nearer = (float(sides[n]), 0.5) if by_cells else (0.0, 0.0)
                behind = _is_behind(farthest, row, column, own - nearer, radius + beyond)
                if behind and (not by_cells or _is_behind(farthest, row, column, own, close)):
                    usual = abs(light[0]) + abs(light[1]) + abs(light[2])
                    past = _behind_pixels(planes, slots, spread, largest, py, px, own, close, usual, total)
                if behind and by_cells:
                    cell = cells[n]
                    past = _behind_cells(
                        cell, places[n, 0], places[n, 1], sides[n], steps, py, px, own, radius, total, values
                    )
                filled = min(lack, past) if total[0] > 0 else 0.0
            whole = 1.0 - (lack - filled)
            # Transparency there is a part of what is behind.
            behind_it = back[4] + max(0.0, 1.0 - tile.full[y, x] - lack)
            more = min((lack - filled) / behind_it, MORE) if lack > filled and behind_it > SEEN else 0.0
            r, g, b, a = light[0], light[1], light[2], light[3]
            if filled > 0:
                part = filled / total[0]
                r += part * total[1]
                g += part * total[2]
                b += part * total[3]
                a += part * total[4]
            elif slot == 16 or slot == -16:
                # Light was rounded before it was added up; a pixel alone keeps its own.
                own_r, own_g, own_b, own_a = (
                    planes[0][py, px],
                    planes[1][py, px],
                    planes[2][py, px],
                    planes[3][py, px],
                )
                if r == grained(own_r) and g == grained(own_g) and b == grained(own_b) and a == grained(own_a):
                    r, g, b, a = own_r, own_g, own_b, own_a
            if lack > 0:
                r, g, b, a = r + more * back[0], g + more * back[1], b + more * back[2], a + more * back[3]
                whole += more * behind_it
                whole = 1 / whole if whole > 0 else 0.0
                r, g, b, a = r * whole, g * whole, b * whole, a * whole
            result[0][y + at[0], x + at[1]] = r
            result[1][y + at[0], x + at[1]] = g
            result[2][y + at[0], x + at[1]] = b
            result[3][y + at[0], x + at[1]] = a
