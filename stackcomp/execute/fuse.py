"""Turns a run of pixel nodes into one compiled loop.

A `Program` lists pixel functions and how their lanes are wired. `source_of` writes it as Python: one loop
over rows and pixels that reads every input plane once and writes every output plane once. `compiled` has
numba compile that text and keeps the machine code on disk, in a folder named after the versions it depends
on and in a file named after the text itself, so that a changed function can never meet old code.

Numbers arrive as arguments: changing a value or a frame never compiles. The text is made from pixel functions
and wiring alone; nothing a user wrote, not even a node's name, is ever in it.
"""

from __future__ import annotations

import contextlib
import hashlib
import importlib.util
import inspect
import os
import sys
import tempfile
import threading
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from typing import Any

from stackcomp.plan.adjusting import mixed, weight
from stackcomp.plan.program import Lane, Op, Program

__all__ = ["cache_folder", "compiled", "on_compile", "source_of"]


class _Writer:
    def __init__(self, program: Program) -> None:
        self.program = program
        self.constants: dict[float, str] = {}
        self.before: list[str] = []
        self.inside: list[str] = []

    def constant(self, value: float) -> str:
        return self.constants.setdefault(value, f"C{len(self.constants)}")

    def name(self, lane: Lane) -> str:
        if lane.origin == "constant":
            return self.constant(lane.value)
        if lane.origin == "inside":
            return f"a{lane.index}"
        if lane.of is not None:
            return (
                f"({self.constant(1.0)} if {self.name(lane.of)} != {self.constant(0.0)} else {self.constant(0.0)})"
            )
        return f"p{lane.index}" if lane.origin == "plane" else f"v{lane.index}_{lane.lane}"

    def op(self, k: int, op: Op, first_number: int, first_integer: int) -> None:
        numbers = [f"n{first_number + j}" for j in range(op.numbers)]
        lanes = [self.name(lane) for lane in op.lanes]
        results = [f"v{k}_{j}" for j in range(op.function.lanes_out)]
        if op.alpha is None:
            self.inside += op.function.inline(f"f{k}_", [*lanes, *numbers], results, self.constant)
        else:
            self._curve(k, op, lanes, numbers, results)
        if op.within is not None or op.amount:
            self._mix(k, op, lanes, results, f"n{first_number + op.numbers}")
        if op.masked:
            outside = self.constant(op.outside)
            self.inside.append(f"in{k} = {_within(first_integer)}")
            self.inside += [f"{name} = {name} if in{k} else {outside}" for name in results]

    def _curve(self, k: int, op: Op, lanes: list[str], numbers: list[str], results: list[str]) -> None:
        """Divide by alpha, apply, multiply; light without coverage gets what black would not."""
        assert op.alpha is not None
        alpha, zero, one = self.name(op.alpha), self.constant(0.0), self.constant(1.0)
        colour, others = lanes[: len(results)], lanes[len(results) :]
        dark = [f"d{k}_{j}" for j in range(len(results))]
        # Where only numbers decide, the response to black is the same for every pixel: before the loop.
        place = self.inside if others else self.before
        place += op.function.inline(f"g{k}_", [zero] * len(colour) + others + numbers, dark, self.constant)
        self.inside.append(f"covered{k} = {alpha} != {zero}")
        times = ""
        if not op.straight:
            self.inside.append(f"by{k} = {alpha} if covered{k} else {one}")
            straight = [f"s{k}_{j}" for j in range(len(colour))]
            self.inside += [f"{name} = {lane} / by{k}" for name, lane in zip(straight, colour, strict=True)]
            colour, times = straight, f" * by{k}"
        self.inside += op.function.inline(f"f{k}_", [*colour, *others, *numbers], results, self.constant)
        self.inside += [
            f"{name} = {name}{times} - ({zero} if covered{k} else {black})"
            for name, black in zip(results, dark, strict=True)
        ]

    def _mix(self, k: int, op: Op, lanes: list[str], results: list[str], amount: str) -> None:
        one = self.constant(1.0)
        matte = one if op.within is None else self.name(op.within)
        self.inside += weight.inline(f"k{k}_", [amount if op.amount else one, matte], [f"w{k}"], self.constant)
        for j, (name, lane) in enumerate(zip(results, lanes, strict=False)):
            self.inside += mixed.inline(f"k{k}_{j}_", [name, lane, f"w{k}"], [name], self.constant)

    def text(self) -> str:
        program = self.program
        used = {
            lane.plane
            for op in program.ops
            for lane in (*op.lanes, op.alpha, op.within)
            if lane is not None and lane.plane is not None
        }
        number = 0
        integer = 2 * len(program.groups)
        after_masks = program.integers - 4 * program.insides
        for k in range(program.insides):
            one, zero = self.constant(1.0), self.constant(0.0)
            self.inside.append(f"a{k} = {one} if {_within(after_masks + 4 * k)} else {zero}")
        for k, op in enumerate(program.ops):
            self.op(k, op, number, integer)
            number += op.numbers + op.amount
            integer += 4 * op.masked
        planes = sum(program.groups)
        group_of = [g for g, count in enumerate(program.groups) for _ in range(count)]
        arguments = ["y0", "y1", "width", "numbers", "integers"]
        arguments += [f"i{k}" for k in range(planes)] + [f"o{k}" for k in range(len(program.outputs))]
        read = [f"            p{k} = r{k}[x]" for k in sorted(used)]
        rows = [
            f"        r{k} = row_pointer(i{k}, y + integers[{2 * g}], integers[{2 * g + 1}])"
            for k, g in enumerate(group_of)
            if k in used
        ]
        write = [f"            w_{k}[x] = v{op}_{lane}" for k, (op, lane) in enumerate(program.outputs)]
        return "\n".join(
            [
                f"def sweep({', '.join(arguments)}):",
                *(f"    n{k} = numbers[{k}]" for k in range(number)),
                *(f"    m{k} = integers[{k}]" for k in range(2 * len(program.groups), program.integers)),
                *(f"    {line}" for line in self.before),
                "    for y in range(y0, y1):",
                *rows,
                *(f"        w_{k} = row_pointer(o{k}, y, 0)" for k in range(len(program.outputs))),
                "        for x in range(width):",
                *read,
                *(f"            {line}" for line in self.inside),
                *write,
                "",
            ]
        )


