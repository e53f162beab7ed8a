"""Camera encoding, grain, and EXR files."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import OpenEXR

Array = np.ndarray
Window = tuple[int, int, int, int]
LIFT = 0.002  # the camera's black level, in scene-linear light
AP1 = (0.713, 0.293, 0.165, 0.830, 0.128, 0.044, 0.32168, 0.33767)  # ACEScg primaries and white (ACES, S-2014-004)
INVENTED = "Invented demo material, path-traced: no real place, film or brand."
# Mantissa bits kept (half has 10), so that noise below any use does not fill the files.
RATIO_BITS, TRUTH_BITS, BEAUTY_BITS, CODE_BITS, PLACE_BITS, DEPTH_BITS = 7, 7, 8, 9, 8, 13


def acescct(linear: Array) -> Array:
    """Scene-linear ACEScg → ACEScct (Academy S-2016-001)."""
    low = 10.5402377416545 * linear + 0.0729055341958355
    high = (np.log2(np.maximum(linear, 1e-10)) + 9.72) / 17.52
    return np.where(linear <= 0.0078125, low, high)


def from_acescct(code: Array) -> Array:
    """ACEScct → scene-linear ACEScg."""
    code = np.asarray(code, np.float64)
    return np.where(
        code <= 0.155251141552511, (code - 0.0729055341958355) / 10.5402377416545, 2 ** (code * 17.52 - 9.72)
    )


def grain(linear: Array, seed: int, strength: float = 1.0) -> Array:
    """Camera grain: Gaussian, variance a + b · level in scene-linear light (1.2 % at .18, green finest)."""
    rng = np.random.default_rng(seed)
    sigma = np.sqrt(3.0e-7 + 2.43e-5 * np.maximum(linear, 0)) * np.array([1.0, 0.9, 1.2])
    return linear + strength * sigma * rng.standard_normal(linear.shape)


def coarse(values: Array, bits: int) -> Array:
    """Round to so many mantissa bits."""
    m, e = np.frexp(values)
    return np.ldexp(np.round(m * 2 ** (bits + 1)) / 2 ** (bits + 1), e)


def ratio_steps(ratio: Array) -> Array:
    """The shadow ratio with `RATIO_BITS` mantissa bits, and no finer just below 1 than just above it."""
    kept = coarse(ratio, RATIO_BITS)
    step = 2.0**-RATIO_BITS
    return np.where((kept >= 0.5) & (kept < 1), np.round(kept / step) * step, kept)


def rgb(colour: Array, layer: str = "") -> dict[str, Array]:
    """Half planes R G B of a layer from (height, width, 3)."""
    return {f"{layer}{c}": np.ascontiguousarray(colour[..., k], np.float16) for k, c in enumerate("RGB")}


def exr(
    path: Path,
    planes: dict[str, Array],
    size: tuple[int, int],
    window: Window | None = None,
    log: bool = False,
    zipped: bool = False,
    more: dict[str, Any] | None = None,
) -> None:
    """Write one part. `window` is the data window, half open (the frame when None); names are written sorted.

    Lossless always: PIZ for noisy pictures, ZIP otherwise.
    """
    x0, y0, x1, y1 = window or (0, 0, *size)
    header: dict[str, Any] = {
        "compression": OpenEXR.ZIP_COMPRESSION if zipped else OpenEXR.PIZ_COMPRESSION,
        "type": OpenEXR.scanlineimage,
        "displayWindow": (np.zeros(2, np.int32), np.array([size[0] - 1, size[1] - 1], np.int32)),
        "dataWindow": (np.array([x0, y0], np.int32), np.array([x1 - 1, y1 - 1], np.int32)),
        "comments": INVENTED + (" Encoding: ACEScct." if log else ""),
        **(more or {}),
    }
    if not log and {"R", "G", "B"} <= set(planes):
        header["chromaticities"] = AP1
        header["colorInteropID"] = "lin_ap1_scene"
    path.parent.mkdir(parents=True, exist_ok=True)
    OpenEXR.File(header, {k: np.ascontiguousarray(v) for k, v in sorted(planes.items())}).write(str(path))


def read(path: Path) -> dict[str, Array]:
    """Planes by name."""
    with OpenEXR.File(str(path), separate_channels=True) as file:
        return {k: np.array(v.pixels) for k, v in file.parts[0].channels.items()}


def stack(planes: dict[str, Array], layer: str = "") -> Array:
    """R G B of a layer as float64 (height, width, 3)."""
    return np.stack([planes[f"{layer}{c}"].astype(np.float64) for c in "RGB"], -1)


def crop(plane: Array) -> Window:
    """The smallest window that holds all of a plane that is not zero (one pixel when all is)."""
    ys, xs = np.nonzero(plane)
    return (int(xs.min()), int(ys.min()), int(xs.max()) + 1, int(ys.max()) + 1) if len(xs) else (0, 0, 1, 1)


def variables(path: Path, values: dict[str, Any]) -> None:
    """A JSON object, one entry a line."""
    lines = [f"  {json.dumps(k)}: {json.dumps(v)}" for k, v in values.items()]
    path.write_text("{\n" + ",\n".join(lines) + "\n}\n")
