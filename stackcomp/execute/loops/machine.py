"""Machine code for this processor: LLVM code compiled, kept as bytes, loaded and called.

numba brings LLVM along (``llvmlite``). Its bindings hold a lock while they compile, so a loop at a time.
"""

from __future__ import annotations

import ctypes
import functools
from collections.abc import Callable
from typing import Any

__all__ = ["assembly", "lanes", "load", "machine_code", "native_half", "processor", "supports_fma"]

#: Rows from and to, width, numbers, integers, addresses of planes, their pitches, counts. A call releases the
#: interpreter lock.
_SIGNATURE = ctypes.CFUNCTYPE(None, *[ctypes.c_int64] * 3, *[ctypes.c_void_p] * 5)


@functools.cache
def _features() -> tuple[str, str]:
    """The processor's name and features, as LLVM calls them."""
    import llvmlite.binding as llvm

    return llvm.get_host_cpu_name(), llvm.get_host_cpu_features().flatten()


def processor() -> str:
    """The processor and the compiler: machine code of one fits no other."""
    import llvmlite

    return " ".join([llvmlite.__version__, *_features()])


def _has(feature: str) -> bool:
    return f"+{feature}" in _features()[1].split(",")


@functools.cache
def _architecture() -> str:
    import llvmlite.binding as llvm

    return str(llvm.get_process_triple()).partition("-")[0]


def supports_fma() -> bool:
    """Whether the processor multiplies and adds in one step."""
    return _has("fma") or _architecture() in ("aarch64", "arm64")


def native_half() -> bool:
    """Whether the processor converts 16-bit floats."""
    return _has("f16c") or _architecture() in ("aarch64", "arm64")


def lanes() -> int:
    """How many pixels a vector of a loop has: as many float32 as two registers of the processor hold.

    Chains of operations are waited for, one instruction after the other. Two chains side by side keep the
    processor busy; with one, a chain of ten gradings took 1.2 to 1.4 times as long.
    """
    return 32 if _has("avx512f") else 16 if _has("avx") else 8


def _target() -> Any:
    """A target machine; an engine takes the one that it gets."""
    import llvmlite.binding as llvm

    llvm.initialize_native_target()
    llvm.initialize_native_asmprinter()
    name, features = _features()
    target = llvm.Target.from_triple(llvm.get_process_triple())
    return target.create_target_machine(cpu=name, features=features, opt=3, jit=True)


def _module(text: str) -> Any:
    import llvmlite.binding as llvm

    module = llvm.parse_assembly(text)
    module.verify()
    return module


def machine_code(text: str) -> bytes:
    """LLVM code compiled to an object file."""
    return bytes(_target().emit_object(_module(text)))


def assembly(text: str) -> str:
    """LLVM code compiled to the processor's instructions, to read."""
    return str(_target().emit_assembly(_module(text)))


def load(code: bytes) -> Callable[..., None]:
    """The function ``run`` of an object file; see `program_code`.

    Raises:
        RuntimeError: the bytes are no object file.
    """
    import llvmlite.binding as llvm

    engine = llvm.create_mcjit_compiler(llvm.parse_assembly(""), _target())
    engine.add_object_file(llvm.ObjectFileRef.from_data(code))
    engine.finalize_object()
    run = _SIGNATURE(engine.get_function_address("run"))
    run.engine = engine  # type: ignore[attr-defined] # the code lives as long as its engine
    return run
