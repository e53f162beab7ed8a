"""Numbers in a graph: plain, or changing over time.

    0.2
    {"keys": [[1001, 0.2], [1012, 0.6]], "between": "smooth"}

A node declares a number with `Number`, which states its unit and range once: for validation, for the JSON
Schema, for the reference page and for previews at a lower scale. Before a frame is computed every `Keyed`
value is replaced by its value at that frame, so node code only ever sees plain numbers.
"""

from __future__ import annotations

import bisect
import itertools
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from numbers import Real
from typing import Any, Literal

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import core_schema

from stackcomp.errors import ArgumentError, BadValueError, kind_of, shown

__all__ = ["Between", "Keyed", "Number", "number_of"]

Between = Literal["smooth", "linear", "hold"]
_BETWEEN = ("smooth", "linear", "hold")


@dataclass(frozen=True)
class Keyed:
    """Values at frames, and how to pass between them; constant before the first key and after the last.

    ``smooth`` is the monotone cubic of Fritsch and Carlson (SIAM J. Numer. Anal. 17, 1980): it never
    overshoots its keys. ``hold`` keeps each value until the next key.
    """

    frames: tuple[float, ...]
    values: tuple[float, ...] | tuple[tuple[float, ...], ...]
    between: Between = "smooth"
    _slopes: tuple[tuple[float, ...], ...] = field(init=False, repr=False, compare=False, default=())

    def __post_init__(self) -> None:
        self._look()
        if self.between == "smooth" and len(self.frames) > 1:
            curves = zip(*self._rows(), strict=True)
            object.__setattr__(self, "_slopes", tuple(_slopes(self.frames, curve) for curve in curves))

    def _look(self) -> None:
        """Check the arguments; those of a graph file are checked by `Number`."""
        for name in ("frames", "values"):
            if not isinstance(items := getattr(self, name), tuple | list) or not items:
                raise ArgumentError(
                    name, f"{shown(items)} is not a list with anything in it", "such as (1001, 1012)"
                )
        object.__setattr__(self, "frames", tuple(self.frames))
        rows = tuple(tuple(value) if isinstance(value, tuple | list) else value for value in self.values)
        object.__setattr__(self, "values", rows)
        odd = [frame for frame in self.frames if not _is_number(frame)]
        if odd:
            raise ArgumentError("frames", f"{shown(odd[0])} is not a frame number", "give finite numbers")
        if any(a >= b for a, b in itertools.pairwise(self.frames)):
            message = f"{shown(list(self.frames))} is not in rising order"
            raise ArgumentError("frames", message, "give numbers, each larger than the last")
        flat = [number for value in rows for number in (value if isinstance(value, tuple) else (value,))]
        if not all(map(_is_number, flat)) or len({len(v) if isinstance(v, tuple) else -1 for v in rows}) > 1:
            raise ArgumentError(
                "values", f"{shown(list(rows))} are not alike", "give numbers, or tuples of one size"
            )
        if len(rows) != len(self.frames):
            raise ArgumentError("values", f"{len(rows)} values for {len(self.frames)} frames", "give one for each")
        if not isinstance(self.between, str) or self.between not in _BETWEEN:
            raise ArgumentError(
                "between", f"{shown(self.between)} is not known", 'use "smooth", "linear" or "hold"'
            )

    def _rows(self) -> tuple[tuple[float, ...], ...]:
        return tuple(value if isinstance(value, tuple) else (value,) for value in self.values)

    def at(self, frame: float) -> float | tuple[float, ...]:
        """The value at a frame: a number, or as many numbers as each key has."""
        if not _is_number(frame):
            raise ArgumentError("frame", f"{shown(frame)} is not a frame number", "give a number, such as 1001")
        rows = self._rows()
        after = bisect.bisect_right(self.frames, frame)
        if after == 0 or after == len(rows) or self.between == "hold":
            row = rows[max(0, after - 1)]
        else:
            row = self._inside(frame, after - 1, rows)
        return row if isinstance(self.values[0], tuple) else row[0]

    def _inside(self, frame: float, k: int, rows: Sequence[tuple[float, ...]]) -> tuple[float, ...]:
        length = self.frames[k + 1] - self.frames[k]
        t = (frame - self.frames[k]) / length
        pairs = list(zip(rows[k], rows[k + 1], strict=True))
        if self.between == "linear":
            return tuple(a + (b - a) * t for a, b in pairs)
        # Cubic Hermite basis.
        h00, h10 = (1 + 2 * t) * (1 - t) ** 2, t * (1 - t) ** 2
        h01, h11 = t * t * (3 - 2 * t), t * t * (t - 1)
        return tuple(
            h00 * a + h10 * length * slope[k] + h01 * b + h11 * length * slope[k + 1]
            for (a, b), slope in zip(pairs, self._slopes, strict=True)
        )

    def as_json(self) -> dict[str, Any]:
        """The form in which a graph file holds it."""
        frames = [int(frame) if float(frame).is_integer() else frame for frame in self.frames]
        values = [list(value) if isinstance(value, tuple) else value for value in self.values]
        keys = [[frame, value] for frame, value in zip(frames, values, strict=True)]
        return {"keys": keys, "between": self.between}


