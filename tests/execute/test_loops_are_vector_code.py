"""The machine code of fused loops, for every pixel kind in every shape: vectors, no branch among pixels, no call.

No result would tell a loop that works on one pixel at a time from one on eight, only the time.
"""

from __future__ import annotations

import itertools
import platform
import re
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import replace
from functools import cache
from typing import Any, Literal, get_args, get_origin

import numpy as np
import pytest
from slow_cases import few_fast

from stackcomp import KINDS, CheckError, Composition, Depth, DocumentError, Graph, Image, Matte, Ratio, Window
from stackcomp.data.port_types import Colour, Encoding, PortType
from stackcomp.errors import BugError
from stackcomp.execute import frame as frame_module
from stackcomp.execute.loops import machine
from stackcomp.execute.loops.program_code import code_of
from stackcomp.nodes.base import Adjustable, PixelNode
from stackcomp.nodes.pixel import exp2, log2, pixel, power, root
from stackcomp.plan.program import Lane, Op, Program

X86 = pytest.mark.skipif(
    platform.machine() not in ("x86_64", "AMD64"), reason="reads instructions of x86 processors"
)
SIZE = Window.of_size(24, 16)
CROP = Window(2, 3, 19, 14)
LINEAR, LOG = Encoding("ACEScg", "scene-linear"), Encoding("ACEScct", "log")

#: Pictures by the type that a port accepts: the alpha states of colour, whole and smaller than the frame.
TYPES: dict[str, PortType] = {
    "premultiplied": Colour("premultiplied", LINEAR),
    "straight": Colour("straight", LINEAR),
    "divided": Colour("straight", LINEAR, bare_light=True),
    "none": Colour("none", LINEAR),
    "log": Colour("none", LOG),
    "matte": Matte(),
    "ratio": Ratio(),
    "depth": Depth(),
}
#: Numbers with which nothing is left out, for those that do nothing by default.
BUSY: dict[str, dict[str, Any]] = {
    "cdl": {"slope": [1.2, 0.8, 1.1], "offset": 0.1, "power": [0.8, 1.2, 2], "saturation": 1.3},
    "multiply_shadow": {"gamma": 1.4, "density": 0.8, "floor": 0.1, "tint": 0.2, "black": 0.01},
    "exposure": {"stops": 0.5},
    "channel_gain": {"gain": 2},
    "match_black": {"black": 0.1},
    "colour_matrix": {"matrix": [1.2, -0.1, 0, 0.1, 0.8, 0, 0.3, 0, 1]},
    "luma_matte": {"low": 0.5, "low_softness": 0.1, "high": 2},
    "colour_matte": {"colour": [0.5, 0.3, 0.1]},
    "difference_matte": {"grain_floor": 0.01, "grain_slope": 0.001},
    "depth_matte": {"near": 2, "near_softness": 1, "far": 4},
}
#: But for a kind whose result is coverage that another kernel sums up: it has no loop.
PIXEL_KINDS = [
    name for name, kind in KINDS.items() if issubclass(kind, PixelNode) and not getattr(kind, "is_coverage", False)
]


def choices(kind: type) -> Iterator[dict[str, Any]]:
    """Every combination of a kind's choices from a list, and of what is on or off."""
    options: dict[str, tuple[Any, ...]] = {}
    for name, info in kind.model_fields.items():
        literal = get_origin(info.annotation) is Literal and name != "kind"
        if literal or info.annotation is bool:
            options[name] = get_args(info.annotation) or (False, True)
    for values in itertools.product(*options.values()):
        yield dict(zip(options, values, strict=True))


