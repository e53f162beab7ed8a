"""Pixel functions where no file holds their text: notebooks, interactive interpreters, exec, lambdas."""

import ast
import linecache
import subprocess
import sys
import textwrap

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from plain_algebra import evaluated

from stackcomp import RequestError
from stackcomp.nodes import PixelFunction, pixel
from stackcomp.nodes.kinds import KINDS
from stackcomp.nodes.pixel_trace import traced

HEAD = "from stackcomp.nodes import pixel\nfrom stackcomp.nodes.pixel import power, root\n"
TEXTS = {
    "plain": "def f(a, b):\n    return a + 2 * b, -a / 4, 1 - b",
    "conditions": "def f(a, b):\n    t = a if a > b else b\n    return (t * t if 0 < a < 2 else abs(b), t)",
    "logic": "def f(a, b):\n    return (1 if a > 0 and not b > 0 else 0), (a if a < -1 or b < -1 else b)",
    "functions": "def f(a, b):\n    return max(min(a, 1), 0), power(a, 2), root(b)",
    "again": "def f(a, b):\n    a += b\n    a, b = b, a\n    return a, b * b",
    "not a number": "def f(a, b):\n    return (0 if a != a else a), b",
}
numbers = st.floats(-4, 4, width=32) | st.sampled_from([0.0, 1.0, float("nan"), float("inf")])


def untold(text: str, name: str = "f", **more: object) -> PixelFunction:
    """A pixel function whose text Python does not know."""
    space: dict[str, object] = dict(more)
    exec(HEAD + textwrap.dedent(text), space)
    return pixel(space[name])  # type: ignore[arg-type]


@pytest.mark.parametrize("text", TEXTS.values(), ids=TEXTS)
@given(a=numbers, b=numbers)
def test_the_traced_text_gives_what_the_function_gives(text, a, b):
    function = untold(text)
    np.testing.assert_array_equal(evaluated(function, a, b), function(a, b))


def functions_of_kinds() -> dict[str, PixelFunction]:
    found = {}
    for kind in KINDS.values():
        module = sys.modules[kind.__module__]
        for name, value in vars(module).items():
            if isinstance(value, PixelFunction):
                found[f"{module.__name__}.{name}"] = value
    return found


@pytest.mark.parametrize("function", functions_of_kinds().values(), ids=functions_of_kinds())
def test_without_their_text_the_kinds_functions_are_the_same(function):
    space: dict[str, object] = {}
    exec(traced(function), dict(vars(sys.modules["stackcomp.nodes.pixel"])), space)
    (again,) = space.values()
    rng = np.random.default_rng(3)
    for _ in range(40):
        values = rng.choice([0.0, 0.25, 1.0, -0.5, 2.0, 0.7], len(function.arguments)).tolist()
        try:
            expected = function(*values)
        except ZeroDivisionError:
            continue
        try:
            result = again(*values)
        except ZeroDivisionError:
            continue  # Compiled code goes on with infinity in the way that is not taken.
        np.testing.assert_array_equal(result, expected)


def test_a_notebook_cell_has_its_text():
    """A notebook puts each cell into linecache under a name of its own."""
    cell = HEAD + "@pixel\ndef f(a):\n    b = a * 2\n    return b + 1\n"
    name = "<ipython-input-7-abcdef>"
    linecache.cache[name] = (len(cell), None, cell.splitlines(keepends=True), name)
    space: dict[str, PixelFunction] = {}
    exec(compile(cell, name, "exec"), space)
    assert "b = a * 2" in space["f"].source
    assert evaluated(space["f"], 3) == (7,)


def test_an_interactive_interpreter_will_do():
    lines = """
    from stackcomp.nodes import pixel
    @pixel
    def halved(r, g, b, k):
        t = k / 2
        return r * t, g * t, (b if b > 0 else 0)

    print(halved.lanes_out, halved.arguments, halved(1, 2, -3, 1))
    """
    done = subprocess.run(
        [sys.executable, "-i", "-q"], input=textwrap.dedent(lines), capture_output=True, text=True, timeout=120
    )
    assert "3 ('r', 'g', 'b', 'k') (0.5, 1.0, 0)" in done.stdout, done.stderr


def test_closures_may_hold_other_pixel_functions():
    @pixel
    def twice(x):
        return x * 2

    text = """
    def make(twice):
        def f(a, b):
            (t,) = twice(a)
            return t + b
        return f
    """
    space: dict[str, object] = {}
    exec(textwrap.dedent(text), space)
    function = pixel(space["make"](twice))  # type: ignore[operator]
    assert evaluated(function, 3, 1) == function(3, 1) == (7,)


def test_a_lambda_is_a_function_too():
    assert evaluated(pixel(lambda a, b: (a - b, a * b)), 5, 3) == (2, 15)


def test_two_of_one_name_are_told_apart():
    @pixel
    def f(a):
        return a + 1

    first = f

    @pixel
    def f(a):
        return a + 2

    assert (evaluated(first, 1), evaluated(f, 1)) == ((2,), (3,))


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("def f(a):\n    for k in range(3):\n        a = a + k\n    return a", "a loop is not straight-line code"),
        ("def f(a):\n    while a < 3:\n        a = a + 1\n    return a", "a loop|more than 1024 ways"),
        ("def f(a):\n    return a[0]", "not arithmetic|index|not supported|subscriptable"),
        ("def f(a):\n    return open(a)", "'open' is neither argument nor function"),
        ("def f(a):\n    return a.real", "'real' is not arithmetic"),
        ("def f(a):\n    return a ** 2", "unsupported operand"),
        ("def f(a):\n    return 'bright'", "'bright' is not a number"),
        ("def f(a):\n    return None", "None is not a number"),
        ("def f(*a):\n    return 1", "more than plain arguments"),
        ("def f(a, *, b=1):\n    return b", "more than plain arguments"),
        ("def f(a):\n    return (1, 2) if a > 0 else 3", "returns 2 or 1 results"),
    ],
)
def test_what_is_not_arithmetic_is_refused_with_name_line_and_way_out(text, message):
    with pytest.raises(RequestError, match=message) as refused:
        untold(text)
    assert isinstance(refused.value, TypeError)
    assert str(refused.value).startswith("pixel function f (<string>, line 3): ")
    assert "write plain arithmetic" in str(refused.value)


@pytest.mark.parametrize("value", [3, None, "def f(a): return a", print, PixelFunction])
def test_what_is_no_function_is_refused(value):
    with pytest.raises(RequestError, match="is not a function"):
        pixel(value)


def test_a_function_that_returns_nothing_is_refused():
    with pytest.raises(TypeError, match="it returns nothing"):

        @pixel
        def f(a):
            b = a  # noqa: F841 - what is tried


def test_traced_text_is_python():
    ast.parse(untold(TEXTS["conditions"]).source)