def _is_number(value: object) -> bool:
    if not isinstance(value, Real) or isinstance(value, bool):
        return False
    try:
        return math.isfinite(value)
    except OverflowError:  # a whole number beyond floats
        return False


def _slopes(x: Sequence[float], y: Sequence[float]) -> tuple[float, ...]:
    """Slope at each key: weighted harmonic mean of its neighbours' secants, three-point at the ends."""
    h = [b - a for a, b in itertools.pairwise(x)]
    d = [(y[k + 1] - y[k]) / h[k] for k in range(len(h))]
    if len(d) == 1:
        return (d[0], d[0])

    def end(h0: float, h1: float, d0: float, d1: float) -> float:
        slope = ((2 * h0 + h1) * d0 - h0 * d1) / (h0 + h1)
        if slope * d0 <= 0:
            return 0.0
        return 3 * d0 if d0 * d1 <= 0 and abs(slope) > 3 * abs(d0) else slope

    inner = []
    for k in range(1, len(d)):
        if d[k - 1] * d[k] <= 0:
            inner.append(0.0)
        else:
            w0, w1 = 2 * h[k] + h[k - 1], h[k] + 2 * h[k - 1]
            inner.append((w0 + w1) / (w0 / d[k - 1] + w1 / d[k]))
    return (end(h[0], h[1], d[0], d[1]), *inner, end(h[-1], h[-2], d[-1], d[-2]))


