"""Findings for people and programs: those of one sort over many frames become one summary."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from stackcomp.data.frames import format_frames
from stackcomp.inspection.finding import LEVELS, Finding, Level
from stackcomp.inspection.runner import Inspection

__all__ = ["Summary", "as_dict", "counted", "summaries"]

_MOST_LISTED = 12


@dataclass(frozen=True)
class Summary:
    """Findings of one check, sort, level and picture.

    Attributes:
        findings: one or more, in the order of frames.
    """

    findings: tuple[Finding, ...]

    @property
    def worst(self) -> Finding:
        """The finding whose value lies farthest beyond its limit; the first of several."""
        return max(self.findings, key=lambda finding: finding.excess)

    @property
    def level(self) -> Level:
        """The level of all of them."""
        return self.findings[0].level

    @property
    def frames(self) -> tuple[int, ...]:
        """Their frames, rising; none for a still."""
        return tuple(sorted({finding.frame for finding in self.findings if finding.frame is not None}))

    @property
    def words(self) -> str:
        """The frames for a message: ``frame 1004``, ``frames 1001-1010, worst 1004``; empty for a still."""
        frames = self.frames
        if not frames:
            return ""
        if len(frames) == 1:
            return f"frame {frames[0]}"
        runs = format_frames(frames).split(",")
        text = ",".join(runs[:_MOST_LISTED]) + (f" … ({len(frames)} frames)" if len(runs) > _MOST_LISTED else "")
        alike = len({finding.value for finding in self.findings}) == 1
        return f"frames {text}" + ("" if alike else f", worst {self.worst.frame}")

    @property
    def title(self) -> str:
        """What and where, one line."""
        worst = self.worst
        subject = ", ".join(part for part in (worst.picture, self.words) if part)
        where = "".join(f", {part}" for part in (worst.place or "", worst.limit_words) if part)
        return f"{worst.level} {worst.check}: {subject}: {worst.message}{where}"

    def as_dict(self) -> dict[str, Any]:
        """Plain data for JSON."""
        worst = self.worst
        return {
            "check": worst.check,
            "sort": worst.sort,
            "level": worst.level,
            "picture": worst.picture,
            "frames": list(self.frames),
            "worst": worst.as_dict(),
        }


def summaries(findings: Iterable[Finding]) -> list[Summary]:
    """Findings grouped by check, sort, level and picture; the worst level first, else in the order found."""
    groups: dict[tuple[str, str, str, str], list[Finding]] = {}
    for finding in findings:
        groups.setdefault((finding.check, finding.sort, finding.level, finding.picture), []).append(finding)
    made = [
        Summary(tuple(sorted(group, key=lambda finding: finding.frame if finding.frame is not None else 0)))
        for group in groups.values()
    ]
    return sorted(made, key=lambda summary: LEVELS.index(summary.level))


def counted(inspection: Inspection, found: Sequence[Summary]) -> str:
    """One line: ``1 fault, 2 doubts and 3 notes in 48 pictures``; ``nothing found in 48 pictures``."""
    numbers = {level: sum(summary.level == level for summary in found) for level in LEVELS}
    parts = [f"{number} {level}{'' if number == 1 else 's'}" for level, number in numbers.items() if number]
    text = ", ".join(parts[:-1]) + (" and " if len(parts) > 1 else "") + parts[-1] if parts else "nothing found"
    total = sum(inspection.pictures.values())
    return f"{text} in {total} picture{'' if total == 1 else 's'}"


def as_dict(inspection: Inspection, checks: Sequence[str]) -> dict[str, Any]:
    """Plain data for JSON.

    Args:
        inspection: what was found.
        checks: names of the checks that were done.
    """
    return {
        "clean": inspection.clean,
        "checks": list(checks),
        "pictures": [{"picture": name, "number": number} for name, number in inspection.pictures.items()],
        "summaries": [summary.as_dict() for summary in summaries(inspection.findings)],
        "findings": [finding.as_dict() for finding in inspection.findings],
    }
