"""`stackcomp match chart`: what it writes and says, through files; the demo's chart; requests that are wrong."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from painted_chart import CORNERS, MATRIX, grainy, paint

from stackcomp import Composition, Graph
from stackcomp.data.window import Window
from stackcomp.files import exr, stills
from stackcomp.measure.chart_data import NAMES, published

DEMO = Path(__file__).parents[2] / "demo_shot"
AT = ";".join(f"{x:g},{y:g}" for x, y in CORNERS)
VEIL = 0.004
PATCHES = published()


def save(path, pixels):
    window = Window.of_size(pixels.shape[1], pixels.shape[0])
    planes = {name: np.ascontiguousarray(pixels[..., k], np.float32) for k, name in enumerate("RGB")}
    exr.write(path, planes, window=window, display=window, pixel_type="float")


@pytest.fixture
def place(tmp_path, monkeypatch):
    save(tmp_path / "other.exr", grainy(paint(PATCHES * 0.5)))
    save(tmp_path / "plate.exr", grainy(paint(PATCHES * 0.5 @ MATRIX.T), seed=2) + VEIL)
    monkeypatch.chdir(tmp_path)
    return tmp_path


OTHER = ("match", "chart", "--encoding", "ACEScg", "--other", "other.exr", "--other-corners", AT)
PLATE = ("--plate", "plate.exr", "--plate-corners", AT, "--plate-black", VEIL)


def test_two_pictures(run, place):
    done = run(*OTHER, *PLATE, "--write", "found.json", "--picture", "seen.png", "--json")
    assert done.exit_code == 0, done.output
    result = json.loads(done.stdout)
    found = json.loads((place / "found.json").read_text())
    assert found["matrix"] == result["matrix"]
    np.testing.assert_allclose(np.reshape(found["matrix"], (3, 3)), MATRIX, atol=0.02)
    record = found["found"]["matrix"]
    assert record == {
        key: value for key, value in result.items() if key not in ("written", "variables", "picture")
    }
    assert record["other"]["file"] == "other.exr"
    assert record["plate"]["file"] == "plate.exr"
    assert record["plate"]["black"] == [VEIL] * 3
    assert record["plate"]["areas"] == [AT]
    assert record["delta_e_2000"]["mean_after"] < 0.5 < record["delta_e_2000"]["mean_before"]
    assert [patch["name"] for patch in record["plate"]["patches"]] == list(NAMES)
    assert record["gradient"]["notable"] is False
    assert stills.read("seen.png").pixels.shape[2] == 3


def test_a_graph_takes_the_matrix(run, place):
    assert run(*OTHER, *PLATE, "--write", "found.json", "--as", "to_plate").exit_code == 0
    graph = Graph(working_space="ACEScg", frames="1")
    graph.add("read", "file", path="other.exr", encoding="ACEScg")
    graph.add("pick_channels", "render", layers="file", as_="colour", alpha="none")
    graph.add("colour_matrix", "matched", image="render", matrix="${to_plate}")
    variables = json.loads((place / "found.json").read_text())
    comp = Composition(graph, root=place, variables={"to_plate": variables["to_plate"]})
    matched = comp.render("matched", 1).to_array()
    middle = np.mean(CORNERS, axis=0).astype(int)
    expected = np.reshape(variables["to_plate"], (3, 3)) @ grainy(paint(PATCHES * 0.5))[middle[1], middle[0]]
    np.testing.assert_allclose(matched[middle[1], middle[0]], expected, rtol=1e-4)


def test_text_says_the_matrix_the_differences_and_the_next_step(run, place):
    done = run(*OTHER, *PLATE)
    assert done.exit_code == 0
    assert "matrix from the other picture to the plate" in done.stdout
    assert "mean" in done.stdout
    assert "24 of 24 patches" in done.stdout
    assert '{"kind": "colour_matrix", "matrix": "${matrix}"}' in done.stdout
    assert done.stderr == ""


@pytest.mark.slow
def test_the_worst_patches_are_always_named_and_a_swap_too(run, place):
    text = run(*OTHER, *PLATE).stdout
    result = json.loads(run(*OTHER, *PLATE, "--json").stdout)
    assert len(result["worst_patches"]) == 3
    assert result["look_swapped"] == []
    worst = result["worst_patches"][0]
    line = f"worst       ΔE of {worst['patch']} (row {worst['row']}, column {worst['column']}) "
    assert f"{line}{worst['delta_e_2000']:.2f}" in text
    changed = PATCHES * 0.5
    changed[[4, 5]] = changed[[5, 4]]
    save(place / "other.exr", grainy(paint(changed)))
    done = run(*OTHER, *PLATE)
    assert done.exit_code == 0
    assert "note: patches 5 and 6 look swapped (blue flower and bluish green)" in done.stderr


def test_published_data_and_exposure_kept(run, place):
    done = run(*OTHER, "--reference", "--json")
    result = json.loads(done.stdout)
    np.testing.assert_allclose(np.reshape(result["matrix"], (3, 3)), np.eye(3) * 2, atol=0.03)
    assert result["stops"] == pytest.approx(1, abs=0.01)
    assert (result["target"], result["plate"]) == ("published data", None)
    kept = json.loads(run(*OTHER, "--reference", "--keep-exposure", "--json").stdout)
    np.testing.assert_allclose(np.array(kept["matrix"]) * result["exposure"], result["matrix"], rtol=1e-9)


def test_a_grey_maps_exactly(run, place):
    result = json.loads(run(*OTHER, "--reference", "--exact", "neutral 5", "--json").stdout)
    grey = result["other"]["patches"][NAMES.index("neutral 5")]["median"]
    np.testing.assert_allclose(np.reshape(result["matrix"], (3, 3)) @ grey, PATCHES[21], rtol=1e-9)
    assert result["white"] == "neutral 5"


def test_other_findings_in_the_file_stay(run, place):
    (place / "found.json").write_text('{"gain": [1, 2, 3], "found": {"gain": {"by": "hand"}}}')
    assert run(*OTHER, "--reference", "--write", "found.json").exit_code == 2
    assert run(*OTHER, "--reference", "--write", "found.json", "--replace-foreign").exit_code == 0
    assert run(*OTHER, "--reference", "--write", "found.json").exit_code == 0
    found = json.loads((place / "found.json").read_text())
    assert found["gain"] == [1, 2, 3]
    assert set(found["found"]) == {"gain", "matrix", "written by"}


@pytest.mark.parametrize("shot", ["wide", "close"])
def test_the_demos_chart_against_the_published_data(run, shot):
    """Path-traced from the published reflectances under one window: a diagonal matrix, once its falloff is out."""
    values = json.loads((DEMO / shot / "shot.json").read_text())
    corners = ";".join(f"{x},{y}" for x, y in values["chart_corners"])
    other = ("--other", DEMO / shot / "chart.exr", "--other-encoding", "ACEScct", "--other-corners", corners)
    arguments = ("match", "chart", *other, "--other-black", values["black_lift"], "--reference", "--json")
    plain, evened = (json.loads(run(*arguments, *more).stdout) for more in ((), ("--even",)))
    assert len(plain["patches_used"]) == 24
    assert plain["delta_e_2000"]["mean_after"] < 2
    # The window is at the left.
    assert plain["gradient"]["notable"]
    assert plain["gradient"]["right"] < -0.05
    assert evened["delta_e_2000"]["mean_after"] < 0.5 < plain["delta_e_2000"]["mean_after"]
    matrix = np.reshape(evened["fitted_matrix"], (3, 3))
    assert np.abs(matrix - np.diag(np.diag(matrix))).max() < 0.03 * np.diag(matrix).min()


WRONG = {
    "no target": ((), "the target is missing"),
    "two targets": ((*PLATE, "--reference"), "both --plate and --reference"),
    "no corners": (PLATE[:2], "--plate-corners is missing"),
    "corners without plate": (("--reference", "--plate-corners", AT), "no --plate"),
    "three corners": ((*PLATE[:2], "--plate-corners", "1,1;9,1;9,9"), "3 points are not the corners"),
    "outside": ((*PLATE[:2], "--plate-corners", "1,1;900,1;900,90;1,90"), "leaves the picture"),
    "turned": (
        (*PLATE[:2], "--plate-corners", ";".join(AT.split(";")[2:] + AT.split(";")[:2])),
        "the chart of the plate is turned",
    ),
    "no such file": (("--plate", "plat.exr", "--plate-corners", AT), "plat.exr"),
    "unknown encoding": ((*PLATE, "--plate-encoding", "ACEScgg"), "ACEScg"),
    "for a display": ((*PLATE, "--other-encoding", "sRGB - Display"), "made for a display"),
    "no grey": (("--reference", "--exact", "rad"), '"rad" is not a grey patch'),
    "no name": (("--reference", "--as", "a b"), "cannot be the name of a variable"),
    "over an input": (("--reference", "--write", "other.exr"), "over what is measured"),
    "no black": (("--reference", "--other-black", "x"), '--other-black: "x" is not r,g,b'),
    "black above all": (("--reference", "--other-black", "2"), "24 are without light"),
    "not the working space": (("--reference", "--working-space", "ACEScct"), "ACEScct"),
}


@pytest.mark.parametrize(("more", "message"), WRONG.values(), ids=WRONG)
def test_wrong_requests_write_nothing(run, place, more, message):
    before = sorted(place.iterdir())
    writing = () if "--write" in more else ("--write", "found.json")
    done = run(*OTHER, *more, *writing, "--picture", "seen.png")
    assert done.exit_code == 2, done.output
    assert message in done.stderr
    assert "Traceback" not in done.stderr
    assert sorted(place.iterdir()) == before


def test_a_file_of_something_else_is_left_alone(run, place):
    (place / "list.json").write_text("[1, 2]")
    done = run(*OTHER, "--reference", "--write", "list.json", "--picture", "seen.png")
    assert done.exit_code == 2
    assert not (place / "seen.png").exists()
    assert (place / "list.json").read_text() == "[1, 2]"


def test_clipped_patches_are_named_on_standard_error(run, place):
    save(place / "other.exr", np.where(paint(PATCHES) > 0.8, 65504, paint(PATCHES)))
    done = run(*OTHER, "--reference")
    assert done.exit_code == 0
    assert "note: left out, since clipped in the other picture: white 9.5" in done.stderr