def fields_of(name: str) -> Iterator[dict[str, Any]]:
    """A kind's fields in every shape: types at its ports, choices, numbers, limits."""
    kind = KINDS[name]
    ports = {port: info for port, info in kind.ports().items() if port != "within"}
    words_of = {
        port: [word for word, type in TYPES.items() if isinstance(type, info.accepts)]
        for port, info in ports.items()
    }
    # What no picture of these fits, such as the layers of a file, is left open.
    ports = {port: info for port, info in ports.items() if words_of[port] or kind.model_fields[port].is_required()}
    fitting = [words_of[port] for port in ports]
    # Of many inputs, two.
    fitting = [
        [[word, word] for word in words] if info.many else words
        for words, info in zip(fitting, ports.values(), strict=True)
    ]
    ports_of = list(ports)
    limits: list[dict[str, Any]] = [{}]
    if issubclass(kind, Adjustable):
        limits += [{"amount": 0.5}, {"within": "matte"}, {"within": "matte", "amount": 0.5}]
    targets = ["ACES2065-1", "ACEScct"] if name == "convert_colour" else [None]
    for words, chosen, target in itertools.product(itertools.product(*fitting), choices(kind), targets):
        for numbers, limit in itertools.product([{}, BUSY[name]] if name in BUSY else [{}], limits):
            more = {} if target is None else {"to": target}
            fed = dict(zip(ports, words, strict=True))
            yield {**fed, **chosen, **numbers, **limit, **more}
            # Some ports may be fed only where a choice has a use for them.
            needed = {port: word for port, word in fed.items() if kind.model_fields[port].is_required()}
            first = all(word == fitting[k][0] for k, word in enumerate(words) if ports_of[k] not in needed)
            if needed and needed != fed and first:
                yield {**needed, **chosen, **numbers, **limit, **more}


@cache
def picture(word: str, window: Window) -> Image:
    type = TYPES[word]
    return Image({name: np.full(window.shape, 0.5, np.float32) for name in type.planes}, window, SIZE, type)


def programs_of(name: str, patch: pytest.MonkeyPatch) -> dict[Program, dict[str, Any]]:
    """All programs of a kind, each with an example of fields that lead to it."""
    found: list[Program] = []

    def stop(program: Program) -> None:
        found.append(program)
        raise LookupError("no picture is wanted")

    programs: dict[Program, dict[str, Any]] = {}
    patch.setattr(frame_module, "compiled", stop)
    for fields in fields_of(name):
        graph = Graph()
        fed = [words for port, words in fields.items() if port in KINDS[name].ports()]
        used = {word for words in fed for word in ([words] if isinstance(words, str) else words)}
        for word in used:
            graph.add("flat", word, size=[SIZE.width, SIZE.height])
        try:
            graph.add(name, "it", **fields)
        except DocumentError:
            continue  # Fields that need each other.
        for window in (SIZE, CROP):
            try:
                executor = Composition(graph).executor(
                    ["it"], replace={word: picture(word, window) for word in used}
                )
            except CheckError:
                continue
            found.clear()
            with suppress(BugError):
                list(executor.results(1, window=SIZE))
            if found:
                programs.setdefault(found[0], fields)
    return programs


def inner_loop(assembly: str) -> list[str]:
    """Instructions of the loop over pixels."""
    lines = assembly[assembly.index("\nrow:") :].splitlines()
    labels = {line.split(":")[0]: k for k, line in enumerate(lines) if re.match(r"\S+:", line)}
    for k, line in enumerate(lines):
        jump = re.match(r"\s+j\w+\s+(\S+)", line)
        if jump and labels.get(jump.group(1), k) < k:
            body = lines[labels[jump.group(1)] : k + 1]
            return [text.strip() for text in body if re.match(r"\s+[a-z]", text)]
    raise AssertionError("there is no loop")


SCALAR = re.compile(r"v?(add|sub|mul|div|sqrt|min|max|cmp\w*|fn?m(add|sub)\d*|ucomi|comi|cvt\w+2)s[sd]\b")
PACKED = re.compile(r"v?(add|sub|mul|div|sqrt|min|max|blendv?|and|or|fn?m(add|sub)\d*)ps\b")


