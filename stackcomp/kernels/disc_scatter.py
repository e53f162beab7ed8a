"""The loops of fast defocus: discs added up by their differences, layer by layer, and composited.

A tile of the result is made row by row. Each source adds the differences of its disc's row, times its light, to
a row of its layer; running sums along these rows are then what lands on each pixel, and are composited from the
nearest to the farthest layer.

**Sums are exact.** Lights are rounded to multiples of 2^-38 and differences to those of 2^-8, and are added in
float64. So a running sum over a bright disc returns to what was before, bit for bit, and a pixel does not
depend on where its tile begins, up to sums of 128. Beyond, sums are rounded to 1 part in 2^53. Lights that would
leave a trace in the dark even so, of more than `_DIRECT` after division by the sum of their disc, are added
pixel by pixel.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from llvmlite import ir
from numba import types
from numba.core import cgutils

from stackcomp.kernels.compiled import Array, compiled, inlined
from stackcomp.kernels.vector_code import FLOAT, VectorCode, intrinsic

__all__ = ["INNER", "Sources", "Tile", "collect", "largest_in_blocks", "scatter", "slot_of", "slots_of"]

#: Numbers of rounded radii, as in `disc_tables`.
_SLOTS = 1600
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
# Missing share that is nothing but rounding.
_NOTHING = 1e-6
_DOUBLE, _SHORT, _LONG = ir.DoubleType(), ir.IntType(16), ir.IntType(64)


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


class Tile(NamedTuple):
    """What has landed on each pixel of a tile, float64.

    Attributes:
        light: R, G, B and coverage ``(height, width, 4)``.
        full: coverage, and the share of views that show nothing.
        covering: weight of views with coverage.
        sizes: weight of those at the end of their surface, and their radii and sides times that weight
            ``(height, width, 3)``.
    """

    light: Array
    full: Array
    covering: Array
    sizes: Array


def _adding(lanes: int) -> Any:
    """A function that adds the differences of one row of a disc, times some lights, to a row."""
    lights_kind, sums_kind = ir.VectorType(FLOAT, lanes), ir.VectorType(_DOUBLE, lanes)

    @intrinsic
    def add(context, sums, at, columns, changes, first, last, lights, source):  # type: ignore[no-untyped-def]
        whole = types.int64
        signature = types.void(sums, whole, columns, changes, whole, whole, lights, whole)

        def write(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
            code = VectorCode(context, builder)
            _, at, _, _, first, last, _, source = arguments

            def data(number: int) -> Any:
                array = context.make_array(signature.args[number])
                return array(context, builder, arguments[number]).data

            start = builder.mul(source, code.whole(lanes))
            place = builder.gep(data(6), [start], source_etype=FLOAT)
            place = builder.bitcast(place, ir.PointerType(lights_kind))
            light = builder.fpext(builder.load(place, align=4, typ=lights_kind), sums_kind)
            sums, columns, changes = data(0), data(2), data(3)
            with cgutils.for_range_slice(builder, first, last, code.whole(1), _LONG) as (number, _):
                column = builder.gep(columns, [number], source_etype=_SHORT)
                column = builder.sext(builder.load(column, align=2, typ=_SHORT), _LONG)
                change = builder.gep(changes, [number], source_etype=FLOAT)
                change = builder.fpext(builder.load(change, align=4, typ=FLOAT), _DOUBLE)
                start = builder.mul(builder.add(at, column), code.whole(lanes))
                place = builder.gep(sums, [start], source_etype=_DOUBLE)
                place = builder.bitcast(place, ir.PointerType(sums_kind))
                before = builder.load(place, align=8, typ=sums_kind)
                added = builder.fmul(code.all_lanes(change, lanes), light)
                builder.store(builder.fadd(before, added), place, align=8)
            return context.get_dummy_value()

        return signature, write

    return add


_add_four, _add_eight = _adding(4), _adding(8)


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
    counts = np.zeros((2, _SLOTS), np.int64)
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
def _grained(value: float) -> float:
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
                key = slot + (_SLOTS if slots[y, x] > 0 or not turns else 0)
                if cells.size:
                    key += 2 * _SLOTS * cells[y, x]
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
            key = slot + (_SLOTS if slots[y, x] > 0 or not turns else 0)
            if cells.size:
                key += 2 * _SLOTS * cells[y, x]
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
                lights[to * lanes + lane] = _grained(row_lights[k, lane])
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


@compiled
def _add_bright(
    sources: Sources, y: int, lands: Array, top: Array, first: Array, rows: Array, columns: Array, changes: Array
) -> None:
    """Add lights that are too bright for running sums, in the order of pixels, to a row of each layer."""
    for n in range(sources.bright.shape[0]):
        disc = sources.bright[n, 2]
        row = y - sources.bright[n, 0] - top[disc]
        if row < 0 or row >= first[disc + 1] - first[disc]:
            continue
        line = lands[sources.bright[n, 3]]
        weight = 0.0
        start, end = rows[first[disc] + row], rows[first[disc] + row + 1]
        for e in range(start, end - 1):
            weight += changes[e]
            for x in range(sources.bright[n, 1] + columns[e], sources.bright[n, 1] + columns[e + 1]):
                for lane in range(4):
                    line[x, lane] += weight * sources.bright_lights[n, lane]


@compiled
def scatter(
    sources: Sources,
    top: Array,
    first: Array,
    rows: Array,
    columns: Array,
    changes: Array,
    lanes: int,
    plain: bool,
    before: int,
    start: int,
    length: int,
    farthest: int,
    tile: Tile,
) -> None:
    """Add up all discs on a tile, and composite their layers.

    Args:
        sources: of `collect`.
        top: of `Discs`, as the next four.
        first: see there.
        rows: see there.
        columns: see there.
        changes: see there.
        lanes: as for `collect`.
        plain: the result is the sum of discs, since all have one radius and there is no light without coverage.
        before: rows of sources above the tile.
        start: columns of sums before the tile.
        length: columns of sums in all.
        farthest: rows by which discs of single pixels extend up and down.
        tile: receives what lands.
    """
    height, width = tile.full.shape
    count = sources.steps.size
    sums = np.zeros(count * length * lanes)
    touched = np.zeros(count, np.bool_)
    lands = np.zeros((count if sources.bright.size else 0, length, 4))
    source_rows = sources.ends.size - 1
    for row in range(height):
        y = row + before
        for other in range(max(0, y - farthest - 15), min(source_rows, y + farthest + 1)):
            down = y - other
            for n in range(sources.ends[other], sources.ends[other + 1]):
                disc = sources.discs[n]
                up = -top[disc]
                line = down + up
                if line < 0 or down > up + 15:
                    break
                at = first[disc] + line
                if at >= first[disc + 1]:
                    continue
                begin, end = rows[at], rows[at + 1]
                layer = sources.layers[n]
                touched[layer] = True
                place = layer * length + sources.places[n]
                if lanes == 4:
                    _add_four(sums, place, columns, changes, begin, end, sources.lights, n)
                else:
                    _add_eight(sums, place, columns, changes, begin, end, sources.lights, n)
        if lands.size:
            _add_bright(sources, y, lands, top, first, rows, columns, changes)
        light, full, covering, sizes = tile.light[row], tile.full[row], tile.covering[row], tile.sizes[row]
        clear = np.zeros(width)
        for x in range(width):
            full[x] = covering[x] = 0
            for k in range(4):
                light[x, k] = 0
            for k in range(3):
                sizes[x, k] = 0
        for layer in range(count):
            if not touched[layer]:
                continue
            touched[layer] = False
            line = sums[layer * length * lanes : (layer + 1) * length * lanes]
            land = lands[layer] if lands.size else lands[:0].reshape(0, 4)
            if lanes == 4:
                _composite_four(line, start, plain, land, light, full, covering)
            else:
                bare = sources.steps[layer] % 2 != 0
                _composite_eight(line, start, bare, land, light, full, clear, covering, sizes)
            for k in range(line.size):
                line[k] = 0
        flat = lands.reshape(-1)
        for k in range(flat.size):
            flat[k] = 0
        for x in range(width):
            full[x] = min(1.0, full[x] + clear[x])


@compiled
def _composite_four(
    line: Array, start: int, plain: bool, land: Array, light: Array, full: Array, covering: Array
) -> None:
    """Put a layer of R, G, B and coverage under what is there: of opaque views, or as it is."""
    r = g = b = w = 0.0
    for k in range(start + full.size):
        at = 4 * k
        r += line[at]
        g += line[at + 1]
        b += line[at + 2]
        w += line[at + 3]
        x = k - start
        if x >= 0 and (plain or w > 0):
            red, green, blue, covers = r, g, b, w
            if land.size:
                red += land[k, 0]
                green += land[k, 1]
                blue += land[k, 2]
                covers += land[k, 3]
            part = 1.0 if plain else min(1.0, max(0.0, 1.0 - full[x]) / w)
            full[x] += part * covers
            covering[x] += w
            light[x, 0] += part * red
            light[x, 1] += part * green
            light[x, 2] += part * blue
            light[x, 3] += part * covers


@compiled
def _composite_eight(
    line: Array,
    start: int,
    bare: bool,
    land: Array,
    light: Array,
    full: Array,
    clear: Array,
    covering: Array,
    sizes: Array,
) -> None:
    """Put a layer under what is there."""
    r = g = b = a = w = first = second = side = 0.0
    for k in range(start + full.size):
        at = 8 * k
        r += line[at]
        g += line[at + 1]
        b += line[at + 2]
        a += line[at + 3]
        w += line[at + 4]
        first += line[at + 5]
        second += line[at + 6]
        side += line[at + 7]
        x = k - start
        if x >= 0 and w > 0:
            red, green, blue, covers = r, g, b, a
            if land.size:
                red += land[k, 0]
                green += land[k, 1]
                blue += land[k, 2]
                covers += land[k, 3]
            part = min(1.0, max(0.0, 1.0 - full[x]) / w)
            full[x] += part * covers
            if not bare:
                clear[x] += part * (w - covers)
                covering[x] += w
                sizes[x, 0] += first
                sizes[x, 1] += second
                sizes[x, 2] += side
            light[x, 0] += part * red
            light[x, 1] += part * green
            light[x, 2] += part * blue
            light[x, 3] += part * covers
