"""Parameters of which a few are tried in the fast suite, and all where slow tests run."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import pytest

__all__ = ["few_fast"]


def few_fast(cases: Iterable[Any], count: int, *, pairs: bool = False) -> list[Any]:
    """Cases for `pytest.mark.parametrize`; all but so many, spread over the whole list, are slow tests.

    Args:
        cases: one value each, or values of several parameters with ``pairs``.
        count: how many are fast.
        pairs: whether each case is a tuple of values for several parameters.
    """
    cases = [pytest.param(*case) if pairs else pytest.param(case) for case in cases]
    fast = {round(k * (len(cases) - 1) / max(1, count - 1)) for k in range(count)}
    return [
        case if k in fast else pytest.param(*case.values, marks=pytest.mark.slow) for k, case in enumerate(cases)
    ]
