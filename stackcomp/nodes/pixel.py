"""Pixel functions: the maths of one pixel, written once and used three ways.

    @pixel
    def over(sr, sg, sb, sa, br, bg, bb, ba):
        keep = 1 - sa
        return sr + br * keep, sg + bg * keep, sb + bb * keep, sa + ba * keep

A pixel function is straight-line code over numbers: assignments, arithmetic, comparisons, the conditional
expression ``a if test else b``, and the functions listed in `FUNCTIONS`. It has no loops, no arrays, no
windows. It may call another pixel function where the results get names: ``(m,) = mode(b, s)``. It can be
called as plain Python (that is how tests check it by hand), and `fuse` copies its statements, with every
constant as float32, into a loop together with those of its neighbours.
"""

from __future__ import annotations

import ast
import inspect
import math
import textwrap
from collections.abc import Callable
from typing import Any

__all__ = ["FUNCTIONS", "PixelFunction", "exp2", "log2", "pixel", "power", "root"]


def log2(x: float) -> float:
    """Base-2 logarithm; minus infinity at and below 0."""
    return math.log2(x) if x > 0 else (x if x != x else -math.inf)


def exp2(x: float) -> float:
    """2 to the power x."""
    try:
        return float(2.0**x)
    except OverflowError:
        return math.inf


def power(x: float, exponent: float) -> float:
    """``x ** exponent`` for x above 0; 0 at and below it (``exponent`` is positive)."""
    try:
        return float(x**exponent) if x > 0 else (x if x != x else 0.0)
    except OverflowError:
        return math.inf


def root(x: float) -> float:
    """Square root; 0 below 0."""
    return math.sqrt(x) if x > 0 else (x if x != x else 0.0)


#: Functions a pixel function may call; compiled code has them from ``kernels.fastmath``.
FUNCTIONS: dict[str, Callable[..., float]] = {
    "abs": abs,
    "exp2": exp2,
    "log2": log2,
    "max": max,
    "min": min,
    "power": power,
    "root": root,
}

_STATEMENTS = (ast.Assign, ast.AugAssign, ast.Return)
_EXPRESSIONS = (
    ast.Name,
    ast.Constant,
    ast.BinOp,
    ast.UnaryOp,
    ast.Compare,
    ast.BoolOp,
    ast.IfExp,
    ast.Call,
    ast.Tuple,
    ast.Load,
    ast.Store,
    ast.Add,
    ast.Sub,
    ast.Mult,
    ast.Div,
    ast.USub,
    ast.Not,
    ast.And,
    ast.Or,
    ast.Lt,
    ast.LtE,
    ast.Gt,
    ast.GtE,
    ast.Eq,
    ast.NotEq,
)


