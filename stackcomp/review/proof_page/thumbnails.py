"""Small pictures for the boxes, from the pictures to look at that a dump holds."""

from __future__ import annotations

import io
from pathlib import Path

from PIL import Image as Canvas

__all__ = ["thumbnail"]

_QUALITIES = (86, 75, 60, 45)


def thumbnail(path: Path, width: int, height: int, most: int) -> bytes | None:
    """A JPEG of at most that size, in pixels and as far as possible in bytes; None where it cannot be read."""
    try:
        with Canvas.open(path) as picture:
            small = picture.convert("RGB")
            small.thumbnail(
                (width, height), Canvas.Resampling.BOX if picture.width > 4 * width else Canvas.Resampling.LANCZOS
            )
    except (OSError, ValueError):
        return None
    data = b""
    for quality in _QUALITIES:
        file = io.BytesIO()
        small.save(file, format="JPEG", quality=quality, subsampling=0, optimize=True)
        data = file.getvalue()
        if len(data) <= most:
            break
    return data
