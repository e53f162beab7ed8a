"""Steps of colour conversions as pixel functions, and whole conversions made of them.

Formulas as in OpenColorIO's documentation of each transform, in its order of operations;
`stackcomp.files.colour_steps` says where the numbers come from. What is not a number becomes what the library
makes of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

from stackcomp.files.colour_steps import ColourStep, StepKind
from stackcomp.nodes.pixel import Algebra, PixelFunction, V, exp2, log2, pixel, power
from stackcomp.nodes.pixel_chain import Chain

__all__ = ["conversion", "matrix", "numbers_of"]


@pixel
def matrix(r, g, b, m00, m01, m02, m10, m11, m12, m20, m21, m22):  # type: ignore[no-untyped-def]
    """Colour times a matrix, whose numbers come row by row."""
    return (
        r * m00 + g * m01 + b * m02,
        r * m10 + g * m11 + b * m12,
        r * m20 + g * m21 + b * m22,
    )


@pixel
def _matrix_offset(r, g, b, m00, m01, m02, m10, m11, m12, m20, m21, m22, o0, o1, o2):  # type: ignore[no-untyped-def]
    (r, g, b) = matrix(r, g, b, m00, m01, m02, m10, m11, m12, m20, m21, m22)
    return r + o0, g + o1, b + o2


@pixel
def _range(r, g, b, scale, offset, low, high):  # type: ignore[no-untyped-def]
    r = min(high, max(low, r * scale + offset))
    g = min(high, max(low, g * scale + offset))
    b = min(high, max(low, b * scale + offset))
    return r, g, b


@pixel
def _log_of(x, slope, offset, log_slope, log_offset):  # type: ignore[no-untyped-def]
    # The smallest normal float32 stands for 0 and for what is below.
    return log2(max(1.17549435e-38, x * slope + offset)) * log_slope + log_offset


@pixel
def _antilog_of(x, offset, slope, lin_offset, lin_slope):  # type: ignore[no-untyped-def]
    return (exp2((x + offset) * slope) + lin_offset) * lin_slope


@pixel
def _logarithm(r, g, b, r0, r1, r2, r3, g0, g1, g2, g3, b0, b1, b2, b3):  # type: ignore[no-untyped-def]
    (r,) = _log_of(r, r0, r1, r2, r3)
    (g,) = _log_of(g, g0, g1, g2, g3)
    (b,) = _log_of(b, b0, b1, b2, b3)
    return r, g, b


@pixel
def _antilogarithm(r, g, b, r0, r1, r2, r3, g0, g1, g2, g3, b0, b1, b2, b3):  # type: ignore[no-untyped-def]
    (r,) = _antilog_of(r, r0, r1, r2, r3)
    (g,) = _antilog_of(g, g0, g1, g2, g3)
    (b,) = _antilog_of(b, b0, b1, b2, b3)
    return r, g, b


@pixel
def _camera_of(x, edge, line, start, slope, offset, log_slope, log_offset):  # type: ignore[no-untyped-def]
    (y,) = _log_of(x, slope, offset, log_slope, log_offset)
    return x * line + start if x <= edge else y


@pixel
def _anticamera_of(x, edge, line, start, offset, slope, lin_offset, lin_slope):  # type: ignore[no-untyped-def]
    (y,) = _antilog_of(x, offset, slope, lin_offset, lin_slope)
    return x * line + start if x <= edge else y


@pixel
def _camera_log(  # type: ignore[no-untyped-def]
    r, g, b, r0, r1, r2, r3, r4, r5, r6, g0, g1, g2, g3, g4, g5, g6, b0, b1, b2, b3, b4, b5, b6
):
    (r,) = _camera_of(r, r0, r1, r2, r3, r4, r5, r6)
    (g,) = _camera_of(g, g0, g1, g2, g3, g4, g5, g6)
    (b,) = _camera_of(b, b0, b1, b2, b3, b4, b5, b6)
    return r, g, b


@pixel
def _camera_antilog(  # type: ignore[no-untyped-def]
    r, g, b, r0, r1, r2, r3, r4, r5, r6, g0, g1, g2, g3, g4, g5, g6, b0, b1, b2, b3, b4, b5, b6
):
    (r,) = _anticamera_of(r, r0, r1, r2, r3, r4, r5, r6)
    (g,) = _anticamera_of(g, g0, g1, g2, g3, g4, g5, g6)
    (b,) = _anticamera_of(b, b0, b1, b2, b3, b4, b5, b6)
    return r, g, b


@pixel
def _power_clamped(r, g, b, er, eg, eb):  # type: ignore[no-untyped-def]
    return power(max(0, r), er), power(max(0, g), eg), power(max(0, b), eb)


@pixel
def _mirrored_of(x, exponent):  # type: ignore[no-untyped-def]
    y = power(abs(x), exponent)
    return -y if x < 0 else y


@pixel
def _power_mirrored(r, g, b, er, eg, eb):  # type: ignore[no-untyped-def]
    (r,) = _mirrored_of(r, er)
    (g,) = _mirrored_of(g, eg)
    (b,) = _mirrored_of(b, eb)
    return r, g, b


@pixel
def _power_passed(r, g, b, er, eg, eb):  # type: ignore[no-untyped-def]
    r = r if r <= 0 else power(r, er)
    g = g if g <= 0 else power(g, eg)
    b = b if b <= 0 else power(b, eb)
    return r, g, b


@pixel
def _power_line_of(x, edge, line, scale, offset, exponent):  # type: ignore[no-untyped-def]
    return x * line if x <= edge else power(x * scale + offset, exponent)


@pixel
def _root_line_of(x, edge, line, scale, offset, exponent):  # type: ignore[no-untyped-def]
    return x * line if x <= edge else power(x, exponent) * scale + offset


@pixel
def _power_line(r, g, b, r0, r1, r2, r3, r4, g0, g1, g2, g3, g4, b0, b1, b2, b3, b4):  # type: ignore[no-untyped-def]
    (r,) = _power_line_of(r, r0, r1, r2, r3, r4)
    (g,) = _power_line_of(g, g0, g1, g2, g3, g4)
    (b,) = _power_line_of(b, b0, b1, b2, b3, b4)
    return r, g, b


@pixel
def _root_line(r, g, b, r0, r1, r2, r3, r4, g0, g1, g2, g3, g4, b0, b1, b2, b3, b4):  # type: ignore[no-untyped-def]
    (r,) = _root_line_of(r, r0, r1, r2, r3, r4)
    (g,) = _root_line_of(g, g0, g1, g2, g3, g4)
    (b,) = _root_line_of(b, b0, b1, b2, b3, b4)
    return r, g, b


@pixel
def _power_line_mirrored(r, g, b, r0, r1, r2, r3, r4, g0, g1, g2, g3, g4, b0, b1, b2, b3, b4):  # type: ignore[no-untyped-def]
    (x, y, z) = _power_line(abs(r), abs(g), abs(b), r0, r1, r2, r3, r4, g0, g1, g2, g3, g4, b0, b1, b2, b3, b4)
    return -x if r < 0 else x, -y if g < 0 else y, -z if b < 0 else z


@pixel
def _root_line_mirrored(r, g, b, r0, r1, r2, r3, r4, g0, g1, g2, g3, g4, b0, b1, b2, b3, b4):  # type: ignore[no-untyped-def]
    (x, y, z) = _root_line(abs(r), abs(g), abs(b), r0, r1, r2, r3, r4, g0, g1, g2, g3, g4, b0, b1, b2, b3, b4)
    return -x if r < 0 else x, -y if g < 0 else y, -z if b < 0 else z


_STEPS: dict[StepKind, PixelFunction] = {
    "matrix": matrix,
    "matrix_offset": _matrix_offset,
    "range": _range,
    "logarithm": _logarithm,
    "antilogarithm": _antilogarithm,
    "camera_log": _camera_log,
    "camera_antilog": _camera_antilog,
    "power_clamped": _power_clamped,
    "power_mirrored": _power_mirrored,
    "power_passed": _power_passed,
    "power_line": _power_line,
    "power_line_mirrored": _power_line_mirrored,
    "root_line": _root_line,
    "root_line_mirrored": _root_line_mirrored,
}


@pixel
def _same(r, g, b):  # type: ignore[no-untyped-def]
    return r, g, b


@pixel
def _divisor(a, divided):  # type: ignore[no-untyped-def]
    """What colour is divided by: nothing where it is divided already, or where alpha is 0."""
    return 1 if divided == 1 else (a if a != 0 else 1)


@pixel
def _onto_black(light, by, a, black):  # type: ignore[no-untyped-def]
    return light / by + (0 if a != 0 else black)


@pixel
def _off_black(light, by, a, black):  # type: ignore[no-untyped-def]
    return light * by - (0 if a != 0 else black)


class _Converted(PixelFunction):
    """A conversion of colour with alpha, which passes through.

    Arguments: R, G, B and A; black in the encoding of the source, three numbers; 1 if colour is straight, else
    0; then the numbers of the steps. Light without coverage stands on black, whose number is not 0 in a log
    encoding: it is converted on the black of the source, and keeps what it has beyond the black of the target.
    """

    def __init__(self, steps: PixelFunction) -> None:
        self.name, self.steps = "conversion", steps
        self.called = {}
        self.arguments = ("r", "g", "b", "a", "kr", "kg", "kb", "divided", *steps.arguments[3:])
        self.source = f"converted\n{steps.arguments}: {steps.source}"

    @property
    def lanes_out(self) -> int:
        """How many values it returns."""
        return 4

    def __call__(self, *values: float) -> tuple[float, ...]:
        """One pixel in plain Python."""
        *light, a, kr, kg, kb, divided = values[:8]
        black, numbers = (kr, kg, kb), values[8:]
        (by,) = _divisor(a, divided)
        straight = [_onto_black(x, by, a, k)[0] for x, k in zip(light, black, strict=True)]
        dark, made = self.steps(*black, *numbers), self.steps(*straight, *numbers)
        return (*(_off_black(x, by, a, k)[0] for x, k in zip(made, dark, strict=True)), a)

    def evaluate(self, values: Sequence[V], algebra: Algebra[V]) -> list[V]:
        """The results in any algebra."""
        light, a, black, divided, numbers = values[:3], values[3], values[4:7], values[7], values[8:]
        (by,) = _divisor.evaluate([a, divided], algebra)
        straight = [_onto_black.evaluate([x, by, a, k], algebra)[0] for x, k in zip(light, black, strict=True)]
        dark = self.steps.evaluate([*black, *numbers], algebra)
        made = self.steps.evaluate([*straight, *numbers], algebra)
        results = [_off_black.evaluate([x, by, a, k], algebra)[0] for x, k in zip(made, dark, strict=True)]
        return [*results, a]


class _Plain(PixelFunction):
    """A conversion of R, G and B as they are; alpha passes through."""

    def __init__(self, steps: PixelFunction) -> None:
        self.name, self.steps = "conversion", steps
        self.called = {}
        self.arguments = ("r", "g", "b", "a", *steps.arguments[3:])
        self.source = f"plain\n{steps.arguments}: {steps.source}"

    @property
    def lanes_out(self) -> int:
        """How many values it returns."""
        return 4

    def __call__(self, *values: float) -> tuple[float, ...]:
        """One pixel in plain Python."""
        return (*self.steps(*values[:3], *values[4:]), values[3])

    def evaluate(self, values: Sequence[V], algebra: Algebra[V]) -> list[V]:
        """The results in any algebra."""
        return [*self.steps.evaluate([*values[:3], *values[4:]], algebra), values[3]]


@lru_cache(maxsize=256)
def conversion(kinds: tuple[StepKind, ...], *, by_alpha: bool) -> PixelFunction:
    """The pixel function of a conversion.

    Args:
        kinds: its steps.
        by_alpha: whether coverage counts: it takes black and whether colour is straight as its first numbers then.

    Returns:
        A function of R, G, B, A and numbers, those of the steps last.
    """
    steps = Chain("conversion", [_STEPS[kind] for kind in kinds] or [_same])
    return _Converted(steps) if by_alpha else _Plain(steps)


def numbers_of(steps: Sequence[ColourStep]) -> list[float]:
    """The numbers of steps."""
    return [number for step in steps for number in step.numbers]
