"""Makes the pictures of the proof page that README.md shows: ``python tests/proof_pictures.py``, at the root.

It dumps the demo's close shot into a temporary folder, opens the page in Debian's Chromium, and writes
``graphs/proof_page.png`` (the whole graph) and ``graphs/proof_page_node.png`` (one node, held against another).
"""

from __future__ import annotations

import io
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from PIL import Image
from playwright.sync_api import sync_playwright
from proof_browser import Driven, opened

ROOT = Path(__file__).parents[1]
GRAPH, VARIABLES, FRAME = "graphs/lantern.json", "demo_shot/close/shot.json", "1003"
#: A README is read over the network.
MOST_BYTES = 300_000


def main() -> None:
    """Dump, look, write."""
    with tempfile.TemporaryDirectory() as folder:
        words = ("dump", GRAPH, "--variables", VARIABLES, "--frame", FRAME, "--to", folder, "--page")
        # The first run compiles; its times are not those that a user sees from then on.
        for _ in range(2):
            subprocess.run([sys.executable, "-m", "stackcomp", *words], cwd=ROOT, check=True)
        page = Path(folder) / "page.html"
        with sync_playwright() as started:
            browser = started.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
            with opened(browser, page, 1280, 900, color_scheme="light") as driven:
                driven.settled()
                keep("proof_page.png", driven.page.screenshot(full_page=True))
            with opened(browser, page, 1280, 1150, color_scheme="dark") as driven:
                show_a_node(driven)
                keep("proof_page_node.png", driven.page.screenshot())
            browser.close()


def show_a_node(driven: Driven) -> None:
    """The lantern in its place against the plate that was shot, and the probe on brass."""
    driven.open_node("lantern")
    driven.page.locator("#whole").click()
    driven.page.select_option("#against", label="plate")
    driven.drawn()
    driven.page.locator("#wipe").fill("575")
    driven.page.locator("#stage").focus()
    driven.point_at(259, 68)
    driven.drawn()


def keep(name: str, data: bytes) -> None:
    """Write a picture with a palette."""
    picture = Image.open(io.BytesIO(data)).convert("RGB")
    # Of Pillow's ways to choose 256 colours the closest: off by 0.3 of 255 on average. A median cut turns brass
    # and red paint brown.
    small = picture.quantize(256, Image.Quantize.MAXCOVERAGE, kmeans=1, dither=Image.Dither.NONE)
    path = ROOT / "graphs" / name
    small.save(path, optimize=True)
    size = path.stat().st_size
    print(f"{path.relative_to(ROOT)}: {size / 1000:.0f} kB")
    if size >= MOST_BYTES:
        raise SystemExit(f"{path} has {size} bytes; {MOST_BYTES} are the limit")


if __name__ == "__main__":
    main()
