"""A word where an encoding that was named speaks against what the file is."""

from __future__ import annotations

import json

import numpy as np
import pytest

from stackcomp.data.window import Window
from stackcomp.files import colour_tags, exr, stills

AREA = ("--area", "1,1,8,6")


@pytest.fixture(autouse=True)
def place(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    window = Window.of_size(12, 10)
    planes = {c: np.full(window.shape, 0.18, np.float32) for c in "RGB"}
    told = {"chromaticities": colour_tags.chromaticities_of("ACEScg")}
    exr.write("told.exr", planes, window=window, display=window, metadata=told)
    exr.write("silent.exr", planes, window=window, display=window)
    stills.write("still.png", np.full((10, 12, 3), 0.4))
    return tmp_path


@pytest.mark.parametrize(
    ("file", "encoding", "note"),
    [
        ("told.exr", "ACEScct", "told.exr says ACEScg (scene-linear) in its header, but is read as ACEScct (log)"),
        ("told.exr", "ACEScg", ""),
        ("told.exr", None, ""),
        ("silent.exr", "ACEScct", ""),
        ("still.png", "ACEScg", "still.png holds whole numbers, which are seldom proportional to light"),
        ("still.png", "ACEScct", ""),
    ],
)
def test_measure_and_match_say_so(run, file, encoding, note):
    named = () if encoding is None else ("--encoding", encoding)
    done = run("measure", file, *AREA, *named, "--json")
    assert done.exit_code == 0, done.stderr
    doubts = " ".join(json.loads(done.stdout)["doubts"])
    assert (note in doubts) if note else ("is read as" not in doubts)
    done = run("measure", file, *AREA, *named)
    assert (note in done.stderr) if note else ("is read as" not in done.stderr)
    both = ("--plate", file, "--plate-area", "1,1,8,6", "--other", "silent.exr", "--other-area", "1,1,8,6")
    named = ("--other-encoding", "ACEScg", *(() if encoding is None else ("--plate-encoding", encoding)))
    done = run("match", "grey", *both, *named)
    assert done.exit_code == 0, done.stderr
    assert (note in done.stderr) if note else ("is read as" not in done.stderr)
