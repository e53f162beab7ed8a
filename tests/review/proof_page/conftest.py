"""Dumps made by hand, so that a page can be tested with any picture; and a browser to look at pages with."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from stackcomp.data.window import Window
from stackcomp.files import exr, stills
from stackcomp.files.mark import Mark

LINEAR = {"name": "ACEScg", "family": "scene-linear"}
TYPES: dict[str, dict[str, Any]] = {
    "plain": {"name": "colour", "text": "colour without alpha in ACEScg (scene-linear)", "alpha": "none"},
    "premultiplied": {
        "name": "colour",
        "text": "premultiplied colour in ACEScg (scene-linear)",
        "alpha": "premultiplied",
    },
    "straight": {"name": "colour", "text": "straight colour in ACEScg (scene-linear)", "alpha": "straight"},
    "matte": {"name": "matte", "text": "matte"},
    "ratio": {"name": "ratio", "text": "ratio"},
    "depth": {"name": "depth", "text": "depth along the optical axis", "along": "axis"},
    "motion": {"name": "motion", "text": "motion"},
    "ids": {"name": "ids", "text": "ids"},
    "layers": {"name": "layers", "text": "layers of a file", "alpha": "premultiplied", "encoding": LINEAR},
}


class DumpMaker:
    """Writes a dump, node by node, in the form of `stackcomp.review.dump`."""

    def __init__(self, folder: Path, frame: int = 1001, **head: Any) -> None:
        self.folder, self.frame, self.head = folder, frame, head
        self.nodes: list[dict[str, Any]] = []
        folder.mkdir(parents=True, exist_ok=True)

    def add(
        self,
        name: str,
        planes: dict[str, np.ndarray] | None = None,
        type: str = "plain",
        *,
        corner: tuple[int, int] = (0, 0),
        frame: tuple[int, int, int, int] | None = None,
        inputs: dict[str, str] | None = None,
        compression: str = "zip",
        **more: Any,
    ) -> DumpMaker:
        entry: dict[str, Any] = {
            "name": name,
            "kind": "exposure",
            "about": "",
            "state": "missing",
            "inputs": inputs or {},
            "input_types": dict.fromkeys(inputs or {}, "matte"),
            "parameters": {},
            "type": {**({"encoding": LINEAR} if "alpha" in TYPES[type] else {}), **TYPES[type]},
            "warnings": [],
        }
        if planes is not None:
            height, width = next(iter(planes.values())).shape
            window = Window(corner[0], corner[1], corner[0] + width, corner[1] + height)
            display = window if frame is None else Window(*frame)
            stem = f"picture-{len(self.nodes)}"
            exr.write(
                self.folder / f"{stem}.exr",
                planes,
                window=window,
                display=display,
                pixel_type="float",
                compression=compression,
                bits_as_float=[name for name, plane in planes.items() if plane.dtype == np.uint32],
                mark=Mark("dump"),
            )
            first = np.nan_to_num(next(iter(planes.values())).astype(np.float32), posinf=1, neginf=0)
            small = np.repeat(np.clip(first, 0, 1)[::4, ::4, None], 3, axis=2)
            stills.write(self.folder / f"{stem}.png", np.ascontiguousarray(small), mark=Mark("dump"))
            entry |= {
                "state": "done",
                "files": {"exr": f"{stem}.exr", "png": f"{stem}.png"},
                "channels": {channel: {} for channel in planes},
                "seconds": 0.004,
                "compiled": False,
            }
        self.nodes.append({**entry, **more})
        return self

    def write(self) -> Path:
        report = {
            "dump": 1,
            "program": "stackcomp 0.1.0",
            "graph": "graphs/bench.json",
            "about": "A lantern on the bench",
            "graph_hash": "0" * 32,
            "frame": self.frame,
            "scale": 1.0,
            "viewing_stops": 0.0,
            "working_space": "ACEScg",
            "complete": all(node["state"] == "done" for node in self.nodes),
            "failed": None,
            "warnings": [],
            "nodes": self.nodes,
            **self.head,
        }
        (self.folder / "nodes.json").write_text(json.dumps(report), encoding="utf-8")
        return self.folder


@pytest.fixture(scope="session")
def make_maker():
    return DumpMaker


@pytest.fixture
def dump_maker(tmp_path):
    return lambda name="dump", frame=1001, **head: DumpMaker(tmp_path / name, frame, **head)


def noise(height: int, width: int, seed: int = 0) -> np.ndarray:
    """Light as it occurs: many stops, grain, all of float32."""
    drawn = np.random.default_rng(seed)
    across = np.exp2(np.linspace(-8, 5, width))[None]
    return (across * (1 + 0.1 * drawn.standard_normal((height, width)))).astype(np.float32)


@pytest.fixture(scope="session")
def make_noise():
    return noise


class Seen:
    """A page as a person uses it."""

    def __init__(self, page: Any) -> None:
        self.page = page

    def open(self, name: str) -> None:
        names = self.page.locator(".box b").all_text_contents()
        self.page.locator(".box").nth(names.index(name)).click()
        self.settled()

    def settled(self) -> None:
        self.page.wait_for_selector("#sheet[data-loading=false]")
        self.page.wait_for_selector("#stage[data-done=true]")

    def press(self, *keys: str) -> None:
        for key in keys:
            self.page.keyboard.press(key)
        self.settled()

    def go_to(self, x: int, y: int) -> None:
        """Move the probe to a pixel by the arrow keys, as few as there can be."""
        self.page.locator("#stage").focus()
        self.page.keyboard.press("ArrowRight")
        for axis, wanted, less, more in (("x", x, "ArrowLeft", "ArrowRight"), ("y", y, "ArrowUp", "ArrowDown")):
            off = wanted - self.place[axis]
            key = more if off > 0 else less
            for _ in range(abs(off) // 10):
                self.page.keyboard.press(f"Shift+{key}")
            for _ in range(abs(off) % 10):
                self.page.keyboard.press(key)
        assert self.place == {"x": x, "y": y}

    @property
    def place(self) -> dict[str, int]:
        texts = self.page.locator("#probe .where .value b").all_text_contents()
        return dict(zip("xy", (int(text.replace("−", "-")) for text in texts), strict=True))

    def values(self, row: int = 0) -> dict[str, str]:
        """What the probe shows, by channel."""
        shown = self.page.locator("#probe .probe-row").nth(row).locator(".value")
        return {
            one.locator("i").text_content(): one.locator("b").text_content().replace("−", "-")
            for one in shown.all()
        }

    @property
    def remarks(self) -> list[str]:
        return self.page.locator("#probe .remark").all_text_contents()


@pytest.fixture
def see(browser):
    contexts = []

    def opened(path: Path, width: int = 1280, height: int = 900, scheme: str = "light") -> Seen:
        context = browser.new_context(viewport={"width": width, "height": height}, color_scheme=scheme)
        page = context.new_page()
        troubles: list[str] = []
        contexts.append((context, troubles))
        page.on("console", lambda message: troubles.append(message.text))
        page.on("pageerror", lambda error: troubles.append(str(error)))
        page.on("dialog", lambda dialog: (troubles.append(dialog.message), dialog.dismiss()))
        # Nothing is asked for but the page itself, and pictures that are in it.
        inside = (path.as_uri(), "data:", "blob:")
        page.on("request", lambda sent: None if sent.url.startswith(inside) else troubles.append(sent.url))
        page.goto(path.as_uri())
        return Seen(page)

    yield opened
    for context, troubles in contexts:
        assert troubles == []
        context.close()
