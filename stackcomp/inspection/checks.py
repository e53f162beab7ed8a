"""The list of checks. A check is a file of its own; its line here and in `thresholds` makes it known."""

from __future__ import annotations

from functools import cache

from stackcomp.inspection.check import Check

__all__ = ["all_checks"]


@cache
def all_checks() -> tuple[Check, ...]:
    """Every check, in the order in which they are listed."""
    from stackcomp.inspection import (
        alpha_range,
        alpha_state,
        bare_light,
        black,
        changes,
        flashes,
        flicker,
        frames,
        fringe,
        grain,
        negative,
        nonfinite,
        sharpness,
    )

    return (
        nonfinite.CHECK,
        negative.CHECK,
        alpha_range.CHECK,
        alpha_state.CHECK,
        bare_light.CHECK,
        fringe.CHECK,
        black.CHECK,
        grain.CHECK,
        sharpness.CHECK,
        frames.CHECK,
        flicker.CHECK,
        changes.CHECK,
        flashes.CHECK,
    )
