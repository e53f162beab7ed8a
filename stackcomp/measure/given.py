"""Arguments of the public functions of measuring, checked once, before anything is measured.

An area is given as an `Area`; as text, ``"x,y,w,h"`` or ``"x,y;x,y;x,y …"``; as a `Window`; as four numbers x, y,
width, height; or as a list of three or more points (x, y). Everything here raises `ArgumentError`, or `AreaError`
for areas.
"""

from __future__ import annotations

from collections.abc import Sequence
from numbers import Real
from typing import Any, TypeVar

import numpy as np

from stackcomp.data.arguments import listed_members, real_number, text, value_text
from stackcomp.data.image import Image
from stackcomp.data.window import Window
from stackcomp.errors import ArgumentError
from stackcomp.measure.area import Area, AreaError, parse_polygon, parse_rectangle, polygon, whole

__all__ = [
    "AreaLike",
    "Triple",
    "TripleLike",
    "area_in",
    "instance",
    "name",
    "number",
    "plane_of",
    "rgb",
    "some_areas",
    "some_corners",
    "triple",
]

Triple = tuple[float, float, float]
TripleLike = Sequence[float] | float
AreaLike = Area | Window | str | Sequence[float] | Sequence[Sequence[float]]

_Kind = TypeVar("_Kind")

_AREA_FORMS = 'give "x,y,w,h", a Window, four numbers, or three or more points (x, y)'


def instance(value: Any, kind: type[_Kind], what: str, way_out: str) -> _Kind:
    """The value, if it is of this class."""
    if not isinstance(value, kind):
        raise ArgumentError(what, f"{value_text(value)} is not a {kind.__name__}", way_out)
    return value


def name(value: Any, what: str) -> str:
    """A text; empty where None stands for an input that is left out."""
    return "" if value is None else text(value, what)


def number(value: Any, what: str, *, above: float = -np.inf, most: float = np.inf, way_out: str = "") -> float:
    """A finite number above one limit and at most another."""
    if isinstance(value, bool) or not isinstance(value, Real):
        raise ArgumentError(what, f"{value_text(value)} is not a number", way_out)
    plain = real_number(value)
    if not np.isfinite(plain) or not above < plain <= most:
        limits = [f"above {above:g}"] if above > -np.inf else []
        limits += [f"at most {most:g}"] if most < np.inf else []
        limits = limits or ["finite"]
        raise ArgumentError(
            what, f"{value_text(value)} is out of range: it must be {' and '.join(limits)}", way_out
        )
    return plain


def triple(value: Any, what: str, example: str = "(0.002, 0.002, 0.002)") -> Triple:
    """Three finite numbers."""
    members = value.tolist() if isinstance(value, np.ndarray) else listed_members(value)
    if not isinstance(members, list) or len(members) != 3:
        raise ArgumentError(what, f"{value_text(value)} is not three numbers", f"give them as in {example}")
    first, second, third = (number(member, what, way_out=f"give them as in {example}") for member in members)
    return first, second, third


def rgb(value: Any, what: str) -> Triple:
    """Three finite numbers; one number stands for all three."""
    if isinstance(value, Real) and not isinstance(value, bool):
        value = (value,) * 3
    return triple(value, what)


def plane_of(given: Any, plane: str, what: str) -> Image:
    """The picture of a channel that was opened, or a picture itself, if it has this plane."""
    image = getattr(given, "image", given)
    if not isinstance(image, Image):
        raise ArgumentError(what, f"{value_text(given)} is not a picture", "open one with open_channel")
    if plane not in image.channels:
        raise ArgumentError(
            what, f"it has {', '.join(image.channels)}, not {plane}", f"open a channel as {what} with open_channel"
        )
    return image


def area_in(asked: AreaLike | None, image: Image, what: str = "area") -> Area:
    """An area of a picture; the whole data window where None is given.

    Raises:
        AreaError: it does not have one of the forms of an area.
    """
    if asked is None:
        return whole(image)
    return asked if isinstance(asked, Area) else _area(asked, what)


def some_areas(asked: Any, what: str = "areas") -> tuple[Area, ...]:
    """One area, or a list of areas.

    Raises:
        AreaError: a member does not have one of the forms of an area, or the list is empty.
    """
    if isinstance(asked, Area | Window | str):
        asked = [asked]
    members = listed_members(asked)
    if members is None:
        raise AreaError(f"{what}: {value_text(asked)} is not a list of areas", _AREA_FORMS)
    if not members:
        raise AreaError(f"{what}: the list is empty", "name one area or more")
    return tuple(member if isinstance(member, Area) else _area(member, what) for member in members)


def _area(asked: Any, what: str) -> Area:
    if isinstance(asked, str):
        return parse_polygon(asked) if ";" in asked else parse_rectangle(asked)
    if isinstance(asked, Window):
        asked = (asked.x0, asked.y0, asked.width, asked.height)
    members = asked.tolist() if isinstance(asked, np.ndarray) else listed_members(asked)
    if isinstance(members, list):
        points = [point for member in members if (point := _point(member)) is not None]
        if len(points) == len(members) >= 3:
            return Area(polygon(points), ";".join(f"{x:g},{y:g}" for x, y in points))
        if len(members) == 4 and all(_plain(member) for member in members):
            return parse_rectangle(",".join(str(member) for member in members))
    raise AreaError(f"{what}: {value_text(asked)} is not an area", _AREA_FORMS)


def some_corners(given: Any) -> tuple[tuple[float, float], ...]:
    """Points (x, y) from a list or array of pairs.

    Raises:
        AreaError: it is not a list of pairs of finite numbers.
    """
    members = given.tolist() if isinstance(given, np.ndarray) else listed_members(given)
    points = [point for member in members or () if (point := _point(member)) is not None]
    if not points or members is None or len(points) < len(members):
        raise AreaError(f"{value_text(given)} are not the corners of a chart", "give four points (x, y)")
    return tuple(points)


def _plain(value: Any) -> bool:
    return isinstance(value, Real) and not isinstance(value, bool)


def _point(member: Any) -> tuple[float, float] | None:
    """Two finite numbers as a point; None for anything else."""
    pair = member.tolist() if isinstance(member, np.ndarray) else listed_members(member)
    if not isinstance(pair, list) or len(pair) != 2 or not all(map(_plain, pair)):
        return None
    x, y = real_number(pair[0]), real_number(pair[1])
    return (x, y) if np.isfinite([x, y]).all() else None
