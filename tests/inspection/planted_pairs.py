"""Faults planted into clean pairs, each as it happens in a production.

Faults of the matte's edge change the element alone; those of black, grain and sharpness are made with the pair.
"""

from __future__ import annotations

import numpy as np
from inspection.made_pairs import made, veil_of, with_element
from scipy import ndimage

__all__ = ["EDGES", "WHOLE", "edge_fault", "shows"]


def _straight(pixels, rng):
    """Divided by alpha, and used as premultiplied."""
    alpha = pixels[..., 3:]
    divided = np.where(alpha > 0.004, pixels[..., :3] / np.maximum(alpha, 1e-4), pixels[..., :3])
    return np.concatenate([divided, alpha], axis=-1)


def _twice(pixels, rng):
    """Multiplied by alpha twice."""
    alpha = pixels[..., 3:]
    return np.concatenate([pixels[..., :3] * np.where(alpha > 0, alpha, 1), alpha], axis=-1)


def _smaller(pixels, rng):
    """Alpha taken in by a pixel, and colour not."""
    return _with_alpha(pixels, ndimage.grey_erosion(pixels[..., 3], (3, 3)))


def _larger(pixels, rng):
    """Alpha grown by a pixel, and colour not."""
    return _with_alpha(pixels, ndimage.grey_dilation(pixels[..., 3], (3, 3)))


def _with_alpha(pixels, alpha):
    return np.concatenate([pixels[..., :3], alpha[..., None]], axis=-1)


def _level(pixels):
    return max(float(np.median(pixels[pixels[..., 3] > 0.5][:, :3])), 0.02)


def _left_in(pixels, rng):
    """Rendered against a grey or green, which is still in the edge."""
    tint = np.ones(3) if rng.random() < 0.6 else np.array([0.1, 1.2, 0.2])
    behind = tint * _level(pixels) * rng.uniform(0.6, 3)
    alpha = pixels[..., 3:]
    colour = pixels[..., :3] + np.where(alpha > 0.004, (1 - alpha) * behind, 0)
    return np.concatenate([colour, alpha], axis=-1)


def _keyed(pixels, rng):
    """Filmed against something bright, and multiplied by its matte."""
    behind = _level(pixels) * rng.uniform(3, 6)
    alpha = pixels[..., 3:]
    return np.concatenate([pixels[..., :3] + alpha * (1 - alpha) * behind, alpha], axis=-1)


def _held_out(pixels, rng):
    """Colour held out by a matte, and alpha by the same matte one or two pixels beside it."""
    column, _ = _tallest(pixels)
    x = np.arange(pixels.shape[1])
    matte = np.tile(np.clip(x - column + 0.5, 0, 1), (pixels.shape[0], 1))
    matte = ndimage.gaussian_filter(matte, 0.5)
    beside = np.roll(matte, int(rng.choice([-2, -1, 1, 2])), axis=1)
    return np.concatenate(
        [pixels[..., :3] * (1 - matte)[..., None], pixels[..., 3:] * (1 - beside)[..., None]], -1
    )


def _tallest(pixels):
    """The column that has most rows covered from twelve pixels before it to two behind it; and these rows."""
    covered = pixels[..., 3] > 0.9
    around = np.stack([np.roll(covered, k, axis=1) for k in range(-2, 13)]).all(axis=0)
    around[:, :16] = around[:, -8:] = False
    column = int(np.argmax(around.sum(axis=0)))
    return column, around[:, column]


#: Way → what it does to an element.
EDGES = {
    "straight": _straight,
    "twice": _twice,
    "smaller": _smaller,
    "larger": _larger,
    "left in": _left_in,
    "keyed": _keyed,
    "held out": _held_out,
}


def shows(pair, way, rows=64):
    """Whether a fault of the matte's edge can be seen there, as far as the clean pair tells.

    A line that takes a quarter of the element's light, or adds as much, must be a tenth of what is brighter at
    half of the edge, which a dark element before a bright wall is not (common practice, no source). A holdout
    must cut through as many rows as given.
    """
    pixels, behind = pair.source.to_array(), pair.backdrop.to_array()[..., :3].mean(axis=-1)
    alpha = pixels[..., 3]
    edge = (alpha > 0.3) & (alpha < 0.7)
    if way == "held out":
        column, cut = _tallest(pixels)
        if np.count_nonzero(cut) < rows:
            return False
        edge = np.zeros_like(edge)
        edge[:, column - 3] = cut
    element = pixels[..., :3].mean(axis=-1)[edge] / alpha[edge]
    return bool(element.size and np.mean(element / 4 >= 0.1 * np.maximum(element, behind[edge])) >= 0.5)


def edge_fault(pair, way, seed):
    """A pair with a fault of its matte's edge."""
    pixels = pair.source.to_array().astype(np.float64)
    return with_element(pair, EDGES[way](pixels, np.random.default_rng([seed, 9])))


def _plain(seed, **changed):
    return made(seed, sort="plain", **changed)


#: Check → way → a pair with that fault. In plain pairs everything can be measured.
WHOLE = {
    "black": {
        "not lifted": lambda seed: _plain(seed, black=0.0),
        "lifted twice and more": lambda seed: _plain(seed, black=3 * veil_of(seed, "plain")),
    },
    "grain": {
        "none": lambda seed: _plain(seed, grain=0.0),
        "less than half": lambda seed: _plain(seed, grain=0.4),
        "more than double": lambda seed: _plain(seed, grain=2.5),
    },
    "sharpness": {
        "softened": lambda seed: _plain(seed, blur=1.5),
        "sharp before a soft plate": lambda seed: _plain(seed, plate_blur=1.5),
    },
}
