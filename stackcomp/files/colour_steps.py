"""A conversion between colour spaces, taken apart into steps of plain arithmetic.

OpenColorIO joins all transforms of a conversion and says what is left: matrices, ranges, logarithms, exponents,
which are a few operations on each pixel; and tables and fixed functions, which only the library computes. A
conversion of the first sort alone can be part of a fused loop.

The numbers are made once, in float64, in the form in which they are used; the formulas are those of the library's
reference for each transform, and `stackcomp.nodes.colour_maths` holds them as pixel functions.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Literal

from stackcomp.data.port_types import Encoding
from stackcomp.files.colour import name_of, processor

__all__ = ["ColourStep", "StepKind", "steps"]

StepKind = Literal[
    "matrix",
    "matrix_offset",
    "range",
    "logarithm",
    "antilogarithm",
    "camera_log",
    "camera_antilog",
    "power_clamped",
    "power_mirrored",
    "power_passed",
    "power_line",
    "power_line_mirrored",
    "root_line",
    "root_line_mirrored",
]


@dataclass(frozen=True)
class ColourStep:
    """One step.

    Attributes:
        kind: the formula.
        numbers: what it takes beside R, G and B; where channels have numbers of their own, those of R come first.
    """

    kind: StepKind
    numbers: tuple[float, ...]


def steps(src: str | Encoding, dst: str | Encoding, config: str) -> tuple[ColourStep, ...] | None:
    """The steps of a conversion, in order; None where one of them is more than arithmetic.

    Args:
        src: encoding to convert from.
        dst: encoding to convert to.
        config: as in `stackcomp.files.colour.config`.

    Raises:
        UnknownEncoding: see `stackcomp.files.colour.encoding`; also a data space.
    """
    return _steps(name_of(src), name_of(dst), config)


@functools.lru_cache(maxsize=256)
def _steps(src: str, dst: str, config: str) -> tuple[ColourStep, ...] | None:
    import PyOpenColorIO

    optimised = processor(src, dst, config).getOptimizedProcessor(PyOpenColorIO.OPTIMIZATION_LOSSLESS)
    found = [_step(transform) for transform in optimised.createGroupTransform()]
    plain = [step for step in found if step is not None]
    return tuple(plain) if len(plain) == len(found) else None


def _step(transform: Any) -> ColourStep | None:
    import PyOpenColorIO

    forward = transform.getDirection() == PyOpenColorIO.TRANSFORM_DIR_FORWARD
    match type(transform).__name__:
        case "MatrixTransform":
            return _matrix(transform) if forward else None
        case "RangeTransform":
            return _range(transform) if forward else None
        case "LogTransform":
            return _log([(1.0, 0.0, 1.0, 0.0)] * 3, transform.getBase(), forward)
        case "LogAffineTransform":
            return _log(_log_numbers(transform), transform.getBase(), forward)
        case "LogCameraTransform":
            return _camera(transform, forward)
        case "ExponentTransform":
            return _exponent(transform, forward)
        case "ExponentWithLinearTransform":
            return _exponent_with_line(transform, forward)
    return None


def _matrix(transform: Any) -> ColourStep | None:
    rows, offset = list(transform.getMatrix()), list(transform.getOffset())
    if any(rows[k] for k in (3, 7, 11, 12, 13, 14)) or rows[15] != 1 or offset[3]:
        return None  # alpha takes part
    matrix = (*rows[0:3], *rows[4:7], *rows[8:11])
    return ColourStep("matrix_offset", (*matrix, *offset[:3])) if any(offset) else ColourStep("matrix", matrix)


def _range(transform: Any) -> ColourStep | None:
    if not all(getattr(transform, f"has{end}Value")() for end in ("MinIn", "MaxIn", "MinOut", "MaxOut")):
        return None
    low, high = transform.getMinInValue(), transform.getMaxInValue()
    least, most = transform.getMinOutValue(), transform.getMaxOutValue()
    if str(transform.getStyle()).endswith("NO_CLAMP") or high <= low:
        return None
    scale = (most - least) / (high - low)
    return ColourStep("range", (scale, least - low * scale, least, most))


def _log_numbers(transform: Any) -> list[tuple[float, float, float, float]]:
    """Of each channel: slope and offset of the linear side, slope and offset of the log side."""
    names = ("LinSideSlope", "LinSideOffset", "LogSideSlope", "LogSideOffset")
    return list(zip(*(getattr(transform, f"get{name}Value")() for name in names), strict=True))


def _log(channels: list[tuple[float, float, float, float]], base: float, forward: bool) -> ColourStep:
    return ColourStep(
        "logarithm" if forward else "antilogarithm",
        tuple(number for channel in channels for number in _log_channel(*channel, base, forward)),
    )


def _log_channel(
    slope: float, offset: float, log_slope: float, log_offset: float, base: float, forward: bool
) -> tuple[float, float, float, float]:
    doublings = math.log2(base)
    if forward:
        return slope, offset, log_slope / doublings, log_offset
    return -log_offset, doublings / log_slope, -offset, 1 / slope


def _camera(transform: Any, forward: bool) -> ColourStep:
    edges, slopes = transform.getLinSideBreakValue(), [None] * 3
    if transform.isLinearSlopeValueSet():
        slopes = transform.getLinearSlopeValue()
    channels = zip(_log_numbers(transform), edges, slopes, strict=True)
    return ColourStep(
        "camera_log" if forward else "camera_antilog",
        tuple(
            number
            for numbers, edge, slope in channels
            for number in _camera_channel(numbers, edge, slope, transform.getBase(), forward)
        ),
    )


def _camera_channel(
    numbers: tuple[float, float, float, float], edge: float, line: float | None, base: float, forward: bool
) -> Iterator[float]:
    """Of each channel: where the line ends, its slope and offset, then the numbers of the logarithm."""
    slope, offset, log_slope, log_offset = numbers
    argument = slope * edge + offset
    at_edge = log_slope * math.log(argument, base) + log_offset
    if line is None:
        line = log_slope * slope / (argument * math.log(base))
    start = at_edge - line * edge
    yield from (edge, line, start) if forward else (at_edge, 1 / line, -start / line)
    yield from _log_channel(slope, offset, log_slope, log_offset, base, forward)


def _style(transform: Any) -> str:
    return str(transform.getNegativeStyle()).rpartition("NEGATIVE_")[2]


def _exponent(transform: Any, forward: bool) -> ColourStep | None:
    values = transform.getValue()
    kinds: dict[str, StepKind] = {
        "CLAMP": "power_clamped",
        "MIRROR": "power_mirrored",
        "PASS_THRU": "power_passed",
    }
    kind = kinds.get(_style(transform))
    if kind is None or values[3] != 1 or min(values) <= 0:
        return None
    return ColourStep(kind, tuple(value if forward else 1 / value for value in values[:3]))


def _exponent_with_line(transform: Any, forward: bool) -> ColourStep | None:
    gammas, offsets = transform.getGamma(), transform.getOffset()
    mirrored = _style(transform) == "MIRROR"
    if gammas[3] != 1 or offsets[3] != 0 or min(gammas[:3]) <= 1 or min(offsets[:3]) <= 0:
        return None
    numbers: list[float] = []
    for gamma, offset in zip(gammas[:3], offsets[:3], strict=True):
        # The line meets the power where both have the same slope.
        edge = offset / (gamma - 1)
        at_edge = ((edge + offset) / (1 + offset)) ** gamma
        line = at_edge / edge
        if forward:
            numbers += (edge, line, 1 / (1 + offset), offset / (1 + offset), gamma)
        else:
            numbers += (at_edge, 1 / line, 1 + offset, -offset, 1 / gamma)
    kind: StepKind
    if forward:
        kind = "power_line_mirrored" if mirrored else "power_line"
    else:
        kind = "root_line_mirrored" if mirrored else "root_line"
    return ColourStep(kind, tuple(numbers))
