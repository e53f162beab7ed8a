"""What the numbers of an array mean, before they become a plane of float32.

====================  ============================================================================
floats                taken as they are, NaN and infinity too
unsigned integers     0 to 1 over the full range of their type (255, 65535 …) where an encoding is given or
                      ``integers="scaled"``; as they are where ``integers="plain"``; else refused
signed integers       as they are where ``integers="plain"``; else refused: they have no range that means 0 to 1
booleans              0 and 1 for a matte, or where ``integers`` is given; else refused
all else              refused
====================  ============================================================================

An array of integers cannot say whether its 1 is white or a 255th of it; a guess would be wrong by that factor.
"""

from __future__ import annotations

from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from stackcomp.errors import ArgumentError, cut

__all__ = ["Integers", "float_values"]

Integers = Literal["scaled", "plain"]

_REFUSED = {
    "c": "complex numbers",
    "O": "Python objects",
    "U": "text",
    "S": "bytes",
    "V": "records",
    "M": "dates",
    "m": "durations",
}


def float_values(
    array: Any, *, encoded: bool, truth: bool, integers: Integers | None = None
) -> npt.NDArray[np.float32]:
    """The values of an array as float32, which may share its memory.

    Args:
        array: any array, or nested lists of numbers.
        encoded: whether the encoding of the numbers is known.
        truth: whether booleans have a plain meaning.
        integers: what integers mean.

    Raises:
        ArgumentError: values whose meaning is not plain.
    """
    if integers is not None and not (isinstance(integers, str) and integers in ("scaled", "plain")):
        description = cut(repr(integers), 60)
        raise ArgumentError("integers", f"{description} is not known", 'give "scaled", "plain" or None')
    if isinstance(array, np.ma.MaskedArray):
        raise ArgumentError("array", "it is masked, and a plane has no mask", "fill it first: array.filled(0)")
    try:
        values = np.asarray(array)
    except Exception as error:
        # Whatever an object that poses as an array raises means that it is none.
        raise ArgumentError("array", f"it is not an array: {cut(str(error), 120)}", "give a numpy array") from None
    kind = values.dtype.kind
    if kind == "f":
        return _floats(values)
    if kind == "b":
        if not truth and integers is None:
            raise ArgumentError(
                "array", "it holds truth values, which only a matte takes as 0 and 1",
                'say type=Matte(), or integers="plain"'
            )  # fmt: skip
        return values.astype(np.float32)
    if kind in "ui":
        return _integers(values, encoded, integers)
    description = (
        cut(repr(array), 60) if values.ndim == 0 else f"an array of {_REFUSED.get(kind, values.dtype.name)}"
    )
    raise ArgumentError("array", f"{description} is not a picture", "give an array of floats")


def _floats(numbers: npt.NDArray[Any]) -> npt.NDArray[np.float32]:
    with np.errstate(over="ignore"):
        values = numbers.astype(np.float32, copy=False)
    if numbers.dtype.itemsize > 4 and np.count_nonzero(np.isinf(values)) != np.count_nonzero(np.isinf(numbers)):
        raise ArgumentError("array", "it holds numbers beyond ±3.4e38, the range of float32", "scale or clip it")
    return values


def _integers(values: npt.NDArray[Any], encoded: bool, integers: Integers | None) -> npt.NDArray[np.float32]:
    if integers == "plain":
        return values.astype(np.float32)
    if values.dtype.kind == "i":
        raise ArgumentError(
            "array",
            f"it holds signed integers ({values.dtype}), which have no value for 1",
            'give floats (array / 255), or say integers="plain" to take the numbers as they are',
        )
    if integers is None and not encoded:
        most = np.iinfo(values.dtype).max
        raise ArgumentError(
            "array",
            f"it holds integers ({values.dtype}), and their meaning is not given",
            f'give encoding=, such as "sRGB - Display", or integers="scaled", where {most} is 1; '
            'or integers="plain" to take the numbers as they are',
        )
    most = np.iinfo(values.dtype).max
    if values.dtype.itemsize <= 2:  # exact in float32, so that one rounding is left
        scaled: npt.NDArray[np.float32] = np.divide(values, np.float32(most), dtype=np.float32)
        return scaled
    return (values / np.float64(most)).astype(np.float32)
