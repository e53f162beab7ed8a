"""cdl: slope, offset, power and saturation of the ASC Color Decision List."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from functools import lru_cache
from pathlib import Path
from typing import Annotated, ClassVar, Literal, Self

from pydantic import Field, model_validator

from stackcomp.data.numbers import Number
from stackcomp.data.port_types import PortType
from stackcomp.data.window import Window
from stackcomp.errors import BadValueError, FileError, Problem
from stackcomp.files.cdl import Correction, choose, read_corrections
from stackcomp.files.file_state import FileState, file_state, one_state
from stackcomp.nodes.base import ColourNode, Context, PageExamples
from stackcomp.nodes.pixel import PixelFunction, pixel, power

# The weights of luma are those of ITU-R BT.709, whatever the working space: the standard says so.


@pixel
def _powered(x, exponent):  # type: ignore[no-untyped-def]
    """What is 0 or below passes."""
    return x if exponent == 1 else (x if x <= 0 else power(x, exponent))


@pixel
def _saturated(r, g, b, saturation):  # type: ignore[no-untyped-def]
    luma = 0.2126 * r + 0.7152 * g + 0.0722 * b
    return (
        r if saturation == 1 else luma + saturation * (r - luma),
        g if saturation == 1 else luma + saturation * (g - luma),
        b if saturation == 1 else luma + saturation * (b - luma),
    )


@pixel
def _cdl(r, g, b, sr, sg, sb, dr, dg, db, pr, pg, pb, saturation):  # type: ignore[no-untyped-def]
    (r,) = _powered(r * sr + dr, pr)
    (g,) = _powered(g * sg + dg, pg)
    (b,) = _powered(b * sb + db, pb)
    (r, g, b) = _saturated(r, g, b, saturation)
    return r, g, b


@pixel
def _cdl_clamped(r, g, b, sr, sg, sb, dr, dg, db, pr, pg, pb, saturation):  # type: ignore[no-untyped-def]
    (r,) = _powered(min(max(r * sr + dr, 0), 1), pr)
    (g,) = _powered(min(max(g * sg + dg, 0), 1), pg)
    (b,) = _powered(min(max(b * sb + db, 0), 1), pb)
    (r, g, b) = _saturated(r, g, b, saturation)
    return min(max(r, 0), 1), min(max(g, 0), 1), min(max(b, 0), 1)


class Cdl(ColourNode):
    """Slope, offset, power, then saturation: ``(colour · slope + offset) ^ power``.

    With ``clamp`` the standard's limits of 0 and 1 apply after offset and after saturation; without, values
    go on beyond 1, and negative ones pass the power unchanged. Premultiplied colour is divided by alpha first.

    The numbers stand in the graph, or in a ``file`` of the standard's: .cc, .ccc or .cdl.
    """

    source_of_maths: ClassVar[str] = "ASC Color Decision List, version 1.2"
    curve: ClassVar[bool] = True
    page_examples: ClassVar[PageExamples] = (
        {
            "about": "A warmer slope, more contrast by power, less saturation.",
            "image": "comp",
            "slope": [1.6, 1.3, 1.05],
            "power": 1.25,
            "saturation": 0.8,
        },
        {
            "about": "The same, in the lantern alone.",
            "image": "comp",
            "slope": [1.6, 1.3, 1.05],
            "power": 1.25,
            "saturation": 0.8,
            "within": "lantern_matte",
        },
    )

    kind: Literal["cdl"] = "cdl"
    slope: Annotated[tuple[float, float, float], Number("factor of R, G and B", low=0, size=3)] = (
        1.0,
        1.0,
        1.0,
    )
    offset: Annotated[tuple[float, float, float], Number("added to R, G and B", size=3)] = (0.0, 0.0, 0.0)
    power: Annotated[tuple[float, float, float], Number("exponent of R, G and B", above=0, high=100, size=3)] = (
        1.0,
        1.0,
        1.0,
    )
    saturation: Annotated[float, Number("0 is grey, 1 changes nothing", low=0)] = 1.0
    file: Annotated[
        str | None, Field(description="A .cc, .ccc or .cdl file that holds the numbers, in place of these here.")
    ] = None
    id: Annotated[
        str | int | None,
        Field(
            description="Which correction of the file: its id, or its place counted from 0; one alone needs none."
        ),
    ] = None
    clamp: Annotated[bool, Field(description="Limit to 0–1, as the standard says; off keeps highlights.")] = False

    @model_validator(mode="after")
    def _one_origin(self) -> Self:
        given = [name for name in ("slope", "offset", "power", "saturation") if name in self.model_fields_set]
        if self.file is not None and given:
            listed = " and ".join(f'"{name}"' for name in given)
            raise BadValueError(f'has a "file" and {listed} as well', "leave out one or the other")
        if self.file is None and self.id is not None:
            raise BadValueError('has an "id" without a "file"', 'name the file of corrections in "file"')
        return self

    def files(self, frame: int, root: Path) -> list[Path]:
        return [] if self.file is None else [Path(root, self.file)]

    def look(
        self, types: Mapping[str, PortType], windows: Mapping[str, Window], context: Context
    ) -> Iterator[Problem]:
        if self.file is None:
            return
        path = Path(context.root, self.file)
        try:
            corrections = _read(path, file_state(path))
        except FileError as error:
            yield Problem("cdl-file", f"{error.path}: {error.reason}", error.way_out, field="file")
            return
        try:
            choose(corrections, self.id, path)
        except FileError as error:
            yield Problem("cdl-id", f"{error.path}: {error.reason}", error.way_out, field="id")

    def pixel_function(self, types: Mapping[str, PortType], context: Context) -> PixelFunction:
        return _cdl_clamped if self.clamp else _cdl

    def with_files(self, frame: float, scale: float, context: Context, opened: dict[Path, FileState]) -> Self:
        node = super().with_files(frame, scale, context, opened)
        if self.file is None:
            return node
        path = Path(context.root, self.file)
        with one_state(path, opened.get(path)) as state:
            corrections = _read(path, state)
        opened[path] = state
        chosen = choose(corrections, self.id, path)
        numbers = {name: getattr(chosen, name) for name in ("slope", "offset", "power", "saturation")}
        return node.model_copy(update=numbers)

    def numbers(self, types: Mapping[str, PortType], context: Context) -> Sequence[float]:
        return (*self.slope, *self.offset, *self.power, self.saturation)


@lru_cache(maxsize=64)
def _read(path: Path, state: FileState) -> list[Correction]:
    """The corrections, read once for each state of a file."""
    return read_corrections(path)
