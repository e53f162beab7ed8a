"""OpenCV, which only some commands need: an extra that may not be installed."""

from __future__ import annotations

from typing import Any

from stackcomp.errors import Problem, RequestError

__all__ = ["opencv"]


def opencv(what: str = "tracking") -> Any:
    """Return OpenCV's module.

    Args:
        what: needs it, for the message.

    Raises:
        RequestError: it is not installed.
    """
    try:
        import cv2
    except ImportError as error:
        raise RequestError(
            Problem(
                "extra-missing",
                f"{what} needs OpenCV, which cannot be imported: {error}",
                "install it with pip install 'stackcomp[track]'",
            )
        ) from None
    return cv2
