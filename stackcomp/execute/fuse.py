"""Turns a run of pixel nodes into one compiled loop.

A `Program` lists pixel functions and how their lanes are wired. `compiled` has it written as code for the
processor (`stackcomp.execute.loops`): one loop over rows and pixels that reads every input plane once and writes
every output plane once. The machine code is kept on disk, in a folder named after the versions it depends on and
in a file named after the program itself, so that a changed function can never meet old code.

Numbers arrive as arguments: changing a value or a frame never compiles, unless it changes the outcome of a
condition that numbers decide. The code is made from pixel functions and wiring alone; nothing a user wrote, not
even a node's name, is ever in it.
"""

from __future__ import annotations

import ctypes
import functools
import hashlib
import os
import tempfile
import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from stackcomp.execute.loops import machine
from stackcomp.execute.loops.program_code import code_of
from stackcomp.plan.program import Lane, Op, Program

__all__ = ["Loop", "cache_folder", "compiled", "described", "on_compile"]

AnyPlane = npt.NDArray[np.float32] | npt.NDArray[np.float16]


class Loop:
    """A compiled program. A call releases the interpreter lock.

    Args:
        program: what it computes.
        code: its machine code.
    """

    def __init__(self, program: Program, code: bytes) -> None:
        self.program = program
        self._run = machine.load(code)
        inputs, outputs = program.inputs, len(program.outputs)
        halves = (program.half_inputs or (False,) * inputs) + (program.half_outputs or (False,) * outputs)
        # A zero for each count.
        self._slots = ctypes.c_int64 * (outputs + 1)
        self._types = [np.dtype(np.float16 if half else np.float32) for half in halves]

    def __call__(
        self,
        first: int,
        last: int,
        width: int,
        numbers: npt.NDArray[np.float32],
        integers: npt.NDArray[np.int64],
        *planes: AnyPlane,
    ) -> list[int]:
        """Fill rows of the output planes.

        Args:
            first: first row.
            last: row behind the last.
            width: pixels of a row.
            numbers: the numbers of all ops in turn, float32.
            integers: for each group the row and column of its planes at which output pixel (0, 0) lies, then
                the corners of masked ops and of windows, in output pixels; int64.
            planes: inputs, then outputs, whose pixels lie side by side in a row; outputs overlap nothing.

        Returns:
            For each output how many values were clamped to the range of half, or if the program does not count, a
            number above 0 for any of them if a value was beyond; then whether any pixel of the watched inputs was
            not finite, as a number above 0.
        """
        return self.on(planes, numbers)(first, last, width, integers)

    def on(
        self, planes: Sequence[AnyPlane], numbers: npt.NDArray[np.float32]
    ) -> Callable[[int, int, int, npt.NDArray[np.int64]], list[int]]:
        """The loop on these planes, to be called for many strips: with first, last, width and integers."""
        assert [plane.dtype for plane in planes] == self._types
        # Addresses, then pitches.
        places = np.array([*map(_address, planes), *(_pitch(plane) for plane in planes)], np.int64)
        start, run, slots = _address(places), self._run, self._slots
        fixed = (_address(numbers), start, start + 8 * len(planes))

        def rows(first: int, last: int, width: int, integers: npt.NDArray[np.int64]) -> list[int]:
            counts = slots()
            run(first, last, width, fixed[0], _address(integers), *fixed[1:], counts)
            return list(counts)

        # What is called by address lives as long as the function.
        rows.kept = (planes, numbers, places)  # type: ignore[attr-defined]
        return rows


def _pitch(plane: AnyPlane) -> int:
    """Pixels from a row to the next one. Those of a row lie side by side."""
    pitch, step = plane.strides
    assert step == plane.itemsize or not plane.size
    return pitch // plane.itemsize


def _address(array: npt.NDArray[Any]) -> int:
    # Several times faster than the attribute ``ctypes``.
    return int(array.__array_interface__["data"][0])


def described(program: Program) -> str:
    """All that a program's code depends on, as text; equal for equal programs in any process."""

    def lane(which: Lane | None) -> str:
        return (
            "-"
            if which is None
            else f"{which.origin} {which.index} {which.lane} {which.value!r} ({lane(which.of)})"
        )

    def op(which: Op) -> str:
        function = which.function
        fields = (which.numbers, which.straight, which.amount, which.masked, which.outside, which.decided)
        lanes = ", ".join(map(lane, (*which.lanes, which.alpha, which.within)))
        return f"{function.arguments} {function.source!r} [{lanes}] {fields}"

    planes = (program.groups, program.outputs, program.insides)
    return "\n".join(
        [
            repr((*planes, program.half_inputs, program.half_outputs, program.counted, program.watched)),
            *map(op, program.ops),
        ]
    )


@functools.cache
def _versions() -> str:
    """A short name for this processor, this compiler, and the text that writes code."""
    text = machine.processor()
    folder = Path(machine.__file__).parent
    # How the engine mixes is part of every loop too.
    texts = [*sorted(folder.glob("*.py")), folder.parents[1] / "plan" / "adjusting.py"]
    for path in texts:
        text += path.read_text(encoding="utf-8")
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def cache_folder() -> Path:
    """Where compiled loops are kept: ``STACKCOMP_CACHE``, else the user's cache folder. Private to the user."""
    chosen = os.environ.get("STACKCOMP_CACHE")
    if chosen:
        base = Path(chosen)
    else:
        base = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "stackcomp"
    folder = base / f"loops-{_versions()}"
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    owner = folder.stat()
    if hasattr(os, "getuid") and (owner.st_uid != os.getuid() or owner.st_mode & 0o022):
        # Somebody else could put code there: use a folder of our own for this process.
        return Path(tempfile.mkdtemp(prefix="stackcomp-loops-"))
    return folder


#: Called with what a loop is made of before it is compiled, which takes a moment; not when it comes from disk.
on_compile: list[Callable[[str], object]] = []

_folder: Path | None = None
_lock = threading.Lock()
_loaded: dict[str, Loop] = {}


def compiled(program: Program) -> Loop:
    """The program as a function of planes."""
    text = described(program)
    with _lock:
        if text not in _loaded:
            _loaded[text] = _load(program, text)
        return _loaded[text]


def _load(program: Program, text: str) -> Loop:
    global _folder
    if _folder is None or not _folder.exists():
        _folder = cache_folder()
    name = "loop_" + hashlib.sha256(text.encode()).hexdigest()[:24]
    path = _folder / f"{name}.bin"
    code = _stored(path)
    if code is None:
        for tell in on_compile:
            tell(_made_of(program))
        traits = {"fused": machine.supports_fma(), "native_half": machine.native_half()}
        written = code_of(program, **traits, lanes=machine.lanes())
        code = machine.machine_code(written)
        _store(path, code)
    return Loop(program, code)


def _made_of(program: Program) -> str:
    """The names of its functions, each once."""
    names = dict.fromkeys(op.function.name.strip("_") for op in program.ops)
    return f"a loop of {', '.join(names)}"


def _stored(path: Path) -> bytes | None:
    """Machine code as it was stored; None if there is none, or it was cut short or changed."""
    try:
        content = path.read_bytes()
    except OSError:
        return None
    digest, code = content[:32], content[32:]
    return code if hashlib.sha256(code).digest() == digest else None


def _store(path: Path, code: bytes) -> None:
    handle, partial = tempfile.mkstemp(dir=path.parent, suffix=".partial")
    with os.fdopen(handle, "wb") as file:
        file.write(hashlib.sha256(code).digest() + code)
    os.replace(partial, path)