def faults(instructions: list[str]) -> list[str]:
    """Instructions that work on one pixel, jump among pixels, or call."""
    jumps = [text for text in instructions if text.startswith("j")]
    wrong = [text for text in instructions if SCALAR.match(text) or text.startswith("call")]
    return wrong + jumps[1:]


def loop_of(program: Program) -> list[str]:
    traits = {"fused": machine.supports_fma(), "native_half": machine.native_half()}
    text = code_of(program, **traits, lanes=machine.lanes())
    return inner_loop(machine.assembly(text))


def masked_and_half(program: Program) -> Program:
    """The same with a window of its own, as among other nodes, on 16-bit planes that are watched."""
    ops = tuple(replace(op, masked=True) for op in program.ops)
    halves = (True,) * program.inputs, (True,) * len(program.outputs)
    watched = tuple(range(program.inputs))
    return replace(program, ops=ops, half_inputs=halves[0], half_outputs=halves[1], watched=watched)


def check_loops(programs: dict[Program, dict[str, Any]]) -> None:
    assert programs, "no loop was made"
    packed = 0
    for program, fields in programs.items():
        instructions = loop_of(program)
        assert not faults(instructions), fields
        assert not faults(loop_of(masked_and_half(program))), fields
        packed += any(PACKED.match(text) for text in instructions)
    assert packed, "no vector arithmetic at all"


#: Most loops of a kind that the fast tests look at, spread over its shapes; slow tests look at all.
_SOME = 3


@X86
@pytest.mark.parametrize("name", few_fast(PIXEL_KINDS, 5))
def test_loops_of_every_kind_are_made_of_vector_instructions(name, monkeypatch):
    programs = list(programs_of(name, monkeypatch).items())
    check_loops(dict(programs[:: -(-len(programs) // _SOME)]) if programs else {})


@X86
@pytest.mark.slow
@pytest.mark.parametrize("name", PIXEL_KINDS)
def test_every_loop_of_every_kind_is_made_of_vector_instructions(name, monkeypatch):
    check_loops(programs_of(name, monkeypatch))


def test_the_shapes_of_an_adjustable_kind_are_all_there(monkeypatch):
    ops = [program.ops[0] for program in programs_of("cdl", monkeypatch)]
    assert {(op.alpha is None, op.straight) for op in ops} == {(True, False), (False, False), (False, True)}
    assert {(op.within is None, op.amount) for op in ops} == set(itertools.product([True, False], repeat=2))
    assert {all(op.decided) for op in ops} >= {True, False}


@X86
def test_a_loop_on_single_pixels_would_be_found(tmp_path):
    """The check itself, on code that LLVM is told to write for one lane, and on code with a branch and a call."""
    assert faults(["vmulss (%rax), %xmm0, %xmm1", "jl .LBB1_2"])
    assert faults(["vmulps (%rax), %ymm0, %ymm1", "jne .LBB1_3", "jl .LBB1_2"])
    assert faults(["callq powf", "jl .LBB1_2"])
    assert not faults(["vmulps (%rax), %ymm0, %ymm1", "vbroadcastss 4(%rdi), %ymm2", "jl .LBB1_2"])


@pixel
def everything(r, g, b, a, k):
    m = max(min(abs(r), g), 0.25) if r > g and b != k else root(b)
    return power(m, k), log2(g) / a, exp2(b) if a != 0 else -b


@X86
@pytest.mark.parametrize("half", [False, True])
def test_all_functions_of_the_language_with_16_bit_floats_and_counting(half):
    planes = tuple(Lane("plane", index=k) for k in range(4))
    op = Op(everything, planes, numbers=1, masked=True)
    program = Program(
        (4,),
        (op,),
        tuple((0, k) for k in range(3)),
        half_inputs=(half,) * 4,
        half_outputs=(half,) * 3,
        watched=(0, 1, 2, 3),
    )
    assert not faults(loop_of(program))
