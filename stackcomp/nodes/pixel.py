"""Pixel functions: the maths of one pixel, written once and used three ways.

    @pixel
    def over(sr, sg, sb, sa, br, bg, bb, ba):
        keep = 1 - sa
        return sr + br * keep, sg + bg * keep, sb + bb * keep, sa + ba * keep

A pixel function is straight-line code over numbers: assignments, arithmetic, comparisons, the conditional
expression ``a if test else b``, and the functions listed in `FUNCTIONS`. It has no loops, no arrays, no
windows. It may call another pixel function where the results get names: ``(m,) = mode(b, s)``. It can be
called as plain Python (that is how tests check it by hand), and the execute stage copies its statements, with
every constant as float32, into a loop together with those of its neighbours.

The text comes from the file or the notebook cell that holds the function. Where there is none, as in an
interactive interpreter, the function is run on symbols instead, which gives the same arithmetic (`pixel_trace`).
"""

from __future__ import annotations

import ast
import inspect
import textwrap
from collections.abc import Callable
from typing import Any

from stackcomp.errors import RequestError
from stackcomp.nodes.pixel_maths import FUNCTIONS, exp2, log2, power, root
from stackcomp.nodes.pixel_trace import traced

__all__ = ["FUNCTIONS", "PixelFunction", "PixelFunctionError", "exp2", "log2", "pixel", "power", "root"]


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


class PixelFunction:
    """A parsed pixel function.

    Attributes:
        name: its name.
        python: the function itself.
        called: pixel functions that it calls, by name.
        arguments: names of its arguments, lanes first, then numbers.
        source: normalised source text; two functions with equal source compile to equal code.
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
        inner = [f"{name}: {function.source}" for name, function in sorted(self._called.items())]
        self.source: str = "\n".join([ast.unparse(ast.Module(body=body, type_ignores=[])), *inner])

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
                    raise self._refused(
                        f"{type(part).__name__} in {ast.unparse(statement)!r} is not allowed", allowed
                    )
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


def _definition(python: Callable[..., Any]) -> ast.FunctionDef | None:
    """The function's own text, parsed; None where there is none, or where it is part of something else."""
    try:
        tree = ast.parse(textwrap.dedent(inspect.getsource(python)))
    except (OSError, SyntaxError):
        return None
    first = tree.body[0] if tree.body else None
    return first if isinstance(first, ast.FunctionDef) and first.name == python.__name__ else None


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
