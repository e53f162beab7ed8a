"""preview.png: plate, passes and results side by side, sRGB-encoded for looking at."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import write
from camera import apply
from check import Comp, comp
from patch import inside
from PIL import Image

Array = np.ndarray
# ACEScg to linear Rec. 709 (Bradford, computed with colour-science 0.4.7).
TO_709 = np.array([[1.70505, -0.62179, -0.08326], [-0.13026, 1.14080, -0.01055], [-0.02400, -0.12897, 1.15297]])
OVERSCAN = 24
STEP = 3  # of 256 levels


def shown(linear: Array) -> Array:
    """Scene-linear ACEScg → sRGB 0–1, with a soft shoulder above 0.6."""
    x = np.maximum(linear @ TO_709.T, 0)
    x = np.where(x > 0.6, 0.6 + 0.4 * (1 - np.exp(-(x - 0.6) / 0.4)), x)
    return np.where(x <= 0.0031308, 12.92 * x, 1.055 * np.maximum(x, 1e-9) ** (1 / 2.4) - 0.055)


def patched(shot: Path, parts: Comp) -> Array:
    """The comp with the clean still inside the patch polygon (truth frame: the still's own camera)."""
    clean = write.from_acescct(write.stack(write.read(shot / "clean.exr")))[OVERSCAN:-OVERSCAN, OVERSCAN:-OVERSCAN]
    corners = apply(np.eye(3), np.array(parts.variables["patch_corners"]))
    mask = inside(corners, *clean.shape[1::-1])[..., None]
    return parts.put_together(np.where(mask, clean, parts.plate))


def make_preview(root: Path) -> None:
    """Two rows: plate, CG, shadow ratio; the three results."""
    parts = {name: comp(root / name, plate="plate.{frame}.exr") for name in ("wide", "close", "lamp")}
    gain = {"wide": 1.25, "close": 1.25, "lamp": 2.2}
    top = parts["close"]
    rows = [
        [shown(top.plate * 1.25), shown(top.beauty * 1.25), np.clip(top.ratio / 1.5, 0, 1) ** 0.8],
        [shown(patched(root / n, p) * gain[n]) for n, p in parts.items()],
    ]
    gap = 6
    tall, wide = rows[0][0].shape[0] * 11 // 16, rows[0][0].shape[1] * 11 // 16
    sheet = Image.new("RGB", (3 * wide + 2 * gap, 2 * tall + gap), (24, 24, 24))
    for y, row in enumerate(rows):
        for x, tile in enumerate(row):
            picture = Image.fromarray((np.clip(tile, 0, 1) * 255 + 0.5).astype(np.uint8))
            sheet.paste(picture.resize((wide, tall), Image.Resampling.BOX), (x * (wide + gap), y * (tall + gap)))
    coarse = (np.asarray(sheet).astype(int) + STEP // 2) // STEP * STEP  # grain would fill the file
    Image.fromarray(coarse.clip(0, 255).astype(np.uint8)).save(root / "preview.png", optimize=True)
