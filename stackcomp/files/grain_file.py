"""Grain files: the noise of a plate, by level, and how neighbours and channels depend on each other.

    {"stackcomp_grain": 1, "about": "", "space": "ACEScg", "black": [0.002, 0.002, 0.002],
     "floor": [0.0005, 0.0005, 0.0006], "slope": [2.4e-5, 2.2e-5, 2.9e-5], "levels": null,
     "correlation": [[1, 0.1, 0], [0.1, 1, 0.1], [0, 0.1, 1]],
     "autocorrelation": {"R": [[0.2, 1, 0.2], [0.05, 0.2, 0.05]], "G": […], "B": […]}}

All is scene-linear, in ``space``. The variance of a channel is ``floor² + slope · max(level − black, 0)``. Where
``levels`` has a channel, as ``{"R": [[level, deviation], …], …}``, the variance goes in straight lines from one of
those levels to the next instead; below the first it stays, and above the last it rises as it does from the first
to the last, or stays where it falls.

``correlation`` is that of R, G and B in one pixel. ``autocorrelation`` is that of a channel's neighbours: row k is
k pixels down, column m of 2n + 1 is m − n pixels across; in between lies 1, a pixel with itself. What is missing
follows from symmetry. n is 0 to 8.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, field_validator

from stackcomp.errors import BadValueError
from stackcomp.files.atomic import whole_file
from stackcomp.files.file_state import FileState
from stackcomp.files.mark import program
from stackcomp.files.side_file import side_file

__all__ = ["MOST_LEVELS", "GrainFile", "read_grain", "write_grain"]

_Triple = tuple[float, float, float]
_Level = tuple[float, float]
_Share = Annotated[float, Field(ge=-1, le=1)]
#: Levels of a channel, at the most.
MOST_LEVELS = 16
_MOST_REACH = 8
#: No number of a plate is larger, and the square of none larger leaves float32.
_LARGEST = 1e9


class GrainFile(BaseModel):
    """What a grain file holds; see the module's text."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, populate_by_name=True)

    version: Annotated[Literal[1], Field(alias="stackcomp_grain", description="Version of the format.")]
    about: str = ""
    program: Annotated[str, Field(description="Which program wrote the file; changes nothing.")] = ""
    space: Annotated[str, Field(description="Scene-linear colour space of all numbers.")]
    black: Annotated[_Triple, Field(description="Level of the plate where no light is, R G B.")] = (0.0, 0.0, 0.0)
    floor: Annotated[_Triple, Field(description="Standard deviation of the grain in black, R G B.")]
    slope: Annotated[_Triple, Field(description="By how much the variance grows with each unit of light, R G B.")]
    levels: Annotated[
        dict[str, tuple[_Level, ...]] | None,
        Field(description="Levels with their standard deviations, by channel, in place of floor and slope."),
    ] = None
    correlation: Annotated[
        tuple[tuple[_Share, _Share, _Share], ...], Field(description="Correlation of R, G and B, 3×3.")
    ] = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
    autocorrelation: Annotated[
        dict[str, tuple[tuple[_Share, ...], ...]],
        Field(description="Correlation of neighbours, by channel."),
    ]

    @field_validator("space")
    @classmethod
    def _named(cls, space: str) -> str:
        if not space.strip():
            raise BadValueError("has no name of a colour space in it", "as in ACEScg")
        return space

    @field_validator("floor", "slope")
    @classmethod
    def _not_negative(cls, numbers: _Triple) -> _Triple:
        if min(numbers) < 0:
            raise BadValueError(f"has a number below 0, {min(numbers):g}", "give 0 or more for each channel")
        return numbers

    @field_validator("black", "floor", "slope")
    @classmethod
    def _not_too_large(cls, numbers: _Triple) -> _Triple:
        _look_at_size(numbers, "")
        return numbers

    @field_validator("levels")
    @classmethod
    def _rising(cls, levels: dict[str, tuple[_Level, ...]] | None) -> dict[str, tuple[_Level, ...]] | None:
        for name, table in (levels or {}).items():
            _look_at_channel(name)
            if not 1 <= len(table) <= MOST_LEVELS:
                raise BadValueError(f"has {len(table)} levels of {name}", f"give 1 to {MOST_LEVELS}")
            if any(deviation < 0 for _, deviation in table):
                raise BadValueError(f"has a standard deviation below 0 in {name}", "give 0 or more")
            _look_at_size([number for row in table for number in row], f" in {name}")
            # Computed as float32, in which they must differ too.
            if any(np.float32(a[0]) >= np.float32(b[0]) for a, b in pairwise(table)):
                raise BadValueError(f"has levels of {name} that do not rise", "sort them, each level once")
        return levels

    @field_validator("correlation")
    @classmethod
    def _of_three(cls, rows: tuple[tuple[float, ...], ...]) -> tuple[tuple[float, ...], ...]:
        table = np.array(rows)
        if table.shape != (3, 3) or not np.allclose(table, table.T, atol=1e-6) or not (np.diag(table) == 1).all():
            raise BadValueError(
                "has a correlation that is not 3×3, symmetric, with 1 in its diagonal", "as in [[1, 0.1, 0], …]"
            )
        return rows

    @field_validator("autocorrelation")
    @classmethod
    def _of_three_channels(
        cls, tables: dict[str, tuple[tuple[float, ...], ...]]
    ) -> dict[str, tuple[tuple[float, ...], ...]]:
        for name in tables:
            _look_at_channel(name)
        missing = [name for name in "RGB" if name not in tables]
        if missing:
            raise BadValueError(f"has no autocorrelation of {', '.join(missing)}", "[[1]] is that of fine grain")
        for name, rows in tables.items():
            reach = len(rows) - 1
            if not 0 <= reach <= _MOST_REACH or any(len(row) != 2 * reach + 1 for row in rows):
                raise BadValueError(
                    f"has an autocorrelation of {name} of {len(rows)} rows of "
                    f"{' and '.join(map(str, sorted({len(row) for row in rows}))) or 'no'} numbers",
                    f"n + 1 rows have 2n + 1 numbers each, n up to {_MOST_REACH}",
                )
            if rows[0][reach] != 1:
                raise BadValueError(
                    f"has an autocorrelation of {name} with {rows[0][reach]:g} where a pixel meets itself",
                    "in the middle of the first row stands 1",
                )
            if any(abs(a - b) > 1e-6 for a, b in zip(rows[0], reversed(rows[0]), strict=True)):
                raise BadValueError(
                    f"has an autocorrelation of {name} whose first row is not the same to both sides",
                    "pixels depend on their left neighbours as much as on their right ones",
                )
        return tables

    def half(self, channel: str) -> np.ndarray:
        """Lower half of a channel's autocorrelation, float64 ``(n + 1, 2n + 1)``."""
        return np.array(self.autocorrelation[channel], np.float64)


