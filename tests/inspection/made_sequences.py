"""Sequences made from a seed, clean ones of many sorts, and faults planted into them.

A sequence is a list of colour pictures of one size, scene-linear. "Clean" means that an experienced eye would let
it pass: things move, the camera pans or is held by hand, there is grain, a cut, a fade, a lamp that is switched
on.

Backgrounds are photographs that scikit-image brings along, or `made_plate`; both are larger than the frame, and
the camera looks at a part.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from inspection.made_pictures import LINEAR, coloured, made_plate
from scipy import ndimage

from stackcomp import Image
from stackcomp.inspection.check import Stream
from stackcomp.inspection.finding import Finding
from stackcomp.inspection.seen import Seen

__all__ = ["CLEAN", "PHOTOGRAPHS", "findings_of", "made_sequence", "seen", "stills_of"]

Array = npt.NDArray[np.float32]
Frames = list[Array]
#: Photographs and textures in scikit-image (scikit-image.org, each in the public domain or CC0).
PHOTOGRAPHS = ("astronaut", "coffee", "chelsea", "rocket", "brick", "grass", "gravel", "camera", "coins", "moon")
WIDTH, HEIGHT = 160, 90
_MARGIN = 1.9


@lru_cache(maxsize=32)
def backdrop(name: str | int) -> Array:
    """A picture larger than the frame, scene-linear: a photograph by name, or a made plate by seed."""
    wide, high = int(WIDTH * _MARGIN), int(HEIGHT * _MARGIN)
    if isinstance(name, int):
        light = made_plate(name, (wide, high)).to_array()[..., :3]
    else:
        from skimage import data, transform

        picture = np.atleast_3d(np.asarray(getattr(data, name)(), np.float32) / 255)
        picture = np.repeat(picture, 3, axis=2) if picture.shape[2] == 1 else picture[..., :3]
        ratio = max(wide / picture.shape[1], high / picture.shape[0])
        size = (int(picture.shape[0] * ratio) + 1, int(picture.shape[1] * ratio) + 1)
        light = transform.resize(picture, size, anti_aliasing=True)[:high, :wide] ** 2.2
    return np.asarray(ndimage.gaussian_filter(np.maximum(light, 0), (0.7, 0.7, 0)), np.float32)


def looked_at(picture: Array, x: float, y: float) -> Array:
    """The frame whose corner is at a fraction of a pixel, bilinear."""
    i, j = int(y), int(x)
    v, u = np.float32(y - i), np.float32(x - j)
    part = picture[i : i + HEIGHT + 1, j : j + WIDTH + 1]
    rows = part[:-1] * (1 - v) + part[1:] * v
    return np.asarray(rows[:, :-1] * (1 - u) + rows[:, 1:] * u, np.float32)


def _within(path: npt.NDArray[np.float64], rng: np.random.Generator) -> npt.NDArray[np.float64]:
    """The path, smaller where it is too large for the backdrop, at a place where it fits."""
    room = np.array([WIDTH, HEIGHT]) * (_MARGIN - 1) - 4
    reach = np.ptp(path, axis=0)
    path = path * min(1.0, float(np.min(room / np.maximum(reach, 1e-9))))
    return np.asarray(path - path.min(axis=0) + rng.uniform(0, 1, 2) * (room - np.ptp(path, axis=0)))


def _steps(rng: np.random.Generator, kind: str, count: int) -> npt.NDArray[np.float64]:
    """Where the camera is at each frame, ``(count, 2)``."""
    start = rng.uniform(0, 60, 2)
    if kind == "locked":
        return np.tile(start, (count, 1))
    if kind == "pan":
        speed = 10 ** rng.uniform(-0.7, 0.7)
        angle = rng.uniform(0, 2 * np.pi)
        return start + np.outer(np.arange(count), speed * np.array([np.cos(angle), np.sin(angle)]))
    if kind == "eased":
        # A pan that begins at rest, and comes to rest.
        begin, end = sorted(rng.uniform(0, count, 2))
        t = np.clip((np.arange(count) - begin) / max(end - begin, 8.0), 0, 1)
        return start + np.outer(t * t * (3 - 2 * t), rng.uniform(-60, 60, 2))
    assert kind == "held"
    # A hand: slow drift, a sway of about 1 Hz and a tremor up to 12 Hz.
    noise = rng.standard_normal((count + 60, 2))
    slow = ndimage.gaussian_filter1d(noise, 12, axis=0)
    fast = ndimage.gaussian_filter1d(rng.standard_normal((count + 60, 2)), rng.uniform(0.6, 2), axis=0)
    strength = rng.uniform(3, 25)
    path = strength * slow / slow.std() + strength * rng.uniform(0.02, 0.15) * fast / fast.std()
    return start + path[30 : 30 + count]


def _object(rng: np.random.Generator, count: int) -> Callable[[Array, int], Array]:
    """A bright or dark ball that crosses the frame."""
    y0, x0 = rng.uniform(0, HEIGHT), rng.uniform(-0.2, 0.3) * WIDTH
    vy, vx = rng.uniform(-0.6, 0.6), rng.uniform(0.5, 1.4) * WIDTH / count
    radius = rng.uniform(0.06, 0.25) * HEIGHT
    colour = 10 ** rng.uniform(-2, 0.8) * rng.uniform(0.5, 1.2, 3)
    rows, columns = np.mgrid[0:HEIGHT, 0:WIDTH]

    def put(picture: Array, k: int) -> Array:
        distance = np.hypot(rows - y0 - vy * k, columns - x0 - vx * k)
        cover = np.clip(radius - distance + 0.5, 0, 1)[..., None]
        return np.asarray(picture * (1 - cover) + colour * cover, np.float32)

    return put


CLEAN = (
    "pan", "held", "eased", "locked", "locked object", "pan object", "held object", "cut", "held cut", "fade in",
    "fade out", "dissolve", "lamp on", "lamp ramp", "aperture", "cloud",
)  # fmt: skip


def made_sequence(
    kind: str, seed: int, count: int = 40, *, source: str | int | None = None, grain: float | None = None
) -> Frames:
    """Pixels of the frames of a clean sequence.

    Args:
        kind: one of `CLEAN`.
        seed: of everything that is chosen.
        count: frames.
        source: backdrop; chosen when None.
        grain: deviation at level 0.18; chosen when None.
    """
    rng = np.random.default_rng([seed, CLEAN.index(kind)])
    names: list[str | int] = [*PHOTOGRAPHS, *range(1000 + seed % 7 * 3, 1003 + seed % 7 * 3)]
    first, second = (names[k] for k in rng.permutation(len(names))[:2])
    first = first if source is None else source
    words = kind.split()
    camera = next((word for word in words if word in ("pan", "held", "eased")), "locked")
    if kind in ("cut", "fade in", "fade out", "dissolve") and rng.random() < 0.5:
        camera = "pan"
    path = _within(_steps(rng, camera, count), rng)
    frames = [looked_at(backdrop(first), *at) for at in path]
    if "object" in words:
        put = _object(rng, count)
        frames = [put(frame, k) for k, frame in enumerate(frames)]
    other = (
        [looked_at(backdrop(second), *at) for at in path[::-1]] if kind in ("cut", "held cut", "dissolve") else []
    )
    at = int(rng.integers(6, count - 6))
    length = float(rng.integers(4, 16))
    ramp = np.clip((np.arange(count) - at + length / 2) / length, 0, 1)
    if "cut" in words:
        gain = rng.uniform(0.5, 2)
        frames = frames[:at] + [gain * frame for frame in other[at:]]
    elif kind == "dissolve":
        frames = [(1 - w) * a + w * b for w, a, b in zip(ramp, frames, other, strict=True)]
    elif kind == "fade in":
        frames = [w * a for w, a in zip(ramp, frames, strict=True)]
    elif kind == "fade out":
        frames = [(1 - w) * a for w, a in zip(ramp, frames, strict=True)]
    elif kind in ("lamp on", "lamp ramp"):
        rows, columns = np.mgrid[0:HEIGHT, 0:WIDTH]
        reach = rng.uniform(0.2, 0.9) * WIDTH
        spot = np.exp(-np.hypot(rows - rng.uniform(0, HEIGHT), columns - rng.uniform(0, WIDTH)) / reach)
        light = 1 + rng.uniform(0.3, 6) * spot[..., None]
        on = (np.arange(count) >= at).astype(float) if kind == "lamp on" else ramp
        frames = [a * (1 + w * (light - 1)) for w, a in zip(on, frames, strict=True)]
    elif kind == "aperture":
        stops = rng.uniform(-2, 2)
        frames = [a * 2 ** (w * stops) for w, a in zip(ramp, frames, strict=True)]
    elif kind == "cloud":
        slow = ndimage.gaussian_filter1d(rng.standard_normal(count + 400), 12)
        slow = 0.6 * slow[200 : 200 + count] / slow.std()
        frames = [a * 2**w for w, a in zip(slow, frames, strict=True)]
    strength = 10 ** rng.uniform(-4, -1.7) if grain is None else grain
    return [grained(frame, strength, rng) for frame in frames]


def grained(frame: Array, strength: float, rng: np.random.Generator) -> Array:
    """A frame with grain: its variance grows with the level."""
    deviation = strength * np.sqrt(np.maximum(frame, 0) / 0.18 + 0.02)
    return np.asarray(frame + deviation * rng.standard_normal(frame.shape), np.float32)


def stills_of(frames: Frames) -> list[Image]:
    """Frames as colour pictures."""
    return [coloured(frame) for frame in frames]


def seen(image: Image) -> Seen:
    """A picture as streams see it."""
    alpha = getattr(image.type, "alpha", "none")
    return Seen(image, image.channels, alpha)


def findings_of(
    stream: Stream, images: list[Image] | Frames, *, first: int = 1001, without: tuple[int, ...] = ()
) -> list[Finding]:
    """What a stream finds; frames at the indices in ``without`` have no file."""
    found: list[Finding] = []
    for k, picture in enumerate(images):
        image = coloured(picture) if isinstance(picture, np.ndarray) else picture
        path = f"plate.{first + k}.exr"
        if k in without:
            found += stream.miss(first + k, path, "")
        else:
            found += stream.see(first + k, path, stream.look(seen(image)))
    return found + list(stream.end())


assert LINEAR.linear
