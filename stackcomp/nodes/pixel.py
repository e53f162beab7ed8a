"""Pixel functions: the maths of one pixel, written once and used three ways.

    @pixel
    def over(sr, sg, sb, sa, br, bg, bb, ba):
        keep = 1 - sa
        return sr + br * keep, sg + bg * keep, sb + bb * keep, sa + ba * keep

A pixel function is straight-line code over numbers: assignments, arithmetic, comparisons, the conditional
expression ``a if test else b``, and the functions listed in `FUNCTIONS`. It has no loops, no arrays, no
windows. It may call another pixel function where the results get names: ``(m,) = mode(b, s)``. It can be
called as plain Python (that is how tests check it by hand), and the execute stage evaluates its statements in an
algebra of vectors (`Algebra`), with every constant as float32, inside a loop together with those of its
neighbours.

Both sides of a condition are computed and one is chosen, but for a condition between a number and a constant,
such as ``x if exponent == 1 else power(x, exponent)``: it is the same for all pixels, so it is decided before the
loop is made, and what it leaves out costs nothing.

The text comes from the file or the notebook cell that holds the function. Where there is none, as in an
interactive interpreter, the function is run on symbols instead, which gives the same arithmetic (`pixel_trace`).
"""

from __future__ import annotations

import ast
import functools
import inspect
import itertools
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Protocol, TypeVar

from stackcomp.errors import RequestError
from stackcomp.nodes.pixel_maths import FUNCTIONS, exp2, log2, power, root
from stackcomp.nodes.pixel_trace import traced

__all__ = ["FUNCTIONS", "Algebra", "PixelFunction", "PixelFunctionError", "exp2", "log2", "pixel", "power", "root"]


class PixelFunctionError(RequestError, TypeError):
    """A function that is not straight-line arithmetic. Also a TypeError."""


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


_NAN_OF_NEGATIVE = "call power(x, exponent) or root(x) of stackcomp.nodes, which give 0 below 0"
#: Operators that are not offered: how they are written, and what to use instead.
_NOT_ALLOWED: dict[type[ast.AST], tuple[str, str]] = {
    ast.Pow: ("**", _NAN_OF_NEGATIVE),
    ast.Mod: ("%", "use plain arithmetic: + - * /"),
    ast.FloorDiv: ("//", "use plain arithmetic: + - * /"),
    ast.UAdd: ("a plus sign", "leave it out"),
}


_ARITHMETIC: dict[type[ast.operator], str] = {ast.Add: "add", ast.Sub: "sub", ast.Mult: "mul", ast.Div: "div"}
_COMPARISONS: dict[type[ast.cmpop], str] = {
    ast.Lt: "lt",
    ast.LtE: "le",
    ast.Gt: "gt",
    ast.GtE: "ge",
    ast.Eq: "eq",
    ast.NotEq: "ne",
}

V = TypeVar("V")


class Algebra(Protocol[V]):
    """What the operations of a pixel function are on some kind of value, such as code on vectors."""

    def constant(self, value: float) -> V:
        """A number that stands in the text."""

    def arithmetic(self, op: str, a: V, b: V) -> V:
        """``add``, ``sub``, ``mul`` or ``div``."""

    def negative(self, a: V) -> V:
        """The value with the other sign."""

    def compare(self, op: str, a: V, b: V) -> V:
        """``lt``, ``le``, ``gt``, ``ge``, ``eq`` or ``ne``; false with NaN, but for ``ne``."""

    def both(self, a: V, b: V) -> V:
        """Whether two conditions hold."""

    def either(self, a: V, b: V) -> V:
        """Whether one of two conditions holds."""

    def opposite(self, a: V) -> V:
        """Whether a condition does not hold."""

    def choose(self, test: V, yes: Callable[[], V], no: Callable[[], V]) -> V:
        """One of two values; that which is left out need not be made."""

    def call(self, name: str, arguments: list[V]) -> V:
        """One of `FUNCTIONS`."""


