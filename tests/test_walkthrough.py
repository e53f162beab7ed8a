"""The walk-through in the demo's folder: every command on the page is run, and its results are what the page says.

The factors and the veil were planted when the demo was rendered; the files beside it hold them.
"""

from __future__ import annotations

import json
import re
import shlex
import shutil
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import OpenImageIO
import pytest
from typer.testing import CliRunner

from stackcomp import Composition, Graph
from stackcomp.cli.app import app

ROOT = Path(__file__).parents[1]
PAGE = ROOT / "demo_shot" / "MATCHING.md"
COMMANDS = [line.strip() for line in PAGE.read_text().splitlines() if line.startswith("    ")]
PLACE = json.loads((ROOT / "demo_shot" / "place" / "place.json").read_text())
SHOT = json.loads((ROOT / "demo_shot" / "wide" / "shot.json").read_text())


def option(command, name):
    words = shlex.split(command)
    return words[words.index(name) + 1]


def numbers(text):
    return [float(part) for part in re.split("[,;]", text)]


def command(*words):
    (found,) = [line for line in COMMANDS if all(word in line for word in words)]
    return found


@pytest.fixture(scope="module")
def walked(tmp_path_factory):
    """The commands of the page in order, in a copy of the files that they name: the folder, outputs, findings."""
    folder = tmp_path_factory.mktemp("walk")
    shutil.copytree(ROOT / "graphs", folder / "graphs")
    for name in ("wide", "lamp", "place"):
        unneeded = shutil.ignore_patterns("truth_*", *(() if name == "wide" else ("*.100[1245].exr",)))
        shutil.copytree(ROOT / "demo_shot" / name, folder / "demo_shot" / name, ignore=unneeded)
    outputs = {}
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        for line in COMMANDS:
            program, *words = shlex.split(line)
            assert program == "stackcomp"
            done = CliRunner().invoke(app, words, prog_name="stackcomp")
            assert done.exit_code == 0, f"{line}\n{done.output}"
            outputs[line] = done.stdout
    found = json.loads((folder / "found.json").read_text())
    return SimpleNamespace(folder=folder, outputs=outputs, found=found)


def measured(walked, path, area, encoding="ACEScg"):
    """The mean of an area by an independent reader; ACEScct by the formula of its specification."""
    picture = OpenImageIO.ImageBuf(str(walked.folder / path)).get_pixels("float")
    x, y, width, height = (int(number) for number in area)
    values = picture[y : y + height, x : x + width, :3].astype(np.float64)
    if encoding == "ACEScct":
        # Academy S-2016-001: linear below the break, 2^(17.52 x − 9.72) above.
        low = (values - 0.0729055341958355) / 10.5402377416545
        values = np.where(values <= 0.155251141552511, low, 2 ** (17.52 * values - 9.72))
    return values.mean(axis=(0, 1))


def test_every_command_of_the_page_is_run():
    assert len(COMMANDS) == 11
    kinds = [" ".join(shlex.split(line)[1:3]) for line in COMMANDS if "match" in line.split()[1]]
    assert kinds == ["match black", "match grey", "match light", "match light", "match chart"]


def test_areas_on_the_page_are_those_of_the_demo():
    for line in COMMANDS:
        if "wide/chart.exr" in line and "--plate-area" in line:
            assert numbers(option(line, "--plate-area")) == SHOT["grey_area"]
    assert numbers(option(command("match grey"), "--other-area")) == PLACE["card_area"]
    assert numbers(option(command("match chart"), "--other-corners")) == list(np.ravel(SHOT["chart_corners"]))
    facing = command("--from-hdri")
    assert [float(option(facing, f"--normal-{word}")) for word in ("lon", "lat")] == PLACE["card_normal_lon_lat"]


@pytest.mark.slow
def test_the_black(walked):
    lift, black = SHOT["black_lift"], np.array(walked.found["black"])
    error = np.array(walked.found["found"]["black"]["plate"]["standard_error"])
    # The veil and the light of the shadow; never less than the veil.
    assert (black > lift - 4 * error).all()
    assert (black < lift + 0.0015).all()
    for line in COMMANDS:
        for name in ("--plate-black", "--other-black"):
            if name in line:
                np.testing.assert_allclose(numbers(option(line, name)), black, atol=1e-4)


def test_the_cgs_darkest_is_what_an_independent_reader_finds(walked):
    """Scene-linear as its header says, divided by alpha where the lantern covers the pixel."""
    buffer = OpenImageIO.ImageBuf(str(walked.folder / "demo_shot/lamp/cg.1003.exr"))
    names = list(buffer.spec().channelnames)
    red, green, blue, alpha = (buffer.get_pixels("float")[..., names.index(name)] for name in "RGBA")
    covered = alpha > 0.99
    light = np.stack([red, green, blue], axis=-1)[covered] / alpha[covered][:, None]
    kept = walked.found["found"]["black"]
    expected = np.percentile(light, kept["other"]["percentile"], axis=0)
    np.testing.assert_allclose(kept["other"]["darkest"], expected, rtol=0.01, atol=1e-5)
    np.testing.assert_allclose(kept["difference"], np.array(kept["black"]) - expected, atol=5e-5)


