"""Deliveries of a sequence file: movies and contact sheets, made from the files that deliver nodes wrote.

Frames are rendered in any order and by several processes, so what holds many frames is made afterwards, from whole
files. Each delivery names the deliver node whose files it shows.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator

from stackcomp.errors import BadValueError

__all__ = ["DELIVERIES", "BurnedIn", "ContactSheet", "Delivery", "Movie"]

BurnedIn = Literal["shot", "frame", "timecode", "date", "version"]


class Delivery(BaseModel):
    """What all deliveries of a sequence have in common."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, populate_by_name=True)

    shows: Annotated[str, Field(min_length=1, description="The deliver node whose files it shows.")]
    path: Annotated[str, Field(min_length=1, description="The file, with variables such as ${shot_name}.")]
    each: Annotated[
        Literal["shot", "sequence"],
        Field(description="One file for each shot, or one for the whole sequence, shots in their order."),
    ] = "shot"
    about: Annotated[str, Field(description="What it is for.")] = ""
    display: Annotated[
        str | None, Field(description="OpenEXR files: display of the OCIO config; its default if left out.")
    ] = None
    view: Annotated[
        str | None, Field(description="OpenEXR files: view of the display; its default if left out.")
    ] = None
    viewing_stops: Annotated[
        float, Field(ge=-30, le=30, description="OpenEXR files: stops of exposure before the view, for looking.")
    ] = 0.0
    replace: Annotated[
        Literal["own", "anything"],
        Field(description="Files that may be replaced: those of this program, or anything but what is read."),
    ] = "own"

    @field_validator("path")
    @classmethod
    def _no_frame(cls, text: str) -> str:
        if "{frame" in text.replace("${frame", "") or "%0" in text:
            raise BadValueError(f'"{text}" has a frame number, but it is one file for many frames', "leave it out")
        return text


class Movie(Delivery):
    """A movie: H.264 for review, or an intermediate of the ProRes class, tagged ITU-R BT.709."""

    kind: Literal["movie"] = "movie"
    codec: Annotated[
        Literal["h264", "prores"], Field(description="h264 for review, prores as an intermediate for editing.")
    ] = "h264"
    chroma: Annotated[
        Literal["4:2:0", "4:2:2", "4:4:4"] | None,
        Field(description="Resolution of colour; 4:2:0 for h264 and 4:2:2 for prores if left out."),
    ] = None
    quality: Annotated[
        int, Field(ge=1, le=100, description="h264: 100 is nearly lossless, 75 is good for review.")
    ] = 75
    odd_size: Annotated[
        Literal["refuse", "pad", "crop"],
        Field(
            description="What happens where the codec needs an even size and the picture has none: an error, its "
            "last row or column repeated, or left out."
        ),
    ] = "refuse"
    frame_rate: Annotated[
        str | float | None,
        Field(description='Such as 24 or "24000/1001"; that of the graph, else of the plate, if left out.'),
    ] = None
    slate: Annotated[bool, Field(description="Begin with one frame that says what the movie is.")] = False
    burn_in: Annotated[
        list[BurnedIn], Field(description="What is written into each picture; nothing if left out.")
    ] = Field(default_factory=list)
    version: Annotated[str, Field(description="Version of the work, for slate and burn-in.")] = ""
    date: Annotated[
        str, Field(description="Date for slate and burn-in; the day when the movie is made if left out.")
    ] = ""

    @field_validator("frame_rate")
    @classmethod
    def _rate(cls, value: Any) -> Any:
        from stackcomp.data.frame_rate import parse_frame_rate

        if value is not None:
            parse_frame_rate(value)
        return value


class ContactSheet(Delivery):
    """One picture with many frames side by side."""

    kind: Literal["contact_sheet"] = "contact_sheet"
    columns: Annotated[int | None, Field(ge=1, le=100, description="Pictures in a row.")] = None
    width: Annotated[
        int, Field(ge=64, le=30000, description="Width of the sheet in pixels.")
    ] = 1920  # fmt: skip
    frames: Annotated[
        int,
        Field(
            ge=1,
            le=1000,
            description="Frames of a shot, at most: all, or some at equal distances with the first and last.",
        ),
    ] = 24


DELIVERIES: dict[str, type[Delivery]] = {"movie": Movie, "contact_sheet": ContactSheet}