@dataclass(frozen=True)
class Number:
    """Declares a numeric parameter; used as ``Annotated[float, Number(...)]``.

    Args:
        doc: what it does, for people.
        unit: ``"px"``, ``"stops"``, ``"m"``, ``"mm"``, ``"degrees"``, ``"f"`` or empty. Lengths in ``px``
            are those of the full-size picture and shrink by themselves in a preview at a lower scale.
        low, high: smallest and largest value allowed.
        above: the value must be larger than this.
        size: how many numbers; 1 is a plain number, 3 a colour (one number then stands for all three),
            anything else a list of exactly that many.
    """

    doc: str = ""
    unit: str = ""
    low: float | None = None
    high: float | None = None
    above: float | None = None
    size: int = 1

    @property
    def limits(self) -> str:
        """The range in words; empty when there is none."""
        unit = f" {self.unit}" if self.unit else ""
        parts = [f"above {self.above:g}"] if self.above is not None else []
        if self.low is not None:
            parts.append(f"from {self.low:g} to" if self.high is not None else f"of {self.low:g}{unit} or more")
        elif self.high is not None:
            parts.append("and up to" if parts else "up to")
        if self.high is not None:
            parts.append(f"{self.high:g}")
        return " ".join(parts) + (unit if parts and not parts[-1].endswith("more") else "")

    def parse(self, raw: object) -> float | tuple[float, ...] | Keyed:
        """The value of a field, from plain Python or JSON.

        Raises:
            BadValueError: the wrong shape, not a finite number, out of range, keys out of order.
        """
        if isinstance(raw, Keyed):
            raw = raw.as_json()
        if isinstance(raw, dict):
            return self._keyed(raw)
        return self._plain(raw)

    def _plain(self, raw: object, at: str = "") -> float | tuple[float, ...]:
        if isinstance(raw, list | tuple):
            if self.size == 1:
                raise BadValueError(f"is a list of {len(raw)}{at}", "give one number")
            if len(raw) != self.size:
                one = ", or one for all" if self.size == 3 else ""
                raise BadValueError(f"is a list of {len(raw)}{at}", f"give {self.size} numbers{one}")
            return tuple(self._one(item, "holds", at) for item in raw)
        value = self._one(raw, "is", at)
        if self.size == 1:
            return value
        if self.size == 3:
            return (value, value, value)
        raise BadValueError(f"is {shown(raw)}{at}, a single number", f"give a list of {self.size} numbers")

    def _one(self, raw: object, verb: str, at: str = "") -> float:
        if isinstance(raw, bool) or not isinstance(raw, int | float):
            one = self.size == 1 or verb == "holds"
            wanted = "a number" if one else f"{self.size} numbers" + (", or one for all" if self.size == 3 else "")
            limits = f" {self.limits}" if self.limits and one else f", each {self.limits}" if self.limits else ""
            raise BadValueError(
                f"{verb} {shown(raw)}{at}, {_what(raw)}", f"give {wanted}{limits}{self._meant(raw)}"
            )
        try:
            value = float(raw)
        except OverflowError:
            value = math.inf
        if not math.isfinite(value):
            raise BadValueError(f"{verb} {shown(raw, longest=20)}{at}, not a finite number", f"give {self._ask}")
        for bad, limit, word in (
            (self.low is not None and value < self.low, self.low, "below the smallest value"),
            (self.high is not None and value > self.high, self.high, "above the largest value"),
            (self.above is not None and value <= self.above, self.above, "but must be larger than"),
        ):
            if bad:
                raise BadValueError(f"{verb} {shown(raw)}{at}, {word} {limit:g}", f"give {self._ask}")
        return value

    def _meant(self, raw: object) -> str:
        """How to write numbers that stand in a text."""
        parts = str(raw).split(",") if isinstance(raw, str) else []
        if not parts or not all(re.fullmatch(r"\s*-?\d+(\.\d+)?\s*", part) for part in parts):
            return ""
        plain = [part.strip() for part in parts]
        if self.size == 1 and len(plain) == 2:
            return f": {'.'.join(plain)}, with a point"
        one = len(plain) == 1
        if len(plain) != self.size and not (one and self.size in (1, 3)):
            return ""
        return f": {plain[0]}, without quotes" if one else f": [{', '.join(plain)}]"

    @property
    def _ask(self) -> str:
        return f"a value {self.limits}" if self.limits else "a number"

    def _keyed(self, raw: dict[Any, Any]) -> Keyed:
        form = 'a value over time is written {"keys": [[frame, value], …], "between": "smooth"}'
        extra = [key for key in raw if key not in ("keys", "between")]
        if extra:
            raise BadValueError(f'is an object with "{extra[0]}", which it does not have', form)
        if "keys" not in raw:
            raise BadValueError('is an object without "keys"', form)
        keys, between = raw["keys"], raw.get("between", "smooth")
        if between not in _BETWEEN:
            raise BadValueError(f'has "between": {shown(between)}', 'choose from "smooth", "linear", "hold"')
        if not isinstance(keys, list | tuple) or not keys:
            raise BadValueError('has "keys" that are not a list with at least one key in it', form)
        frames: list[float] = []
        values: list[Any] = []
        for key in keys:
            if not isinstance(key, list | tuple) or len(key) != 2:
                raise BadValueError(f"has the key {shown(key)}", "a key is a pair: [frame, value]")
            frame = Number()._one(key[0], "has a key at frame")
            if frames and frame <= frames[-1]:
                raise BadValueError(f"has a key at frame {shown(key[0])} behind the one at frame {frames[-1]:g}",
                                    "put the keys in rising order, each frame once")  # fmt: skip
            frames.append(frame)
            values.append(self._plain(key[1], f" at frame {shown(key[0])}"))
        return Keyed(tuple(frames), tuple(values), between)

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> Any:
        return core_schema.no_info_plain_validator_function(
            self.parse,
            serialization=core_schema.plain_serializer_function_ser_schema(
                lambda value: value.as_json() if isinstance(value, Keyed) else value
            ),
        )

    def __get_pydantic_json_schema__(self, schema: Any, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        one: dict[str, Any] = {"type": "number"}
        bounds = (("minimum", self.low), ("maximum", self.high), ("exclusiveMinimum", self.above))
        one.update({word: bound for word, bound in bounds if bound is not None})
        some: dict[str, Any] = one
        if self.size > 1:
            some = {"type": "array", "items": one, "minItems": self.size, "maxItems": self.size}
        plain = [one, some] if self.size == 3 else [some]
        value = plain[0] if len(plain) == 1 else {"anyOf": plain}
        pair = {"type": "array", "prefixItems": [{"type": "number"}, value], "minItems": 2, "maxItems": 2}
        keyed = {
            "type": "object",
            "properties": {
                "keys": {"type": "array", "items": pair, "minItems": 1},
                "between": {"enum": list(_BETWEEN)},
            },
            "required": ["keys"],
            "additionalProperties": False,
        }
        doc = f"{self.doc} ({self.unit})" if self.unit else self.doc
        return {"anyOf": [*plain, keyed], "description": doc}


def _what(raw: object) -> str:
    return "not a number" if raw is None or isinstance(raw, bool) else f"which is {kind_of(raw)}"


def number_of(metadata: Sequence[Any]) -> Number | None:
    """The `Number` among a field's annotations, if it has one."""
    return next((item for item in metadata if isinstance(item, Number)), None)