def test_with_the_true_veil_the_gain_is_within_half_a_per_cent(walked):
    plate = measured(walked, "demo_shot/wide/chart.exr", SHOT["grey_area"], "ACEScct") - SHOT["black_lift"]
    card = measured(walked, "demo_shot/place/hdri_chart.exr", PLACE["card_area"])
    np.testing.assert_allclose(plate / card, 1 / np.array(PLACE["planted_white_balance"]), rtol=0.005)


def test_the_gain_is_the_planted_one(walked):
    planted = 1 / np.array(PLACE["planted_white_balance"])
    # The measured veil is some ten-thousandths too high, which is up to one per cent of the card's light.
    np.testing.assert_allclose(walked.found["gain"], planted, rtol=0.015)


def test_the_corrected_card_has_the_plates_grey(walked):
    black = numbers(option(command("match grey"), "--plate-black"))
    plate = measured(walked, "demo_shot/wide/chart.exr", SHOT["grey_area"], "ACEScct") - black
    card = measured(walked, "out/hdri_chart.exr", PLACE["card_area"])
    np.testing.assert_allclose(card, plate, rtol=0.005)
    before = measured(walked, "demo_shot/place/hdri_chart.exr", PLACE["card_area"])
    assert np.abs(before / plate - 1).max() > 0.2


def test_the_corrected_hdri_is_the_other_one_times_the_gain(walked):
    before = measured(walked, "demo_shot/place/hdri.exr", (0, 0, PLACE["width"], PLACE["height"]))
    after = measured(walked, "out/hdri.exr", (0, 0, PLACE["width"], PLACE["height"]))
    np.testing.assert_allclose(after, before * walked.found["gain"], rtol=1e-5)
    spec = OpenImageIO.ImageBuf(str(walked.folder / "out/hdri.exr")).spec()
    assert spec.get_string_attribute("colorInteropID") == "lin_ap1_scene"


def test_the_light_needs_no_change(walked):
    assert walked.found["light_strength"] == pytest.approx(1, abs=0.005)
    np.testing.assert_allclose(walked.found["light_tint"], 1, atol=0.005)


def test_without_a_render_the_tint_is_right_and_the_strength_is_for_another_place(walked):
    np.testing.assert_allclose(walked.found["from_hdri_tint"], 1, atol=0.05)
    assert 1.2 < walked.found["from_hdri_strength"] < 2
    assert "distance:" in walked.outputs[command("--from-hdri")]


def test_the_matrix_is_near_the_published_data(walked):
    matrix = np.reshape(walked.found["to_published"], (3, 3))
    # The demo's chart was painted with the published data; the difference is light from the set around it.
    np.testing.assert_allclose(matrix @ np.ones(3), 1, atol=0.1)
    np.testing.assert_allclose(np.diag(matrix), 1, atol=0.15)


def test_the_comp_has_the_found_black(walked):
    got = OpenImageIO.ImageBuf(str(walked.folder / "out/demo_shot/wide/lantern.1003.exr")).get_pixels("float")
    assert (walked.folder / "out/demo_shot/wide/lantern.1003.png").is_file()
    graph = Graph.open(ROOT / "graphs" / "lantern.json")
    variables = {**SHOT, "black": SHOT["black_lift"]}
    expected = Composition(graph, root=walked.folder, variables=variables).render("finished", 1003)
    # As with the true veil, except for the part of the black that is not veil; half floats are in between.
    excess = np.array(walked.found["black"]) - SHOT["black_lift"]
    off = got[..., :3] - expected.to_array()[..., :3]
    rounding = np.abs(got[..., :3]) / 1024 + 1e-6
    assert (off < np.maximum(excess, 0) + rounding).all()
    lantern = Composition(graph, root=walked.folder, variables=variables).render("lifted", 1003)
    covered = lantern.over(expected.display)["A"] > 0.99
    np.testing.assert_allclose(np.median(off[covered], axis=0), excess, atol=1.5e-4)


def test_where_each_number_comes_from_is_kept(walked):
    assert {"black", "gain", "light_strength", "to_published"} <= set(walked.found["found"])
    for name in ("black", "gain", "light_strength", "from_hdri_strength"):
        assert walked.found["found"][name]["plate"]["file"].startswith("demo_shot/")
    assert "next:" in walked.outputs[command("match grey")]
