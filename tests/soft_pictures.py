"""Soft-edged pictures, and extend_edges put to them."""

from __future__ import annotations

import numpy as np

from stackcomp import Image, Matte

__all__ = ["HEIGHT", "WIDTH", "cg", "coloured", "disc", "extended"]

HEIGHT, WIDTH = 60, 84


def disc(radius=15.0, soft=6.0, at=(40, 30), shape=(HEIGHT, WIDTH)):
    y, x = np.mgrid[: shape[0], : shape[1]]
    return np.clip((radius - np.hypot(x - at[0], y - at[1])) / soft + 0.5, 0, 1).astype(np.float32)


def coloured():
    """Straight colour that changes slowly, between 0.5 and 3."""
    y, x = np.mgrid[:HEIGHT, :WIDTH]
    return np.dstack([1 + x / WIDTH, 3 - y / HEIGHT * 2, 0.5 + (x + y) / 200]).astype(np.float32)


def cg(alpha=None):
    alpha = disc() if alpha is None else alpha
    return np.dstack([coloured() * alpha[..., None], alpha])


def extended(render, pixels, matte=None, type=None, **fields):
    given = {"p": Image.from_array(pixels, type=type)}
    if matte is not None:
        given["m"] = Image.from_array(matte, type=Matte())
        fields["matte"] = "m"
    options = {name: fields.pop(name) for name in ("at", "window", "warn") if name in fields}
    return render("extend_edges", given, image="p", **options, **fields)
