"""preview.png: plate, passes and results side by side, as the demo's graph delivers them as viewable stills."""

from __future__ import annotations

import json
import tempfile
from pathlib import Path

import numpy as np
from PIL import Image

import stackcomp
from stackcomp.files.viewable import viewable

GRAPH = Path(__file__).resolve().parents[2] / "graphs" / "lantern.json"
STEP = 3  # of 256 levels
GAP = 6
SHARE = 11 / 16


def results(root: Path, shot: str) -> dict[str, Image.Image]:
    """Return the middle frame's still (the file that the graph delivers), plate, CG and shadow ratio."""
    variables = json.loads((root / shot / "shot.json").read_text())
    frame = variables["truth_frame"]
    with tempfile.TemporaryDirectory() as folder:
        where = {"shot": str((root / shot).resolve()), "out": folder}
        comp = stackcomp.load(GRAPH, variables=[variables, where])
        (still,) = comp.deliver([frame], nodes=["still"])
        with Image.open(still) as file:
            pictures = {"still": file.convert("RGB")}
    for name in ("plate", "beauty", "shadow"):
        shown = viewable(comp.render(name, frame), stops=variables["viewing_stops"])
        pictures[name] = Image.fromarray(shown)
    return pictures


def make_preview(root: Path) -> None:
    """Two rows: plate, CG, shadow ratio; the three results."""
    shots = {name: results(root, name) for name in ("wide", "close", "lamp")}
    rows = [
        [shots["close"][name] for name in ("plate", "beauty", "shadow")],
        [pictures["still"] for pictures in shots.values()],
    ]
    wide, tall = (round(side * SHARE) for side in rows[0][0].size)
    sheet = Image.new("RGB", (3 * wide + 2 * GAP, 2 * tall + GAP), (24, 24, 24))
    for y, row in enumerate(rows):
        for x, tile in enumerate(row):
            sheet.paste(tile.resize((wide, tall), Image.Resampling.BOX), (x * (wide + GAP), y * (tall + GAP)))
    coarse = (np.asarray(sheet).astype(int) + STEP // 2) // STEP * STEP  # grain would fill the file
    Image.fromarray(coarse.clip(0, 255).astype(np.uint8)).save(root / "preview.png", optimize=True)


if __name__ == "__main__":
    make_preview(Path(__file__).resolve().parents[1])
