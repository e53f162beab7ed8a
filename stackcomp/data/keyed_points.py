"""Curves of cubic Béziers in a graph, which may be keyed over frames.

    "points": [[10, 20], [90, 20], [50, 80]]
    "points": [[10, 20, -5, 0, 5, 0], {"at": [90, 20], "in": [-5, 0], "out": [5, 0], "feather": [8, 0]}, …]
    "points": {"keys": [[1001, [[10, 20], …]], [1012, [[12, 20], …]]], "between": "smooth"}

A point is an object, or a list of 2, 6 or 8 numbers in the order of `PointsOf.columns`: the place, the tangents in
and out relative to it, and two numbers that depend on what the curve is for. All keys have the same points.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import chain
from typing import Any

import numpy as np
from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import core_schema

from stackcomp.data.keyed_rows import KeyedRows, Rows
from stackcomp.data.numbers import Number
from stackcomp.errors import BadValueError, kind_of, shown

__all__ = ["COLUMNS", "KeyedPoints", "PointsOf"]

#: Numbers of a point.
COLUMNS = 8
#: Pixels from the origin at the most.
FARTHEST = 1e7
_LENGTHS = (2, 6, COLUMNS)


@dataclass(frozen=True)
class KeyedPoints:
    """Points of a curve over frames.

    Attributes:
        rows: `COLUMNS` numbers for each point, point by point.
        keyed: whether they were written with keys.
    """

    rows: KeyedRows
    keyed: bool = False

    @cached_property
    def count(self) -> int:
        """How many points there are."""
        return int(self.rows.rows.shape[1]) // COLUMNS

    @property
    def still(self) -> bool:
        """Whether the points are the same at every frame."""
        return self.rows.still

    def at(self, times: Sequence[float]) -> Rows:
        """The points at some times, ``(times, points, COLUMNS)``."""
        return self.rows.at(times).reshape(len(times), self.count, COLUMNS)

    def reaching(self, first: float, last: float) -> KeyedPoints:
        """With those keys alone that the times between two depend on."""
        return KeyedPoints(self.rows.reaching(first, last), self.keyed)

    def as_json(self) -> Any:
        """The form in which a graph file holds it."""
        lists = [_short(row.reshape(-1, COLUMNS).tolist()) for row in self.rows.rows]
        if not self.keyed:
            return lists[0]
        frames = [int(frame) if float(frame).is_integer() else frame for frame in self.rows.frames]
        return {"keys": [list(key) for key in zip(frames, lists, strict=True)], "between": self.rows.between}


def _short(points: list[list[float]]) -> list[list[float]]:
    longest = max((k for point in points for k in _LENGTHS if any(point[k:])), default=0)
    length = next((k for k in _LENGTHS if k > longest), COLUMNS)
    return [point[:length] for point in points]


@dataclass(frozen=True)
class PointsOf:
    """Declares points; used as ``Annotated[KeyedPoints, PointsOf(…)]``.

    Args:
        last: what the last two numbers are, as fields of an object: two names, or one for a pair.
        defaults: of the last two numbers; NaN where whoever holds the points fills them in.
        limits: range of the last two numbers.
        fewest: how many points there must be.
        doc: what the points are, for people.
    """

    last: tuple[str, ...]
    defaults: tuple[float, float]
    limits: tuple[tuple[float, float], tuple[float, float]]
    fewest: int
    doc: str

    @property
    def columns(self) -> str:
        """The order of a point's numbers, in words."""
        last = ", ".join(self.last) if len(self.last) == 2 else f"{self.last[0]} outward, {self.last[0]} inward"
        return f"x, y, in x, in y, out x, out y, {last}"

    def parse(self, raw: object) -> KeyedPoints:
        """The value of a field, from plain Python or JSON.

        Raises:
            BadValueError: the wrong shape, a number out of range, keys out of order or with different points.
        """
        if isinstance(raw, KeyedPoints):
            return raw
        if not isinstance(raw, Mapping):
            row = self._points(raw, "")
            return KeyedPoints(KeyedRows((0.0,), row[None]))
        form = 'points over time are written {"keys": [[frame, [point, …]], …], "between": "smooth"}'
        extra = [str(key) for key in raw if key not in ("keys", "between")]
        if extra or "keys" not in raw:
            raise BadValueError(
                f'is an object with "{extra[0]}"' if extra else 'is an object without "keys"', form
            )
        between, keys = raw.get("between", "smooth"), raw["keys"]
        if between not in ("smooth", "linear"):
            raise BadValueError(f'has "between": {shown(between)}', 'choose from "smooth", "linear"')
        if not isinstance(keys, list | tuple) or not keys:
            raise BadValueError('has "keys" that are not a list with at least one key in it', form)
        frames: list[float] = []
        rows: list[Rows] = []
        for key in keys:
            if not isinstance(key, list | tuple) or len(key) != 2:
                raise BadValueError(f"has the key {shown(key)}", "a key is a pair: [frame, [point, …]]")
            frame = Number()._one(key[0], "has a key at frame")
            if frames and frame <= frames[-1]:
                raise BadValueError(
                    f"has a key at frame {shown(key[0])} behind the one at frame {frames[-1]:g}",
                    "put the keys in rising order, each frame once",
                )
            row = self._points(key[1], f" at frame {frame:g}")
            if rows and row.size != rows[0].size:
                first, here = rows[0].size // COLUMNS, row.size // COLUMNS
                more = f"{abs(here - first)} {'more' if here > first else 'fewer'}"
                raise BadValueError(
                    f"has {here} points at frame {frame:g}, {more} than the {first} at frame {frames[0]:g}",
                    "give every key the same points: add a new point to all keys, or draw another shape",
                )
            frames.append(frame)
            rows.append(row)
        return KeyedPoints(KeyedRows(tuple(frames), np.stack(rows), between), keyed=True)

    def _points(self, raw: object, when: str) -> Rows:
        if not isinstance(raw, list | tuple):
            raise BadValueError(f"is {kind_of(raw)}{when}", "give a list of points: [[x, y], …]")
        if len(raw) < self.fewest:
            raise BadValueError(
                f"has {len(raw)} point{'s' * (len(raw) != 1)}{when}", f"give {self.fewest} or more points"
            )
        rows = self._all_alike(raw)
        if rows is None:
            rows = np.array([self._point(point, f"point {k + 1}{when}") for k, point in enumerate(raw)])
        self._look(rows, raw, when)
        return rows.ravel()

    def _all_alike(self, raw: Sequence[Any]) -> Rows | None:
        """Lists of numbers of one length, as programs write them, at once; None for anything else."""
        if not set(map(type, raw)) <= {list, tuple}:
            return None
        lengths = set(map(len, raw))
        length = lengths.pop()
        if lengths or length not in _LENGTHS or not set(map(type, chain.from_iterable(raw))) <= {float, int}:
            return None
        rows = np.empty((len(raw), COLUMNS))
        rows[:] = (0,) * 6 + self.defaults
        try:
            rows[:, :length] = np.fromiter(chain.from_iterable(raw), np.float64).reshape(-1, length)
        except OverflowError:
            return None
        return rows

    def _point(self, raw: object, place: str) -> list[float]:
        rest = list(self.defaults)
        if isinstance(raw, Mapping):
            known = ("at", "in", "out", *self.last)
            extra = [str(name) for name in raw if name not in known]
            if extra:
                raise BadValueError(f'has {place} with "{extra[0]}"', f"its fields are {', '.join(known)}")
            if "at" not in raw:
                raise BadValueError(f'has {place} without "at"', 'write {"at": [x, y]}')
            row = [
                number
                for name in ("at", "in", "out")
                for number in _some(raw.get(name, (0, 0)), 2, f'{place}, "{name}"', "two numbers")
            ]
            if len(self.last) == 1:
                pair = raw.get(self.last[0], rest)
                pair = (pair, pair) if isinstance(pair, int | float) else pair
                return row + _some(pair, 2, f'{place}, "{self.last[0]}"', "a number, or two: [outward, inward]")
            last = [[raw.get(name, value)] for name, value in zip(self.last, rest, strict=True)]
            return row + [
                _some(value, 1, f'{place}, "{name}"', "a number")[0]
                for name, value in zip(self.last, last, strict=True)
            ]
        if not isinstance(raw, list | tuple) or len(raw) not in _LENGTHS:
            what = f"a list of {len(raw)}" if isinstance(raw, list | tuple) else kind_of(raw)
            raise BadValueError(
                f"has {place} as {what}", f"write [x, y], or an object, or 6 or 8 numbers: {self.columns}"
            )
        row = _some(raw, len(raw), place, "numbers")
        return [*row, *([0.0] * 6 + rest)[len(row) :]]

    def _look(self, rows: Rows, raw: Sequence[Any], when: str) -> None:
        """Check the numbers' ranges."""
        lowest, highest = zip(*((-FARTHEST, FARTHEST),) * 6, *self.limits, strict=True)
        if ((rows >= lowest) & (rows <= highest)).all():
            return
        fine = np.abs(rows[:, :6]) <= FARTHEST
        if not fine.all():
            k = int(np.argwhere(~fine)[0][0])
            raise BadValueError(
                f"has point {k + 1}{when} at {shown(raw[k])}", f"give finite numbers within ±{FARTHEST:.0f} pixels"
            )
        names = self.last * (3 - len(self.last))
        for column, (name, (low, high)) in enumerate(zip(names, self.limits, strict=True), start=6):
            wrong = (rows[:, column] < low) | (rows[:, column] > high)
            if wrong.any():
                k = int(np.argmax(wrong))
                has = f"with a {name} of {rows[k, column]:g}"
                raise BadValueError(f"has point {k + 1}{when} {has}", f"give a value from {low:g} to {high:g}")

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> Any:
        return core_schema.no_info_plain_validator_function(
            self.parse,
            serialization=core_schema.plain_serializer_function_ser_schema(lambda value: value.as_json()),
        )

    def __get_pydantic_json_schema__(self, schema: Any, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        number: dict[str, Any] = {"type": "number"}
        pair = {"type": "array", "items": number, "minItems": 2, "maxItems": 2}
        last: dict[str, Any] = dict.fromkeys(self.last, number)
        if len(self.last) == 1:
            last = {self.last[0]: {"anyOf": [number, pair]}}
        point = {
            "anyOf": [
                {
                    "type": "array",
                    "items": number,
                    "minItems": 2,
                    "maxItems": COLUMNS,
                    "description": self.columns,
                },
                {
                    "type": "object",
                    "properties": {"at": pair, "in": pair, "out": pair, **last},
                    "required": ["at"],
                    "additionalProperties": False,
                },
            ]
        }
        points = {"type": "array", "items": point, "minItems": self.fewest}
        key = {"type": "array", "prefixItems": [number, points], "minItems": 2, "maxItems": 2}
        keyed = {
            "type": "object",
            "properties": {
                "keys": {"type": "array", "items": key, "minItems": 1},
                "between": {"enum": ["smooth", "linear"]},
            },
            "required": ["keys"],
            "additionalProperties": False,
        }
        return {"anyOf": [points, keyed], "description": self.doc}


def _some(raw: object, count: int, place: str, wanted: str) -> list[float]:
    """So many numbers. NaN passes: it stands for a value that is not given."""
    if not isinstance(raw, list | tuple) or len(raw) != count:
        raise BadValueError(f"has {place} as {shown(raw)}", f"give {wanted}")
    if any(isinstance(number, bool) or not isinstance(number, int | float) for number in raw):
        raise BadValueError(f"has {place} as {shown(raw if count > 1 else raw[0])}", f"give {wanted}")
    try:
        return [float(number) for number in raw]
    except OverflowError:
        raise BadValueError(f"has {place} as {shown(raw, longest=30)}", "write smaller numbers") from None
