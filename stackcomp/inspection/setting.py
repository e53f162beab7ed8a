"""What an inspection is asked to do: which checks, with which limits."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

from stackcomp.errors import Problem, RequestError, did_you_mean
from stackcomp.files.colour import DEFAULT_CONFIG
from stackcomp.inspection.check import Check, PairCheck, PictureCheck, StreamCheck
from stackcomp.inspection.checks import all_checks
from stackcomp.inspection.thresholds import Thresholds

__all__ = ["FILE", "RENDER", "Setting", "chosen_checks"]

#: Names of what is found by opening and rendering, beside the checks.
FILE, RENDER = "file", "render"


@dataclass(frozen=True)
class Setting:
    """Checks and limits.

    Attributes:
        checks: those that are done.
        thresholds: limits of all checks.
        frame_rate: frames a second; that of the graph or of the files when None.
        colour_config: name or path of the colour config.
    """

    checks: tuple[Check, ...] = field(default_factory=all_checks)
    thresholds: Thresholds = field(default_factory=Thresholds)
    frame_rate: float | None = None
    colour_config: str = DEFAULT_CONFIG

    @property
    def of_pictures(self) -> tuple[PictureCheck, ...]:
        """Checks of one picture."""
        return tuple(check for check in self.checks if isinstance(check, PictureCheck))

    @property
    def of_pairs(self) -> tuple[PairCheck, ...]:
        """Checks of CG against plate."""
        return tuple(check for check in self.checks if isinstance(check, PairCheck))

    @property
    def of_streams(self) -> tuple[StreamCheck, ...]:
        """Checks of sequences."""
        return tuple(check for check in self.checks if isinstance(check, StreamCheck))

    def limits(self, check: Check) -> Any:
        """The limits of a check."""
        return getattr(self.thresholds, check.name)


def chosen_checks(names: Sequence[str] | None = None, without: Sequence[str] = ()) -> tuple[Check, ...]:
    """Checks by name.

    Args:
        names: those wanted; all when None.
        without: those left out.

    Raises:
        RequestError: there is no such check, or none is left; it holds every such name.
    """
    known = {check.name: check for check in all_checks()}
    problems = [
        Problem(
            "check-unknown",
            f'{option}: there is no check "{name}"',
            did_you_mean(name, list(known)) or _all(known),
        )
        for option, given in (("--checks", names or ()), ("--without", without))
        for name in given
        if name not in known
    ]
    if problems:
        raise RequestError(problems)
    chosen = tuple(
        check for name, check in known.items() if (names is None or name in names) and name not in without
    )
    if not chosen:
        raise RequestError(Problem("check-unknown", "no check is left", _all(known)))
    return chosen


def _all(known: Iterable[str]) -> str:
    return f"choose from {', '.join(known)}"
