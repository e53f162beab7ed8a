"""An encoding as callers give it: an `Encoding`, or the name of one in a colour config."""

from __future__ import annotations

from typing import Any

from stackcomp.data.arguments import value_text
from stackcomp.data.port_types import Encoding
from stackcomp.errors import ArgumentError
from stackcomp.files import colour

__all__ = ["encoding"]


def encoding(asked: Any, colour_config: str | None = None) -> Encoding:
    """An encoding; a text is looked up in a colour config, the default one when None.

    Raises:
        ArgumentError: there is no such encoding.
    """
    if isinstance(asked, Encoding):
        return asked
    if not isinstance(asked, str):
        raise ArgumentError(
            "encoding", f"{value_text(asked)} is no encoding", 'give the name of a colour space, such as "ACEScg"'
        )
    try:
        return colour.encoding(asked, colour_config or colour.DEFAULT_CONFIG)
    except colour.UnknownEncoding as error:
        raise ArgumentError(
            "encoding", str(error), 'give the name of a colour space of the config, such as "ACEScg"'
        ) from None
