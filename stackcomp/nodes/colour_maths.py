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
from stackcomp.nodes.pixel_chain import Chain, EachChannel

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
def _logarithm(x, slope, offset, log_slope, log_offset):  # type: ignore[no-untyped-def]
    # The smallest normal float32 stands for 0 and for what is below.
    return log2(max(1.17549435e-38, x * slope + offset)) * log_slope + log_offset


@pixel
def _antilogarithm(x, offset, slope, lin_offset, lin_slope):  # type: ignore[no-untyped-def]
    return (exp2((x + offset) * slope) + lin_offset) * lin_slope


@pixel
def _camera_log(x, edge, line, start, slope, offset, log_slope, log_offset):  # type: ignore[no-untyped-def]
    (y,) = _logarithm(x, slope, offset, log_slope, log_offset)
    return x * line + start if x <= edge else y


@pixel
def _camera_antilog(x, edge, line, start, offset, slope, lin_offset, lin_slope):  # type: ignore[no-untyped-def]
    (y,) = _antilogarithm(x, offset, slope, lin_offset, lin_slope)
    return x * line + start if x <= edge else y


@pixel
def _power_clamped(x, exponent):  # type: ignore[no-untyped-def]
    return power(max(0, x), exponent)


@pixel
def _power_mirrored(x, exponent):  # type: ignore[no-untyped-def]
    y = power(abs(x), exponent)
    return -y if x < 0 else y


@pixel
def _power_passed(x, exponent):  # type: ignore[no-untyped-def]
    return x if x <= 0 else power(x, exponent)


@pixel
def _power_line(x, edge, line, scale, offset, exponent):  # type: ignore[no-untyped-def]
    return x * line if x <= edge else power(x * scale + offset, exponent)


@pixel
def _power_line_mirrored(x, edge, line, scale, offset, exponent):  # type: ignore[no-untyped-def]
    (y,) = _power_line(abs(x), edge, line, scale, offset, exponent)
    return -y if x < 0 else y


@pixel
def _root_line(x, edge, line, scale, offset, exponent):  # type: ignore[no-untyped-def]
    return x * line if x <= edge else power(x, exponent) * scale + offset


@pixel
def _root_line_mirrored(x, edge, line, scale, offset, exponent):  # type: ignore[no-untyped-def]
    (y,) = _root_line(abs(x), edge, line, scale, offset, exponent)
    return -y if x < 0 else y


_STEPS: dict[StepKind, PixelFunction] = {
    "matrix": matrix,
    "matrix_offset": _matrix_offset,
    "range": _range,
    "logarithm": EachChannel(_logarithm),
    "antilogarithm": EachChannel(_antilogarithm),
    "camera_log": EachChannel(_camera_log),
    "camera_antilog": EachChannel(_camera_antilog),
    "power_clamped": EachChannel(_power_clamped),
    "power_mirrored": EachChannel(_power_mirrored),
    "power_passed": EachChannel(_power_passed),
    "power_line": EachChannel(_power_line),
    "power_line_mirrored": EachChannel(_power_line_mirrored),
    "root_line": EachChannel(_root_line),
    "root_line_mirrored": EachChannel(_root_line_mirrored),
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