def _look_at_size(numbers: Sequence[float], where: str) -> None:
    """Check that no number is larger than any of a plate.

    Raises:
        BadValueError: one is.
    """
    most = max(numbers, key=abs)
    if abs(most) > _LARGEST:
        raise BadValueError(f"has a number beyond all light{where}, {most:g}", f"give {_LARGEST:g} at the most")


def _look_at_channel(name: str) -> None:
    """Check the name of a channel.

    Raises:
        BadValueError: it is not R, G or B.
    """
    if name not in ("R", "G", "B"):
        raise BadValueError(f'has a channel "{name}"', "channels are R, G and B")


def read_grain(path: Path, opened: dict[Path, FileState] | None = None) -> GrainFile:
    """Return what a grain file holds; it is read once for each of its states.

    Args:
        path: the file.
        opened: files of a frame and their states, see `stackcomp.files.side_file`.

    Raises:
        FileError: it cannot be read, or a value does not fit.
    """
    return side_file(path, GrainFile, "grain", opened)


def write_grain(path: Path, grain: GrainFile) -> None:
    """Write a grain file, whole or not at all.

    Args:
        path: the file.
        grain: what it shall hold; ``program`` is filled in.

    Raises:
        FileError: it cannot be written.
    """
    content: dict[str, Any] = grain.model_dump(mode="json", by_alias=True)
    content["program"] = program()
    tables = content.pop("autocorrelation")
    lines = [f"  {json.dumps(key)}: {json.dumps(value, ensure_ascii=False)}," for key, value in content.items()]
    blocks = [f'    "{name}": [\n{_rows(rows)}\n    ]' for name, rows in tables.items()]
    text = "\n".join(["{", *lines, '  "autocorrelation": {', ",\n".join(blocks), "  }", "}"]) + "\n"
    with whole_file(path) as unfinished:
        unfinished.write_text(text, encoding="utf-8")


def _rows(rows: Sequence[Sequence[float]]) -> str:
    return ",\n".join("      " + json.dumps(row) for row in rows)