class PixelFunction:
    """A parsed pixel function.

    Attributes:
        name: its name.
        python: the function itself.
        called: pixel functions that it calls, by name.
        arguments: names of its arguments, lanes first, then numbers.
    """

    def __init__(self, python: Callable[..., Any]) -> None:
        self.python = python
        self.name = python.__name__
        self.__doc__ = python.__doc__
        scope = inspect.getclosurevars(python)
        self.called: dict[str, Any] = {
            name: value
            for name, value in (*scope.globals.items(), *scope.nonlocals.items())
            if isinstance(value, PixelFunction)
        }
        tree = _definition(python)
        # Of traced text what it calls is part already.
        self._called = {} if tree is None else self.called
        tree = tree or self._traced()
        self.arguments = tuple(argument.arg for argument in tree.args.args)
        body = tree.body
        if isinstance(body[0], ast.Expr) and isinstance(body[0].value, ast.Constant):
            body = body[1:]
        if not body or not isinstance(body[-1], ast.Return) or body[-1].value is None:
            raise self._refused("it returns nothing", "end it with return and the results")
        self._check(body)
        self._steps, last = body[:-1], body[-1]
        assert isinstance(last, ast.Return)
        assert last.value is not None
        self._results = last.value.elts if isinstance(last.value, ast.Tuple) else [last.value]
        self._body = body

    @functools.cached_property
    def source(self) -> str:
        """Normalised source text; two functions with equal source compile to equal code."""
        inner = [f"{name}: {function.source}" for name, function in sorted(self._called.items())]
        return "\n".join([ast.unparse(ast.Module(body=self._body, type_ignores=[])), *inner])

    def __call__(self, *values: float) -> tuple[float, ...]:
        """One pixel in plain Python: lanes and numbers in, result lanes out."""
        result = self.python(*values)
        return result if isinstance(result, tuple) else (result,)

    def _traced(self) -> ast.FunctionDef:
        try:
            tree = ast.parse(traced(self)).body[0]
        except TypeError as error:
            raise self._refused(str(error), "write plain arithmetic, in a file or a notebook cell") from None
        assert isinstance(tree, ast.FunctionDef)
        return tree

    def _refused(self, message: str, way_out: str) -> PixelFunctionError:
        code = self.python.__code__
        place = f"{code.co_filename}, line {code.co_firstlineno}"
        return PixelFunctionError(f"pixel function {self.name} ({place})", message, way_out)

    @property
    def lanes_out(self) -> int:
        """How many values it returns."""
        return len(self._results)

    def _check(self, body: list[ast.stmt]) -> None:
        known = {*self.arguments, *FUNCTIONS, *self._called}
        allowed = "use assignments, arithmetic, comparisons and a if b else c"
        for number, statement in enumerate(body):
            last = number == len(body) - 1
            if not isinstance(statement, _STATEMENTS) or isinstance(statement, ast.Return) != last:
                text = ast.unparse(statement).splitlines()[0]
                raise self._refused(f"{text!r} is not straight-line code", allowed)
            for part in ast.walk(statement):
                if part is statement:
                    continue
                if not isinstance(part, _EXPRESSIONS):
                    what, instead = _NOT_ALLOWED.get(type(part), ("", allowed))
                    what = what or (f"{ast.unparse(part)!r}" if isinstance(part, ast.expr) else "something")
                    raise self._refused(f"{what} in {ast.unparse(statement)!r} is not allowed", instead)
                if isinstance(part, ast.Name) and isinstance(part.ctx, ast.Store):
                    known.add(part.id)
            for part in ast.walk(statement):
                if isinstance(part, ast.Name) and part.id not in known:
                    message = f"{part.id!r} is neither argument nor function"
                    way_out = f"pass it as an argument, or call one of {', '.join(FUNCTIONS)}"
                    raise self._refused(message, way_out)
                if isinstance(part, ast.Call) and self._call(part) and not self._gives_names(statement, part):
                    message = f"{ast.unparse(part)} is used without a name"
                    raise self._refused(message, "give its results names: (x, y) = function(…)")

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

    def evaluate(self, values: Sequence[V], algebra: Algebra[V]) -> list[V]:
        """The results in any algebra: how compiled code, and whatever else, is made from the function.

        Args:
            values: a value for each argument.
            algebra: what the operations are.
        """
        names = dict(zip(self.arguments, values, strict=True))
        for step in self._steps:
            if isinstance(step, ast.AugAssign):
                assert isinstance(step.target, ast.Name)
                old, by = names[step.target.id], self._value(step.value, names, algebra)
                names[step.target.id] = algebra.arithmetic(_ARITHMETIC[type(step.op)], old, by)
                continue
            assert isinstance(step, ast.Assign)
            made = self._values(step.value, names, algebra)
            for target in step.targets:
                parts = target.elts if isinstance(target, ast.Tuple) else [target]
                for part, value in zip(parts, made, strict=True):
                    assert isinstance(part, ast.Name)
                    names[part.id] = value
        return [self._value(result, names, algebra) for result in self._results]

    def _values(self, right: ast.expr, names: Mapping[str, V], algebra: Algebra[V]) -> list[V]:
        """Values of the right side of an assignment: of a called pixel function, a tuple, or one."""
        inner = self._call(right)
        if inner is not None:
            assert isinstance(right, ast.Call)
            return inner.evaluate([self._value(argument, names, algebra) for argument in right.args], algebra)
        parts = right.elts if isinstance(right, ast.Tuple) else [right]
        return [self._value(part, names, algebra) for part in parts]

    def _value(self, part: ast.expr, names: Mapping[str, V], algebra: Algebra[V]) -> V:
        def of(inner: ast.expr) -> V:
            return self._value(inner, names, algebra)

        match part:
            case ast.Name():
                return names[part.id]
            case ast.Constant(value=int() | float() as number):
                return algebra.constant(float(number))
            case ast.BinOp():
                return algebra.arithmetic(_ARITHMETIC[type(part.op)], of(part.left), of(part.right))
            case ast.UnaryOp(op=ast.Not()):
                return algebra.opposite(of(part.operand))
            case ast.UnaryOp():
                return algebra.negative(of(part.operand))
            case ast.BoolOp():
                join = algebra.both if isinstance(part.op, ast.And) else algebra.either
                return functools.reduce(join, map(of, part.values))
            case ast.Compare():
                sides = [of(side) for side in (part.left, *part.comparators)]
                tests = [
                    algebra.compare(_COMPARISONS[type(op)], left, right)
                    for op, (left, right) in zip(part.ops, itertools.pairwise(sides), strict=True)
                ]
                return functools.reduce(algebra.both, tests)
            case ast.IfExp():
                return algebra.choose(of(part.test), lambda: of(part.body), lambda: of(part.orelse))
            case ast.Call(func=ast.Name(id=name)):
                return algebra.call(name, [of(argument) for argument in part.args])
        raise TypeError(f"{ast.unparse(part)!r} has no place in a pixel function")


