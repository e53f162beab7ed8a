"""Edges of known softness: a step, convolved with a Gaussian, averaged over the area of each pixel."""

from __future__ import annotations

import numpy as np
from scipy.optimize import brentq
from scipy.special import ndtr

__all__ = ["soft_edge", "soft_row", "width_of"]


def soft_edge(height, width, degrees, offset, sigma, low=0.0, high=1.0, fine=8, radius=None):
    """A step across the middle, brighter along ``degrees`` (0: right, 90: down); or a disc's rim "
    "of that radius."""
    y, x = np.mgrid[: height * fine, : width * fine]
    y, x = (y + 0.5) / fine - height / 2, (x + 0.5) / fine - width / 2
    turn = np.radians(degrees)
    across = x * np.cos(turn) + y * np.sin(turn) - offset
    if radius is not None:
        across = radius - np.hypot(across - radius, y * np.cos(turn) - x * np.sin(turn))
    step = ndtr(across / sigma) if sigma else (across > 0).astype(float)
    return low + (high - low) * step.reshape(height, fine, width, fine).mean(axis=(1, 3))


def soft_row(across, sigma):
    """The same for pixels at these distances from an upright edge, in closed form: the error function's mean."""

    def whole(u):
        return u * ndtr(u) + np.exp(-u * u / 2) / np.sqrt(2 * np.pi)

    return sigma * (whole((across + 0.5) / sigma) - whole((across - 0.5) / sigma))


def width_of(sigma, degrees=0.0, fine=200):
    """10 to 90 % of such an edge, from the convolution itself: the mean of the error function over a pixel."""
    part = (np.arange(fine) + 0.5) / fine - 0.5
    turn = np.radians(degrees)
    inside = part[:, None] * np.cos(turn) + part * np.sin(turn)

    def beyond(x):
        across = (x - inside) / sigma if sigma else np.sign(x - inside) * 99
        return ndtr(across).mean() - 0.9

    return 2 * brentq(beyond, 0, 30 + 5 * sigma)
