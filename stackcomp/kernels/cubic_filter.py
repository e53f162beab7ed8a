"""Samples pictures at any places with a cubic filter that is as wide as a target pixel is in the source.

**Filter.** Where a target pixel covers no more than a source pixel, it is weighed from the 4×4 pixels around its
place by the cubic convolution kernel (a = -1/2), which reproduces pixels at whole positions and linear ramps.
Where it covers more, the kernel is stretched. A disc of one target pixel is an ellipse in the source (Heckbert);
along each axis of that ellipse the kernel is stretched by its length, where that is more than 1. So a picture
that shrinks in one direction alone is softened in that direction alone, whatever the direction is, and nothing
changes in steps. Ellipses aslant are made by a stretch of the rows, and then a slant of them: each row has one
weight, and within it the kernel is that of its pixels. The weights are divided by their sum.

The result is held between the smallest and the largest value that it was weighed from. Outside of the source
there is nothing (0), which counts as a value.

**Vectors.** Four planes of a pixel lie side by side, and four pixels fill a vector. numba has no type for vectors,
so the operations on them, `sample`, `weigh` and `weigh_upright`, are written in LLVM code; on processors with
shorter vectors LLVM splits them, with the same bits. Multiplications and additions stay separate, so the last bit
does not depend on the processor.

Sources: Keys, Cubic Convolution Interpolation for Digital Image Processing, 1981; Heckbert, Fundamentals of
Texture Mapping and Image Warping, 1989 (elliptical footprints); Golub and Van Loan, Matrix Computations, 4.2
(Cholesky's factors, here of the ellipse).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from llvmlite import ir
from numba import types

from stackcomp.kernels.compiled import Array, compiled
from stackcomp.kernels.vector_code import FLOAT, VectorCode, intrinsic

__all__ = ["BORDER", "PLANES", "WIDEST", "filtered"]

#: Planes that lie side by side.
PLANES = 4
#: Pixels of nothing around a stack.
BORDER = 3
#: Largest stretch of the kernel, in source pixels, for target pixels that cover more.
WIDEST = 256.0
# Up to this stretch the kernel stays as it is: rounding is not a smaller picture.
_UNSTRETCHED = 1 + 1e-5
# Up to this slant of the kernel, as a share of a pixel from row to row, it stands upright.
_SLIGHT = 0.06

_FOUR, _EIGHT, _SIXTEEN = (ir.VectorType(FLOAT, lanes) for lanes in (4, 8, 16))
# Factors of the kernel's polynomials of the distance, inside of 1 and from 1 to 2.
_NEAR_AND_FAR = ((1.5, -0.5), (-2.5, 2.5), (0.0, -4.0), (1.0, 2.0))
# Its weights of the four pixels around a place, as polynomials of its distance t to the second one.
_CUBES, _SQUARES = (-0.5, 1.5, -1.5, 0.5), (1.0, -2.5, 2.0, -0.5)
_SLOPES, _CONSTANTS = (-0.5, 0.0, 0.5, 0.0), (0.0, 1.0, 0.0, 0.0)

# What has been weighed at first: sums, smallest and largest values of four pixels.
_NOTHING_WEIGHED = ((_SIXTEEN, 0.0), (_SIXTEEN, float("inf")), (_SIXTEEN, float("-inf")))


class _Code(VectorCode):
    """Operations on vectors that hold four planes of four pixels."""

    def for_planes(self, four: Any) -> Any:
        """A number for each of four pixels → the same for the planes of each."""
        return self.shuffle(four, four, [lane // PLANES for lane in range(4 * PLANES)])

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

    def finish(self, sums: Sequence[Any], weight: Any, place: Any) -> None:
        """Write the weighted mean of all pixels added, held between the smallest and the largest of them."""
        total, least, most = (self.builder.load(some) for some in sums)
        mean = self.builder.fdiv(self.of_pixels(self.builder.fadd, total), weight)
        held = self.most(mean, self.of_pixels(self.least, least))
        self.store(self.least(held, self.of_pixels(self.most, most)), place)

    def kernel(self, t: Any) -> Any:
        """The cubic kernel at distances of either sign."""
        build, lanes = self.builder, t.type.count
        # At a distance of 2 the outer polynomial is exactly 0.
        t = self.least(self.constant(*[2.0] * lanes), self.most(t, build.fneg(t)))
        near = build.fcmp_ordered("<", t, self.constant(*[1.0] * lanes))
        value = None
        for inner, outer in _NEAR_AND_FAR:
            factor = build.select(near, self.constant(*[inner] * lanes), self.constant(*[outer] * lanes))
            value = factor if value is None else build.fadd(build.fmul(value, t), factor)
        return value

    def weights(self, first: Any, at: Any, units: Any) -> Any:
        """Weights of eight pixels, or rows, in turn: the kernel at so many units a pixel from a place."""
        build = self.builder
        start = self.short(build.fmul(build.fsub(build.sitofp(first, at.type), at), units))
        steps = build.fmul(self.all_lanes(self.short(units), 8), self.constant(*range(8)))
        return self.kernel(build.fadd(self.all_lanes(start, 8), steps))

    def rows(self, at: Any, far: Any, units: Any, keep: Callable[[Any], Any]) -> tuple[Any, Any, Any]:
        """Keep the weights of all rows under the kernel: the first row, the last one, eight sums of weights."""
        top, bottom = self.up(self.builder.fsub(at, far)), self.down(self.builder.fadd(at, far))
        sums = self.register(_EIGHT, 0.0)
        with self.counting(top, bottom, 8) as row:
            some = self.weights(row, at, units)
            self.store(some, self.builder.bitcast(keep(self.builder.sub(row, top)), ir.PointerType(_EIGHT)))
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

    def in_row(self, column: Any, width: Any) -> Any:
        """Whether one of four pixels from a column on lies in a row."""
        build = self.builder
        return build.and_(build.icmp_signed(">", column, self.whole(-4)), build.icmp_signed("<", column, width))


@intrinsic
def sample(
    typing: Any, source: Any, at: Any, stride: Any, x: Any, y: Any, target: Any, to: Any
) -> tuple[Any, Callable[..., Any]]:
    """Write the four planes at a place between pixels, weighed from the 4×4 pixels around it and held within them.

    Arguments: flat source, where the first of the 4×4 pixels is, distance of its rows, distances x and y from the
    second pixel and row (0 to 1), flat target, where to write.
    """

    def write(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        code = _Code(context, builder)
        source, at, stride, x, y, target, to = arguments
        across, down = (_weights(code, builder, t) for t in (x, y))
        total = least = most = None
        for row in range(4):
            place = builder.add(at, builder.mul(stride, ir.Constant(stride.type, row)))
            values = code.load(code.place(signature.args[0], source, place, _SIXTEEN), _SIXTEEN)
            weighed = builder.fmul(values, code.shuffle(down, down, [row] * 16))
            total = weighed if total is None else builder.fadd(total, weighed)
            least = values if least is None else code.least(least, values)
            most = values if most is None else code.most(most, values)
        total = code.of_pixels(builder.fadd, builder.fmul(total, code.for_planes(across)))
        held = code.most(total, code.of_pixels(code.least, least))
        held = code.least(held, code.of_pixels(code.most, most))
        code.store(held, code.place(signature.args[5], target, to, _FOUR))
        return context.get_dummy_value()

    numbers = (types.intp, types.intp, types.float32, types.float32)
    return types.none(source, *numbers, target, types.intp), write


def _weights(code: _Code, builder: Any, t: Any) -> Any:
    """The kernel's weights of four pixels in a row, for a place at a distance t from the second."""
    t = code.all_lanes(t, 4)
    value = builder.fadd(builder.fmul(code.constant(*_CUBES), t), code.constant(*_SQUARES))
    value = builder.fadd(builder.fmul(value, t), code.constant(*_SLOPES))
    return builder.fadd(builder.fmul(value, t), code.constant(*_CONSTANTS))