def _definition(python: Callable[..., Any]) -> ast.FunctionDef | None:
    """The function's own text, parsed; None where there is none, or where it is part of something else."""
    try:
        lines, _ = inspect.findsource(python)
        found = _functions_of("".join(lines)).get(python.__code__.co_firstlineno)
    except (OSError, SyntaxError, ValueError):
        return None
    return found if found is not None and found.name == python.__name__ else None


# Many functions come from one file. To look for each of them in its text takes longer than to parse it once.
@functools.lru_cache(maxsize=1)
def _functions_of(text: str) -> dict[int, ast.FunctionDef]:
    """All functions of a file or cell, by the line of their first decorator."""
    functions = (part for part in ast.walk(ast.parse(text)) if isinstance(part, ast.FunctionDef))
    return {min([part.lineno, *(one.lineno for one in part.decorator_list)]): part for part in functions}


def pixel(function: Callable[..., Any]) -> PixelFunction:
    """Make a function of one pixel into a `PixelFunction`.

    It works in files, in notebooks and in an interactive interpreter.

    Raises:
        PixelFunctionError: anything in it is not straight-line arithmetic. A RequestError and a TypeError.
    """
    if not inspect.isfunction(function):
        message = f"{function!r:.60} is not a function"
        raise PixelFunctionError("pixel", message, "put @pixel before def")
    return PixelFunction(function)
