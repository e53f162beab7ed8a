"""A picture of nothing, where nothing of a value is wanted."""

from __future__ import annotations

import numpy as np

from stackcomp.data.image import Image
from stackcomp.data.window import Window
from stackcomp.plan.steps.base import Frame, Key

__all__ = ["blank"]


def blank(frame: Frame, key: Key, window: Window) -> Image:
    """A value with all planes 0 over a window."""
    type = frame.types[key]
    planes = {name: np.zeros(window.shape, np.float32) for name in type.planes}
    return Image(planes, window, frame.display(key.node), type)
