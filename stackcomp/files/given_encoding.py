"""An encoding argument: an `Encoding`, or the name of one in a colour config."""

from __future__ import annotations

from typing import Any

from stackcomp.data.arguments import value_text
from stackcomp.data.port_types import Encoding
from stackcomp.errors import ArgumentError
from stackcomp.files import colour

__all__ = ["encoding"]


def encoding(value: Any, colour_config: str | None = None) -> Encoding:
    """Return an encoding; a text is looked up in a colour config, the default one when None.

    Raises:
        ArgumentError: it is neither an encoding nor the name of one.
    """
    if isinstance(value, Encoding):
        return value
    if not isinstance(value, str):
        raise ArgumentError(
            "encoding",
            f"{value_text(value)} is not an encoding",
            'give the name of a colour space, such as "ACEScg"',
        )
    try:
        return colour.encoding(value, colour_config or colour.DEFAULT_CONFIG)
    except colour.UnknownEncoding as error:
        raise ArgumentError(
            "encoding", str(error), 'give the name of a colour space of the config, such as "ACEScg"'
        ) from None