def _within(first: int) -> str:
    """Whether the pixel lies in the window whose corners are four integers from the first."""
    x0, y0, x1, y1 = (f"m{first + j}" for j in range(4))
    return f"(x >= {x0}) and (x < {x1}) and (y >= {y0}) and (y < {y1})"


_HEAD = '''"""Generated loop over pixels; made from node kinds and their wiring. Safe to delete."""

import numpy as np
from numba import float32, int64, njit, types, void

from stackcomp.kernels.noalias import NoAlias
from stackcomp.kernels.fastmath import exp2, log2, power, root
from stackcomp.kernels.row_pointer import row_pointer

'''

_TAIL = """
_in = types.Array(float32, 2, "C", readonly=True)
_out = types.Array(float32, 2, "C")
_signature = void(int64, int64, int64, float32[::1], int64[::1], *[_in] * {inputs}, *[_out] * {outputs})
run = njit(_signature, nogil=True, cache=True, error_model="numpy", pipeline_class=NoAlias)(sweep)
"""


@lru_cache(maxsize=4096)
def source_of(program: Program) -> str:
    """The program as a Python module."""
    writer = _Writer(program)
    body = writer.text()
    constants = "".join(f"{name} = np.float32({value!r})\n" for value, name in writer.constants.items())
    tail = _TAIL.format(inputs=sum(program.groups), outputs=len(program.outputs))
    return f"{_HEAD}{constants}\n{body}{tail}"


def cache_folder() -> Path:
    """Where compiled loops are kept: ``STACKCOMP_CACHE``, else the user's cache folder. Private to the user."""
    chosen = os.environ.get("STACKCOMP_CACHE")
    if chosen:
        base = Path(chosen)
    else:
        base = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "stackcomp"
    import numba
    import numpy

    from stackcomp.kernels import fastmath, noalias, row_pointer

    # The loops hold compiled copies of these functions, so their text belongs to the folder's name.
    text = "".join(inspect.getsource(module) for module in (fastmath, noalias, row_pointer))
    functions = hashlib.sha256(text.encode()).hexdigest()[:8]
    folder = base / f"loops-numba{numba.__version__}-numpy{numpy.__version__}-{functions}"
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    owner = folder.stat()
    if hasattr(os, "getuid") and (owner.st_uid != os.getuid() or owner.st_mode & 0o022):
        # Somebody else could put code there: use a folder of our own for this process.
        return Path(tempfile.mkdtemp(prefix="stackcomp-loops-"))
    return folder


#: Called with a loop's name before it is compiled, which takes about a second; not when it comes from disk.
on_compile: list[Callable[[str], object]] = []

_folder: Path | None = None
_lock = threading.Lock()
_loaded: dict[str, Callable[..., None]] = {}


def compiled(program: Program) -> Callable[..., None]:
    """The program as a function that releases the interpreter lock.

    It is called as ``run(y0, y1, width, numbers, integers, *inputs, *outputs)`` and fills rows y0 to y1 of
    the output planes. ``integers`` holds for each group the row and column of its planes at which output
    pixel (0, 0) lies, then the corners of masked ops and of windows, in output
    pixels.
    """
    text = source_of(program)
    with _lock:
        if text not in _loaded:
            _loaded[text] = _load(text)
        return _loaded[text]


def _load(text: str) -> Callable[..., None]:
    global _folder
    if _folder is None or not _folder.exists():
        _folder = cache_folder()
    name = "loop_" + hashlib.sha256(text.encode()).hexdigest()[:24]
    path = _folder / f"{name}.py"
    if not path.exists() or path.read_text() != text:
        handle, partial = tempfile.mkstemp(dir=_folder, suffix=".partial")
        with os.fdopen(handle, "w") as file:
            file.write(text)
        os.replace(partial, path)
    if not machine_code(name):
        for tell in on_compile:
            tell(name)
    try:
        return _import(name, path)
    except Exception:
        # A cache file cut short by a crash or a full disk must not stop a render: throw it away, once.
        for stale in machine_code(name):
            with contextlib.suppress(OSError):
                stale.unlink()
        return _import(name, path)


def machine_code(name: str) -> list[Path]:
    """Files in which numba keeps a compiled loop: beside it, or where ``NUMBA_CACHE_DIR`` says."""
    from numba import config
    from numba.core.caching import UserProvidedCacheLocator

    if _folder is None:
        return []
    place = _folder / "__pycache__"
    if config.CACHE_DIR:
        place = Path(config.CACHE_DIR) / UserProvidedCacheLocator.get_suitable_cache_subpath(
            str(_folder / f"{name}.py")
        )
    return list(place.glob(f"{name}.*.nb[ic]"))


def _import(name: str, path: Path) -> Callable[..., None]:
    spec = importlib.util.spec_from_file_location(f"stackcomp_loops.{name}", path)
    assert spec is not None
    assert spec.loader is not None
    module: Any = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    try:
        spec.loader.exec_module(module)
    except BaseException:
        del sys.modules[spec.name]
        raise
    run: Callable[..., None] = module.run
    return run
