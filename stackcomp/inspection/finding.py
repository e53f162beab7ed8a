"""One finding: what is wrong where, by how much, and the usual cure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

from stackcomp.data.window import Window

__all__ = ["LEVELS", "Finding", "Level"]

Level = Literal["fault", "doubt", "note"]

#: From the worst to the least. A fault is wrong in any picture; a doubt is wrong in most; a note is counted only.
LEVELS: tuple[Level, ...] = ("fault", "doubt", "note")


@dataclass(frozen=True, kw_only=True)
class Finding:
    """One finding about one picture, a pair of pictures, or a frame of a sequence.

    Checks leave ``frame`` and ``picture`` as they are; whoever runs them fills these in. A check of a sequence
    sets ``frame``.

    Attributes:
        check: name of the check.
        frame: frame number; None for a still.
        picture: what was looked at, for a person: a path as given, with its frame token, or the name of a node.
        place: where, in pixels of the frame; None where it concerns the whole frame.
        value: the number measured; None where there is none.
        limit: the limit that it passes, in the same unit; None where there is none.
        unit: of both, such as ``px``, ``stops``, ``%``; empty for a plain number.
        message: what is wrong, with the numbers, as a clause without a full stop.
        cure: the usual cure, as a clause without a full stop.
        level: see `LEVELS`.
        sort: tells findings of one check apart, such as ``NaN`` and ``+inf``; those of one check, sort, level and
            picture are one line over many frames.
    """

    check: str
    frame: int | None = None
    picture: str = ""
    place: Window | None = None
    value: float | None = None
    limit: float | None = None
    unit: str = ""
    message: str
    cure: str
    level: Level
    sort: str = ""

    @property
    def excess(self) -> float:
        """How far the value lies beyond its limit, to choose the worst by; 0 where there is no value."""
        if self.value is None:
            return 0.0
        return abs(self.value - (self.limit or 0.0))

    @property
    def limit_words(self) -> str:
        """The limit for a person, ``limit 0.03 stops``; empty where there is none, and for a note."""
        if self.limit is None or self.level == "note":
            return ""
        return f"limit {self.limit:.3g}" + (f" {self.unit}" if self.unit else "")

    def as_dict(self) -> dict[str, Any]:
        """Plain data for JSON; the place is x, y, width and height."""
        place = self.place
        return {
            "check": self.check,
            "sort": self.sort,
            "level": self.level,
            "frame": self.frame,
            "picture": self.picture,
            "place": None if place is None else [place.x0, place.y0, place.width, place.height],
            "value": self.value,
            "limit": self.limit,
            "unit": self.unit,
            "message": self.message,
            "cure": self.cure,
        }

    def __str__(self) -> str:
        parts = [self.picture, "" if self.frame is None else f"frame {self.frame}"]
        subject = ", ".join(part for part in parts if part)
        where = "".join(f", {part}" for part in (self.place or "", self.limit_words) if part)
        head = f"{subject}: " if subject else ""
        return f"{self.level} {self.check}: {head}{self.message}{where}" + (
            f"\n  {self.cure}" if self.cure else ""
        )
