"""Faults planted into clean sequences, each as it happens in a production.

Each takes a seed and gives pictures, the indices of frames without a file, and what has to be found.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from inspection.made_pictures import coloured
from inspection.made_sequences import grained, made_sequence, stills_of

from stackcomp import Colour, Encoding, Image, Window

__all__ = ["FAULTS", "Planted"]

#: Motion of any sort; motion that is steady, as the check asks for where a repeat is not bit by bit.
MOVING = ("pan", "held", "eased", "pan object", "held object", "locked object", "lamp on", "cut")
STEADY = ("pan",)
SRGB = Encoding("sRGB Encoded Rec.709 (sRGB)", "display")


@dataclass(frozen=True)
class Planted:
    """A sequence with a fault: pictures, indices of frames without a file, what has to be found and where."""

    pictures: list[Image]
    sort: str
    at: tuple[int, ...]
    without: tuple[int, ...] = field(default=())


def _start(seed, kinds, **options):
    rng = np.random.default_rng([seed, 21])
    frames = made_sequence(kinds[seed % len(kinds)], seed, **options)
    return rng, frames, int(rng.integers(5, len(frames) - 12))


def missing(seed):
    rng, frames, at = _start(seed, MOVING)
    gone = tuple(range(at, at + int(rng.integers(1, 5))))
    return Planted(stills_of(frames), "missing", gone, gone)


def repeated(seed):
    _, frames, at = _start(seed, MOVING)
    frames[at] = frames[at - 1]
    return Planted(stills_of(frames), "repeated", (at,))


def frozen(seed):
    rng, frames, at = _start(seed, MOVING)
    count = int(rng.integers(3, 9))
    frames[at : at + count] = [frames[at - 1]] * count
    return Planted(stills_of(frames), "frozen", (at,))


def at_a_period(seed):
    """24 frames shown in 30, and others: every second to every sixth frame repeats."""
    rng, frames, _ = _start(seed, ("pan", "held", "pan object", "held object", "locked object"))
    period = int(rng.integers(2, 7))
    return Planted(stills_of([frames[k - k // period] for k in range(len(frames))]), "pattern", ())


def repeated_by_a_codec(seed):
    """8 bits with noise of about a step, and a repeated frame with new noise."""
    rng, frames, at = _start(seed, STEADY, grain=1e-4)
    codes = [np.clip(frame, 0, 1) ** (1 / 2.2) * 255 for frame in frames]
    codes[at] = codes[at - 1]
    noisy = [np.clip(np.rint(c + rng.normal(0, 0.7, c.shape)), 0, 255) / 255 for c in codes]
    return Planted([coloured(c.astype(np.float32), encoding=SRGB) for c in noisy], "repeated", (at,))


def repeated_under_grain(seed):
    rng, frames, at = _start(seed, STEADY, grain=0)
    frames[at] = frames[at - 1]
    return Planted(stills_of([grained(frame, 3e-4, rng) for frame in frames]), "repeated", (at,))


def out_of_order(seed):
    _, frames, at = _start(seed, STEADY, grain=5e-4)
    frames[at], frames[at + 1] = frames[at + 1], frames[at]
    return Planted(stills_of(frames), "order", (at + 1,))


LIT = ("pan", "held", "eased", "locked", "pan object", "locked object", "held object", "lamp on", "cloud")


def one_level(seed):
    rng, frames, at = _start(seed, LIT)
    frames[at] = frames[at] * np.float32(2 ** (rng.choice([-1, 1]) * rng.uniform(0.1, 0.6)))
    return Planted(stills_of(frames), "", (at,))


def every_second_level(seed):
    rng, frames, _ = _start(seed, LIT)
    gain = np.float32(2 ** rng.uniform(0.05, 0.4))
    return Planted(stills_of([frame * gain if k % 2 else frame for k, frame in enumerate(frames)]), "", ())


def levels_at_random(seed):
    rng, frames, _ = _start(seed, LIT)
    size = rng.uniform(0.05, 0.3)
    return Planted(stills_of([frame * np.float32(2 ** rng.normal(0, size)) for frame in frames]), "", ())


def another_size(seed):
    _, frames, at = _start(seed, MOVING)
    pictures = stills_of(frames)
    pictures[at] = coloured(np.ascontiguousarray(frames[at][::2, ::2]))
    return Planted(pictures, "resolution", (at,))


def another_space(seed):
    _, frames, at = _start(seed, MOVING)
    pictures = stills_of(frames)
    pictures[at:] = [replace(picture, type=Colour("none", SRGB)) for picture in pictures[at:]]
    return Planted(pictures, "encoding", ())


def cropped(seed):
    rng, frames, at = _start(seed, MOVING)
    pictures = stills_of(frames)
    whole = pictures[at]
    part = whole.over(Window(0, 0, whole.window.x1 - int(rng.integers(1, 20)), whole.window.y1))
    pictures[at] = replace(part, display=whole.display)
    return Planted(pictures, "data window", (at,))


def with_alpha(seed):
    _, frames, at = _start(seed, MOVING)
    pictures = stills_of(frames)
    pictures[at] = coloured(np.concatenate([frames[at], np.ones_like(frames[at][..., :1])], axis=2))
    return Planted(pictures, "channels", (at,))


def _flashing(frames, rng, gains, area):
    """A part of the screen that is lit up at some frames, in display light."""
    width = frames[0].shape[1]
    count = round(area * width)
    left = int(rng.integers(0, width - count + 1))
    codes = [np.clip(frame, 0, 1) ** np.float32(1 / 2.2) for frame in frames]
    for c, gain in zip(codes, gains, strict=True):
        c[:, left : left + count] = c[:, left : left + count] * 0.5 + np.float32(0.42 * gain)
    return [coloured(c.astype(np.float32), encoding=SRGB) for c in codes]


def flashes(seed):
    """4 to 10 flashes a second at 24 frames a second, over 30 % to all of the screen."""
    rng, frames, _ = _start(seed, ("pan", "held", "locked", "locked object", "pan object"))
    per_second = rng.uniform(4, 10)
    phase = np.arange(len(frames)) * per_second / 24 + rng.uniform(0, 1)
    wave = (phase % 1 < 0.5) * 1.0 if rng.random() < 0.5 else 0.5 + 0.5 * np.cos(2 * np.pi * phase)
    return Planted(_flashing(frames, rng, wave, rng.uniform(0.3, 1)), "general", ())


def red_flashes(seed):
    """An alarm lamp: a part of the screen turns saturated red 4 to 10 times a second."""
    rng, frames, _ = _start(seed, ("pan", "held", "locked", "locked object", "pan object"))
    phase = np.arange(len(frames)) * rng.uniform(4, 10) / 24 + rng.uniform(0, 1)
    count = round(rng.uniform(0.35, 1) * frames[0].shape[1])
    codes = [np.clip(frame, 0, 1) ** np.float32(1 / 2.2) for frame in frames]
    for c, red in zip(codes, phase % 1 < 0.5, strict=True):
        grey = c[:, :count].mean(axis=2, keepdims=True)
        c[:, :count] = 0.3 + 0.4 * grey
        if red:
            c[:, :count] *= np.array([1, 0.08, 0.08])
    return Planted([coloured(c.astype(np.float32), encoding=SRGB) for c in codes], "red", ())


#: Name → check that has to find it, and how it is planted.
FAULTS: dict[str, tuple[str, Callable[[int], Planted]]] = {
    "missing": ("frames", missing),
    "repeated": ("frames", repeated),
    "frozen": ("frames", frozen),
    "at a period": ("frames", at_a_period),
    "repeated by a codec": ("frames", repeated_by_a_codec),
    "repeated under grain": ("frames", repeated_under_grain),
    "out of order": ("frames", out_of_order),
    "one level": ("flicker", one_level),
    "every second level": ("flicker", every_second_level),
    "levels at random": ("flicker", levels_at_random),
    "another size": ("changes", another_size),
    "another space": ("changes", another_space),
    "cropped": ("changes", cropped),
    "with alpha": ("changes", with_alpha),
    "flashes": ("flashes", flashes),
    "red flashes": ("flashes", red_flashes),
}
