"""Writes LLVM code for four planes of four pixels in one vector; see `stackcomp.kernels.cubic_code`.

numba does not see a change of this file: a kernel that uses it stays as it is in the cache until its own file
changes.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Iterable, Sequence
from typing import Any

from llvmlite import ir
from numba.core import cgutils

from stackcomp.kernels.vector_code import FLOAT, VectorCode

__all__ = ["EIGHT", "FOUR", "INT", "INTS", "PAIR", "PLANES", "SIXTEEN", "PixelCode"]

#: Planes that lie side by side.
PLANES = 4
#: Vectors of float32.
PAIR, FOUR, EIGHT, SIXTEEN = (ir.VectorType(FLOAT, lanes) for lanes in (2, 4, 8, 16))
#: A whole number, and eight.
INT = ir.IntType(32)
INTS = ir.VectorType(INT, 8)
# A mean that lies so much beside its limits, as a share of it, lies there by rounding.
_ROUNDING = 1e-6


class PixelCode(VectorCode):
    """Operations on vectors that hold four planes of four pixels."""

    def planes_of(self, numbers: Any, lanes: Iterable[int]) -> Any:
        """Some numbers of pixels → the same for the planes of each."""
        return self.shuffle(numbers, numbers, [lane for lane in lanes for _ in range(PLANES)])

    def of_pixels(self, join: Callable[[Any, Any], Any], sixteen: Any) -> Any:
        """Four pixels joined to one, in a fixed order."""
        lanes = list(range(16))
        eight = join(self.shuffle(sixteen, sixteen, lanes[:8]), self.shuffle(sixteen, sixteen, lanes[8:]))
        return join(self.shuffle(eight, eight, lanes[:4]), self.shuffle(eight, eight, lanes[4:8]))

    def add(self, weights: Any, values: Any, low: Any, high: Any, to: Sequence[Any]) -> None:
        """Add weighted values to a total, and what has a weight to the smallest and largest values."""
        build = self.builder
        counts = build.fcmp_ordered("!=", weights, self.constant(*[0.0] * 16))
        total, least, most = (build.load(place) for place in to)
        build.store(build.fadd(total, build.fmul(weights, values)), to[0])
        build.store(build.select(counts, self.least(least, low), least), to[1])
        build.store(build.select(counts, self.most(most, high), most), to[2])

    def add_pixels(self, weights: Any, values: Any, counted: Any, to: Sequence[Any]) -> None:
        """As `add` for four pixels; ``counted`` are planes that count in any case."""
        build = self.builder
        # It stands in for what does not count.
        some = build.select(build.fcmp_ordered("!=", weights, self.constant(*[0.0] * 16)), values, counted)
        build.store(build.fadd(build.load(to[0]), build.fmul(weights, values)), to[0])
        build.store(self.least(build.load(to[1]), some), to[1])
        build.store(self.most(build.load(to[2]), some), to[2])

    def limits(self, pixels: Sequence[Any]) -> tuple[Any, Any]:
        """The smallest and the largest values of several times four pixels."""
        return tuple(self.of_pixels(join, functools.reduce(join, pixels)) for join in (self.least, self.most))

    def finish(self, sums: Sequence[Any], weight: Any, place: Any) -> None:
        """Write the weighted mean of all pixels added, held between the smallest and the largest of them."""
        total, least, most = (self.builder.load(some) for some in sums)
        mean = self.builder.fdiv(self.of_pixels(self.builder.fadd, total), weight)
        held = self.most(mean, self.of_pixels(self.least, least))
        self.store(self.least(held, self.of_pixels(self.most, most)), place)

    def finish_few(self, sums: Sequence[Any], weight: Any, near: Sequence[Any], place: Any) -> Any:
        """Write the mean of a sum over four pixels and one over two, held within the 4×4 pixels in the middle.

        Args:
            sums: of four pixels, and of two.
            weight: of all, in four lanes.
            near: where the four rows in the middle begin.
            place: where to write.

        Returns:
            a bit for each plane whose mean lies within these limits, or beside them by no more than rounding.
        """
        build, (total, more) = self.builder, sums
        least, most = self.limits([self.load(at, SIXTEEN) for at in near])
        total = self.of_pixels(build.fadd, total)
        halves = [self.shuffle(more, more, list(range(4 * k, 4 * k + 4))) for k in range(2)]
        mean = build.fdiv(build.fadd(total, build.fadd(*halves)), weight)
        held = self.least(self.most(mean, least), most)
        self.store(held, place)
        beside, size = (self.of_lanes("fabs", some) for some in (build.fsub(mean, held), held))
        by_rounding = build.fcmp_ordered("<=", beside, build.fmul(size, self.constant(*[_ROUNDING] * 4)))
        return build.zext(build.bitcast(by_rounding, ir.IntType(PLANES)), ir.IntType(64))

    def kernel(self, t: Any) -> Any:
        """The cubic kernel at distances of either sign.

        It is a sum of what is cubic up to a distance of 2 and what is cubic up to 1, and exactly 0 beyond 2.
        """
        build, lanes = self.builder, t.type.count
        zero, half, one, two = (self.constant(*[number] * lanes) for number in (0.0, 0.5, 1.0, 2.0))
        from_two = self.most(build.fsub(two, self.of_lanes("fabs", t)), zero)
        beyond_one = build.fsub(from_two, one)
        from_one = self.most(beyond_one, zero)
        outer = build.fmul(build.fmul(from_two, from_two), build.fmul(half, beyond_one))
        inner = build.fmul(build.fmul(from_one, from_one), build.fsub(one, build.fadd(from_one, from_one)))
        return build.fadd(outer, inner)

    def weights(self, first: Any, at: Any, units: Any) -> Any:
        """Weights of eight pixels, or rows, in turn: the kernel at so many units a pixel from a place."""
        build = self.builder
        start = self.short(build.fmul(build.fsub(build.sitofp(first, at.type), at), units))
        steps = build.fmul(self.all_lanes(self.short(units), 8), self.constant(*range(8)))
        return self.kernel(build.fadd(self.all_lanes(start, 8), steps))

    def rows(self, at: Any, far: Any, units: Any, keep: Callable[[Any], Any]) -> tuple[Any, Any, Any]:
        """Keep the weights of all rows under the kernel: the first row, the last one, eight sums of weights."""
        top, bottom = self.up(self.builder.fsub(at, far)), self.down(self.builder.fadd(at, far))
        sums = self.register(EIGHT, 0.0)
        with self.counting(top, bottom, 8) as row:
            some = self.weights(row, at, units)
            self.store(some, self.builder.bitcast(keep(self.builder.sub(row, top)), ir.PointerType(EIGHT)))
            self.builder.store(self.builder.fadd(self.builder.load(sums), some), sums)
        return top, bottom, self.builder.load(sums)

    def sum_of_eight(self, eight: Any) -> Any:
        """The sum of all lanes, in each of four."""
        low, high = (self.shuffle(eight, eight, list(range(k, k + 4))) for k in (0, 4))
        return self.sum_of_four(self.builder.fadd(low, high))

    def within(self, number: Any, size: Any) -> Any:
        """Whether a row or column lies in the picture."""
        build = self.builder
        return build.and_(build.icmp_signed(">=", number, self.whole(0)), build.icmp_signed("<", number, size))

    def of_floats(self, floats: Any) -> Any:
        """Columns, counted in planes."""
        build = self.builder
        return build.mul(build.fptosi(floats, INTS), ir.Constant(INTS, [PLANES] * 8))

    def kept(self, some: Any) -> Any:
        """A place with one number for each of eight rows."""
        place = cgutils.alloca_once(self.builder, some.type)
        self.builder.store(some, place)
        return self.builder.bitcast(place, ir.PointerType(some.type.element))

    def of_row(self, numbers: Any, row: Any, kind: Any) -> Any:
        """What was kept for a row, or for this and the next one."""
        place = self.builder.gep(numbers, [row])
        return self.builder.load(self.builder.bitcast(place, ir.PointerType(kind)), align=4)

    def start_of(self, starts: Any, row: Any) -> Any:
        """Where pixels begin that were kept for a row."""
        return self.builder.sext(self.of_row(starts, row, INT), ir.IntType(64))

    def twice(self, two: Any) -> Any:
        """Two numbers, each in eight lanes."""
        return self.shuffle(two, two, [0] * 8 + [1] * 8)

    def in_row(self, column: Any, width: Any) -> Any:
        """Whether one of four pixels from a column on lies in a row."""
        build = self.builder
        return build.and_(build.icmp_signed(">", column, self.whole(-4)), build.icmp_signed("<", column, width))
