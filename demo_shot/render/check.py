"""Compare a hand-made comp of the passes with the truths: `python demo_shot/render/check.py demo_shot`.

Plain numpy, independent of stackcomp. Pixels inside the patch polygon (where the rig stands) are left out.
"""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import OpenEXR
import write
from patch import inside

Array = np.ndarray


@dataclass(frozen=True)
class Comp:
    """The passes of one frame; scene-linear arrays (height, width, 1 or 3)."""

    plate: Array
    beauty: Array
    alpha: Array
    ratio: Array
    cord: Array
    variables: dict[str, Any]

    def composite(self, plate: Array) -> Array:
        """Return the shaded plate (its lift is not shaded), the lifted CG over it, and the cord restored."""
        lift = self.variables["black_lift"]
        shaded = (plate - lift) * self.ratio + lift
        over = self.beauty + lift * self.alpha + (1 - self.alpha) * shaded
        return self.cord * shaded + (1 - self.cord) * over

    def counted(self) -> Array:
        """Mask of the pixels outside the patch polygon."""
        return ~inside(np.array(self.variables["patch_corners"]), *self.plate.shape[1::-1])


def comp(shot: Path, plate: str = "plate_nograin.exr") -> Comp:
    """Read the truth frame's files."""
    v = json.loads((shot / "shot.json").read_text())
    frame = v["truth_frame"]
    cg = write.read(shot / f"cg.{frame}.exr")
    backdrop = write.from_acescct(write.stack(write.read(shot / plate.format(frame=frame))))
    cord = np.zeros((*backdrop.shape[:2], 1))
    with OpenEXR.File(str(shot / f"cord.{frame}.exr"), separate_channels=True) as file:
        x, y = file.header()["dataWindow"][0]
        m = file.channels()["matte"].pixels
        cord[y : y + m.shape[0], x : x + m.shape[1], 0] = m
    return Comp(backdrop, write.stack(cg), cg["A"].astype(float)[..., None], write.stack(cg, "shadow."), cord, v)


def error(a: Array, b: Array, counts: Array) -> float:
    """Mean of |a − b| / (|b| + 0.01)."""
    return float((np.abs(a - b) / (np.abs(b) + 0.01))[counts].mean())


def main() -> None:
    """Print, for each shot, the comp's error, the noise between the truths, and their quotient."""
    root = Path(sys.argv[1] if len(sys.argv) > 1 else "demo_shot")
    for name in ("wide", "close", "lamp"):
        a, b = (write.stack(write.read(root / name / f"truth_{k}.exr")) for k in "ab")
        parts = comp(root / name)
        result, counts = parts.composite(parts.plate), parts.counted()
        e, e2, noise = error(result, a, counts), error(result, b, counts), error(a, b, counts)
        shares = f"{e / noise:.4f} {e2 / noise:.4f}"
        print(f"{name}: comp to a {e:.5f}, to b {e2:.5f}; a to b {noise:.5f}; quotients {shares}")


if __name__ == "__main__":
    main()
