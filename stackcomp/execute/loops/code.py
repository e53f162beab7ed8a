"""LLVM code on vectors of pixels, written line by line.

Each instruction is written once: the same operation on the same operands gives the value that is there already.
What depends on numbers alone, not on pixels, goes before the loop.

Nothing is left to a compiler's search for vectors: every value is a vector from the start, and processors with
shorter ones work on its halves. Both sides of a condition are computed and a select takes one, so there is no
branch among pixels, and every lane gets the result that it would get alone.

Chains of instructions that do not depend on each other, such as those of red, green and blue, are written in turn
(`Code.interleave`): a processor looks ahead only so far, and would else wait for each chain by itself. Powers of
three channels took three quarters of the time this way, on a processor with two 128-bit pipes for each sort.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

__all__ = ["Code", "Kind", "Value"]

Kind = Literal["float", "i1", "i32", "half", "i16"]


@dataclass(frozen=True)
class Value:
    """A vector in the code.

    Attributes:
        text: how code names it.
        kind: type of a lane.
        uniform: whether all lanes are equal and known before the loop.
        number: which number of its pixel function it is, if it is one.
        lanes: how many there are.
        constant: its value, where the text of the program says it: a float, or a condition that is decided.
    """

    text: str
    kind: Kind
    lanes: int
    uniform: bool = False
    number: int | None = None
    constant: float | bool | None = None

    @property
    def typed(self) -> str:
        """Its type and name."""
        return f"<{self.lanes} x {self.kind}> {self.text}"


class Code:
    """Instructions before a loop and in it.

    Args:
        fused: whether the processor multiplies and adds in one step.
        lanes: pixels in a vector.
    """

    def __init__(self, *, fused: bool, lanes: int = 8) -> None:
        self.fused, self.lanes = fused, lanes
        self.before: list[str] = []
        self._inside: list[tuple[int, str]] = []
        self._depths: dict[str, int] = {}
        self._settled = 0
        self.intrinsics: set[str] = set()
        self._known: dict[str, Value] = {}
        # Selects by their condition and name: what they choose from.
        self._chosen: dict[tuple[str, str], tuple[Value, Value]] = {}

    def make(self, kind: Kind, text: str, *operands: Value) -> Value:
        """The value of an instruction, whose ``text`` is all behind the equals sign."""
        if text not in self._known:
            uniform = all(operand.uniform for operand in operands)
            name = f"%{'u' if uniform else 'v'}{len(self._known)}"
            if uniform:
                self.before.append(f"{name} = {text}")
            else:
                depth = 1 + max(self._depths.get(operand.text, 0) for operand in operands)
                self._depths[name] = depth
                self._inside.append((depth, f"{name} = {text}"))
            self._known[text] = Value(name, kind, self.lanes, uniform)
        return self._known[text]

    def line(self, text: str) -> None:
        """An instruction of the loop that depends on no value of it but the place."""
        self._inside.append((0, text))

    def store(self, text: str) -> None:
        """An instruction of the loop behind all that are there."""
        self.interleave()
        self._inside.append((0, text))
        self._settled = len(self._inside)

    def interleave(self) -> None:
        """Order the instructions since the last time by how many others each one waits for."""
        start = self._settled
        self._inside[start:] = sorted(self._inside[start:], key=lambda entry: entry[0])
        self._settled = len(self._inside)

    @property
    def inside(self) -> list[str]:
        """Instructions of the loop."""
        return [text for _, text in self._inside]

    # -- values --------------------------------------------------------------------------------------------

    def constant(self, value: float) -> Value:
        """A float32 in all lanes."""
        with np.errstate(over="ignore", under="ignore"):
            held = float(np.float32(value))
        bits = np.float64(held).view(np.uint64)
        lanes = ", ".join([f"float 0x{bits:016X}"] * self.lanes)
        return Value(f"<{lanes}>", "float", self.lanes, uniform=True, constant=held)

    def integer(self, value: int, kind: Kind = "i32") -> Value:
        """A whole number in all lanes."""
        lanes = ", ".join([f"{kind} {value}"] * self.lanes)
        return Value(f"<{lanes}>", kind, self.lanes, uniform=True)

    def decided(self, truth: bool) -> Value:
        """A condition that is known."""
        lanes = ", ".join([f"i1 {'true' if truth else 'false'}"] * self.lanes)
        return Value(f"<{lanes}>", "i1", self.lanes, uniform=True, constant=truth)

    def spread(self, kind: Kind, scalar: str) -> Value:
        """A scalar that is known before the loop, in all lanes."""
        one = self.scalar(f"insertelement <{self.lanes} x {kind}> poison, {kind} {scalar}, i64 0")
        vector = f"<{self.lanes} x {kind}>"
        text = f"shufflevector {vector} {one}, {vector} poison, <{self.lanes} x i32> zeroinitializer"
        return self.make(kind, text)

    def scalar(self, text: str) -> str:
        """The name of a scalar that an instruction before the loop makes."""
        if text not in self._known:
            name = f"%s{len(self._known)}"
            self.before.append(f"{name} = {text}")
            self._known[text] = Value(name, "float", self.lanes, uniform=True)
        return self._known[text].text

    # -- floats --------------------------------------------------------------------------------------------

    def arithmetic(self, op: str, a: Value, b: Value) -> Value:
        """``fadd``, ``fsub``, ``fmul`` or ``fdiv`` of floats; ``add``, ``and``, ``shl`` … of whole numbers."""
        return self.make(a.kind, f"{op} {a.typed}, {b.text}", a, b)

    def negative(self, a: Value) -> Value:
        """The other sign."""
        return self.make(a.kind, f"fneg {a.typed}", a)

    def fma(self, a: Value, b: Value, c: Value) -> Value:
        """``a * b + c``, rounded once where the processor can, else twice."""
        if not self.fused:
            return self.arithmetic("fadd", self.arithmetic("fmul", a, b), c)
        return self.intrinsic("fma", a, b, c)

    def intrinsic(self, name: str, *operands: Value) -> Value:
        """A function of LLVM's on vectors."""
        type = f"<{self.lanes} x {operands[0].kind}>"
        full = f"@llvm.{name}.v{self.lanes}{'f32' if operands[0].kind == 'float' else operands[0].kind}"
        self.intrinsics.add(f"declare {type} {full}({', '.join([type] * len(operands))})")
        text = f"call {type} {full}({', '.join(operand.typed for operand in operands)})"
        return self.make(operands[0].kind, text, *operands)

    # -- conditions ----------------------------------------------------------------------------------------

    def compare(self, op: str, a: Value, b: Value) -> Value:
        """A condition: ``fcmp`` with ``olt``, ``une`` …, or ``icmp`` with ``slt``, ``eq`` …."""
        word = "fcmp" if a.kind in ("float", "half") else "icmp"
        return self.make("i1", f"{word} {op} {a.typed}, {b.text}", a, b)

    def both(self, a: Value, b: Value) -> Value:
        """Whether both hold."""
        for one, other in ((a, b), (b, a)):
            if one.constant is not None:
                return other if one.constant else one
        return self.arithmetic("and", a, b)

    def either(self, a: Value, b: Value) -> Value:
        """Whether one of them holds."""
        for one, other in ((a, b), (b, a)):
            if one.constant is not None:
                return one if one.constant else other
        return self.arithmetic("or", a, b)

    def opposite(self, a: Value) -> Value:
        """Whether it does not hold."""
        if a.constant is not None:
            return self.decided(not a.constant)
        return self.arithmetic("xor", a, self.decided(True))

    def select(self, test: Value, yes: Value, no: Value) -> Value:
        """``yes`` in the lanes where the condition holds, else ``no``."""
        if test.constant is not None:
            return yes if test.constant else no
        # What was chosen by the same condition before can only be its first value here, or its second.
        yes = self._chosen.get((test.text, yes.text), (yes, yes))[0]
        no = self._chosen.get((test.text, no.text), (no, no))[1]
        if yes.text == no.text:
            return yes
        made = self.make(yes.kind, f"select {test.typed}, {yes.typed}, {no.typed}", test, yes, no)
        self._chosen[test.text, made.text] = yes, no
        return made

    # -- other types ---------------------------------------------------------------------------------------

    def convert(self, op: str, a: Value, kind: Kind) -> Value:
        """``bitcast``, ``sitofp``, ``zext``, ``fpext`` … to another type of lane."""
        return self.make(kind, f"{op} {a.typed} to <{self.lanes} x {kind}>", a)
