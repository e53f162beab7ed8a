"""The pytest plugin in runs of its own: it fails where it should, and passes where pictures are equal.

References are written from a clean plate; then an environment variable makes the same tests plant faults into it.
"""

import json
import re
import shlex
import sys

import numpy as np
import pytest
from PIL import Image as Pillow
from render_studio import Studio, keep

from stackcomp.files import exr

pytest_plugins = ["pytester"]

CASES = """
import os
import pytest
import pictures

CHANGES = [name for name, value in vars(pictures).items() if getattr(value, "__code__", None) and name not in
           ("plate", "image")]

@pytest.mark.parametrize("change", CHANGES)
def test_plate(compare_render, change):
    planted = getattr(pictures, change if os.environ.get("PLANT") else "nothing")
    result = compare_render("comp.json", "plate", 1, replace={"plate": planted(pictures.plate())})
    assert result.window

def test_final(compare_render):
    planted = pictures.one_pixel if os.environ.get("PLANT") else pictures.nothing
    compare_render("comp.json", "final", 1, replace={"plate": planted(pictures.plate())})

def test_parameter(compare_render):
    stops = 0.6 if os.environ.get("PLANT") else 0.5
    compare_render("comp.json", "final", 1, replace={"plate": pictures.nothing(pictures.plate())},
                   variables={"stops": stops})

def test_window_and_scale(compare_render):
    # What is planted at 30,20 lies outside of the window, and reaches into it by the glow.
    planted = pictures.one_nan if os.environ.get("PLANT") else pictures.nothing
    pixels = planted(pictures.plate())
    if os.environ.get("PLANT"):
        pixels = pixels.with_planes(G=pictures.plate()[..., 1] + 2 * (pixels["G"] != pixels["G"]))
    compare_render("comp.json", "final", 1, replace={"plate": pixels}, window="34,16,10,8", scale=1.0)
"""

FAILS = {
    "alpha_only": r"\bA\b",
    "one_pixel": r"30,20.*R 0\.\d+ / 0\.\d+",
    "shifted": r"% of the pixels",
    "one_nan": r"G: .*finite.*30,20",
    "one_infinity": r"G: .*finite.*30,20",
    "highlight": r"7,5.*0\.0196",
    "negative": r"30,20.*B -0\.01 / 0\.\d+",
    "smaller_window": r"data window is 63×40 at \(1, 0\) / 64×40 at \(0, 0\)",
    "overscan": r"data window is 64×42 at \(0, -1\) / 64×40 at \(0, 0\)",
    "moved_window": r"data window is 64×40 at \(1, 0\) / 64×40 at \(0, 0\)",
    "other_frame": r"frame is 64×41 at \(0, 0\) / 64×40 at \(0, 0\)",
    "no_alpha": r"type is colour without alpha in ACEScg \(scene-linear\) / premultiplied colour in ACEScg",
    "display_encoding": r"type is premultiplied colour in sRGB - Display .* / premultiplied colour in ACEScg",
}


@pytest.fixture
def kept():
    modules = {}
    yield modules
    keep(modules)


@pytest.fixture
def studio(kept, pytester, monkeypatch):
    studio = Studio(pytester, monkeypatch, kept)
    yield studio
    studio.remember(dict(sys.modules))


