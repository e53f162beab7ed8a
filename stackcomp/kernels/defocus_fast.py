"""Fast defocus: what `defocus` gathers pixel by pixel, added up by the rims of discs.

Views, layers, shares and transparency are those of `defocus`, which is the reference. What differs:

- discs are added up by the differences along their rows (`disc_tables`, `disc_scatter`), in a time that is linear
  in the radius;
- pixels with discs of 6 pixels and more that lie beside each other and are alike are joined to blocks, up to
  16 pixels a side where discs have 384; a highlight among darker pixels stays alone;
- radii past 16 pixels are rounded a little more;
- on a slope a disc is made brighter on one side, and darker on the other, by a smaller disc that is added and one
  that is taken away; discs of highlights, and all where the opening has a cat's eye, stay even;
- what a surface would send from clear pixels is estimated from the mean radius of what lands from its end, where
  the exact method fits a plane or follows each edge;
- hidden background behind discs of 10 pixels and more is taken from cells of pixels, sorted by their distance.
"""

from __future__ import annotations

import functools
from collections.abc import Sequence

import numpy as np

from stackcomp.kernels.aperture import RADII, ROUND, Aperture
from stackcomp.kernels.compiled import Array, plane_of
from stackcomp.kernels.disc_convolve import BRIGHTEST, disc_rims, spread_evenly
from stackcomp.kernels.disc_finish import (
    CELLS,
    LANES,
    UNSEEN,
    cell_sums,
    farthest_in_blocks,
    finish,
    sizes_wanted,
    without_transparency,
)
from stackcomp.kernels.disc_scatter import Tile, scatter
from stackcomp.kernels.disc_shapes import gather_shapes
from stackcomp.kernels.disc_slopes import STEEP, slopes_of
from stackcomp.kernels.disc_sources import RING, collect, largest_in_blocks, slots_of
from stackcomp.kernels.disc_tables import (
    LEVELS,
    SLOTS,
    Discs,
    dense_discs,
    discs_for,
    mask_of,
    side_room,
    with_side_discs,
)
from stackcomp.kernels.strips import over_strips

__all__ = ["defocus_fast", "fast_margin", "fast_reach"]

# Rows of a tile for small and for large radii, its columns, and sides of the blocks whose largest radius is known.
_LOW, _HIGH, _WIDTH, _BLOCK = 48, 128, 512, 32
# Pixels that lie so near to clear ones are the ends of surfaces.
_BESIDE = 2
# Number of the radius of half a pixel, up to which a disc is the pixel itself.
_SHARP = 16


def fast_reach(largest: float, aperture: Aperture = ROUND) -> int:
    """Return the number of pixels by which discs extend beyond their centres, at most.

    Args:
        largest: largest radius in pixels.
        aperture: the opening.
    """
    return aperture.reach(float(RADII[np.searchsorted(RADII, largest)]))


def fast_margin(largest: float, aperture: Aperture = ROUND) -> int:
    """Return the number of pixels that `defocus_fast` reads beyond its result on each side.

    Args:
        largest: largest radius in pixels.
        aperture: the opening.
    """
    if largest <= 0.5:
        return 0
    side = max(_side_of(largest), _cell_of(largest))
    # By some more, slopes and highlights are known.
    return fast_reach(largest, aperture) + side + RING


def _side_of(radius: float) -> int:
    """The largest side of blocks of pixels with that radius."""
    return 1 << (int(np.searchsorted(LEVELS, radius, side="right")) - 1)


def _cell_of(radius: float) -> int:
    """The side of cells for discs of that radius."""
    return 2 << int(np.searchsorted(CELLS, radius, side="right"))


