"""stackcomp match sharpness: from files to a softened render."""

from __future__ import annotations

import json

import numpy as np
import pytest
from soft_edges import soft_edge

import stackcomp
from stackcomp import Window
from stackcomp.files import exr

LINE = "match sharpness --plate plate.exr --plate-area 8,8,40,40 --other cg.exr --other-area 6,8,44,40"


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    folder = tmp_path_factory.mktemp("sharpness")
    window = Window.of_size(56, 56)

    def write(name, **planes):
        planes = {c: np.ascontiguousarray(plane, np.float32) for c, plane in planes.items()}
        exr.write(folder / name, planes, window=window, display=window, pixel_type="float")

    grain = np.random.default_rng(1).normal(size=(3, 56, 56)) * 0.003
    seen, cover = soft_edge(56, 56, 7, 0.3, 1.0, 0.1, 0.7), soft_edge(56, 56, 80, 0.1, 0.5)
    write("plate.exr", **{c: seen + grain[k] for k, c in enumerate("RGB")})
    write("cg.exr", A=cover, **dict.fromkeys("RGB", cover * 0.5))
    write("bare.exr", **dict.fromkeys("RGB", cover * 0.5))
    return folder


@pytest.fixture
def here(files, monkeypatch):
    monkeypatch.chdir(files)
    return files


def test_what_is_kept_softens_the_render(run, here):
    done = run(*LINE.split(), "--encoding", "ACEScg", "--write", "found.json", "--picture", "seen.png")
    assert done.exit_code == 0, done.stderr
    found = json.loads((here / "found.json").read_text())
    assert found["sharpness_radius"] == pytest.approx(np.sqrt(0.75), rel=0.03)
    assert found["found"]["sharpness_radius"]["command"] == "match sharpness"
    assert (here / "seen.png").exists()
    assert '{"kind": "soften", "radius": "${sharpness_radius}"}' in done.stdout
    assert "px from 10 to 90 %, scene-linear ACEScg" in done.stdout
    graph = stackcomp.Graph(variables={"sharpness_radius": found["sharpness_radius"]})
    graph.add("read", "file", path="cg.exr", encoding="ACEScg")
    graph.add("pick_channels", "cg", layers="file", as_="colour", alpha="premultiplied")
    graph.add("soften", "soft", image="cg", radius="${sharpness_radius}")
    soft = stackcomp.Composition(graph, root=here).render("soft", 1)["A"]
    assert np.diff(soft, axis=0).max() < 0.75 * np.diff(soft_edge(56, 56, 80, 0.1, 0.5), axis=0).max()


def test_json_of_alpha_under_another_name(run, here):
    done = run(*LINE.split(), "--encoding", "ACEScg", "--alpha", "--as", "lens", "--write", "lens.json", "--json")
    record = json.loads(done.stdout)
    assert record["command"] == "match sharpness"
    assert record["variables"] == ["lens_radius"]
    assert set(record["other"]["width_per_channel"]) == {"A"}
    assert record["plate"]["areas"] == ["8,8,40,40"]
    assert record["softened_width"] == pytest.approx(record["plate"]["width"], rel=1e-3)


def test_mistakes(run, here):
    done = run(*LINE.replace("cg.exr", "bare.exr").split(), "--encoding", "ACEScg", "--alpha")
    assert done.exit_code == 2
    assert "--alpha: bare.exr has no alpha" in done.stderr
    done = run(*LINE.replace("8,8,40,40", "0,0,12,12").split(), "--encoding", "ACEScg")
    assert done.exit_code == 2
    assert "the plate's area 0,0,12,12: " in done.stderr
    done = run(*LINE.split(), "--encoding", "ACEScg", "--as", "1x")
    assert done.exit_code == 2
    assert "--as" in done.stderr