@intrinsic
def weigh(
    typing: Any,
    source: Any,
    size: Any,
    border: Any,
    place: Any,
    inverse: Any,
    reach: Any,
    down: Any,
    target: Any,
    to: Any,
) -> tuple[Any, Callable[..., Any]]:
    """Write the four planes at a place, weighed by a kernel that is stretched to an ellipse, and held likewise.

    Arguments: flat source; height and width of what lies inside of its border of nothing; width of that border,
    3 or more; x and y from the centre of the first pixel; a, b and c, see below; then -b / a, by how much the
    middle of a row lies farther to the right than that of the row above; how far the kernel extends within a row,
    and down, in pixels; an array for the weights of rows, 8 longer than there are rows under the kernel; flat
    target, where to write. A pixel is weighed by the kernel at ``a dx + b dy`` times the kernel at ``c dy``.
    """

    def write(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        code = _Code(context, builder)
        source, size, border, place, inverse, reach, down, target, to = arguments
        (height, width), (x, y), (far_x, far_y) = (code.parts(pair) for pair in (size, place, reach))
        a, b, c, slant = code.parts(inverse)
        none, four = code.whole(0), code.whole(4)
        stride = builder.mul(builder.add(width, builder.mul(border, code.whole(2))), code.whole(PLANES))

        def of_row(at: Any) -> Any:
            return code.place(signature.args[6], down, at, FLOAT)

        top, bottom, _ = code.rows(y, far_y, c, of_row)
        totals = [code.register(*first) for first in _NOTHING_WEIGHED]
        sums = code.register(_EIGHT, 0.0)
        # The nearest pixel has a weight whatever the stretch is.
        half = ir.Constant(x.type, 0.5)
        column, row = (code.down(builder.fadd(at, half)) for at in (x, y))
        at = builder.mul(builder.add(row, border), stride)
        at = builder.add(at, builder.mul(builder.add(column, border), code.whole(PLANES)))
        inside = builder.and_(code.within(column, width), code.within(row, height))
        at = builder.select(inside, at, none)
        nearest = code.load(code.place(signature.args[0], source, at, _FOUR), _FOUR)
        nearest = code.shuffle(nearest, nearest, list(range(4)) * 4)
        growth = builder.fmul(code.all_lanes(code.short(a), 8), code.constant(*range(8)))
        with code.counting(top, bottom, 1) as row:
            weight = code.all_lanes(code.load(of_row(builder.sub(row, top)), FLOAT), 8)
            dy = builder.fsub(builder.sitofp(row, y.type), y)
            middle, shift = builder.fadd(x, builder.fmul(slant, dy)), builder.fmul(b, dy)
            in_rows = code.within(row, height)
            begin = builder.mul(builder.add(row, border), stride)
            first, last = code.up(builder.fsub(middle, far_x)), code.down(builder.fadd(middle, far_x))
            with code.counting(first, last, 8) as left:
                dx = builder.fsub(builder.sitofp(left, x.type), x)
                start = code.short(builder.fadd(builder.fmul(a, dx), shift))
                across = builder.fmul(code.kernel(builder.fadd(code.all_lanes(start, 8), growth)), weight)
                builder.store(builder.fadd(builder.load(sums), across), sums)
                for k in range(2):
                    column = left if k == 0 else builder.add(left, four)
                    at = builder.add(begin, builder.mul(builder.add(column, border), code.whole(PLANES)))
                    # Outside of the stack is nothing: the border of its first row stands for it.
                    at = builder.select(builder.and_(in_rows, code.in_row(column, width)), at, none)
                    values = code.load(code.place(signature.args[0], source, at, _SIXTEEN), _SIXTEEN)
                    wide = code.for_planes(code.shuffle(across, across, list(range(4 * k, 4 * k + 4))))
                    code.add_pixels(wide, values, nearest, totals)
        weight = code.sum_of_eight(builder.load(sums))
        code.finish(totals, weight, code.place(signature.args[7], target, to, _FOUR))
        return context.get_dummy_value()

    pair, four = types.UniTuple(types.float64, 2), types.UniTuple(types.float64, 4)
    counts = types.UniTuple(types.intp, 2)
    return types.none(source, counts, types.intp, pair, four, pair, down, target, types.intp), write


@intrinsic
def weigh_upright(
    typing: Any,
    source: Any,
    size: Any,
    border: Any,
    place: Any,
    inverse: Any,
    reach: Any,
    down: Any,
    target: Any,
    to: Any,
) -> tuple[Any, Callable[..., Any]]:
    """As `weigh`, for a kernel that is stretched along rows and columns: each column has one weight, too.

    Arguments: as those of `weigh`, with a and c alone.
    """

    def write(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        code = _Code(context, builder)
        source, size, border, place, inverse, reach, down, target, to = arguments
        (height, width), (x, y), (a, c) = (code.parts(pair) for pair in (size, place, inverse))
        far_x, far_y = code.parts(reach)
        none = code.whole(0)
        stride = builder.mul(builder.add(width, builder.mul(border, code.whole(2))), code.whole(PLANES))

        def of_row(at: Any) -> Any:
            return code.place(signature.args[6], down, at, FLOAT)

        totals = [code.register(*first) for first in _NOTHING_WEIGHED]
        of_columns = code.register(_EIGHT, 0.0)
        top, bottom, of_rows = code.rows(y, far_y, c, of_row)
        first = code.larger(top, none)
        last = code.smaller(bottom, builder.sub(height, code.whole(1)))
        ends = code.up(builder.fsub(x, far_x)), code.down(builder.fadd(x, far_x))
        with code.counting(*ends, 8) as left:
            across = code.weights(left, x, a)
            sums = [[code.register(*kind) for kind in _NOTHING_WEIGHED] for _ in range(2)]
            starts = []
            for k in range(2):
                column = builder.add(left, code.whole(4 * k))
                inside = code.in_row(column, width)
                at = builder.mul(builder.add(column, border), code.whole(PLANES))
                # Outside of the stack is nothing: the border of its first row stands for it.
                starts.append((builder.select(inside, at, none), builder.select(inside, stride, none)))
            with code.counting(first, last, 1) as row:
                weight = code.load(of_row(builder.sub(row, top)), FLOAT)
                for (start, step), (own, low, high) in zip(starts, sums, strict=True):
                    at = builder.add(start, builder.mul(builder.add(row, border), step))
                    values = code.load(code.place(signature.args[0], source, at, _SIXTEEN), _SIXTEEN)
                    weighed = builder.fmul(values, code.all_lanes(weight, 16))
                    builder.store(builder.fadd(builder.load(own), weighed), own)
                    builder.store(code.least(builder.load(low), values), low)
                    builder.store(code.most(builder.load(high), values), high)
            for k, (own, low, high) in enumerate(sums):
                wide = code.for_planes(code.shuffle(across, across, list(range(4 * k, 4 * k + 4))))
                code.add(wide, builder.load(own), builder.load(low), builder.load(high), totals)
            builder.store(builder.fadd(builder.load(of_columns), across), of_columns)
        outside = builder.or_(builder.icmp_signed("<", top, none), builder.icmp_signed(">=", bottom, height))
        zeros = code.constant(*[0.0] * 16)
        for limit, join in zip(totals[1:], (code.least, code.most), strict=True):
            old = builder.load(limit)
            builder.store(builder.select(outside, join(old, zeros), old), limit)
        weight = builder.fmul(code.sum_of_eight(of_rows), code.sum_of_eight(builder.load(of_columns)))
        code.finish(totals, weight, code.place(signature.args[7], target, to, _FOUR))
        return context.get_dummy_value()

    pair, counts = types.UniTuple(types.float64, 2), types.UniTuple(types.intp, 2)
    return types.none(source, counts, types.intp, pair, pair, pair, down, target, types.intp), write


def filtered(stack: Array, places: Array, steps: Array) -> Array:
    """Return what is seen at some places of a stack.

    Args:
        stack: float32, four planes side by side with a border of nothing; see `stackcomp.kernels.stack`.
        places: float64 ``(2, height, width)``: x and y in pixels of the part that is stacked, with pixel centres
            at half pixels; NaN where nothing is to be seen.
        steps: float32 ``(4, height, width)``: how x and y change from a pixel to the one on its right, then how
            they change to the one below.

    Returns:
        float32 ``(height, width, 4)``.
    """
    target = np.zeros((*places.shape[1:], PLANES), np.float32)
    height, width = stack.shape[0] - 2 * BORDER, stack.shape[1] - 2 * BORDER
    shapes = np.empty((5, target.size // PLANES), np.float32)
    _shape(steps.reshape(4, -1), shapes)
    _filter(stack.reshape(-1), height, width, places.reshape(2, -1), shapes, target.reshape(-1))
    return target


@compiled
def _shape(steps: Array, shapes: Array) -> None:
    """The kernel of each pixel: `a`, `b`, `c` of `weigh`, and its reach across and down.

    The ellipse that a disc of one target pixel is in the source is stretched to axes of 1 at least. Its matrix is
    M Mᵀ with M of upper right form; ``a``, ``b`` and ``c`` are the inverse of M.
    """
    half, one, two, zero = np.float32(0.5), np.float32(1), np.float32(2), np.float32(0)
    widest, tiny, slight = np.float32(WIDEST), np.float32(1e-30), np.float32(_SLIGHT)
    for k in range(steps.shape[1]):
        xx, yx, xy, yy = steps[0, k], steps[1, k], steps[2, k], steps[3, k]
        # The matrix of the ellipse, and the squares of its axes.
        p, q, r = xx * xx + xy * xy, xx * yx + xy * yy, yx * yx + yy * yy
        middle, lean = half * (p + r), half * (p - r)
        apart = np.sqrt(lean * lean + q * q)
        most, least = np.sqrt(middle + apart), np.sqrt(max(zero, middle - apart))
        # Rounding is not a smaller picture.
        most = min(widest, most) if most > np.float32(_UNSTRETCHED) else one
        least = min(widest, least) if least > np.float32(_UNSTRETCHED) else one
        share = half / max(apart, tiny)
        # As much of the longer axis lies along x, and across.
        along = (lean + apart) * share if apart > tiny else half
        more = most * most - least * least
        below, beside = least * least + more * (one - along), more * q * share
        c = one / np.sqrt(below)
        a = one / (most * least * c)
        b = -beside * a * c * c
        # A slight slant makes no difference to see, and an upright kernel is faster; between them is no step.
        steep = max(zero, two * (abs(b) - slight))
        b = np.copysign(min(abs(b), steep), b)
        shapes[0, k], shapes[1, k], shapes[2, k] = a, b, c
        shapes[3, k], shapes[4, k] = two * (one + abs(b) / c) / a, two / c


@compiled
def _filter(stack: Array, height: int, width: int, places: Array, shapes: Array, target: Array) -> None:
    stride = (width + 2 * BORDER) * PLANES
    down = np.empty(int(4 * WIDEST) + 16, np.float32)
    for k in range(places.shape[1]):
        # From the centre of the first pixel.
        x, y = places[0, k] - 0.5, places[1, k] - 0.5
        a, b, c, far_x, far_y = shapes[0, k], shapes[1, k], shapes[2, k], shapes[3, k], shapes[4, k]
        if not (x > -1 - far_x and y > -1 - far_y and x < width + far_x and y < height + far_y):
            continue
        to = k * PLANES
        if a == 1 and b == 0 and c == 1:
            if x > -2 and y > -2 and x < width + 1 and y < height + 1:
                left, top = int(np.floor(x)), int(np.floor(y))
                at = (top - 1 + BORDER) * stride + (left - 1 + BORDER) * PLANES
                # Rounded to 2^-23: what lies a rounding error beside a pixel is that pixel.
                right = np.float32(np.float32(1 + (x - left)) - np.float32(1))
                below = np.float32(np.float32(1 + (y - top)) - np.float32(1))
                sample(stack, at, stride, right, below, target, to)
            continue
        size, place, reach = (height, width), (x, y), (2.0 / a, 2.0 / c)
        if b == 0:
            weigh_upright(stack, size, BORDER, place, (float(a), float(c)), reach, down, target, to)
        else:
            slopes = (float(a), float(b), float(c), -b / float(a))
            weigh(stack, size, BORDER, place, slopes, reach, down, target, to)
