"""The lemur of pymatting's open data (CC0): photograph, alpha, foreground and background."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from PIL import Image as Pillow

__all__ = ["lemur", "to_light"]


def to_light(code: np.ndarray) -> np.ndarray:
    """Return light of sRGB numbers, by IEC 61966-2-1."""
    return np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)


def lemur(material: Path) -> dict[str, np.ndarray]:
    """Return the pictures by name, float64 from 0 to 1 as they are stored; ``alpha`` is one plane."""
    folder = material / "pymatting" / "data" / "lemur"
    names = {"photograph": "lemur", "alpha": "lemur_alpha", "foreground": "lemur_foreground",
             "background": "lemur_background"}  # fmt: skip
    found = {name: np.asarray(Pillow.open(folder / f"{file}.png")) / 255 for name, file in names.items()}
    return {name: plane if plane.ndim == 2 else plane[..., :3] for name, plane in found.items()}
