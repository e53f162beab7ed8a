"""How much two pictures may differ."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, fields

from stackcomp.errors import Problem, RequestError, did_you_mean

__all__ = ["EXACT", "HALF", "Tolerance", "Tolerances", "parse_tolerances", "require_known", "tolerance_for"]

_WAY_OUT = "as small=0.001,share=1%,hard=0.1, or for a layer depth:small=0.01, or exact, or half"


@dataclass(frozen=True)
class Tolerance:
    """Two limits: most pixels are nearly equal, and none is far off.

    The difference of a pixel is the largest among its channels. In a channel it is ``|a − b|`` where both values
    lie between −1 and 1, and beyond that relative to the larger of the two: ``|a − b| / max(1, |a|, |b|)``. So
    0.001 is a thousandth of white in the dark and at white, and a thousandth of the light in highlights.

    Object ids have no tolerance, and neither have windows, channels, types and pixels that are not finite. -0
    equals 0, NaN equals NaN, and an infinity equals the same infinity.

    Args:
        small: difference that any number of pixels may have, from 0.
        share: part of the pixels that may differ by more than that, 0 to 1.
        hard: difference that no pixel may exceed, at least ``small``; twenty times ``small`` when None.

    Raises:
        RequestError: a number out of range.
    """

    small: float = 1e-4
    share: float = 0.001
    hard: float | None = None

    def __post_init__(self) -> None:
        for name, most in (("small", math.inf), ("share", 1.0), ("hard", math.inf)):
            value = getattr(self, name)
            if value is None and name == "hard":
                continue
            if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value <= most:
                limits = "0 to 1" if name == "share" else "0 or more"
                raise _wrong(f"{name}: {value!r} is out of range", f"give a number, {limits}")
            object.__setattr__(self, name, float(value))
        if self.hard is not None and self.hard < self.small:
            raise _wrong(
                f"hard ({self.hard:g}) is below small ({self.small:g})",
                "make hard at least as large, or small smaller",
            )

    @property
    def limit(self) -> float:
        """The difference that no pixel may exceed."""
        return 20 * self.small if self.hard is None else self.hard

    def as_dict(self) -> dict[str, float | str]:
        """As JSON data; an infinite limit is the text ``inf``."""
        limits = {"small": self.small, "share": self.share, "hard": self.limit}
        return {name: limit if math.isfinite(limit) else f"{limit:g}" for name, limit in limits.items()}

    def __str__(self) -> str:
        return f"small={self.small:g},share={self.share:g},hard={self.limit:g}"


#: No difference at all; -0 equals 0.
EXACT = Tolerance(0.0, 0.0, 0.0)

#: What rounding to half changes at the most: 2**-11 of the value, from 1 on, and less below (IEEE 754 binary16).
HALF = Tolerance(2**-11, 0.0, 2**-11)

_NAMED = {"exact": EXACT, "half": HALF}

#: One tolerance for all layers, or one for each layer by its name; ``"*"`` is for all others. The full name of a
#: channel takes it out of its layer, to be compared by itself.
Tolerances = Tolerance | Mapping[str, Tolerance]


def tolerance_for(layer: str, tolerances: Tolerances | None) -> Tolerance:
    """The tolerance of a layer."""
    if tolerances is None:
        return Tolerance()
    if isinstance(tolerances, Tolerance):
        return tolerances
    return tolerances.get(layer) or tolerances.get("*") or Tolerance()


def require_known(tolerances: Tolerances | None, channels: Collection[str], names: Collection[str] = ()) -> None:
    """Make sure that each tolerance is for something.

    Args:
        tolerances: tolerances by name.
        channels: full names of all channels; their layers may be named as well.
        names: what else may be named.

    Raises:
        RequestError: a tolerance has a name that nothing has.
    """
    if not isinstance(tolerances, Mapping):
        return
    layers = [channel.rpartition(".")[0] for channel in channels]
    known = list(dict.fromkeys((*names, *filter(None, layers), *channels)))
    for name in tolerances:
        if name not in ("*", "") and name not in known:
            message = f'there is no layer or channel "{name}", for which a tolerance is given'
            raise _wrong(message, did_you_mean(name, known) or "correct the name, or leave it out")


def parse_tolerances(texts: Sequence[str], option: str = "--tolerance") -> Tolerances:
    """Tolerances from a command line.

    Args:
        texts: each as ``small=0.001,share=1%,hard=0.1``, where parts may be left out; or ``exact``; or ``half``,
            what rounding to half changes. For one layer, channel or node with its name before a colon:
            ``depth:small=0.01``. Later texts win.
        option: what the texts were given to, for messages.

    Raises:
        RequestError: a text that cannot be understood.
    """
    found: dict[str, Tolerance] = {}
    for text in texts:
        layer, colon, numbers = text.rpartition(":")
        found[layer if colon else "*"] = _parsed(numbers, text, option)
    return found


def _parsed(text: str, whole: str, option: str) -> Tolerance:
    if text.strip() in _NAMED:
        return _NAMED[text.strip()]
    names = [field.name for field in fields(Tolerance)]
    values: dict[str, float] = {}
    for part in text.split(","):
        name, sign, number = (piece.strip() for piece in part.partition("="))
        if not sign or name not in names:
            way_out = did_you_mean(name, names) if sign else _WAY_OUT
            if part.strip().isdigit() and values:
                way_out = f"write numbers with a decimal point, {_WAY_OUT}"
            raise _wrong(f'{option}: "{whole}" cannot be understood', way_out)
        if name in values:
            raise _wrong(f'{option}: "{whole}" gives {name} twice', "leave one out")
        values[name] = _number(name, number, option)
    try:
        return Tolerance(**values)
    except RequestError as error:
        raise _wrong(f"{option}: {error.problems[0].message}", error.problems[0].way_out) from None


def _number(name: str, text: str, option: str) -> float:
    percent = name == "share" and text.endswith("%")
    try:
        value = float(text.removesuffix("%") if percent else text)
    except ValueError:
        raise _wrong(f'{option}: "{text}" is not a number', _WAY_OUT) from None
    return value / 100 if percent else value


def _wrong(message: str, way_out: str) -> RequestError:
    return RequestError(Problem("tolerance", message, way_out))
