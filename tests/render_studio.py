"""A project whose tests compare renders, and runs of pytest in it.

Its comp is small, and its tests replace the plate. What they plant into the plate is named by an environment
variable, so that references are written from the clean plate.
"""

from __future__ import annotations

import json
import sys
import xml.etree.ElementTree as ET

__all__ = ["GRAPH", "Studio", "keep"]

GRAPH = {
    "stackcomp": 1,
    "variables": {"stops": 0.5},
    "nodes": {
        "plate": {"kind": "flat", "size": [64, 40], "colour": [0.2, 0.3, 0.4]},
        "lamp": {"kind": "flat", "size": [64, 40], "colour": [0.3, 0.2, 0.1]},
        "graded": {"kind": "exposure", "image": "plate", "stops": "${stops}"},
        "shine": {"kind": "glow", "image": "graded", "radius": 6, "strength": 0.5},
        "final": {"kind": "over", "source": "shine", "backdrop": "lamp"},
    },
}

PICTURES = """
import dataclasses
import numpy as np
import stackcomp
from stackcomp import Colour, Encoding, Image, Window

def plate():
    rng = np.random.default_rng(3)
    pixels = rng.uniform(0.1, 0.9, (40, 64, 4)).astype(np.float32)
    pixels[..., :3] *= pixels[..., 3:]
    pixels[5, 7, :3] = 50
    return pixels

def image(pixels, **more):
    return Image.from_array(pixels, **more)

def nothing(p): return image(p)
def rounding(p): return image(p * np.float32(1 + 2e-6))
def alpha_only(p): p[..., 3] *= 0.95; return image(p)
def one_pixel(p): p[20, 30, 0] += 0.02; return image(p)
def shifted(p): return image(np.roll(p, 1, axis=1))
def one_nan(p): p[20, 30, 1] = np.nan; return image(p)
def one_infinity(p): p[20, 30, 1] = np.inf; return image(p)
def highlight(p): p[5, 7, :3] = 51; return image(p)
def negative(p): p[20, 30, 2] = -0.01; return image(p)
def smaller_window(p): return image(p[:, 1:], origin=(1, 0), display=(0, 0, 64, 40))
def overscan(p): return image(np.pad(p, ((1, 1), (0, 0), (0, 0))), origin=(0, -1), display=(0, 0, 64, 40))
def moved_window(p): return image(p, origin=(1, 0), display=(0, 0, 64, 40))
def other_frame(p): return image(p, display=(0, 0, 64, 41))
def no_alpha(p): return image(p[..., :3])
def display_encoding(p): return image(p, encoding="sRGB - Display")
"""


class _Imported:
    """A plugin of a run inside: the modules that there are at its end."""

    def pytest_unconfigure(self):
        self.modules = dict(sys.modules)


def keep(modules):
    """Put modules back that pytester took away: compiled libraries cannot be imported twice."""
    for name, module in modules.items():
        sys.modules.setdefault(name, module)


class Studio:
    """A project with tests of renders, and runs of pytest in it.

    Args:
        pytester: pytest's fixture. It takes away what was imported in its runs, after each and at its own end.
        monkeypatch: pytest's fixture.
        kept: gets these modules, to be put back by `keep` after pytester's end.
    """

    def __init__(self, pytester, monkeypatch, kept):
        self.pytester, self.monkeypatch, self.path, self.kept = pytester, monkeypatch, pytester.path, kept
        pytester.makeini("[pytest]\nfilterwarnings = error\nmarkers = slow")
        pytester.makefile(".json", comp=json.dumps(GRAPH))
        (self.path / "tests").mkdir()
        self.write("tests/conftest.py", "import os, sys\nsys.path.insert(0, os.path.dirname(__file__))")
        self.write("tests/pictures.py", PICTURES)

    def remember(self, modules):
        """Note modules that are not those of the project."""
        ours = str(self.path)
        for name, module in modules.items():
            if not str(getattr(module, "__file__", None) or "").startswith(ours):
                self.kept[name] = module

    def write(self, name, text):
        (self.path / name).write_text(text, encoding="utf-8")

    def run(self, *options, code, plant="", process=False):
        """Run pytest and return what it prints.

        Args:
            options: of pytest.
            code: exit code that it must end with.
            plant: what the tests plant.
            process: in a process of its own, as a user runs it; that takes ten times as long.
        """
        self.monkeypatch.setenv("PLANT", plant)
        if process:
            result = self.pytester.runpytest_subprocess("--junitxml=found.xml", *options, timeout=300)
        else:
            imported = _Imported()
            result = self.pytester.runpytest_inprocess("--junitxml=found.xml", *options, plugins=[imported])
            self.remember(imported.modules)
            keep(self.kept)
        text = result.stdout.str() + result.stderr.str()
        assert result.ret == code, text
        assert "INTERNALERROR" not in text
        return text

    @property
    def outcomes(self):
        """Message of each test of the last run by its name; empty where it passed."""
        tree = ET.parse(self.path / "found.xml")
        found = {}
        for case in tree.iter("testcase"):
            failures = [*case.iter("failure"), *case.iter("error")]
            found[case.get("name")] = failures[0].text if failures else ""
        return found

    def references(self):
        folder = self.path / "tests/renders"
        return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*.exr")}
