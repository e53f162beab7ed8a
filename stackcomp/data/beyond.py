"""Pictures beyond their pixels: outermost pixels that go on, and where pictures without alpha have any."""

from __future__ import annotations

import numpy as np

from stackcomp.data.image import Image, Plane
from stackcomp.data.reach import goes_on
from stackcomp.data.window import Window

__all__ = ["beyond_frame", "coverage_of"]


def beyond_frame(image: Image, window: Window, domain: Window) -> Image:
    """The picture with its outermost pixels going on beyond those edges of the frame that it reaches."""
    grown = goes_on(window, domain, image.display)
    if grown.empty or image.window.empty or grown in image.window:
        return image
    return image.over(grown, edges=True)


def coverage_of(image: Image, domain: Window) -> Plane:
    """The alpha of a picture; of one without alpha, 1 where it has pixels or goes on beyond the frame, else 0."""
    if "A" in image:
        return image["A"]
    inner = image.window & goes_on(image.window, domain, image.display)
    coverage = np.zeros(image.window.shape, np.float32)
    if not inner.empty:
        coverage[inner.slices_in(image.window)] = 1
    return coverage