@pytest.mark.slow
def test_a_life_of_references(studio):
    """Missing, written, equal, and everything that has to fail: one project, five runs."""
    studio.write("tests/test_comp.py", CASES)
    number = len(FAILS) + 5

    # -- missing
    text = studio.run(code=1)
    assert len(studio.outcomes) == number
    for name, message in studio.outcomes.items():
        assert "there is no reference tests/renders/test_comp." in message
        assert f"pytest --update-renders {shlex.quote(f'tests/test_comp.py::{name}')}," in message
    assert not (studio.path / "tests/renders").exists()
    assert "Traceback" not in text

    # -- written, and the run fails
    text = studio.run("--update-renders", code=1)
    for name, message in studio.outcomes.items():
        assert re.match(r"(Failed: )?wrote tests/renders/test_comp\.\S+\.exr \(node", message), name
        assert "look at the picture, then run again without --update-renders" in message
    assert "references written, to be looked at" in text
    first = studio.references()
    assert len(first) == number
    assert "test_comp.test_plate-alpha_only.exr" in first

    # -- equal
    studio.run(code=0)
    assert studio.references() == first
    # Nothing is written again where nothing is to be approved, and the run passes.
    studio.run("--update-renders", code=0)
    assert studio.references() == first

    # -- planted faults
    text = studio.run(code=1, plant="yes")
    outcomes = studio.outcomes
    assert outcomes["test_plate[nothing]"] == outcomes["test_plate[rounding]"] == ""
    for change, words in FAILS.items():
        message = outcomes[f"test_plate[{change}]"]
        assert f"differs from tests/renders/test_comp.test_plate-{change}.exr (result / expected)" in message
        assert re.search(words, message), message
        assert 'node "plate", frame 1: ' in message
        assert 'first node that differs: "plate" (given)' in message
    assert 'first node that differs: "plate" (given), R by about 0.0004 RMS' in outcomes["test_final"]
    assert 'first node that differs: "graded" (exposure)' in outcomes["test_parameter"]
    # The window shows no pixel of the fault itself.
    assert 'first node that differs: "plate" (given), G by about 0.0' in outcomes["test_window_and_scale"]
    assert "34,20" in outcomes["test_window_and_scale"]
    assert studio.references() == first
    for message in filter(None, outcomes.values()):
        assert len(message.splitlines()) <= 10
        assert "if the change is meant, run pytest --update-renders" in message

    look_at_folders(studio)

    # -- a change that is meant
    text = studio.run("--update-renders", "-k", "parameter or equal", code=1, plant="yes")
    assert "wrote tests/renders/test_comp.test_parameter.exr" in text
    assert "changed" in text
    changed = studio.references()
    assert {name for name in first if first[name] != changed[name]} == {"test_comp.test_parameter.exr"}
    studio.run("-k", "parameter", code=0, plant="yes")


def look_at_folders(studio):
    folder = studio.path / ".pytest_cache/d/failed_renders/tests/renders/test_comp.test_plate-one_pixel"
    names = {path.name for path in folder.iterdir()}
    pictures = {f"{name}.{ending}" for name in ("result", "expected") for ending in ("exr", "png")}
    assert names == {*pictures, "difference.png", "report.json", "page.html"}
    report = json.loads((folder / "report.json").read_text())
    assert report["test"] == "tests/test_comp.py::test_plate[one_pixel]"
    assert (report["node"], report["frame"], report["first_different"]) == ("plate", 1, "plate")
    assert report["worst"]["worst"] == [30, 20]
    now, before = report["worst"]["values"]["R"]
    assert now - before == pytest.approx(0.02, abs=1e-6)
    result, expected = (exr.read(folder / f"{name}.exr").planes["R"] for name in ("result", "expected"))
    assert np.argwhere(result != expected).tolist() == [[20, 30]]
    with Pillow.open(folder / "difference.png") as file:
        shown = np.asarray(file)
    assert shown.shape == (40, 64, 3)
    assert np.argwhere(shown.any(axis=2)).tolist() == [[20, 30]]
    page = (folder / "page.html").read_text()
    assert "tests/test_comp.py::test_plate[one_pixel]" in page

    # All that the picture depends on is on the page; what it does not depend on is not.
    page = (folder.parent / "test_comp.test_parameter/page.html").read_text()
    assert all(f'"{name}"' in page for name in ("plate", "lamp", "graded", "shine", "final"))
    report = json.loads((folder.parent / "test_comp.test_parameter/report.json").read_text())
    states = {node["node"]: node["state"] for node in report["nodes"]["nodes"]}
    same, different = ("plate", "lamp"), ("graded", "shine", "final")
    assert states == {**dict.fromkeys(same, "same"), **dict.fromkeys(different, "different")}
