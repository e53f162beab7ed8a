"""Files of shapes, for `shape_matte`: closed curves over frames, too many to stand in a graph.

    {"stackcomp_shapes": 1, "about": "", "width": 1920, "height": 1080,
     "shapes": [{"name": "cord", "points": {"keys": [[1001, [[812, 10], …]], [1012, […]]]}}, …]}

``width`` and ``height`` are the size of the picture that the shapes were drawn for, in whose pixels their points
are.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator

from stackcomp.data.shapes import Shape
from stackcomp.errors import BadValueError
from stackcomp.files.file_state import FileState
from stackcomp.files.side_file import side_file

__all__ = ["ShapesFile", "read_shapes"]


class ShapesFile(BaseModel):
    """What a file of shapes holds; see the module's text."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, populate_by_name=True)

    version: Annotated[Literal[1], Field(alias="stackcomp_shapes", description="Version of the format.")]
    about: str = ""
    program: Annotated[str, Field(description="Which program wrote the file; changes nothing.")] = ""
    width: Annotated[int, Field(ge=1, le=65536, description="Width of the picture that they were drawn for.")]
    height: Annotated[int, Field(ge=1, le=65536, description="Height of the picture that they were drawn for.")]
    shapes: Annotated[tuple[Shape, ...], Field(description="The shapes, in order.")]

    @field_validator("shapes")
    @classmethod
    def _has_shapes(cls, shapes: tuple[Shape, ...]) -> tuple[Shape, ...]:
        if not shapes:
            raise BadValueError("has no shape in it", 'write {"points": [[x, y], …]}')
        return shapes


def read_shapes(path: Path, opened: dict[Path, FileState] | None = None) -> ShapesFile:
    """Return what a file of shapes holds; it is read once for each of its states.

    Args:
        path: the file.
        opened: files of a frame and their states, see `stackcomp.files.side_file`.

    Raises:
        FileError: it cannot be read, or a value does not fit.
    """
    return side_file(path, ShapesFile, "shapes", opened)
