"""Names written so that a path with a frame token holds them as they are."""

from __future__ import annotations

import re

__all__ = ["escaped"]


def escaped(name: str) -> str:
    """A name as it is written in a path with frame tokens, so that no part of it is taken for one."""
    return re.sub(r"[{}%]", lambda sign: 2 * sign[0], name)
