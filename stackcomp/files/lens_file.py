"""Lens files: the distortion of a lens, as `stackcomp match lens` finds it.

    {"stackcomp_lens": 1, "about": "35 mm at 2 m", "model": "brown", "size": [3840, 2160],
     "focal": [3712.4, 3711.9], "centre": [1921.3, 1078.8],
     "coefficients": {"k1": -0.112, "k2": 0.031, "p1": 0.0004}, "lateral": [0.8, -0.6], "residual": 0.14,
     "overscan": {"left": 61, "top": 36, "right": 60, "bottom": 35}}

``focal`` and ``centre`` are in pixels of a picture of ``size``, x to the right and y down, with pixel centres at
half pixels: the middle of 3840×2160 is [1920, 1080]. Calibrations whose pixel centres are whole numbers, as
OpenCV's are, have a centre that is half a pixel less. `stackcomp.kernels.distortion` has the formula.

``overscan`` says how many more pixels a CG render of that size needs on each side, and ``residual`` how far
corners of the charts lie from where the lens puts them, in pixels. Both are for people.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from functools import cached_property
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from stackcomp.errors import BadValueError, did_you_mean, shown
from stackcomp.files.atomic import whole_file
from stackcomp.files.file_state import FileState
from stackcomp.files.mark import program
from stackcomp.files.side_file import side_file
from stackcomp.kernels.distortion import Distortion

__all__ = ["COEFFICIENTS", "LARGEST", "LensFile", "Overscan", "read_lens", "write_lens"]

#: Coefficients of each model, in the order in which OpenCV lists them.
COEFFICIENTS: dict[str, tuple[str, ...]] = {
    "brown": ("k1", "k2", "p1", "p2", "k3"),
    "rational": ("k1", "k2", "p1", "p2", "k3", "k4", "k5", "k6", "s1", "s2", "s3", "s4"),
}
#: No lens has a coefficient as large as this.
LARGEST = 1e6
_Side = Annotated[int, Field(ge=1, le=65536)]
_Length = Annotated[float, Field(gt=0, le=1e7)]
_Place = Annotated[float, Field(ge=-1e6, le=1e6)]
_Fringe = Annotated[float, Field(ge=-1000, le=1000)]
_Pixels = Annotated[int, Field(ge=0, le=1_000_000)]


class Overscan(BaseModel):
    """Pixels beyond each side of the frame."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    left: _Pixels
    top: _Pixels
    right: _Pixels
    bottom: _Pixels

    @property
    def sides(self) -> dict[str, int]:
        """By name."""
        return {name: getattr(self, name) for name in ("left", "top", "right", "bottom")}


class LensFile(BaseModel):
    """What a lens file holds; see the module's text."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, populate_by_name=True)

    version: Annotated[Literal[1], Field(alias="stackcomp_lens", description="Version of the format.")]
    about: Annotated[str, Field(description="A note for people; changes nothing.")] = ""
    program: Annotated[str, Field(description="Which program wrote the file; changes nothing.")] = ""
    model: Annotated[Literal["brown", "rational"], Field(description="Which coefficients it may have.")]
    size: Annotated[tuple[_Side, _Side], Field(description="Width and height of the calibrated picture.")]
    focal: Annotated[tuple[_Length, _Length], Field(description="Focal lengths across and down, in its pixels.")]
    centre: Annotated[tuple[_Place, _Place], Field(description="Where the optical axis meets it.")]
    coefficients: Annotated[dict[str, float], Field(description="By name; those left out are 0.")]
    lateral: Annotated[
        tuple[_Fringe, _Fringe],
        Field(description="How much farther than green red and blue lie at the corner, in its pixels."),
    ] = (0.0, 0.0)
    residual: Annotated[float | None, Field(ge=0, description="Of the calibration, in pixels.")] = None
    overscan: Annotated[Overscan | None, Field(description="That a CG render needs, in pixels.")] = None

    @field_validator("coefficients")
    @classmethod
    def _are_numbers(cls, coefficients: dict[str, float]) -> dict[str, float]:
        for name, value in coefficients.items():
            if abs(value) > LARGEST:
                raise BadValueError(f'has "{name}" of {shown(value)}', f"give a number within ±{LARGEST:.0f}")
        return coefficients

    @model_validator(mode="after")
    def _of_the_model(self) -> Self:
        known = COEFFICIENTS[self.model]
        for name in self.coefficients:
            if name not in known:
                hint = f'give "model": "rational", or leave "{name}" out'
                if name not in COEFFICIENTS["rational"]:
                    hint = did_you_mean(name, known) or f"its names are {', '.join(known)}"
                raise BadValueError(f'has the coefficient "{name}", which the model "{self.model}" lacks', hint)
        return self

    @cached_property
    def distortion(self) -> Distortion:
        """The lens for computing with."""
        return Distortion(**self.coefficients)


def read_lens(path: Path, opened: dict[Path, FileState] | None = None) -> LensFile:
    """Return what a lens file holds; `stackcomp.files.side_file` says how it is read.

    Raises:
        FileError: it cannot be read, or is no lens file.
    """
    return side_file(path, LensFile, "lens", opened)


def write_lens(path: Path, fields: Mapping[str, Any]) -> None:
    """Write a lens file, whole or not at all.

    Args:
        path: the file; one that exists is replaced when the new one is whole.
        fields: those of `LensFile`, without version and program, as JSON data.

    Raises:
        FileError: it cannot be written.
        ValueError: a field that does not fit; a programming error.
    """
    made = {"stackcomp_lens": 1, "program": program(), **fields}
    LensFile.model_validate(made)
    lines = [
        f"  {json.dumps(key)}: {json.dumps(value, ensure_ascii=False, allow_nan=False)}"
        for key, value in made.items()
    ]
    with whole_file(path) as unfinished:
        unfinished.write_text("{\n" + ",\n".join(lines) + "\n}\n", encoding="utf-8")
