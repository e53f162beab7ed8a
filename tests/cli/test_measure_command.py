"""stackcomp measure: figures as text and as JSON, the picture of the area, and what is refused."""

from __future__ import annotations

import json

import numpy as np
import pytest
from PIL import Image as Canvas

from stackcomp.cli.match_options import DEFAULT_CONFIG
from stackcomp.data.window import Window
from stackcomp.files import colour, exr, stills


@pytest.fixture
def card(tmp_path, monkeypatch):
    """A made-up picture: a grey patch at 10, 5 of size 20 × 10 in a slope, ACEScg."""
    monkeypatch.chdir(tmp_path)
    pixels = np.stack([np.tile(np.linspace(0, 0.1, 48, dtype=np.float32), (32, 1))] * 3, axis=-1)
    pixels[5:15, 10:30] = [0.18, 0.36, 0.09]
    pixels[6, 11, 2] = np.nan
    window = Window.of_size(48, 32)
    planes = {name: np.ascontiguousarray(pixels[..., k]) for k, name in enumerate("RGB")}
    layer = {f"key.{name}": plane * np.float32(2) for name, plane in planes.items()}
    exr.write(tmp_path / "card.0007.exr", planes | layer, window=window, display=window, pixel_type="float")
    return tmp_path


def test_figures_as_json(card, run):
    found = run("measure", "card.0007.exr", "--area", "10,5,20,10", "--encoding", "ACEScg", "--json")
    assert found.exit_code == 0
    result = json.loads(found.stdout)
    assert result["pixels"] == 200
    assert (result["clipped"], result["non_finite"]) == (0, 1)
    for name, value in zip("RGB", (0.18, 0.36, 0.09), strict=True):
        channel = result["channels"][name]
        for figure in ("mean", "median", "min", "max"):
            assert channel[figure] == pytest.approx(value, rel=1e-6)
        assert channel["standard_deviation"] == pytest.approx(0, abs=1e-6)
    assert result["channels"]["B"]["non_finite"] == 1


def test_a_frame_of_a_sequence_a_layer_and_a_polygon(card, run):
    asked = [
        "measure",
        "card.{frame:04d}.exr",
        "--polygon",
        "10,5;30,5;30,15;10,15",
        "--encoding",
        "ACEScg",
        "--json",
    ]
    result = json.loads(run(*asked, "--frame", 7, "--layer", "key").stdout)
    assert result["pixels"] == 200
    assert result["channels"]["R"]["mean"] == pytest.approx(0.36, rel=1e-6)
    without = run(*asked)
    assert without.exit_code == 2
    assert "--frame" in without.stderr


def test_figures_are_in_the_working_space(card, run):
    """Against OpenColorIO's own conversion."""
    asked = ["measure", "card.0007.exr", "--area", "20,8,5,5", "--encoding", "ACEScg", "--json"]
    result = json.loads(run(*asked, "--working-space", "Linear Rec.709 (sRGB)").stdout)
    import PyOpenColorIO

    config = PyOpenColorIO.Config.CreateFromBuiltinConfig(DEFAULT_CONFIG)
    pixel = config.getProcessor("ACEScg", "Linear Rec.709 (sRGB)").getDefaultCPUProcessor()
    truth = pixel.applyRGB([0.18, 0.36, 0.09])
    assert [result["channels"][c]["median"] for c in "RGB"] == pytest.approx(truth, abs=1e-6)


def test_the_text_and_the_picture(card, run):
    found = run("measure", "card.0007.exr", "--area", "10,5,20,10", "--encoding", "ACEScg", "--picture", "a.png")
    assert found.exit_code == 0
    assert "200 pixels" in found.stdout
    assert "note: 1 pixel not finite" in found.stderr
    picture = np.asarray(Canvas.open("a.png"))
    assert picture.shape == (640, 960, 3)  # enlarged by a whole factor
    whole = run("measure", "card.0007.exr", "--encoding", "ACEScg", "--json")
    assert json.loads(whole.stdout)["pixels"] == 48 * 32


