"""Small invented shots on disk, with names and layers of other renderers."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import numpy as np

from stackcomp.data.window import Window
from stackcomp.files import exr

WIDTH, HEIGHT = 64, 36


def edge() -> np.ndarray:
    """Alpha of a soft disc, with many pixels between 0 and 1."""
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH].astype(np.float32)
    return np.clip(1.2 - np.hypot(x - 32, y - 18) / 13, 0, 1).astype(np.float32)


def shade() -> np.ndarray:
    """Ratio of a shadow beside the disc."""
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH].astype(np.float32)
    return (1 - 0.7 * np.clip(1.2 - np.hypot((x - 44) / 2, y - 24) / 7, 0, 1)).astype(np.float32)


def disc(*, straight: bool = False) -> dict[str, np.ndarray]:
    alpha = edge()
    by = (alpha > 0) if straight else alpha
    return {"R": 0.6 * by, "G": 0.4 * by, "B": 0.2 * by, "A": alpha}


def plate_planes() -> dict[str, np.ndarray]:
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH].astype(np.float32)
    return {"R": 0.2 + 0.4 * x / WIDTH, "G": 0.2 + 0.4 * y / HEIGHT, "B": np.full_like(x, 0.3)}


def write(path: Path, planes: Mapping[str, np.ndarray], **options: Any) -> None:
    window = options.pop("window", Window.of_size(WIDTH, HEIGHT))
    display = options.pop("display", window)
    path.parent.mkdir(parents=True, exist_ok=True)
    planes = {name: np.asarray(plane, np.float32) for name, plane in planes.items()}
    exr.write(path, planes, window=window, display=display, pixel_type="float", **options)


def sequence(
    folder: Path, name: str, planes: Mapping[str, np.ndarray], frames: Iterable[int], **options: Any
) -> None:
    for frame in frames:
        write(folder / f"{name}.{frame:04d}.exr", planes, **options)
