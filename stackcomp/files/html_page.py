"""What HTML pages share: their templates, and a policy by which a page loads nothing from outside."""

from __future__ import annotations

import base64
import hashlib
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import jinja2

__all__ = ["content_policy", "environment"]


def environment(folder: Path) -> jinja2.Environment:
    """The templates of a folder: texts are escaped, and an unknown name is an error.

    Args:
        folder: where the templates lie.
    """
    import jinja2

    return jinja2.Environment(
        loader=jinja2.FileSystemLoader(folder),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )


def content_policy(style: str, script: str) -> str:
    """The Content Security Policy (W3C, level 3) of a page that holds all it needs.

    Args:
        style: text of its only style element.
        script: text of its only script element that runs.

    Returns:
        The policy for a ``meta`` element: that style, that script, pictures inside of the page, and nothing else.
    """
    return "; ".join(
        (
            "default-src 'none'",
            "img-src data:",
            f"style-src {_hash(style)}",
            f"script-src {_hash(script)}",
            "base-uri 'none'",
            "form-action 'none'",
        )
    )


def _hash(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"
