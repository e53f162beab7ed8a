"""`stackcomp match black`: what it finds, keeps and says, through files; and requests that are wrong."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from stackcomp import Composition, Graph, Image
from stackcomp.data.window import Window
from stackcomp.files import exr, stills
from stackcomp.files.colour import convert

BLACK = np.array([0.0042, 0.0031, 0.0065])
DEMO = Path(__file__).parents[2] / "demo_shot"


def save(path, pixels, **more):
    window = Window.of_size(pixels.shape[1], pixels.shape[0])
    planes = {
        name: np.ascontiguousarray(pixels[..., k], np.float32) for k, name in enumerate("RGBA"[: pixels.shape[2]])
    }
    exr.write(path, planes, window=window, display=window, pixel_type="half", **more)


@pytest.fixture
def place(tmp_path, monkeypatch):
    """A log plate with an unlit hole at 60,50 of 50 × 40 pixels under grain; CG whose darkest is known."""
    rng = np.random.default_rng(1)
    light = np.tile(np.linspace(0.3, 0.02, 160)[None, :, None], (120, 1, 3))
    light[50:90, 60:110] = 0
    grainy = light + BLACK + rng.normal(0, 1, light.shape) * np.sqrt(3e-7 + 2.43e-5 * (light + BLACK))
    log = convert([np.ascontiguousarray(grainy[..., k], np.float32) for k in range(3)], "ACEScg", "ACEScct")
    save(tmp_path / "plate.1001.exr", np.stack(log, axis=-1))
    cg = np.full((120, 160, 4), 0.5, np.float32)
    cg[..., 3] = 1
    cg[:, 80:] *= 0.5  # half covered
    cg[20:40, 20:40, :3] = [0.001, 0.002, 0.004]
    save(tmp_path / "cg.exr", cg)
    monkeypatch.chdir(tmp_path)
    return tmp_path


PLATE = ("match", "black", "--plate", "plate.{frame:04d}.exr", "--frame", 1001, "--plate-encoding", "ACEScct")
CG = ("--other", "cg.exr", "--other-encoding", "ACEScg")


@pytest.mark.parametrize("areas", [(), ("--plate-area", "62,52,20,30", "--plate-area", "85,55;105,55;95,85")])
def test_planted_black(run, place, areas):
    done = run(*PLATE, *areas, *CG, "--write", "found.json", "--picture", "seen.png", "--json")
    assert done.exit_code == 0, done.output
    result = json.loads(done.stdout)
    found = json.loads((place / "found.json").read_text())
    assert found["black"] == result["black"]
    off = np.abs(found["black"] - BLACK)
    assert (off < 4 * np.array(result["plate"]["standard_error"])).all()
    assert (off < 2e-4).all()
    np.testing.assert_allclose(result["other"]["darkest"], [0.001, 0.002, 0.004], rtol=1e-3)
    difference = np.array(result["black"]) - result["other"]["darkest"]
    np.testing.assert_allclose(result["difference"], difference, rtol=1e-6)
    record = found["found"]["black"]
    assert record["command"] == "match black"
    assert record["plate"]["file"] == "plate.{frame:04d}.exr"
    assert record["plate"]["areas"] == list(areas[1::2])
    assert record["frame"] == 1001
    assert record["plate"]["found"] == ("areas" if areas else "darkest region")
    assert [part["area"] for part in record["plate"]["parts"]] == list(areas[1::2]) or not areas
    assert stills.read("seen.png").pixels.shape[2] == 3


def test_a_graph_takes_the_black(run, place):
    assert run(*PLATE, "--write", "found.json", "--as", "veil").exit_code == 0
    graph = Graph(frames="1")
    graph.add("flat", "cg", size=[2, 2])
    graph.add("match_black", "lifted", image="cg", black="${veil}")
    cg = Image.from_array(np.tile(np.float32([0, 0, 0, 0.5]), (2, 2, 1)))
    found = json.loads((place / "found.json").read_text())
    lifted = Composition(graph, variables=found).render("lifted", 1, replace={"cg": cg}).to_array()
    np.testing.assert_allclose(lifted[0, 0], [*(0.5 * np.array(found["veil"])), 0.5], rtol=1e-6)


def test_the_picture_outlines_the_region_itself(run, place):
    """A dark disc: the corners of its box are not in it."""
    y, x = np.mgrid[0:120, 0:160]
    light = np.where(np.hypot(x - 80, y - 60) < 40, 0.001, 0.3)[..., None] * np.ones(3)
    save(place / "disc.exr", light * (1 + 0.02 * np.random.default_rng(2).standard_normal(light.shape)))
    done = run("match", "black", "--plate", "disc.exr", "--encoding", "ACEScg", "--picture", "seen.png", "--json")
    assert done.exit_code == 0, done.output
    (part,) = json.loads(done.stdout)["plate"]["parts"]
    left, top, width, height = part["bounds"]
    seen = np.rint(stills.read("seen.png").pixels * 255)
    factor = seen.shape[1] // 160
    drawn = (seen == [255, 214, 120]).all(axis=-1)
    # The line touches the middles of the box's sides, and none of its corners.
    assert drawn[factor * (top + height // 2)].sum() == 4  # two pixels at each side
    assert not drawn[factor * (top + height) - 2 :, : factor * (left + width // 5)].any()
    inner = drawn[factor * (top + 8) : factor * (top + height - 8), factor * (left + 30) : factor * (left + 50)]
    assert not inner.any()


def test_what_people_read(run, place):
    done = run(*PLATE, *CG, "--write", "found.json")
    assert done.exit_code == 0
    assert "darkest connected region:" in done.stdout
    assert "std error" in done.stdout
    assert "covered pixels end below the plate's black" in done.stdout
    assert '{"kind": "match_black", "black": "${black}"} with --variables found.json' in done.stdout
    bright = run(*PLATE, "--plate-area", "5,5,20,20")
    assert bright.exit_code == 0
    assert "bright for a black" in bright.stderr
    assert "next: keep it with --write" in bright.stdout


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((*PLATE, "--plate-area", "150,100,40,40"), "the area 150,100,40,40 leaves the picture"),
        ((*PLATE, "--plate-area", "1,2,3"), "is not an area"),
        ((*PLATE[:-1], "ACEScctt"), 'did you mean "ACEScct"'),
        ((*PLATE[:-1], "sRGB - Display"), "made for a display"),
        (PLATE[:4], "no frame was named"),
        (PLATE[:6], "colour space"),
        ((*PLATE, "--other-area", "1,1,5,5"), "there is no other picture"),
        ((*PLATE, *CG, "--other-area", "90,1,5,5"), "no covered pixel"),
        ((*PLATE, *CG, "--other-area", "190,1,5,5"), "leaves the picture"),
        ((*PLATE, *CG, "--layer", "beuty"), "beuty"),
        ((*PLATE, "--as", "2nd"), "cannot be the name of a variable"),
        ((*PLATE, "--picture", "plate.1001.exr"), "would write plate.1001.exr over what is measured"),
        ((*PLATE, *CG, "--write", "cg.exr"), "would write cg.exr over what is measured"),
    ],
)
def test_wrong_requests(run, place, arguments, message):
    before = {path.name: path.read_bytes() for path in place.iterdir()}
    if "--write" not in arguments:
        arguments = (*arguments, "--write", "found.json")
    done = run(*arguments)
    assert done.exit_code == 2, done.output
    assert message in done.stderr
    assert {path.name: path.read_bytes() for path in place.iterdir()} == before


def test_the_demo(run, tmp_path):
    """At dusk the demo's darkest shadow hardly adds to the lift of its camera."""
    lift = json.loads((DEMO / "lamp" / "shot.json").read_text())["black_lift"]
    plate = "demo_shot/lamp/plate.{frame:04d}.exr"
    done = run("match", "black", "--plate", plate, "--frame", 1003, "--plate-encoding", "ACEScct",
               "--root", DEMO.parent, "--write", tmp_path / "found.json")  # fmt: skip
    assert done.exit_code == 0, done.output
    found = json.loads((tmp_path / "found.json").read_text())
    error = np.array(found["found"]["black"]["plate"]["standard_error"])
    assert (found["black"] > lift - 4 * error).all()
    assert (np.array(found["black"]) < lift + 0.002).all()
