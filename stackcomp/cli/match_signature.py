"""Signatures of the `match` commands: the shared options are written once, and are in every command."""

from __future__ import annotations

import dataclasses
import functools
import inspect
from collections.abc import Callable
from typing import Any, get_type_hints

from stackcomp.cli.endings import guarded
from stackcomp.cli.match_options import Shared

__all__ = ["match_command"]


def match_command(command: Callable[..., int]) -> Callable[..., None]:
    """Make a command of a function with a parameter ``shared: Shared``.

    On the command line each field of `Shared` is an option; the function gets all of them in one object.

    Args:
        command: takes keywords only, and returns the exit code.

    Returns:
        A function that ends as `stackcomp.cli.endings.guarded` says.
    """

    @functools.wraps(command)
    def taking_options(**given: Any) -> int:
        shared = Shared(**{field.name: given.pop(field.name) for field in dataclasses.fields(Shared)})
        return command(shared=shared, **given)

    own = get_type_hints(command, include_extras=True)
    common = get_type_hints(Shared, include_extras=True)
    parameters = [
        parameter.replace(annotation=own[name], kind=inspect.Parameter.KEYWORD_ONLY)
        for name, parameter in inspect.signature(command).parameters.items()
        if name != "shared"
    ] + [
        inspect.Parameter(
            field.name, inspect.Parameter.KEYWORD_ONLY, default=field.default, annotation=common[field.name]
        )
        for field in dataclasses.fields(Shared)
    ]
    taking_options.__signature__ = inspect.Signature(parameters, return_annotation=int)  # type: ignore[attr-defined]
    taking_options.__annotations__ = {parameter.name: parameter.annotation for parameter in parameters}
    return guarded(taking_options)
