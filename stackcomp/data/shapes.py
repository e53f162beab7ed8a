"""Shapes and strokes as a graph, or a file of shapes, holds them."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import cache
from typing import TYPE_CHECKING, Annotated, Any, Literal, Self

import numpy as np
from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    GetCoreSchemaHandler,
    GetJsonSchemaHandler,
    TypeAdapter,
    model_validator,
)
from pydantic_core import core_schema

from stackcomp.data.keyed_points import KeyedPoints, PointsOf
from stackcomp.data.keyed_rows import KeyedRows
from stackcomp.data.numbers import Keyed, Number
from stackcomp.errors import BadValueError, kind_of, shown

__all__ = ["Shape", "ShapesOrPath", "Stroke"]

#: Widest feather, and largest radius of a stroke, in pixels.
_WIDEST = 4000.0
_MODEL = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, populate_by_name=True)


class _Drawn(BaseModel):
    """What shapes and strokes have in common; ``points`` are in pixels of the full-size picture."""

    model_config = _MODEL

    name: Annotated[str, Field(description="A name for people and for messages.")] = ""
    opacity: Annotated[float, Number("how much it covers", low=0, high=1)] = 1.0
    if TYPE_CHECKING:
        points: KeyedPoints

    @property
    def still(self) -> bool:
        """Whether it is the same at every frame."""
        return self.points.still and not isinstance(self.opacity, Keyed)

    def reaching(self, first: float, last: float) -> Self:
        """With those keys of its points alone that the times between two depend on."""
        points = self.points.reaching(first, last)
        return self if points is self.points else self.model_copy(update={"points": points})

    def opacity_at(self, time: float) -> float:
        """How much it covers at a time, 0 to 1."""
        value: Any = self.opacity.at(time) if isinstance(self.opacity, Keyed) else self.opacity
        return float(value)


class Shape(_Drawn):
    """A closed curve."""

    mode: Annotated[
        Literal["add", "subtract", "intersect"], Field(description="What it does to the shapes before it.")
    ] = "add"
    rule: Annotated[
        Literal["nonzero", "evenodd"],
        Field(description="What is inside where the curve overlaps itself, as the fill-rule of SVG."),
    ] = "nonzero"
    points: Annotated[
        KeyedPoints,
        PointsOf(
            ("feather",),
            (0.0, 0.0),
            ((0.0, _WIDEST), (0.0, _WIDEST)),
            fewest=2,
            doc="Points of the closed curve, with tangents and feather, or keys of them.",
        ),
    ]


class Stroke(_Drawn):
    """A line of a brush: straight from point to point, or a curve where points have tangents."""

    mode: Annotated[
        Literal["add", "subtract"], Field(description="What it does to the strokes before it, and to the matte.")
    ] = "add"
    radius: Annotated[
        float | None, Field(ge=0, le=_WIDEST, description="Radius in pixels of points that give none.")
    ] = None
    softness: Annotated[
        float,
        Field(ge=0, le=1, description="Softness of points that give none: the share of the radius that fades."),
    ] = 0.0
    points: Annotated[
        KeyedPoints,
        PointsOf(
            ("radius", "softness"),
            (math.nan, math.nan),
            ((0.0, _WIDEST), (0.0, 1.0)),
            fewest=1,
            doc="Points of the line, with tangents, radius and softness, or keys of them.",
        ),
    ]

    @model_validator(mode="after")
    def _complete(self) -> Self:
        rows = self.points.rows.rows.reshape(-1, 8)
        bare = np.isnan(rows)
        if not bare.any():
            return self
        if self.radius is None and bare[:, 6].any():
            raise BadValueError("has points without a radius", 'give "radius" for the stroke, or for each point')
        last = np.array([0.0 if self.radius is None else self.radius, self.softness])
        rows = np.where(bare, np.array([*[0.0] * 6, *last]), rows)
        keyed = KeyedRows(
            self.points.rows.frames, rows.reshape(self.points.rows.rows.shape), self.points.rows.between
        )
        object.__setattr__(self, "points", KeyedPoints(keyed, self.points.keyed))
        return self


@cache
def _adapter() -> TypeAdapter[tuple[Shape, ...]]:
    return TypeAdapter(tuple[Shape, ...])


class ShapesOrPath:
    """Annotation of a field that holds shapes or a path; mistakes in shapes are told with their place."""

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> Any:
        shapes = handler.generate_schema(tuple[Shape, ...])

        def read(value: Any, validate: Callable[[Any], Any]) -> Any:
            if isinstance(value, str | list | tuple):
                # Lists are tuples here: what came from JSON counts as Python's by now.
                return value if isinstance(value, str) else _adapter().validate_python(value)
            raise BadValueError(
                f"is {shown(value)}, which is {kind_of(value)}", "give a list of shapes, or a path"
            )

        def written(value: Any, serialize: Callable[[Any], Any]) -> Any:
            return value if isinstance(value, str) else serialize(value)

        serialization = core_schema.wrap_serializer_function_ser_schema(written, schema=shapes)
        return core_schema.no_info_wrap_validator_function(read, shapes, serialization=serialization)

    def __get_pydantic_json_schema__(self, schema: Any, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        return {"anyOf": [handler(schema["schema"]), {"type": "string"}]}
