"""The page as one HTML file: pictures inside, nothing from the network, readable without a script."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from functools import cache, lru_cache
from io import BytesIO
from pathlib import Path

import jinja2
import numpy as np
import numpy.typing as npt
from PIL import Image as Canvas

from stackcomp.files.html_page import content_policy, environment
from stackcomp.reference.gather import Entry
from stackcomp.reference.words import as_html, default_words, node_json, one_line, value_words
from stackcomp.version import __version__

__all__ = ["as_page", "png"]

_HERE = Path(__file__).parent


def png(pixels: npt.NDArray[np.uint8]) -> bytes:
    """Return 8-bit RGB as a PNG file."""
    encoded = BytesIO()
    Canvas.fromarray(pixels).save(encoded, format="PNG", optimize=True)
    return encoded.getvalue()


def as_page(entries: Sequence[Entry]) -> str:
    """Return the page as HTML."""
    style, script = ((_HERE / f"page.{ending}").read_text("utf-8") for ending in ("css", "js"))
    template = _environment().get_template("page.html.j2")
    page: str = template.render(
        entries=entries,
        version=__version__,
        style=style,
        script=script,
        policy=content_policy(style, script),
    )
    return page


@cache
def _environment() -> jinja2.Environment:
    made = environment(_HERE)
    made.filters |= {
        "as_html": as_html,
        "default": default_words,
        "line": one_line,
        "node": node_json,
        "picture": _data,
        "values": value_words,
    }
    return made


def _data(pixels: npt.NDArray[np.uint8]) -> str:
    return _encoded(pixels.tobytes(), pixels.shape)


@lru_cache(maxsize=32)
def _encoded(samples: bytes, shape: tuple[int, ...]) -> str:
    """Return a picture as a data URL; many kinds begin with the same one."""
    picture = np.frombuffer(samples, np.uint8).reshape(shape)
    return "data:image/png;base64," + base64.b64encode(png(picture)).decode()
