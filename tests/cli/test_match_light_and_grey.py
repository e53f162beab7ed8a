"""stackcomp match grey and match light: what is found, written and taken by graphs; what is refused."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest

from stackcomp.data.window import Window
from stackcomp.files import exr

DEMO = Path(__file__).parents[2] / "demo_shot"
CARD = np.array([0.18, 0.17, 0.16])
GAIN = np.array([1.25, 1.0, 0.72])
AP1 = np.array([0.2722287168, 0.6740817658, 0.0536895174])  # luminance of AP1: aces-dev, AP1_2_XYZ
SIDE = 128


def save(path, pixels):
    window = Window.of_size(pixels.shape[1], pixels.shape[0])
    planes = {name: np.ascontiguousarray(pixels[..., k], np.float32) for k, name in enumerate("RGB")}
    exr.write(path, planes, window=window, display=window, pixel_type="float")


@pytest.fixture
def pictures(tmp_path, monkeypatch):
    """A plate and another picture of a card under grain of σ 2 %, and a sky, all ACEScg."""
    monkeypatch.chdir(tmp_path)
    rng = np.random.default_rng(5)
    noise = rng.standard_normal((2, SIDE, SIDE, 3)) * 0.02 + 1
    save(tmp_path / "plate.exr", CARD * GAIN * noise[0] + 0.002)
    save(tmp_path / "other.exr", CARD * noise[1])
    save(tmp_path / "sky.exr", np.ones((8, 16, 3)) * [1.0, 0.5, 0.25])
    return tmp_path


AREA = f"0,0,{SIDE},{SIDE}"
PLATE = (
    "--plate",
    "plate.exr",
    "--plate-area",
    AREA,
    "--plate-black",
    "0.002,0.002,0.002",
    "--encoding",
    "ACEScg",
)
OTHER = ("--other", "other.exr", "--other-area", AREA)


def test_grey_as_json(pictures, run):
    found = run("match", "grey", *PLATE, *OTHER, "--json")
    assert found.exit_code == 0
    result = json.loads(found.stdout)
    assert result["gain"] == pytest.approx(GAIN, rel=0.001)
    assert result["stops"] == pytest.approx(np.log2(AP1 @ (CARD * GAIN) / (AP1 @ CARD)), abs=0.001)
    assert result["residual"] < 0.002
    assert result["plate"]["pixels"] == SIDE * SIDE


def test_a_graph_takes_what_grey_has_written(pictures, run):
    found = run("match", "grey", *PLATE, *OTHER, "--write", "vars.json", "--picture", "seen.png")
    assert found.exit_code == 0
    assert "channel_gain" in found.stdout
    assert (pictures / "seen.png").stat().st_size > 100
    kept = json.loads((pictures / "vars.json").read_text())
    assert kept["found"]["gain"]["plate"]["file"] == "plate.exr"
    assert kept["found"]["gain"]["plate"]["standard_error"]
    assert kept["stops"] == kept["found"]["gain"]["stops"]
    graph = {
        "stackcomp": 1,
        "working_space": "ACEScg",
        "frames": "1",
        "variables": {"gain": [1, 1, 1]},
        "nodes": {
            "hdri": {"kind": "read", "path": "other.exr", "encoding": "ACEScg"},
            "light": {"kind": "pick_channels", "layers": "hdri", "as": "colour", "alpha": "none"},
            "corrected": {"kind": "channel_gain", "image": "light", "gain": "${gain}"},
        },
    }
    (pictures / "graph.json").write_text(json.dumps(graph))
    assert run("check", "graph.json", "--variables", "vars.json").exit_code == 0
    render = run("render", "graph.json", "--variables", "vars.json", "--node", "corrected", "--to", "c.exr")
    assert render.exit_code == 0, render.stderr
    again = json.loads(run("match", "grey", *PLATE, "--other", "c.exr", "--other-area", AREA, "--json").stdout)
    assert again["gain"] == pytest.approx([1, 1, 1], abs=1e-5)


@pytest.mark.parametrize(("black", "noted"), [((), True), (("--plate-black", "0"), False), (PLATE[4:6], False)])
def test_grey_says_where_the_cameras_black_belongs(pictures, run, black, noted):
    request = ("match", "grey", *PLATE[:4], *black, *PLATE[6:], *OTHER)
    done = run(*request)
    assert done.exit_code == 0
    assert done.stderr.count("belongs into --plate-black") == noted
    doubts = json.loads(run(*request, "--json").stdout)["doubts"]
    assert sum("belongs into --plate-black" in doubt for doubt in doubts) == noted


def test_an_empty_black_is_not_taken_for_none(pictures, run):
    done = run("match", "grey", *PLATE[:4], "--plate-black", "", *PLATE[6:], *OTHER)
    assert done.exit_code == 2
    assert '--plate-black: "" is not r,g,b' in done.stderr


def test_a_finding_is_kept_once_however_many_variables_come_of_it(pictures, run):
    assert run("match", "grey", *PLATE, *OTHER, "--write", "v.json").exit_code == 0
    assert run("match", "light", *PLATE, *OTHER, "--write", "v.json").exit_code == 0
    text = (pictures / "v.json").read_text()
    assert text.count('"file": "plate.exr"') == 2
    found = json.loads(text)["found"]
    assert found["stops"] == {"found_with": "gain"}
    assert found["light_tint"] == found["light_gain"] == found["light_stops"] == {"found_with": "light_strength"}


def test_several_matches_share_a_file(pictures, run):
    assert run("match", "grey", *PLATE, *OTHER, "--write", "v.json", "--as", "hdri_gain").exit_code == 0
    assert run("match", "light", *PLATE, *OTHER, "--write", "v.json", "--strength", 4).exit_code == 0
    kept = json.loads((pictures / "v.json").read_text())
    lights = {f"light_{name}" for name in ("strength", "stops", "gain", "tint")}
    assert set(kept) == {"hdri_gain", "hdri_stops", "found"} | lights
    assert kept["hdri_gain"] == kept["light_gain"]
    assert kept["light_strength"] == pytest.approx(4 * 2 ** kept["light_stops"])


def test_light_from_an_hdri(pictures, run):
    """A constant sky of radiance L lights a card of reflectance ρ to ρ · L."""
    facing = ("--normal-lon", -40, "--normal-lat", 15)
    found = run("match", "light", *PLATE, "--from-hdri", "sky.exr", *facing)
    assert found.exit_code == 0
    assert "occlusion" in found.stdout
    assert "bounce" in found.stdout
    result = json.loads(run("match", "light", *PLATE, "--from-hdri", "sky.exr", *facing, "--json").stdout)
    truth = CARD * GAIN / (0.18 * np.array([1.0, 0.5, 0.25]))
    assert result["gain"] == pytest.approx(truth, rel=0.001)
    assert any(line.startswith("occlusion") for line in result["left_out"])
    vector = run("match", "light", *PLATE, "--from-hdri", "sky.exr", "--normal=-1,0,0", "--json")
    assert json.loads(vector.stdout)["gain"] == pytest.approx(result["gain"], rel=1e-6)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["grey", *PLATE, "--other", "other.exr", "--other-area", "100,100,50,50"], "leaves the picture"),
        (["grey", *PLATE, *OTHER, "--as", "found"], "cannot be the name"),
        (["grey", *PLATE, *OTHER, "--other-encoding", "ACESccct"], "did you mean"),
        (["grey", *PLATE, *OTHER, "--other-encoding", "sRGB - Display"], "made for a display"),
        (["grey", *PLATE[:4], *OTHER, "--encoding", "ACEScg", "--plate-black", "0.3"], "no light"),
        (["grey", *PLATE, *OTHER, "--plate-black", "a,b,c"], "r,g,b"),
        (["grey", *PLATE, "--other", "hot.exr", "--other-area", "0,0,8,8"], "clipped"),
        (["grey", *PLATE, "--other", "black.exr", "--other-area", "0,0,8,8"], "no light"),
        (["light", *PLATE], "--from-hdri"),
        (["light", *PLATE, "--from-hdri", "sky.exr"], "--normal-lon"),
        (["light", *PLATE, "--from-hdri", "other.exr", "--normal", "0,0,1"], "twice as wide"),
        (["light", *PLATE, "--from-hdri", "sky.exr", "--normal", "0,0,0"], "no direction"),
        (["light", *PLATE, "--from-hdri", "sky.exr", "--normal-lon", "0", "--normal-lat", "91"], "latitude"),
        (["light", *PLATE, "--from-hdri", "sky.exr", "--normal", "0,0,1", "--reflectance", "18"], "0.18"),
        (["light", *PLATE, *OTHER, "--strength", "0"], "above 0"),
        (["light", *PLATE, *OTHER, "--normal", "0,0,1"], "no HDRI"),
    ],
)
def test_what_is_refused_leaves_no_file(pictures, run, arguments, words):
    save(pictures / "hot.exr", np.full((8, 8, 3), 65504.0))
    save(pictures / "black.exr", np.zeros((8, 8, 3)))
    (pictures / "v.json").write_text('{"kept": 1, "found": {"written by": "stackcomp 0"}}')
    before = {path.name: path.read_bytes() for path in pictures.iterdir()}
    found = run("match", *arguments, "--write", "v.json", "--picture", "p.png")
    assert found.exit_code == 2, found.stdout + found.stderr
    assert words in found.stderr
    assert {path.name: path.read_bytes() for path in pictures.iterdir()} == before


def test_a_file_that_holds_no_findings_is_left_alone(pictures, run):
    (pictures / "v.json").write_text("[1]")
    assert run("match", "grey", *PLATE, *OTHER, "--write", "v.json").exit_code == 2
    assert (pictures / "v.json").read_text() == "[1]"
    assert run("match", "grey", *PLATE, *OTHER, "--write", "plate.exr").exit_code == 2


def inner(corners, share):
    """The middle of a card, that share of its width and height, in perspective, as an option's text."""
    square = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], np.float32)
    picture = cv2.getPerspectiveTransform(square, np.array(corners, np.float32))
    part = cv2.perspectiveTransform((0.5 + (square - 0.5) * share)[None], picture)[0]
    return ";".join(f"{x:.3f},{y:.3f}" for x, y in part)


def test_the_demos_hdri_and_plate(run):
    """The card stands in the chart frame and in the HDRI, which is warm by a planted white balance.

    The same part of the card has to be measured in both, since the light falls off across it.
    """
    place = json.loads((DEMO / "place" / "place.json").read_text())
    shot = json.loads((DEMO / "wide" / "shot.json").read_text())
    plate = ("--plate", "wide/chart.exr", "--plate-area", inner(shot["card_corners"], 0.6))
    given = ("--plate-encoding", "ACEScct", "--plate-black", shot["black_lift"], "--root", DEMO, "--json")
    card = ("--other", "place/hdri_chart.exr", "--other-area", inner(place["card_corners"], 0.6))
    seen = json.loads(run("match", "grey", *plate, *given, *card).stdout)
    other = seen["other"]
    assert np.array(seen["gain"]) * place["planted_white_balance"] == pytest.approx(np.ones(3), rel=0.005)
    assert other["left_out"] == 0
