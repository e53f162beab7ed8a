"""What of a picture a window sees, edge pixels that go on beyond the frame included."""

from __future__ import annotations

from stackcomp.data.window import Window

__all__ = ["goes_on", "reachable"]


def reachable(window: Window, domain: Window) -> Window:
    """The part of a domain that a window sees, its edge pixels included where the window lies beyond them."""
    if window.empty or domain.empty:
        return Window(0, 0, 0, 0)
    x0 = min(max(window.x0, domain.x0), domain.x1 - 1)
    y0 = min(max(window.y0, domain.y0), domain.y1 - 1)
    return Window(x0, y0, max(min(window.x1, domain.x1), x0 + 1), max(min(window.y1, domain.y1), y0 + 1))


def goes_on(window: Window, domain: Window, frame: Window) -> Window:
    """The part of a window where a picture has pixels if it goes on beyond those edges of the frame it reaches."""
    return Window(
        window.x0 if domain.x0 <= frame.x0 else max(window.x0, domain.x0),
        window.y0 if domain.y0 <= frame.y0 else max(window.y0, domain.y0),
        window.x1 if domain.x1 >= frame.x1 else min(window.x1, domain.x1),
        window.y1 if domain.y1 >= frame.y1 else min(window.y1, domain.y1),
    )
