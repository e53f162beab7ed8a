"""How laws compare pictures, and what they say of the first pixel that breaks one."""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt

from stackcomp.data.image import Image
from stackcomp.data.window import Window
from stackcomp.testing.example import Example

__all__ = ["AREA_ROUNDING", "Law", "LawBrokenError", "finite", "law", "require", "same", "same_plane"]

Law = Callable[[Example], bool]

#: Tiles of area kinds may differ by this part of the brightest value, since sums begin elsewhere.
AREA_ROUNDING = 1e-5


class LawBrokenError(AssertionError):
    """What a law finds, before its name and the example are known."""


def law(check: Law) -> Law:
    """The law, with its name and the example in its message."""

    @functools.wraps(check)
    def tried(example: Example) -> bool:
        try:
            return check(example)
        except LawBrokenError as broken:
            raise AssertionError(f"{check.__name__}, {example}: {broken}") from None

    return tried


def require(holds: bool, message: str) -> None:
    """Something holds, or the law is broken."""
    if not holds:
        raise LawBrokenError(message)


def finite(plane: npt.NDArray[Any], window: Window, what: str) -> None:
    """No value is infinite or NaN."""
    odd = ~np.isfinite(plane)
    if odd.any():
        raise LawBrokenError(f"{what}: {_places(odd, window)} {_first(plane, odd)}, which is not finite")


def same(got: Image, expected: Image, window: Window, what: str, *, areas: bool = False) -> None:
    """Two pictures hold the same planes and values in a window; those of area kinds may be rounded differently."""
    require(got.channels == expected.channels, f"{what} has the planes {got.channels}, not {expected.channels}")
    for name in expected:
        a, b = got.over(window)[name], expected.over(window)[name]
        peak = float(np.abs(expected[name]).max(initial=0)) if areas else 0.0
        same_plane(a, b, window, f"{what}, plane {name}", most=AREA_ROUNDING * peak)


def same_plane(
    got: npt.NDArray[Any],
    expected: npt.NDArray[Any],
    window: Window,
    what: str,
    *,
    most: float = 0.0,
    bits: bool = False,
) -> None:
    """Values are the same, or differ by ``most``; with ``bits`` the sign of a 0 counts too."""
    if got.tobytes() == expected.tobytes():
        return
    with np.errstate(invalid="ignore"):
        odd = ~((np.abs(got - expected) <= most) | (np.isnan(got) & np.isnan(expected)) | (got == expected))
    if bits and not odd.any():
        odd = np.ascontiguousarray(got).view(np.uint32) != np.ascontiguousarray(expected).view(np.uint32)
    if odd.any():
        raise LawBrokenError(
            f"{what}: {_places(odd, window)} {_first(got, odd)} instead of {_first(expected, odd)}"
        )


def _places(odd: npt.NDArray[np.bool_], window: Window) -> str:
    y, x = (int(k) for k in np.argwhere(odd)[0])
    count = int(np.count_nonzero(odd))
    return f"{count} pixel{'s' if count > 1 else ''}, first {window.x0 + x},{window.y0 + y}:"


def _first(plane: npt.NDArray[Any], odd: npt.NDArray[np.bool_]) -> str:
    return f"{float(plane[odd][0])!r}"
