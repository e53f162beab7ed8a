"""Escape names for paths with frame tokens."""

from __future__ import annotations

import re

__all__ = ["escaped"]


def escaped(name: str) -> str:
    """Return a name as it is written in a path with frame tokens, so that no part of it is read as a token."""
    return re.sub(r"[{}%]", lambda sign: 2 * sign[0], name)
