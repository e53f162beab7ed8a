"""The loops of fast defocus: discs added up by their differences, layer by layer, and composited.

A tile of the result is made row by row. Each source adds the differences of its disc's row, times its light, to
a row of its layer; running sums along these rows are then what lands on each pixel, and are composited from the
nearest to the farthest layer. `disc_sources` says why these sums are exact.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from llvmlite import ir
from numba import types
from numba.core import cgutils

from stackcomp.kernels.compiled import Array, compiled
from stackcomp.kernels.disc_sources import Sources
from stackcomp.kernels.vector_code import FLOAT, VectorCode, intrinsic

__all__ = ["Tile", "scatter"]

_DOUBLE, _SHORT, _LONG = ir.DoubleType(), ir.IntType(16), ir.IntType(64)


class Tile(NamedTuple):
    """What has landed on each pixel of a tile, float64 but for `back` and `own`.

    Attributes:
        light: R, G, B and coverage ``(height, width, 4)``.
        full: coverage, and the share of views that show nothing.
        covering: weight of views with coverage.
        back: what is as far as the pixel itself or farther: R, G, B, coverage and weight, float32
            ``(height, width, 5)``.
        own: twice the rounded spread from which on that is so, int16 ``(height, width)``.
        sizes: weight of those at the end of their surface, and their radii and sides times that weight
            ``(height, width, 3)``.
    """

    light: Array
    full: Array
    covering: Array
    sizes: Array
    back: Array
    own: Array


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
                most = sources.reaches[n]
                if down < -most or down > most + 15:
                    break
                line = down - sources.downs[n] - top[disc]
                at = first[disc] + line
                if line < 0 or at >= first[disc + 1]:
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
        back, own = tile.back[row], tile.own[row]
        clear = np.zeros(width)
        for x in range(width):
            full[x] = covering[x] = 0
            for k in range(4):
                light[x, k] = 0
            for k in range(5):
                back[x, k] = 0
            for k in range(3):
                sizes[x, k] = 0
        for layer in range(count):
            if not touched[layer]:
                continue
            touched[layer] = False
            line = sums[layer * length * lanes : (layer + 1) * length * lanes]
            land = lands[layer] if lands.size else lands[:0].reshape(0, 4)
            if lanes == 4:
                _composite_four(line, start, plain, sources.steps[layer], land, light, full, covering, back, own)
            else:
                bare = sources.steps[layer] % 2 != 0
                _composite_eight(
                    line,
                    start,
                    bare,
                    sources.steps[layer],
                    land,
                    light,
                    full,
                    clear,
                    covering,
                    sizes,
                    back,
                    own,
                )
            for k in range(line.size):
                line[k] = 0
        flat = lands.reshape(-1)
        for k in range(flat.size):
            flat[k] = 0
        for x in range(width):
            full[x] = min(1.0, full[x] + clear[x])


@compiled
def _composite_four(
    line: Array,
    start: int,
    plain: bool,
    step: int,
    land: Array,
    light: Array,
    full: Array,
    covering: Array,
    back: Array,
    own: Array,
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
            if step >= own[x]:
                back[x, 0] += part * red
                back[x, 1] += part * green
                back[x, 2] += part * blue
                back[x, 3] += part * covers
                back[x, 4] += part * covers


@compiled
def _composite_eight(
    line: Array,
    start: int,
    bare: bool,
    step: int,
    land: Array,
    light: Array,
    full: Array,
    clear: Array,
    covering: Array,
    sizes: Array,
    back: Array,
    own: Array,
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
            if step >= own[x]:
                back[x, 0] += part * red
                back[x, 1] += part * green
                back[x, 2] += part * blue
                back[x, 3] += part * covers
                back[x, 4] += part * (covers if bare else w)
