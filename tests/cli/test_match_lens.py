"""stackcomp match lens: from pictures to a file that a graph takes; mistakes."""

from __future__ import annotations

import builtins
import json

import numpy as np
import pytest
from lens_charts import POSES, rays_of, rendered

from stackcomp import Composition, Graph, Window
from stackcomp.files import exr, stills
from stackcomp.files.lens_file import read_lens

SIZE = 320, 180


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("charts")
    rays = rays_of(SIZE, 280.0, (161.0, 89.0), [-0.2, 0.05, 0, 0, 0])
    window = Window.of_size(*SIZE)
    for k in (0, 1, 4):
        light = rendered(SIZE, rays, POSES[k])
        exr.write(
            folder / f"chart.{k}.exr",
            dict.fromkeys("RGB", light),
            window=window,
            display=window,
            pixel_type="half",
        )
    grey = rendered(SIZE, rays, POSES[2]) ** (1 / 2.2)
    stills.write(folder / "photo.png", np.repeat(grey[..., None], 3, axis=2), 8)
    bare = np.full((180, 320), 0.2, np.float32)
    exr.write(folder / "bare.exr", dict.fromkeys("RGB", bare), window=window, display=window, pixel_type="half")
    small = np.full((90, 160), 0.2, np.float32)
    window = Window.of_size(160, 90)
    exr.write(folder / "small.exr", dict.fromkeys("RGB", small), window=window, display=window, pixel_type="half")
    stills.write(folder / "dot.png", np.full((1, 1, 3), 0.5, np.float32), 8)
    return folder


@pytest.fixture(autouse=True)
def here(folder, monkeypatch):
    monkeypatch.chdir(folder)


CHARTS = "chart.0.exr chart.1.exr chart.4.exr photo.png"


def test_pictures_become_a_lens_that_a_graph_takes(run, folder):
    done = run(*f"match lens {CHARTS} --board 9x6 --to lens.json".split())
    assert done.exit_code == 0, done.output
    assert "residual" in done.output
    assert "overscan" in done.output
    assert '"kind": "lens_warp"' in done.output
    assert "4 pictures of the board" in done.output
    lens = read_lens(folder / "lens.json")
    assert lens.size == SIZE
    assert lens.focal == pytest.approx((280, 280), rel=0.03)
    graph = Graph(frames="1")
    graph.add("flat", "it", size=list(SIZE))
    graph.add("lens_warp", "bent", image="it", direction="straighten", lens="lens.json")
    assert not [problem for problem in Composition(graph, root=folder).check() if problem.severity == "error"]
    record = json.loads(run(*f"match lens {CHARTS} --board 9x6 --to lens.json --json".split()).stdout)
    assert record["command"] == "match lens"
    assert record["overscan"] == lens.overscan.sides
    assert len(record["of_pictures"]) == 4
    assert record["written"] == "lens.json"


@pytest.mark.parametrize(
    ("line", "says"),
    [
        (
            "chart.0.exr bare.exr --board 9x6 --to l.json",
            "bare.exr: no checkerboard of 9×6 inner corners is found",
        ),
        ("dot.png --board 9x6 --to l.json", "dot.png: no checkerboard of 9×6 inner corners"),
        ("chart.0.exr small.exr --board 9x6 --to l.json", "small.exr is 160×90, but chart.0.exr 320×180"),
        ("chart.0.exr chart.7.exr --board 9x6 --to l.json", "there is no file chart.7.exr"),
        ("chart.0.exr --board 9by6 --to l.json", '--board: "9by6" is not a number of corners'),
        ("chart.0.exr --board 9x6 --to l.exr", "does not end in .json"),
        ("chart.0.exr --board 9x6 --to l.json --model braun", 'did you mean "brown"?'),
        ("chart.0.exr --board 9x6 --to l.json --prism", "--prism is given, but not --model rational"),
        ("chart.0.exr --board 9x6 --to l.json --encoding ACEScgg", "ACEScgg"),
    ],
)
def test_mistakes(run, folder, line, says):
    done = run("match", "lens", *line.split())
    assert done.exit_code == 2, done.output
    assert says in done.output
    assert not (folder / "l.json").exists()


def test_other_files_are_not_replaced(run, folder):
    (folder / "notes.json").write_text('{"a": 1}')
    done = run(*f"match lens {CHARTS} --board 9x6 --to notes.json".split())
    assert done.exit_code == 2
    assert json.loads((folder / "notes.json").read_text()) == {"a": 1}


def test_without_opencv_it_says_what_to_install(run, monkeypatch):
    real = builtins.__import__

    def without(name, *arguments, **more):
        if name == "cv2":
            raise ImportError("no module of that name")
        return real(name, *arguments, **more)

    monkeypatch.setattr(builtins, "__import__", without)
    done = run(*f"match lens {CHARTS} --board 9x6 --to l.json".split())
    assert done.exit_code == 2
    assert "stackcomp[track]" in done.output
    assert "calibrating a lens needs OpenCV" in done.output
