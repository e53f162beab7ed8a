"""Values that Python code gives to a graph, as the JSON data that stands for them."""

from __future__ import annotations

import math
import os
from collections.abc import Mapping
from typing import Any

from stackcomp.data.numbers import Keyed
from stackcomp.errors import BadValueError, shown

__all__ = ["plain"]

_CAN = "give a text, a number, true or false, a list or a mapping"


def plain(value: Any) -> Any:
    """A copy made of dict, list, str, int, float, bool and None.

    Numbers over time, paths, tuples and numpy's arrays and numbers become what a graph file writes for them.

    Raises:
        BadValueError: something that no graph file can hold; NaN and infinity are among it.
    """
    if isinstance(value, Keyed):
        return plain(value.as_json())
    if isinstance(value, str):
        return str(value)
    if value is None or isinstance(value, bool | int):
        return value
    if isinstance(value, float):
        if not math.isfinite(value):
            raise BadValueError(f"is {value}, not a finite number", "write a plain number")
        return float(value)
    if isinstance(value, os.PathLike):
        return plain(os.fspath(value))
    if hasattr(value, "tolist"):
        return plain(value.tolist())
    if isinstance(value, Mapping):
        bad = next((key for key in value if not isinstance(key, str)), None)
        if bad is not None:
            raise BadValueError(f"holds the key {shown(bad)}, but keys are texts", "write it as text")
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    raise BadValueError(f"is a Python {type(value).__name__}, which no graph file can hold", _CAN)