class _Work:
    """One picture to be defocused."""

    def __init__(
        self, planes: tuple[Array, Array, Array, Array], spread: Array, largest: float, around: int,
        origin: tuple[int, int], aperture: Aperture, field: tuple[Array, Array] | None, exact: bool,
    ) -> None:  # fmt: skip
        self.planes, self.spread, self.largest, self.around = planes, spread, largest, around
        self.origin, self.aperture, self.field, self.exact = origin, aperture, field, exact
        height, width = planes[0].shape
        self.shape = height - 2 * around, width - 2 * around
        # What surrounds a tile is looked at again, so large radii want large tiles.
        self.rows = _LOW if largest <= 4 else _HIGH
        self.slots = np.empty((height, width), np.int16)
        found: list[Array] = []
        coarse = aperture.cells > 1
        over_strips(
            lambda *rows: found.append(slots_of(planes, spread, largest, coarse, self.slots, *rows)), height
        )
        counts = np.sum(found, axis=0) if found else np.zeros((2, SLOTS), np.int64)
        self.turns = aperture.turns
        if not self.turns:
            counts = np.stack([np.zeros(SLOTS, np.int64), counts.sum(axis=0)])
        # Then all have the same disc, and there is no order.
        self.even = bool(spread.size and np.all(spread == spread[0, 0]))
        self.levels = np.array(LEVELS[:1] if self.even else LEVELS)
        self.keys = np.flatnonzero(counts.ravel())
        # By number of a radius, whether there are slopes. A cat's eye has no room for side discs on its cut side.
        self.sloping, self.slopes = np.zeros(SLOTS, np.bool_), np.zeros((2, 0, 0), np.int8)
        if not self.even and (exact or aperture.cells == 1):
            self.slopes = np.empty((2, height, width), np.int8)
            over_strips(
                lambda *rows: slopes_of(spread, planes[3], self.slots, largest, self.slopes, self.sloping, *rows),
                height,
            )
            if not self.sloping.any():
                self.slopes = self.slopes[:, :0, :0]
        self.room = side_room(aperture)
        wanted = with_side_discs(self.keys, self.sloping)
        self.discs = discs_for(wanted, aperture, sides=bool(self.slopes.size)) if aperture.cells == 1 else None
        self.blocks = np.empty((-(-height // _BLOCK), -(-width // _BLOCK)), np.int16)
        over_strips(
            lambda *rows: largest_in_blocks(self.slots, _BLOCK, self.blocks, *rows), self.blocks.shape[0], least=1
        )
        new = functools.partial(np.empty, self.shape, np.float32)
        self.result: tuple[Array, Array, Array, Array] = new(), new(), new(), new()

    def _widest(self, y0: int, y1: int, x0: int, x1: int) -> int:
        """Number of the largest radius that may land on a part of the planes."""
        most = self.around
        while True:
            rows = slice(max(0, y0 - most) // _BLOCK, (y1 + most - 1) // _BLOCK + 1)
            columns = slice(max(0, x0 - most) // _BLOCK, (x1 + most - 1) // _BLOCK + 1)
            slot = int(self.blocks[rows, columns].max(initial=0))
            enough = 0 if slot <= _SHARP else min(most, self._reach(slot))
            if enough == most or enough == 0:
                return slot
            most = enough

    def _reach(self, slot: int) -> int:
        return self.aperture.reach(float(RADII[slot]))

    def tile(self, number: int) -> None:
        """Compute a tile of the result."""
        across = -(-self.shape[1] // _WIDTH)
        top, left = number // across * self.rows, number % across * _WIDTH
        height, width = min(self.rows, self.shape[0] - top), min(_WIDTH, self.shape[1] - left)
        y0, x0 = top + self.around, left + self.around
        y1, x1 = y0 + height, x0 + width
        slot = self._widest(y0, y1, x0, x1)
        here = slice(y0, y1), slice(x0, x1)
        if slot <= _SHARP:
            # Of an unknown radius nothing lands, not even there.
            for plane, of in zip(self.result, self.planes, strict=True):
                plane[top : top + height, left : left + width] = np.where(self.slots[here] != 0, of[here], 0)
            return
        reach, radius = self._reach(slot), float(RADII[slot])
        more = reach + max(_side_of(radius) - 1, _BESIDE)
        bounds = max(0, y0 - more), min(self.slots.shape[0], y1 + more), max(0, x0 - more), x1 + more
        bounds = (*bounds[:3], min(self.slots.shape[1], bounds[3]))
        around = slice(*bounds[:2]), slice(*bounds[2:])
        alpha, slots = self.planes[3][around], self.slots[around]
        clear = (alpha <= 0) & (slots == 0) & np.isfinite(self.spread[around])
        bare = bool(((alpha <= 0) & (slots != 0)).any())
        plain = self.even and not bare and self.aperture.cells == 1
        opaque = not bare and not clear.any() and bool(np.all((alpha == 1) | (slots == 0)))
        lanes = 4 if plain or opaque else 8
        cells, parts = np.zeros((0, 0), np.int16), [0]
        if (
            plain
            and not self.exact
            and self.discs is not None
            and self._spread_evenly((top, left, height, width), (y0, x0), bounds)
        ):
            return
        if self.field is not None and self.aperture.cells > 1:
            cells = np.zeros(self.slots.shape, np.int16)
            down, right = self.field
            numbers = self.aperture.cells_of(right[around[1]], down[around[0], None])
            there = np.bincount(numbers.ravel(), minlength=self.aperture.cells) > 0
            parts = np.flatnonzero(there).tolist()
            cells[around] = (np.cumsum(there) - 1)[numbers]
        discs = self.discs if self.discs is not None else self._discs(slots, cells[around], parts)
        start = x0 - bounds[2] + reach + 1
        tile = Tile(
            np.empty((height, width, 4)), np.empty((height, width)), np.empty((height, width)),
            np.empty((height, width, 3)), np.empty((height, width, 5), np.float32), self._own(here),
        )  # fmt: skip
        ends = _beside(clear) if clear.any() else np.zeros((0, 0), np.bool_)
        if self.exact:
            covered = self.spread[around][(alpha > 0) & (slots != 0)]
            steps = np.unique(np.rint(np.clip(covered, -self.largest, self.largest)).astype(np.int64))
            self._gather(bounds, cells, parts, ends, reach, (y0, x0), tile)
            self._finish(tile, (top, left), (y0, x0), bounds, cells, parts, clear, steps, radius)
            return
        sources = collect(
            self.planes, self.slots, self.spread, self.slopes, cells, ends, self.largest, bounds, self.origin,
            self.levels, discs.found, discs.top, discs.shares, discs.moments, self.room, self.turns, lanes,
            bounds[2] - reach - 1,
        )  # fmt: skip
        scatter(
            sources, discs.top, discs.first, discs.rows, discs.columns, discs.changes, lanes, plain,
            y0 - bounds[0], start, start + width + 2 * more + 2, reach, tile,
        )  # fmt: skip
        steps = sources.steps[sources.steps % 2 == 0] // 2
        self._finish(tile, (top, left), (y0, x0), bounds, cells, parts, clear, steps, radius, plain=plain)

    def _finish(
        self, tile: Tile, to: tuple[int, int], at: tuple[int, int], bounds: tuple[int, ...], cells: Array,
        parts: list[int], clear: Array, steps: Array, radius: float, *, plain: bool = False,
    ) -> None:  # fmt: skip
        """Deal with what is missing in a tile, and write it."""
        height, width = tile.full.shape
        missing = np.zeros((height, width))
        here = slice(at[0], at[0] + height), slice(at[1], at[1] + width)
        if plain:
            steps = steps[:0]
        else:
            inner, keys = np.ascontiguousarray(cells[here]) if cells.size else cells, 2 * SLOTS * len(parts)
            wanted = sizes_wanted(tile, inner, self.turns, missing, keys, bool(clear.any()))
            if wanted.any():
                self._without_transparency(
                    tile, inner, parts, missing, clear, wanted, (at[0] - bounds[0], at[1] - bounds[2])
                )
        farthest = np.zeros((0, 0), np.float32)
        if steps.size and bool((missing > UNSEEN).any()):
            # As far as cells reach.
            side, (rows, columns) = _cell_of(radius), self.slots.shape
            y0, y1, x0, x1 = bounds
            bounds = max(0, y0 - side), min(rows, y1 + side), max(0, x0 - side), min(columns, x1 + side)
            farthest = farthest_in_blocks(self.planes[3], self.slots, self.spread, self.largest, bounds)
        sides, sums, places = self._cells(missing, here, steps, radius)
        finish(
            self.planes, self.slots, self.spread, self.largest, at, tile, missing, steps, farthest,
            (bounds[0], bounds[2]), sides, sums, places, self.result, to,
        )  # fmt: skip

    def _gather(
        self,
        bounds: tuple[int, ...],
        cells: Array,
        parts: list[int],
        ends: Array,
        reach: int,
        at: tuple[int, int],
        tile: Tile,
    ) -> None:
        """Add up what lands on a tile, pixel by pixel."""
        around = slice(*bounds[:2]), slice(*bounds[2:])
        slots = self.slots[around]
        keys = np.abs(slots).astype(np.int64) + SLOTS * ((slots > 0) | (not self.turns))
        if cells.size:
            keys += 2 * SLOTS * cells[around].astype(np.int64)
        found, *discs = dense_discs(np.unique(keys[slots != 0]), self.aperture, parts)
        numbers = np.where(slots != 0, found[keys], -1)
        planes = tuple(np.ascontiguousarray(plane[around]) for plane in self.planes)
        here = at[0] - bounds[0], at[1] - bounds[2]
        gather_shapes(
            planes,
            np.ascontiguousarray(self.spread[around]),
            self._tilts(around),
            numbers,
            ends,
            tuple(discs),
            self.largest,
            reach,
            here,
            tile,
        )

    def _spread_evenly(
        self, part: tuple[int, int, int, int], at: tuple[int, int], bounds: tuple[int, ...]
    ) -> bool:
        """Spread a tile by the one disc that there is, unless it is too bright for running sums."""
        around = slice(*bounds[:2]), slice(*bounds[2:])
        if not all(float(np.abs(plane[around]).max(initial=0)) < BRIGHTEST for plane in self.planes):
            return False
        mask = mask_of(int(self.keys[0]), self.aperture)
        rims = disc_rims(mask)
        for plane, result in zip(self.planes, self.result, strict=True):
            # The whole result, since a part of it is another type of array than the whole: compiled once more.
            spread_evenly(plane, at, mask.shape[0] // 2, *rims, 1 / mask.sum(), result, part)
        return True

    def _discs(self, slots: Array, cells: Array, parts: list[int]) -> Discs:
        """Discs of a tile, where they differ from one part of the field to another."""
        keys = (
            np.abs(slots).astype(np.int64)
            + SLOTS * ((slots > 0) | (not self.turns))
            + 2 * SLOTS * cells.astype(np.int64)
        )
        there = np.flatnonzero(np.bincount(keys[slots != 0], minlength=1))
        return discs_for(with_side_discs(there, self.sloping), self.aperture, parts, sides=bool(self.slopes.size))

    def _own(self, here: tuple[slice, slice]) -> Array:
        """Twice the rounded spread of each pixel, from which on things are as far as it is."""
        held = np.clip(self.spread[here], -self.largest, self.largest)
        there = (self.slots[here] != 0) & np.isfinite(held)
        return np.where(there, 2 * np.rint(np.where(there, held, 0)), 2**15 - 1).astype(np.int16)

    def _tilts(self, around: tuple[slice, slice]) -> Array:
        """By how much discs become brighter a pixel down and across."""
        held = np.clip(self.spread[around], -self.largest, self.largest)
        if not self.slopes.size:
            return np.zeros((2, *held.shape), np.float32)
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(
                held != 0, self.slopes[(slice(None), *around)] / (np.float32(STEEP) * held), np.float32(0)
            )

    def _without_transparency(
        self, tile: Tile, cells: Array, parts: list[int], missing: Array, clear: Array, wanted: Array,
        before: tuple[int, int],
    ) -> None:  # fmt: skip
        discs = discs_for(np.flatnonzero(wanted), self.aperture, parts, levels=1)
        until = np.zeros((clear.shape[0], clear.shape[1] + 1), np.int32)
        np.cumsum(clear, axis=1, out=until[:, 1:])
        without_transparency(tile, cells, self.turns, missing, until, before, *discs[:-1])

    def _cells(
        self, missing: Array, here: tuple[slice, slice], steps: Array, radius: float
    ) -> tuple[Array, tuple[Array, ...], Array]:
        """Cells of the sides that hidden background is taken from."""
        sums = [np.zeros((0, 0, 1, LANES), np.float32)] * len(CELLS)
        sides, places = np.array([4 << k for k in range(len(CELLS))]), np.zeros((len(CELLS), 2), np.int64)
        if self.exact:
            return sides[:0], tuple(sums), places
        some = RADII[np.abs(self.slots[here][missing > UNSEEN])] if steps.size else np.zeros(0)
        for k, least in enumerate(CELLS):
            most = CELLS[k + 1] if k + 1 < len(CELLS) else np.inf
            if np.any((some >= least - 0.1) & (some < most + 2)):
                y0, y1 = self._aligned(here[0], min(most, radius), sides[k], 0)
                x0, x1 = self._aligned(here[1], min(most, radius), sides[k], 1)
                places[k] = y0, x0
                sums[k] = cell_sums(
                    self.planes, self.slots, self.spread, self.largest, (y0, y1, x0, x1), int(sides[k]), steps
                )
        return sides, tuple(sums), places

    def _aligned(self, part: slice, radius: float, side: int, axis: int) -> tuple[int, int]:
        """A part grown by a radius, out to multiples of a side in the frame, as far as there are pixels."""
        origin = self.origin[axis]
        first = (part.start - radius - side / 2 - origin) // side * side + origin
        last = -((origin - part.stop - radius - side / 2) // side) * side + origin
        while first < 0:
            first += side
        while last > self.slots.shape[axis]:
            last -= side
        return int(first), int(last)


def _beside(clear: Array) -> Array:
    """Pixels within two of a clear one."""
    for axis in (0, 1):
        wide = np.pad(clear, [(_BESIDE, _BESIDE) if k == axis else (0, 0) for k in (0, 1)])
        size = clear.shape[axis]
        parts = [np.take(wide, range(k, k + size), axis) for k in range(2 * _BESIDE + 1)]
        clear = np.logical_or.reduce(parts)
    return clear


def defocus_fast(
    planes: Sequence[Array],
    spread: Array,
    largest: float,
    *,
    around: int | None = None,
    origin: tuple[int, int] = (0, 0),
    aperture: Aperture = ROUND,
    field: tuple[Array, Array] | None = None,
    exact: bool = False,
) -> tuple[Array, Array, Array, Array]:
    """Spread premultiplied colour over discs, nearly as `defocus` does, in a time linear in the radius.

    Args:
        planes: R, G, B and alpha, premultiplied, float32 ``(height + 2 margin, width + 2 margin)``.
        spread: radius of each pixel's disc, as for `defocus`.
        largest: upper limit of radii in pixels.
        around: the margin, if it is larger than `fast_margin`.
        origin: row and column in the planes of a place that stays with the frame, such as its first pixel. A part
            of a picture is that of the whole then.
        aperture: the opening.
        field: how far rows lie below and columns to the right of the middle of the frame, in halves of its
            diagonal, where the aperture has a cat's eye.
        exact: add up every disc pixel by pixel instead, in a time that grows with the square of the radius.

    Returns:
        R, G, B and alpha, float32 ``(height, width)``.
    """
    red, green, blue, alpha = (plane_of(plane) for plane in planes)
    around = fast_margin(largest, aperture) if around is None else around
    work = _Work(
        (red, green, blue, alpha), plane_of(spread), float(largest), around, origin, aperture, field, exact
    )
    if work.shape[0] and work.shape[1]:
        tiles = -(-work.shape[0] // work.rows) * -(-work.shape[1] // _WIDTH)
        over_strips(functools.partial(_tiles, work), tiles, least=1)
    return work.result


def _tiles(work: _Work, first: int, last: int) -> None:
    for number in range(first, last):
        work.tile(number)
