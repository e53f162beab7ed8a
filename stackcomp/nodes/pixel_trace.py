"""The arithmetic of a function without its text: it is run on symbols, once for each way through its conditions.

An interactive interpreter keeps no text of what is typed. There is no loop in a pixel function, so running it on
symbols meets every operation. A condition is tried both ways; the results of the ways are joined by conditional
expressions, so that the text that comes out gives what the function gives.
"""

from __future__ import annotations

import dis
import types
from collections.abc import Callable, Mapping
from inspect import CO_VARARGS as VARARGS
from inspect import CO_VARKEYWORDS as VARKEYWORDS
from typing import Any, Protocol

from stackcomp.nodes.pixel_maths import FUNCTIONS

__all__ = ["Traceable", "traced"]

#: Ways through a function that are tried at most.
_MOST_WAYS = 1024
_ELSEWHERE = (
    "STORE_GLOBAL",
    "STORE_ATTR",
    "STORE_SUBSCR",
    "BINARY_SUBSCR",
    "LOAD_ATTR",
    "LOAD_METHOD",
    "IMPORT_NAME",
)
_NAMED = ("LOAD_GLOBAL", "LOAD_NAME", "LOAD_DEREF", "LOAD_CLASSDEREF", "LOAD_FROM_DICT_OR_DEREF")


class Traceable(Protocol):
    """A function and the pixel functions that it calls, by name."""

    @property
    def python(self) -> Callable[..., Any]:
        """The function itself."""

    @property
    def called(self) -> Mapping[str, Any]:
        """Other functions of this kind, by the names that it calls them by."""


def traced(function: Traceable) -> str:
    """The text of a function that does what ``function.python`` does; what it calls becomes part of the text.

    Raises:
        TypeError: it does more than arithmetic on its arguments.
    """
    code = function.python.__code__
    if code.co_kwonlyargcount or code.co_flags & (VARARGS | VARKEYWORDS):
        raise TypeError("it takes more than plain arguments")
    arguments = code.co_varnames[: code.co_argcount]
    tape = _Tape()
    results = _ways(_on_symbols(function, tape), [_Symbol(tape, name) for name in arguments], tape, {})
    lines = [f"    {name} = {text}" for text, name in tape.names.items()]
    name = code.co_name if code.co_name.isidentifier() else "nameless"
    head = f"def {name}({', '.join(arguments)}):"
    return "\n".join([head, *lines, f"    return ({', '.join(results)},)", ""])


class _OpenConditionError(Exception):
    def __init__(self, text: str) -> None:
        self.text = text


class _Tape:
    """Every operation once, as text, in the order in which it was met."""

    def __init__(self) -> None:
        self.names: dict[str, str] = {}
        self.decided: dict[str, bool] = {}
        self.ways = 1

    def note(self, text: str) -> _Symbol:
        """A symbol for the result of an operation."""
        return _Symbol(self, self.names.setdefault(text, f"_t{len(self.names)}"))

    def text(self, value: Any) -> str:
        """A value as text: a symbol's name, or a number."""
        if isinstance(value, _Symbol):
            return value.text
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise TypeError(f"{value!r} is not a number")
        return repr(value) if value >= 0 else f"({value!r})"

    def function(self, name: str) -> Callable[..., _Symbol]:
        """One of the functions that pixel functions may call, for symbols."""
        return lambda *values: self.note(f"{name}({', '.join(map(self.text, values))})")


class _Symbol:
    """A number that is not known."""

    def __init__(self, tape: _Tape, text: str) -> None:
        self.tape, self.text = tape, text

    def __bool__(self) -> bool:
        if self.text not in self.tape.decided:
            raise _OpenConditionError(self.text)
        return self.tape.decided[self.text]

    def __neg__(self) -> _Symbol:
        return self.tape.note(f"-{self.text}")

    def __pos__(self) -> _Symbol:
        return self

    def __abs__(self) -> _Symbol:
        return self.tape.note(f"abs({self.text})")


def _operation(sign: str, *, swapped: bool = False) -> Callable[[_Symbol, Any], _Symbol]:
    def operate(self: _Symbol, other: Any) -> _Symbol:
        left, right = self.text, self.tape.text(other)
        return self.tape.note(f"{right} {sign} {left}" if swapped else f"{left} {sign} {right}")

    return operate


for _name, _sign in {"add": "+", "sub": "-", "mul": "*", "truediv": "/"}.items():
    setattr(_Symbol, f"__{_name}__", _operation(_sign))
    setattr(_Symbol, f"__r{_name}__", _operation(_sign, swapped=True))
for _name, _sign in {"lt": "<", "le": "<=", "gt": ">", "ge": ">=", "eq": "==", "ne": "!="}.items():
    setattr(_Symbol, f"__{_name}__", _operation(_sign))


def _ways(
    function: Callable[..., Any], symbols: list[_Symbol], tape: _Tape, decided: dict[str, bool]
) -> list[str]:
    """One expression for each result, given what is decided; an open condition is tried both ways."""
    tape.decided = decided
    try:
        result = function(*symbols)
    except _OpenConditionError as condition:
        tape.ways += 1
        if tape.ways > _MOST_WAYS:
            raise TypeError(f"there are more than {_MOST_WAYS} ways through its conditions") from None
        yes = _ways(function, symbols, tape, {**decided, condition.text: True})
        no = _ways(function, symbols, tape, {**decided, condition.text: False})
        if len(yes) != len(no):
            raise TypeError(f"it returns {len(yes)} or {len(no)} results") from None
        return [a if a == b else f"({a} if {condition.text} else {b})" for a, b in zip(yes, no, strict=True)]
    return [tape.text(value) for value in (result if isinstance(result, tuple) else (result,))]


def _on_symbols(function: Traceable, tape: _Tape) -> Callable[..., Any]:
    """The function, with those that it calls replaced by such as take symbols."""
    python = function.python
    steps = list(dis.get_instructions(python))
    jumps = {*dis.hasjrel, *dis.hasjabs}
    if any(step.opcode in jumps and step.argval <= step.offset for step in steps):
        raise TypeError("a loop is not straight-line code")
    for step in steps:
        if step.opname.startswith(_ELSEWHERE):
            raise TypeError(
                f"{step.argval!r} is not arithmetic" if isinstance(step.argval, str) else "it uses an index"
            )
        if step.opname in _NAMED and step.argval not in FUNCTIONS and step.argval not in function.called:
            raise TypeError(f"{step.argval!r} is neither argument nor function")
    space: dict[str, Any] = {name: tape.function(name) for name in FUNCTIONS}
    space |= {name: _always_tuple(_on_symbols(inner, tape)) for name, inner in function.called.items()}
    cells = tuple(types.CellType(space[name]) for name in python.__code__.co_freevars)
    return types.FunctionType(python.__code__, {**space, "__builtins__": {}}, python.__name__, None, cells)


def _always_tuple(function: Callable[..., Any]) -> Callable[..., tuple[Any, ...]]:
    def call(*values: Any) -> tuple[Any, ...]:
        result = function(*values)
        return result if isinstance(result, tuple) else (result,)

    return call
