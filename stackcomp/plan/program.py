"""What one fused loop computes: pixel functions, how their lanes are wired, and which results are stored."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from stackcomp.nodes.pixel import PixelFunction

__all__ = ["Lane", "Op", "Program"]


@dataclass(frozen=True)
class Lane:
    """Where a value comes from: an input plane, a result of an earlier op, or a constant.

    ``inside`` is 1 inside one of the program's windows and 0 outside: the alpha of colour without alpha.
    ``nonzero`` is 1 where another lane, ``of``, is not 0: the coverage of straight colour.
    """

    origin: Literal["plane", "op", "constant", "inside", "nonzero"]
    index: int = 0
    lane: int = 0
    value: float = 0.0
    of: Lane | None = None

    @property
    def plane(self) -> int | None:
        """Number of the input plane that is read, if one is."""
        if self.of is not None:
            return self.of.plane
        return self.index if self.origin == "plane" else None


@dataclass(frozen=True)
class Op:
    """One pixel function in a program.

    Attributes:
        function: the maths.
        lanes: its leading arguments.
        numbers: how many numbers follow them.
        alpha: of a curve: the alpha that tells where the colour is covered, and the factor to divide and
            multiply premultiplied colour by.
        straight: the colour is divided by ``alpha`` already.
        within, amount: limits of an adjustable op: the matte's lane, and whether an amount comes as its
            last number. The result is then mixed with the first lanes.
        masked: give ``outside`` outside the op's own window, whose corners come as integers.
        outside: what the op's type reads where there are no pixels.
        decided: outcomes of the conditions that the function's numbers decide (`decisions.decisions_of`), then of
            those that the amount decides.
    """

    function: PixelFunction
    lanes: tuple[Lane, ...]
    numbers: int = 0
    alpha: Lane | None = None
    straight: bool = False
    within: Lane | None = None
    amount: bool = False
    masked: bool = False
    outside: float = 0.0
    decided: tuple[bool, ...] = ()


@dataclass(frozen=True)
class Program:
    """Ops in order, and which of their results are written to planes.

    Attributes:
        groups: for each input picture, how many planes of it are read; planes are numbered through.
        ops: in an order in which lanes are known before they are used.
        outputs: (op, lane) of each plane written.
        insides: how many windows lanes ask about.
        half_inputs: which input planes hold 16-bit floats; none when empty.
        half_outputs: which outputs are written as 16-bit floats; none when empty.
        counted: values beyond the range of 16-bit floats are clamped to it and counted. If not, the loop is
        faster,
            and says whether there are any: then its results are of no use.
        watched: input planes of which the loop says whether any pixel that it reads is not finite.
    """

    groups: tuple[int, ...]
    ops: tuple[Op, ...]
    outputs: tuple[tuple[int, int], ...]
    insides: int = 0
    half_inputs: tuple[bool, ...] = ()
    half_outputs: tuple[bool, ...] = ()
    counted: bool = False
    watched: tuple[int, ...] = ()

    @property
    def inputs(self) -> int:
        """How many planes are read."""
        return sum(self.groups)

    @property
    def integers(self) -> int:
        """Length of the integer argument: two offsets a group, four corners a masked op, four a window."""
        return 2 * len(self.groups) + 4 * (sum(op.masked for op in self.ops) + self.insides)
