"""A `Program` as LLVM code.

Two functions. ``row`` computes a number of whole vectors from the left of a row: what numbers alone decide first,
then one loop. ``run`` goes over rows, calls it, and calls it once more for the pixels that are left, which lie in
scratch vectors then, so that nothing beyond a plane is read or written.

    run(y0, y1, width, numbers, integers, planes, pitches, counts)

``planes`` are the addresses of inputs and outputs, and ``pitches`` their lengths of a row in pixels. ``counts``
are added to: for each half output the values that were clamped; for the watched inputs together, last, whether
any was not finite. Inputs and outputs never overlap: the engine sees to it, and the code says so (``noalias``).
"""

from __future__ import annotations

from dataclasses import replace

from stackcomp.execute.loops import half
from stackcomp.execute.loops.algebra import VectorAlgebra
from stackcomp.execute.loops.code import Code, Value
from stackcomp.nodes.pixel import PixelFunction
from stackcomp.plan.adjusting import mixed, weight
from stackcomp.plan.decisions import decisions_of
from stackcomp.plan.program import Lane, Op, Program

__all__ = ["code_of"]


def code_of(program: Program, *, fused: bool, native_half: bool, lanes: int) -> str:
    """The program as a module of LLVM code.

    Args:
        program: what the loop computes.
        fused: whether the processor multiplies and adds in one step.
        native_half: whether it converts 16-bit floats.
        lanes: pixels in a vector: a power of 2. Results do not depend on it.
    """
    return _Writer(program, fused, native_half, lanes).text()