class PixelFunction:
    """A parsed pixel function.

    Attributes:
        name: its name.
        arguments: names of its arguments, lanes first, then numbers.
        source: normalised source text; two functions with equal source compile to equal code.
    """

    def __init__(self, python: Callable[..., Any]) -> None:
        self.python = python
        self.name = python.__name__
        self.__doc__ = python.__doc__
        tree = ast.parse(textwrap.dedent(inspect.getsource(python))).body[0]
        assert isinstance(tree, ast.FunctionDef)
        seen = inspect.getclosurevars(python)
        self._called = {
            name: value
            for name, value in (*seen.globals.items(), *seen.nonlocals.items())
            if isinstance(value, PixelFunction)
        }
        self.arguments = tuple(argument.arg for argument in tree.args.args)
        body = tree.body
        if isinstance(body[0], ast.Expr) and isinstance(body[0].value, ast.Constant):
            body = body[1:]
        self._check(body)
        self._steps, last = body[:-1], body[-1]
        assert isinstance(last, ast.Return)
        assert last.value is not None
        self._results = last.value.elts if isinstance(last.value, ast.Tuple) else [last.value]
        inner = [f"{name}: {function.source}" for name, function in sorted(self._called.items())]
        self.source: str = "\n".join([ast.unparse(ast.Module(body=body, type_ignores=[])), *inner])

    def __call__(self, *values: float) -> tuple[float, ...]:
        """One pixel in plain Python: lanes and numbers in, result lanes out."""
        result = self.python(*values)
        return result if isinstance(result, tuple) else (result,)

    @property
    def lanes_out(self) -> int:
        """How many values it returns."""
        return len(self._results)

    def _check(self, body: list[ast.stmt]) -> None:
        known = {*self.arguments, *FUNCTIONS, *self._called}
        for number, statement in enumerate(body):
            last = number == len(body) - 1
            if not isinstance(statement, _STATEMENTS) or isinstance(statement, ast.Return) != last:
                raise TypeError(
                    f"pixel function {self.name}: {ast.unparse(statement)!r} is not straight-line code"
                )
            for part in ast.walk(statement):
                if part is statement:
                    continue
                if not isinstance(part, _EXPRESSIONS):
                    raise TypeError(f"pixel function {self.name}: {type(part).__name__} is not allowed")
                if isinstance(part, ast.Name) and isinstance(part.ctx, ast.Store):
                    known.add(part.id)
            for part in ast.walk(statement):
                if isinstance(part, ast.Name) and part.id not in known:
                    raise TypeError(f"pixel function {self.name}: {part.id!r} is neither argument nor function")
                if isinstance(part, ast.Call) and self._call(part) and not self._gives_names(statement, part):
                    raise TypeError(f"pixel function {self.name}: {ast.unparse(part)} is used without a name")

    def _call(self, value: ast.expr) -> PixelFunction | None:
        """The pixel function that an expression calls, if that is what it is."""
        if isinstance(value, ast.Call) and isinstance(value.func, ast.Name):
            return self._called.get(value.func.id)
        return None

    def _gives_names(self, statement: ast.stmt, call: ast.Call) -> bool:
        if not isinstance(statement, ast.Assign) or statement.value is not call:
            return False
        inner, target = self._call(call), statement.targets[0]
        fits = isinstance(target, ast.Tuple) and inner is not None and len(target.elts) == inner.lanes_out
        return fits and len(statement.targets) == 1

    def inline(
        self, prefix: str, values: list[str], targets: list[str], constant: Callable[[float], str]
    ) -> list[str]:
        """Source lines that compute this function in place.

        Args:
            prefix: put before every local name, so that functions do not meet.
            values: an expression for each argument.
            targets: a name for each result.
            constant: gives the name that stands for a numeric constant.
        """
        names = dict(zip(self.arguments, values, strict=True))
        rewrite = _Rewrite(names, prefix, constant)
        lines: list[str] = []
        for step in self._steps:
            if isinstance(step, ast.AugAssign):
                assert isinstance(step.target, ast.Name)
                read = ast.Name(step.target.id, ast.Load())
                step = ast.Assign([step.target], ast.BinOp(read, step.op, step.value), lineno=0)
            assert isinstance(step, ast.Assign)
            if self._call(step.value) is not None:
                lines += self._inline_call(step, f"{prefix}{len(lines)}", rewrite, constant)
                continue
            right = ast.unparse(rewrite.visit(_copy(step.value)))
            # A name assigned a second time is a new local, never the caller's value.
            lefts = []
            for target in step.targets:
                for part in ast.walk(target):
                    if isinstance(part, ast.Name):
                        names[part.id] = prefix + part.id
                lefts.append(ast.unparse(rewrite.visit(_copy(target))))
            lines.append(" = ".join([*lefts, right]))
        for target_name, result in zip(targets, self._results, strict=True):
            lines.append(f"{target_name} = {ast.unparse(rewrite.visit(_copy(result)))}")
        return lines

    def _inline_call(
        self, step: ast.Assign, tag: str, rewrite: _Rewrite, constant: Callable[[float], str]
    ) -> list[str]:
        call, target = step.value, step.targets[0]
        assert isinstance(call, ast.Call)
        assert isinstance(target, ast.Tuple)
        inner = self._call(call)
        assert inner is not None
        values = [f"({ast.unparse(rewrite.visit(_copy(argument)))})" for argument in call.args]
        names = [part.id for part in target.elts if isinstance(part, ast.Name)]
        # Results have names of their own first: an argument may be what gets a new value.
        made = [f"{tag}r_{name}" for name in names]
        lines = inner.inline(f"{tag}_", values, made, constant)
        for name, result in zip(names, made, strict=True):
            rewrite.names[name] = rewrite.prefix + name
            lines.append(f"{rewrite.names[name]} = {result}")
        return lines


def _copy(node: ast.AST) -> Any:
    return ast.parse(ast.unparse(node), mode="eval").body


class _Rewrite(ast.NodeTransformer):
    def __init__(self, names: dict[str, str], prefix: str, constant: Callable[[float], str]) -> None:
        self.names, self.prefix, self.constant = names, prefix, constant

    def visit_Name(self, node: ast.Name) -> ast.AST:
        if node.id in self.names:
            return ast.Name(self.names[node.id], node.ctx)
        return node

    def visit_Constant(self, node: ast.Constant) -> ast.AST:
        if isinstance(node.value, int | float) and not isinstance(node.value, bool):
            return ast.Name(self.constant(float(node.value)), ast.Load())
        raise TypeError(f"{node.value!r} has no place in a pixel function")


def pixel(function: Callable[..., Any]) -> PixelFunction:
    """Make a function of one pixel into a `PixelFunction`.

    Raises:
        TypeError: anything in it that is not straight-line arithmetic.
    """
    return PixelFunction(function)
