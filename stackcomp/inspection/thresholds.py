"""All limits of all checks, and the file that changes some of them.

The file is JSON: check → limit → number. A limit may also be written ``{"value": 0.02, "why": "…"}``, as
``stackcomp inspect --show-thresholds`` prints them with their reasons. What it leaves out stays as it is.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

from pydantic import BaseModel, ConfigDict, ValidationError

from stackcomp.errors import DocumentError, Problem, cut, did_you_mean, kind_of, pointer_to
from stackcomp.files.read_json import read_json
from stackcomp.inspection.alpha_range import AlphaRangeLimits
from stackcomp.inspection.alpha_state import AlphaStateLimits
from stackcomp.inspection.bare_light import BareLightLimits
from stackcomp.inspection.black import BlackLimits
from stackcomp.inspection.changes import ChangesLimits
from stackcomp.inspection.flashes import FlashesLimits
from stackcomp.inspection.flicker import FlickerLimits
from stackcomp.inspection.frames import FramesLimits
from stackcomp.inspection.fringe import FringeLimits
from stackcomp.inspection.grain import GrainLimits
from stackcomp.inspection.limits import Limits
from stackcomp.inspection.negative import NegativeLimits
from stackcomp.inspection.nonfinite import NonFiniteLimits
from stackcomp.inspection.sharpness import SharpnessLimits

__all__ = ["Thresholds", "described", "read_thresholds", "thresholds_of"]

#: Keys of a limit that is written with its reason, and of notes.
_VALUE, _WHY, _ABOUT = "value", "why", "about"


class Thresholds(BaseModel):
    """The limits of each check, under the check's name."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    # One line a check: its limits.
    nonfinite: NonFiniteLimits = NonFiniteLimits()
    negative: NegativeLimits = NegativeLimits()
    alpha_range: AlphaRangeLimits = AlphaRangeLimits()
    alpha_state: AlphaStateLimits = AlphaStateLimits()
    bare_light: BareLightLimits = BareLightLimits()
    fringe: FringeLimits = FringeLimits()
    black: BlackLimits = BlackLimits()
    grain: GrainLimits = GrainLimits()
    sharpness: SharpnessLimits = SharpnessLimits()
    frames: FramesLimits = FramesLimits()
    flicker: FlickerLimits = FlickerLimits()
    changes: ChangesLimits = ChangesLimits()
    flashes: FlashesLimits = FlashesLimits()


def described(thresholds: Thresholds) -> dict[str, dict[str, dict[str, Any]]]:
    """All limits with their reasons, in the form that `thresholds_of` reads."""
    shown: dict[str, dict[str, dict[str, Any]]] = {}
    for name in type(thresholds).model_fields:
        limits: Limits = getattr(thresholds, name)
        reasons = limits.reasons()
        shown[name] = {
            key: {_VALUE: value, _WHY: reasons[key]} for key, value in limits.model_dump(mode="json").items()
        }
    return shown


def read_thresholds(path: str | os.PathLike[str]) -> Thresholds:
    """The limits in a JSON file, and the defaults for what it leaves out.

    Raises:
        DocumentError: it cannot be read, a check or limit that there is not, a value out of range; every problem
            is in it.
    """
    place = os.fspath(path)
    try:
        return thresholds_of(read_json(place, "thresholds"))
    except DocumentError as error:
        raise DocumentError(replace(problem, place=place) for problem in error.problems) from None


def thresholds_of(given: Mapping[str, Any]) -> Thresholds:
    """The limits of a mapping of that form.

    Raises:
        DocumentError: as in `read_thresholds`.
    """
    problems: list[Problem] = []
    values: dict[str, Limits] = {}
    for name, limits in given.items():
        if name == _ABOUT:
            continue
        field = Thresholds.model_fields.get(name)
        if field is None:
            checks = list(Thresholds.model_fields)
            near = did_you_mean(name, checks) or f"choose from {', '.join(checks)}"
            problems.append(_problem([name], f'there is no check "{cut(name, 60)}"', near))
        elif not isinstance(limits, Mapping):
            problems.append(_problem([name], f'"{name}" is {kind_of(limits)}', "give {limit: number, …}"))
        else:
            model: type[Limits] = type(field.default)
            try:
                values[name] = model.model_validate(dict(_plain(name, model, limits, problems)))
            except ValidationError as error:
                for mistake in error.errors():
                    path = [name, *mistake["loc"]]
                    rule = mistake["msg"].removeprefix("Input should be ").partition(", ")[0]
                    message = f'"{".".join(map(str, path))}" is {_shown(mistake["input"])}; it has to be {rule}'
                    problems.append(_problem(path, message, "give a number in its range"))
    if problems:
        raise DocumentError(problems)
    return Thresholds(**values)


def _plain(
    check: str, model: type[Limits], limits: Mapping[str, Any], problems: list[Problem]
) -> Iterator[tuple[str, Any]]:
    """Limits without reasons; those that there are not become problems."""
    for key, value in limits.items():
        if key == _ABOUT:
            continue
        if key not in model.model_fields:
            near = did_you_mean(key, list(model.model_fields))
            problems.append(_problem([check, key], f'check "{check}" has no limit "{cut(key, 60)}"', near))
            continue
        if isinstance(value, Mapping):
            odd = [name for name in value if name not in (_VALUE, _WHY)]
            if odd or _VALUE not in value:
                message = f'"{check}.{key}" is not written {{"{_VALUE}": …, "{_WHY}": …}}'
                problems.append(_problem([check, key], message, "or give the number alone"))
                continue
            value = value[_VALUE]
        if isinstance(value, bool | str) and model.model_fields[key].annotation is not bool:
            message = f'"{check}.{key}" is {_shown(value)}, {kind_of(value)}'
            problems.append(_problem([check, key], message, "give a number in its range"))
        else:
            yield key, value


def _shown(value: Any) -> str:
    """A value as it is written in the file."""
    return cut(json.dumps(value, ensure_ascii=False), 60)


def _problem(path: list[Any], message: str, way_out: str) -> Problem:
    return Problem("threshold", message, way_out, pointer_override=pointer_to(path))