class _Writer:
    def __init__(self, program: Program, fused: bool, native_half: bool, lanes: int) -> None:
        self.program, self.native_half, self.lanes = program, native_half, lanes
        self.code = Code(fused=fused, lanes=lanes)
        self.halves_in = program.half_inputs or (False,) * program.inputs
        self.halves_out = program.half_outputs or (False,) * len(program.outputs)
        self.planes: dict[int, Value] = {}
        self.results: list[list[Value]] = []
        self.insides: list[Value] = []
        self.columns: Value | None = None
        self.counted: list[tuple[int, Value]] = []
        self.sizes: list[tuple[int, Value]] = []

    # -- pixels --------------------------------------------------------------------------------------------

    def plane(self, k: int) -> Value:
        """Pixels of an input plane."""
        if k not in self.planes:
            kind = "half" if self.halves_in[k] else "float"
            self.code.line(f"%a{k} = getelementptr inbounds {kind}, ptr %i{k}, i64 %x")
            self.code.line(f"%p{k} = load <{self.lanes} x {kind}>, ptr %a{k}, align {2 if kind == 'half' else 4}")
            value = Value(f"%p{k}", kind, self.lanes)  # type: ignore[arg-type]
            self.planes[k] = half.widen(self.code, value, native=self.native_half) if kind == "half" else value
        return self.planes[k]

    def lane(self, lane: Lane) -> Value:
        """The value of a lane."""
        code = self.code
        if lane.origin == "constant":
            return code.constant(lane.value)
        if lane.origin == "inside":
            return self.insides[lane.index]
        if lane.of is not None:
            covered = code.compare("une", self.lane(lane.of), code.constant(0))
            return code.select(covered, code.constant(1), code.constant(0))
        return self.plane(lane.index) if lane.origin == "plane" else self.results[lane.index][lane.lane]

    def number(self, k: int, argument: int) -> Value:
        """A number of the program, as an argument of its function."""
        code = self.code
        address = code.scalar(f"getelementptr inbounds float, ptr %numbers, i64 {k}")
        return replace(code.spread("float", code.scalar(f"load float, ptr {address}, align 4")), number=argument)

    def op(self, op: Op, first_number: int, first_integer: int) -> None:
        """An op's results."""
        lanes = [self.lane(lane) for lane in op.lanes]
        numbers = [self.number(first_number + j, len(lanes) + j) for j in range(op.numbers)]
        tests = decisions_of(op.function, len(lanes))
        algebra = VectorAlgebra(self.code, dict(zip(tests, op.decided, strict=False)))
        limits = op.decided[len(tests) :]
        if any(limits):
            # The one condition of an amount is that it is 0: the input stays what it is.
            results = lanes[: op.function.lanes_out]
        elif op.alpha is None:
            results = op.function.evaluate([*lanes, *numbers], algebra)
        else:
            results = self.curve(op, lanes, numbers, algebra)
        results = [algebra.as_float(result) for result in results]
        if (op.within is not None or op.amount) and not any(limits):
            amount = self.number(first_number + op.numbers, 0) if op.amount else self.code.constant(1)
            results = self.mix(op, lanes, results, amount, limits)
        if op.masked:
            within, outside = self.within(first_integer), self.code.constant(op.outside)
            results = [self.code.select(within, result, outside) for result in results]
        self.results.append(results)
        self.code.interleave()

    def curve(self, op: Op, lanes: list[Value], numbers: list[Value], algebra: VectorAlgebra) -> list[Value]:
        """Divide by alpha, apply, multiply; light without coverage gets what black would not."""
        assert op.alpha is not None
        code, count = self.code, op.function.lanes_out
        zero, one = code.constant(0), code.constant(1)
        colour, others = lanes[:count], lanes[count:]
        # Where only numbers decide, the response to black is the same for every pixel: code before the loop.
        dark = op.function.evaluate([zero] * count + others + numbers, algebra)
        alpha = self.lane(op.alpha)
        covered = code.compare("une", alpha, zero)
        by = one if op.straight else code.select(covered, alpha, one)
        if not op.straight:
            colour = [code.arithmetic("fdiv", lane, by) for lane in colour]
        results = op.function.evaluate([*colour, *others, *numbers], algebra)
        if not op.straight:
            results = [code.arithmetic("fmul", algebra.as_float(result), by) for result in results]
        return [
            code.arithmetic("fsub", algebra.as_float(result), code.select(covered, zero, algebra.as_float(black)))
            for result, black in zip(results, dark, strict=True)
        ]

    def mix(
        self, op: Op, lanes: list[Value], results: list[Value], amount: Value, decided: tuple[bool, ...]
    ) -> list[Value]:
        """Results mixed with the first lanes."""

        def evaluate(function: PixelFunction, *values: Value) -> Value:
            (result,) = function.evaluate(values, algebra)
            return algebra.as_float(result)

        tests = decisions_of(weight, 0)
        # An amount that is not there is 1.
        table = dict(zip(tests, decided, strict=True)) if decided else dict.fromkeys(tests, False)
        algebra = VectorAlgebra(self.code, table)
        matte = self.code.constant(1) if op.within is None else self.lane(op.within)
        share = evaluate(weight, amount, matte)
        pairs = zip(results, lanes, strict=False)
        return [evaluate(mixed, result, lane, replace(share, number=None)) for result, lane in pairs]

    def within(self, first: int) -> Value:
        """Whether pixels lie in the window whose corners are four integers from the first."""
        code = self.code
        x0, y0, x1, y1 = (self.integer(first + j) for j in range(4))
        x, y = self.x(), code.spread("i32", "%y")
        across = code.both(code.compare("sge", x, x0), code.compare("slt", x, x1))
        return code.both(across, code.both(code.compare("sge", y, y0), code.compare("slt", y, y1)))

    def x(self) -> Value:
        """Columns of the pixels."""
        if self.columns is None:
            code, vector = self.code, f"<{self.lanes} x i32>"
            steps = ", ".join(f"i32 {k}" for k in range(self.lanes))
            code.line("%x.near = trunc i64 %x to i32")
            code.line("%x.first = add i32 %x.near, %x0")
            code.line(f"%x.one = insertelement {vector} poison, i32 %x.first, i64 0")
            code.line(f"%x.all = shufflevector {vector} %x.one, {vector} poison, {vector} zeroinitializer")
            code.line(f"%x.columns = add {vector} %x.all, <{steps}>")
            self.columns = Value("%x.columns", "i32", self.lanes)
        return self.columns

    def integer(self, k: int) -> Value:
        """An integer of the program in all lanes."""
        code = self.code
        address = code.scalar(f"getelementptr inbounds i64, ptr %integers, i64 {k}")
        wide = code.scalar(f"load i64, ptr {address}, align 8")
        return code.spread("i32", code.scalar(f"trunc i64 {wide} to i32"))

    def store(self, k: int, value: Value) -> None:
        """Write an output."""
        code, kind = self.code, "float"
        if self.halves_out[k]:
            kind = "half"
            if self.program.counted:
                value, beyond = half.clamp(code, value)
                self.counted.append((k, beyond))
            else:
                self.sizes.append((k, half.size_bits(code, value)))
            value = half.narrow(code, value, native=self.native_half)
        code.store(f"%b{k} = getelementptr inbounds {kind}, ptr %o{k}, i64 %x")
        code.store(f"store {value.typed}, ptr %b{k}, align {2 if kind == 'half' else 4}")

    # -- the loop ------------------------------------------------------------------------------------------

    def text(self) -> str:
        """The module."""
        program, code = self.program, self.code
        zero, one = code.constant(0), code.constant(1)
        after_masks = program.integers - 4 * program.insides
        self.insides = [code.select(self.within(after_masks + 4 * k), one, zero) for k in range(program.insides)]
        number, integer = 0, 2 * len(program.groups)
        for op in program.ops:
            self.op(op, number, integer)
            number += op.numbers + op.amount
            integer += 4 * op.masked
        for k in program.watched:
            self.plane(k)
        for k, (op_number, lane) in enumerate(program.outputs):
            self.store(k, self.results[op_number][lane])
        phis, ends, after = self.counters()
        body = [
            "entry:",
            *code.before,
            "%some = icmp sgt i64 %count, 0",
            "br i1 %some, label %loop, label %done",
            "loop:",
            "%x = phi i64 [ 0, %entry ], [ %next, %loop ]",
            *phis,
            *code.inside,
            *ends,
            f"%next = add nuw nsw i64 %x, {self.lanes}",
            "%more = icmp slt i64 %next, %count",
            "br i1 %more, label %loop, label %end",
            "end:",
            *after,
            "br label %done",
            "done:",
            "ret void",
        ]
        lines = [
            f"define internal void @row({', '.join(self.arguments())}) noinline nounwind {{",
            *body,
            "}",
        ]
        return "\n".join([*sorted(code.intrinsics), *self.run(), *lines, ""])

    def arguments(self) -> list[str]:
        """Of ``row``: how many pixels, the column and row of the first, valid lanes, and what it works on."""
        planes = [f"ptr noalias %i{k}" for k in range(self.program.inputs)]
        planes += [f"ptr noalias %o{k}" for k in range(len(self.program.outputs))]
        fixed = ["i64 %count", "i32 %x0", "i32 %y", "i32 %valid"]
        fixed += ["ptr noalias readonly %numbers", "ptr noalias readonly %integers", "ptr noalias %counts"]
        return fixed + planes

    def counters(self) -> tuple[list[str], list[str], list[str]]:
        """Code at the top of the loop, at its end and behind it that counts what was clamped or not finite."""
        code = self.code
        phis, ends, after = [], [], []
        whole, single = f"<{self.lanes} x i32>", f"<{self.lanes} x float>"
        for k, beyond in self.counted:
            steps = Value(f"<{', '.join(f'i32 {j}' for j in range(self.lanes))}>", "i32", self.lanes, uniform=True)
            valid = code.compare("slt", steps, code.spread("i32", "%valid"))
            seen = code.both(beyond, valid)
            phis.append(f"%c{k} = phi {whole} [ zeroinitializer, %entry ], [ %c{k}.next, %loop ]")
            ends.append(f"%c{k}.one = zext {seen.typed} to {whole}")
            ends.append(f"%c{k}.next = add {whole} %c{k}, %c{k}.one")
            after.append(f"%c{k}.sum = call i32 @llvm.vector.reduce.add.v{self.lanes}i32({whole} %c{k}.next)")
            after += self.add_count(f"c{k}", k)
            code.intrinsics.add(f"declare i32 @llvm.vector.reduce.add.v{self.lanes}i32({whole})")
        if self.sizes:
            # The largest size of all outputs says whether any was beyond the range of half.
            place, largest = self.sizes[0]
            for _, size in self.sizes[1:]:
                largest = code.select(code.compare("sgt", size, largest), size, largest)
            limit = code.convert("bitcast", code.constant(half.LARGEST), "i32")
            phis.append(f"%m = phi {whole} [ zeroinitializer, %entry ], [ %m.next, %loop ]")
            ends.append(f"%m.more = icmp sgt {largest.typed}, %m")
            ends.append(f"%m.next = select <{self.lanes} x i1> %m.more, {largest.typed}, {whole} %m")
            after.append(f"%m.beyond = icmp sgt {whole} %m.next, {limit.text}")
            after += self.any_of("m", "%m.beyond", place)
        watched = [self.planes[k] for k in self.program.watched]
        if watched:
            # The sum of all is not finite if one of them is not; times 0 it is then NaN, which stays. Should the
            # sum of finite pixels overflow, a closer look finds nothing.
            total = watched[0]
            for other in watched[1:]:
                total = code.arithmetic("fadd", total, other)
            nothing = code.arithmetic("fmul", total, code.constant(0))
            phis.append(f"%n = phi {single} [ zeroinitializer, %entry ], [ %n.next, %loop ]")
            ends.append(f"%n.next = fadd {single} %n, {nothing.text}")
            after.append(f"%n.bad = fcmp uno {single} %n.next, %n.next")
            after += self.any_of("n", "%n.bad", len(self.program.outputs))
        return phis, ends, after

    def any_of(self, name: str, condition: str, place: int) -> list[str]:
        """Code that adds 1 to a count where a condition holds in any lane."""
        vector = f"<{self.lanes} x i1>"
        self.code.intrinsics.add(f"declare i1 @llvm.vector.reduce.or.v{self.lanes}i1({vector})")
        return [
            f"%{name}.any = call i1 @llvm.vector.reduce.or.v{self.lanes}i1({vector} {condition})",
            f"%{name}.sum = zext i1 %{name}.any to i32",
            *self.add_count(name, place),
        ]

    def add_count(self, name: str, place: int) -> list[str]:
        """Code that adds ``%name.sum`` to a count."""
        return [
            f"%{name}.wide = sext i32 %{name}.sum to i64",
            f"%{name}.place = getelementptr inbounds i64, ptr %counts, i64 {place}",
            f"%{name}.old = load i64, ptr %{name}.place, align 8",
            f"%{name}.total = add i64 %{name}.old, %{name}.wide",
            f"store i64 %{name}.total, ptr %{name}.place, align 8",
        ]

    # -- rows ----------------------------------------------------------------------------------------------

    def run(self) -> list[str]:
        """The function that goes over rows."""
        program = self.program
        inputs, outputs = program.inputs, len(program.outputs)
        names = [f"i{k}" for k in range(inputs)] + [f"o{k}" for k in range(outputs)]
        halves = [*self.halves_in, *self.halves_out]
        group_of = [g for g, count in enumerate(program.groups) for _ in range(count)]
        entry, row, fill, save = [], [], [], []
        for j, (name, is_half) in enumerate(zip(names, halves, strict=True)):
            kind, size = ("half", 2) if is_half else ("float", 4)
            entry += [
                f"%{name}.at = getelementptr inbounds ptr, ptr %planes, i64 {j}",
                f"%{name}.base = load ptr, ptr %{name}.at, align 8",
                f"%{name}.pat = getelementptr inbounds i64, ptr %pitches, i64 {j}",
                f"%{name}.pitch = load i64, ptr %{name}.pat, align 8",
                f"%{name}.scratch = alloca <{self.lanes} x {kind}>, align 32",
                f"store <{self.lanes} x {kind}> zeroinitializer, ptr %{name}.scratch, align 32",
            ]
            down, right = "%y", "0"
            if j < inputs:
                g = group_of[j]
                entry += [
                    f"%{name}.dyat = getelementptr inbounds i64, ptr %integers, i64 {2 * g}",
                    f"%{name}.dy = load i64, ptr %{name}.dyat, align 8",
                    f"%{name}.dxat = getelementptr inbounds i64, ptr %integers, i64 {2 * g + 1}",
                    f"%{name}.dx = load i64, ptr %{name}.dxat, align 8",
                ]
                row.append(f"%{name}.y = add i64 %y, %{name}.dy")
                down, right = f"%{name}.y", f"%{name}.dx"
            row += [
                f"%{name}.rows = mul i64 {down}, %{name}.pitch",
                f"%{name}.offset = add i64 %{name}.rows, {right}",
                f"%{name}.row = getelementptr {kind}, ptr %{name}.base, i64 %{name}.offset",
            ]
            rest = f"%{name}.rest = getelementptr {kind}, ptr %{name}.row, i64 %whole"
            bytes = f"%{name}.bytes = mul i64 %left, {size}"
            if j < inputs:
                fill += [rest, bytes, self.copy(f"%{name}.scratch", f"%{name}.rest", f"%{name}.bytes")]
            else:
                save += [rest, bytes, self.copy(f"%{name}.rest", f"%{name}.scratch", f"%{name}.bytes")]
        fixed = "ptr %numbers, ptr %integers, ptr %counts"
        direct = ", ".join(f"ptr %{name}.row" for name in names)
        scratch = ", ".join(f"ptr %{name}.scratch" for name in names)
        return [
            "declare void @llvm.memcpy.p0.p0.i64(ptr, ptr, i64, i1)",
            "define void @run(i64 %y0, i64 %y1, i64 %width, ptr %numbers, ptr %integers, "
            "ptr %planes, ptr %pitches, ptr %counts) nounwind {",
            "entry:",
            *entry,
            f"%whole = and i64 %width, {-self.lanes}",
            "%left = sub i64 %width, %whole",
            "%left.lanes = trunc i64 %left to i32",
            "%whole.near = trunc i64 %whole to i32",
            "%ragged = icmp ne i64 %left, 0",
            "%some = icmp slt i64 %y0, %y1",
            "br i1 %some, label %rows, label %done",
            "rows:",
            "%y = phi i64 [ %y0, %entry ], [ %y.next, %next ]",
            *row,
            "%y.near = trunc i64 %y to i32",
            f"call void @row(i64 %whole, i32 0, i32 %y.near, i32 {self.lanes}, {fixed}, {direct})",
            "br i1 %ragged, label %rest, label %next",
            "rest:",
            *fill,
            f"call void @row(i64 {self.lanes}, i32 %whole.near, i32 %y.near, i32 %left.lanes, {fixed}, {scratch})",
            *save,
            "br label %next",
            "next:",
            "%y.next = add nsw i64 %y, 1",
            "%more = icmp slt i64 %y.next, %y1",
            "br i1 %more, label %rows, label %done",
            "done:",
            "ret void",
            "}",
        ]

    def copy(self, to: str, source: str, size: str) -> str:
        """Code that copies bytes."""
        return f"call void @llvm.memcpy.p0.p0.i64(ptr {to}, ptr {source}, i64 {size}, i1 false)"