def test_the_default_config_is_the_librarys():
    assert DEFAULT_CONFIG == colour.DEFAULT_CONFIG


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--area", "40,5,20,10", "--encoding", "ACEScg"], "leaves the picture"),
        (["--area", "1,2,3", "--encoding", "ACEScg"], "x,y,w,h"),
        (["--area", "1,2,0,3", "--encoding", "ACEScg"], "no size"),
        (["--area", "1,1,2,2", "--polygon", "0,0;1,0;1,1", "--encoding", "ACEScg"], "one of them"),
        (["--area", "1,1,2,2"], "--encoding"),
        (["--area", "1,1,2,2", "--encoding", "ACEScgg"], 'did you mean "ACEScg"'),
        (["--area", "1,1,2,2", "--encoding", "sRGB Encoded Rec.709 (sRGB)"], "made for a display"),
        (["--area", "1,1,2,2", "--encoding", "ACEScg", "--layer", "kee"], "key"),
        (["--area", "1,1,2,2", "--encoding", "ACEScg", "--picture", "./card.0007.exr"], "over what is measured"),
    ],
)
def test_what_is_refused(card, run, arguments, words):
    before = sorted(path.name for path in card.iterdir())
    found = run("measure", "card.0007.exr", *arguments)
    assert found.exit_code == 2
    assert words in found.stderr
    assert sorted(path.name for path in card.iterdir()) == before


@pytest.fixture
def passes(card):
    """CG with depth in centimetres where it covers, a matte with a soft edge, and its overscan."""
    window = Window.of_size(48, 32)
    cover = np.zeros(window.shape, np.float32)
    cover[5:15, 10:30] = 1
    cover[5:15, 30] = 0.5
    depth = np.where(cover > 0, np.float32(250), np.float32(0))
    depth[5:7, 10:30] = 100
    depth[0, 0] = np.inf
    planes = {"R": cover, "G": cover, "B": cover, "A": cover, "depth.Z": depth}
    exr.write("cg.0007.exr", planes, window=window, display=window, pixel_type="float")
    return card


def test_depth_in_metres(passes, run):
    asked = ("measure", "cg.{frame:04d}.exr", "--frame", 7, "--layer", "depth", "--unit", "cm")
    result = json.loads(run(*asked, "--json").stdout)
    assert (result["channel"], result["as"], result["unit"], result["areas"]) == (
        "depth.Z",
        "depth",
        "cm",
        ["0,0,48,32"],
    )
    assert (result["pixels"], result["covered"], result["non_finite"], result["nothing"]) == (1536, 210, 1, 1325)
    assert (result["median"], result["min"], result["max"]) == (2.5, 1.0, 2.5)
    assert result["mean"] == pytest.approx((40 * 1.0 + 170 * 2.5) / 210)
    done = run(*asked, "--area", "10,5,20,2", "--picture", "seen.png")
    assert done.exit_code == 0
    assert done.stderr == ""
    assert "depth.Z as depth, area 10,5,20,2: 40 pixels" in done.stdout
    assert '{"kind": "defocus", "focus_distance": 1}' in done.stdout
    assert np.asarray(Canvas.open("seen.png")).shape == (640, 960, 3)


def test_coverage_of_a_matte(passes, run):
    result = json.loads(run("measure", "cg.0007.exr", "--as", "matte", "--json").stdout)
    assert (result["channel"], result["as"], result["covered_area"]) == ("A", "matte", 205)
    assert (result["zero"], result["one"], result["between"], result["out_of_range"]) == (1326, 200, 10, 0)
    assert result["mean"] == pytest.approx(205 / 1536)
    text = run("measure", "cg.0007.exr", "--channel", "A", "--area", "10,5,20,10").stdout
    assert "A as matte, area 10,5,20,10: 200 pixels" in text
    assert "coverage               1" in text
    doubtful = run("measure", "cg.0007.exr", "--channel", "depth.Z", "--as", "matte")
    assert doubtful.exit_code == 0
    assert "values are below 0 or above 1" in doubtful.stderr
    assert "1 of 1536 values are not finite" in doubtful.stderr


def test_a_missing_file_says_what_is_there(card, run):
    found = run("measure", "card.0008.exr", "--encoding", "ACEScg")
    assert found.exit_code == 2
    assert "frame 7 of " in found.stderr


def test_a_clipped_still(card, run):
    pixels = np.full((8, 8, 3), 0.4, np.float32)
    pixels[:2] = 1.0
    stills.write("s.png", pixels, bits=8)
    result = json.loads(run("measure", "s.png", "--area", "0,0,8,8", "--encoding", "ACEScct", "--json").stdout)
    assert result["clipped"] == 16
