"""Writes LLVM code for operations on vectors, for which numba has no type.

numba does not see a change of this file: a kernel that uses it stays as it is in the cache until its own file
changes.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from typing import Any, cast

from llvmlite import ir
from numba.core import cgutils
from numba.extending import intrinsic as numba_intrinsic

__all__ = ["FLOAT", "VectorCode", "intrinsic"]

#: float32.
FLOAT = ir.FloatType()
_INT = ir.IntType(32)


def intrinsic(function: Callable[..., Any]) -> Callable[..., Any]:
    """Return a function for compiled loops, made from one that writes its code."""
    return cast(Callable[..., Any], numba_intrinsic(function))


class VectorCode:
    """Writes operations on vectors."""

    def __init__(self, context: Any, builder: Any) -> None:
        self.context, self.builder = context, builder

    def constant(self, *lanes: float) -> Any:
        """A vector of constants."""
        return ir.Constant(ir.VectorType(FLOAT, len(lanes)), list(lanes))

    def place(self, array_type: Any, array: Any, at: Any, kind: Any) -> Any:
        """Pointer to a vector in a flat array."""
        data = self.context.make_array(array_type)(self.context, self.builder, array).data
        place = self.builder.gep(data, [at], source_etype=FLOAT)
        return self.builder.bitcast(place, ir.PointerType(kind))

    def load(self, place: Any, kind: Any) -> Any:
        """Read a vector from anywhere."""
        return self.builder.load(place, align=4, typ=kind)

    def store(self, value: Any, place: Any) -> None:
        """Write a vector anywhere."""
        self.builder.store(value, place, align=4)

    def all_lanes(self, value: Any, count: int) -> Any:
        """A number in every lane."""
        one = self.builder.insert_element(ir.Constant(ir.VectorType(value.type, 1), ir.Undefined), value, _INT(0))
        return self.shuffle(one, one, [0] * count)

    def shuffle(self, a: Any, b: Any, lanes: list[int]) -> Any:
        """Lanes of two vectors, in another order."""
        return self.builder.shuffle_vector(a, b, ir.Constant(ir.VectorType(_INT, len(lanes)), lanes))

    def least(self, a: Any, b: Any) -> Any:
        """The smaller ones."""
        return self.builder.select(self.builder.fcmp_ordered("<", b, a), b, a)

    def most(self, a: Any, b: Any) -> Any:
        """The larger ones."""
        return self.builder.select(self.builder.fcmp_ordered(">", b, a), b, a)

    def of_lanes(self, name: str, numbers: Any) -> Any:
        """A function of LLVM's, such as "floor", of a number or of each lane."""
        kind = numbers.type
        lanes, single = ("", kind) if not isinstance(kind, ir.VectorType) else (f"v{kind.count}", kind.element)
        bits = {FLOAT: "f32", ir.DoubleType(): "f64"}[single]
        of_kind = ir.FunctionType(kind, [kind])
        function = cgutils.get_or_insert_function(self.builder.module, of_kind, f"llvm.{name}.{lanes}{bits}")
        return self.builder.call(function, [numbers])

    def fused(self, a: Any, b: Any, c: Any) -> Any:
        """``a · b + c`` of numbers or lanes, rounded once."""
        lanes = f"v{a.type.count}" if isinstance(a.type, ir.VectorType) else ""
        of_kind = ir.FunctionType(a.type, [a.type] * 3)
        function = cgutils.get_or_insert_function(self.builder.module, of_kind, f"llvm.fma.{lanes}f32")
        return self.builder.call(function, [a, b, c])

    def short(self, number: Any) -> Any:
        """A float64 as float32."""
        return self.builder.fptrunc(number, FLOAT)

    def up(self, number: Any) -> Any:
        """The next whole number."""
        return self.builder.fptosi(self.of_lanes("ceil", number), ir.IntType(64))

    def down(self, number: Any) -> Any:
        """The last whole number."""
        return self.builder.fptosi(self.of_lanes("floor", number), ir.IntType(64))

    @contextlib.contextmanager
    def counting(self, first: Any, last: Any, step: int) -> Iterator[Any]:
        """A loop up to the last number and with it."""
        one, by = ir.Constant(last.type, 1), ir.Constant(last.type, step)
        stop = self.builder.add(last, one)
        with cgutils.for_range_slice(self.builder, first, stop, by, last.type) as (number, _):
            yield number

    def whole(self, number: int) -> Any:
        """A constant that counts."""
        return ir.Constant(ir.IntType(64), number)

    def parts(self, several: Any) -> list[Any]:
        """The numbers of a tuple."""
        return [self.builder.extract_value(several, k) for k in range(several.type.count)]

    def larger(self, a: Any, b: Any) -> Any:
        """Of two whole numbers."""
        return self.builder.select(self.builder.icmp_signed(">", a, b), a, b)

    def smaller(self, a: Any, b: Any) -> Any:
        """Of two whole numbers."""
        return self.builder.select(self.builder.icmp_signed("<", a, b), a, b)

    def sum_of_four(self, four: Any) -> Any:
        """The sum of all lanes, in each of them."""
        build = self.builder
        pair = build.fadd(self.shuffle(four, four, [0, 1]), self.shuffle(four, four, [2, 3]))
        return build.fadd(self.shuffle(pair, pair, [0] * 4), self.shuffle(pair, pair, [1] * 4))

    def register(self, kind: Any, first: float) -> Any:
        """A vector that a loop changes, with one number in every lane at first; LLVM keeps it in a register."""
        place = cgutils.alloca_once(self.builder, kind)
        self.builder.store(ir.Constant(kind, [first] * kind.count), place)
        return place
