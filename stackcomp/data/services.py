"""What an `Image` offers that needs files or a colour config: it calls these, and rooms above provide them.

The package fills them in when it is imported, before any of its modules can be. So this room imports nothing from
above, and still ``image.save("lantern.exr")`` works.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

__all__ = ["provide", "service"]

_services: dict[str, Callable[..., Any]] = {}


def provide(name: str, function: Callable[..., Any]) -> None:
    """Set what does a service: ``"check_replaceable"``, ``"encoding"``, ``"save"`` or ``"viewable"``."""
    _services[name] = function


def service(name: str) -> Callable[..., Any]:
    """What does a service."""
    return _services[name]
