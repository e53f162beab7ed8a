"""Mistakes in requests to measure and to match: each gives one message, in the words of the command."""

from __future__ import annotations

import re

import numpy as np
import pytest
import typer
from slow_cases import few_fast

from stackcomp.cli.app import app
from stackcomp.data.window import Window
from stackcomp.files import exr, stills

AREA = "2,2,20,12"
SEQUENCE = "plate.{frame:04d}.exr"


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Plates of frames 1001, 1002 and 1004, CG with layers, and files that are not pictures."""
    folder = tmp_path_factory.mktemp("mistakes")
    random = np.random.default_rng(2)
    window = Window.of_size(64, 48)

    def planes(*names):
        return {name: random.normal(0.18, 0.003, window.shape).astype(np.float32) for name in names}

    for frame in (1001, 1002, 1004):
        exr.write(folder / f"plate.{frame}.exr", planes("R", "G", "B"), window=window, display=window)
    layers = ("shadow.R", "shadow.G", "shadow.B", "depth.Z", "mattes.R", "mattes.G")
    exr.write(folder / "cg.exr", planes("R", "G", "B", "A", *layers), window=window, display=window)
    exr.write(folder / "passes.exr", planes(*layers), window=window, display=window)
    stills.write(folder / "still.png", np.full((48, 64, 3), 0.4))
    (folder / "notes.txt").write_text("mine")
    (folder / "fake.exr").write_text("mine")
    (folder / "empty.exr").touch()
    whole = (folder / "plate.1001.exr").read_bytes()
    (folder / "short.exr").write_bytes(whole[: len(whole) // 2])
    (folder / "away").mkdir()
    return folder


@pytest.fixture(autouse=True)
def here(folder, monkeypatch):
    monkeypatch.chdir(folder)


def measure(*arguments):
    return ("measure", *arguments)


PLATE = ("plate.1001.exr", "--encoding", "ACEScg")
SCENE = ("--encoding", "ACEScg")


def match(command, *arguments, plate="plate.1001.exr", other="cg.exr", plate_area=AREA, other_area=AREA):
    return ("match", command, "--plate", plate, "--plate-area", plate_area,
            "--other", other, "--other-area", other_area, *arguments)  # fmt: skip


def chart(*arguments, corners="1,1;60,1;60,40;1,40"):
    return ("match", "chart", "--other", "plate.1001.exr", "--other-corners", corners, *arguments)


def light(*arguments):
    return ("match", "light", "--plate", "plate.1001.exr", "--plate-area", AREA, *arguments)


def black(*arguments):
    return ("match", "black", "--plate", SEQUENCE, "--frame", "1001", *arguments)


MISTAKES = {
    "no file": (measure("plat.1001.exr"), "there is no file plat.1001.exr"),
    "a folder": (measure("away"), "away: "),
    "a text file": (measure("notes.txt"), "notes.txt: it is not an OpenEXR, PNG, JPEG or TIFF file"),
    "a text named exr": (measure("fake.exr"), "fake.exr: it is not an OpenEXR, PNG, JPEG or TIFF file"),
    "an empty file": (measure("empty.exr"), "empty.exr: it is empty"),
    "half a file": (measure("short.exr", *SCENE), "short.exr: it is unfinished"),
    "no name": (measure(""), "a path cannot be empty"),
    "half a token": (measure("plate.{frame:04d.exr"), "contains a single brace"),
    "half a token and a picture": (measure("plate.{frame", "--picture", "x.png"), "contains a single brace"),
    "no frame": (measure(SEQUENCE), f"{SEQUENCE} is a sequence, and no frame was named\n  say which with --frame"),
    "a missing frame": (measure(SEQUENCE, "--frame", "1003", *SCENE), "there is no file plate.1003.exr"),
    "no root": (measure(*PLATE, "--root", "nowhere"), '--root: there is no folder "nowhere"'),
    "no encoding": (
        measure("plate.1001.exr"),
        "plate.1001.exr: the colour space of its colours is not known\n"
        "  name it with --encoding, such as ACEScct or ACEScg",
    ),
    "a still without encoding": (measure("still.png"), "name it with --encoding"),
    "an encoding misspelt": (
        measure("plate.1001.exr", "--encoding", "ACESc"),
        '--encoding: there is no colour space "ACESc"',
    ),
    "an encoding for a display": (
        measure("still.png", "--encoding", "sRGB - Display"),
        "or name its true encoding with --encoding",
    ),
    "a layer misspelt": (
        measure("cg.exr", "--layer", "shado", *SCENE),
        'cg.exr has no layer "shado"\n  /layer — did you mean "shadow"?',
    ),
    "a layer that is not there": (
        measure("cg.exr", "--layer", "nope"),
        'cg.exr has no layer "nope"\n  /layer — choose from "depth", "mattes", "shadow"',
    ),
    "a layer of a file without layers": (
        measure(*PLATE, "--layer", "nope"),
        'plate.1001.exr has no layer "nope"\n  /layer — it has no layers, only B, G, R: leave --layer out',
    ),
    "a layer without colour": (
        measure("cg.exr", "--layer", "mattes"),
        'layer "mattes" of cg.exr has no R G B, but mattes.G, mattes.R\n  /layer — name a layer that has, with '
        "--layer: shadow; or measure one channel with --channel, such as mattes.G",
    ),
    "a file without colour": (measure("passes.exr", *SCENE), "passes.exr has no R G B, but "),
    "a channel misspelt": (
        measure("cg.exr", "--channel", "depht.Z"),
        'cg.exr has no channel "depht.Z"\n  /channel — did you mean "depth.Z"?',
    ),
    "a channel of a layer misspelt": (
        measure("cg.exr", "--layer", "mattes", "--channel", "X"),
        'cg.exr has no channel "mattes.X"',
    ),
    "a matte that may be several": (
        measure("cg.exr", "--layer", "mattes", "--as", "matte"),
        'which channel of layer "mattes" of cg.exr is meant is not clear: mattes.G, mattes.R\n'
        "  /channel — name it with --channel",
    ),
    "a depth with an encoding": (
        measure("cg.exr", "--channel", "depth.Z", *SCENE),
        "--encoding: depth and mattes have no colour space\n  leave it out",
    ),
    "a unit for colour": (measure("cg.exr", *SCENE, "--unit", "mm"), "--unit belongs to depth"),
    "a unit for a matte": (
        measure("cg.exr", "--channel", "A", "--unit", "mm"),
        "--unit belongs to depth, and A is",
    ),
    "an area outside": (measure(*PLATE, "--area", "60,40,20,20"), "the area 60,40,20,20 leaves the picture"),
    "an area of depth outside": (measure("cg.exr", "--as", "depth", "--area", "60,1,9,9"), "leaves the picture"),
    "an area far outside": (measure(*PLATE, "--area", "1e300,1,4,4"), "the area 1e300,1,4,4 holds no pixel's"),
    "an area of no number": (measure(*PLATE, "--area", "nan,1,2,3"), '"nan,1,2,3" is not an area'),
    "an area of no size": (measure(*PLATE, "--area", "1,1,0,4"), 'the area "1,1,0,4" has no size'),
    "an empty area": (measure(*PLATE, "--area", ""), '"" is not an area'),
    "an empty polygon": (measure(*PLATE, "--polygon", ""), '"" is not a polygon'),
    "a polygon of a point": (measure(*PLATE, "--polygon", "1,1;1,1;1,1"), "holds no pixel's centre"),
    "area and polygon": (
        measure(*PLATE, "--area", AREA, "--polygon", "1,1;9,1;9,9"),
        "both --area and --polygon are given",
    ),
    "no working space": (
        measure(*PLATE, "--working-space", "nope"),
        '--working-space: there is no colour space "nope"',
    ),
    "a log working space": (
        measure(*PLATE, "--working-space", "ACEScct"),
        "--working-space: ACEScct (log) is not scene-linear\n  numbers are given in scene-linear light",
    ),
    "no config": (
        measure(*PLATE, "--colour-config", "nope.ocio"),
        '--colour-config: there is no config "nope.ocio"',
    ),
    "a config of no release": (measure(*PLATE, "--colour-config", "default"), '--colour-config: config "default"'),
    "a picture of another format": (measure(*PLATE, "--picture", "x.jpg"), "as in --picture out/found.png"),
    "grey: plate without encoding": (match("grey"), "name it with --plate-encoding, such as ACEScct or ACEScg"),
    "grey: other without encoding": (
        match("grey", "--plate-encoding", "ACEScg"),
        "cg.exr: the colour space of its colours is not known\n  name it with --other-encoding",
    ),
    "grey: encoding misspelt": (match("grey", "--encoding", "ACESc"), "--encoding: there is no colour space"),
    "grey: other's encoding misspelt": (
        match("grey", *SCENE, "--other-encoding", "ACESc"),
        "--other-encoding: there is no colour space",
    ),
    "grey: no layer": (match("grey", *SCENE, "--layer", "nope"), 'cg.exr has no layer "nope"\n  /layer — choose'),
    "grey: layer of depth": (
        match("grey", *SCENE, "--layer", "depth"),
        'layer "depth" of cg.exr has no R G B, but depth.Z\n  /layer — name a layer that has, with --layer',
    ),
    "grey: a plate of passes": (match("grey", *SCENE, plate="passes.exr"), "\n  name another file"),
    "grey: a sequence": (match("grey", *SCENE, other=SEQUENCE), "say which with --frame"),
    "grey: no plate": (match("grey", *SCENE, plate="nope.exr"), "there is no file nope.exr"),
    "grey: half a file": (match("grey", *SCENE, other="short.exr"), "short.exr: it is unfinished"),
    "grey: a plate's area outside": (match("grey", *SCENE, plate_area="1,1,500,1"), "the area 1,1,500,1 leaves"),
    "grey: no root": (match("grey", *SCENE, "--root", "nowhere"), "--root: there is no folder"),
    "grey: a black of words": (
        match("grey", *SCENE, "--plate-black", "dark"),
        '--plate-black: "dark" is not r,g,b',
    ),
    "light: no layer": (
        match("light", *SCENE, "--layer", "nope"),
        'cg.exr has no layer "nope"\n  /layer — choose',
    ),
    "light: no HDRI": (light(*SCENE, "--from-hdri", "nope.exr", "--normal", "0,0,1"), "there is no file nope.exr"),
    "light: HDRI without encoding": (
        light("--plate-encoding", "ACEScg", "--from-hdri", "cg.exr", "--normal", "0,0,1"),
        "name it with --other-encoding",
    ),
    "light: a normal of no number": (
        light(*SCENE, "--from-hdri", "cg.exr", "--normal", "nan,0,1"),
        '--normal: "nan,0,1" is not x,y,z\n  as in --normal 0,-1,0',
    ),
    "chart: no layer": (chart("--reference", *SCENE, "--layer", "nope"), 'has no layer "nope"'),
    "chart: no encoding": (chart("--reference"), "name it with --other-encoding"),
    "chart: two corners": (chart("--reference", *SCENE, corners="1,1;2,2"), "is not a polygon"),
    "chart: no target": (chart(*SCENE), "the target is missing"),
    "black: no encoding": (black(), "name it with --plate-encoding"),
    "black: no layer": (
        black(*SCENE, "--plate-area", AREA, "--other", "cg.exr", "--layer", "nope"),
        'cg.exr has no layer "nope"',
    ),
    "black: an empty area": (black(*SCENE, "--plate-area", ""), '"" is not an area'),
    "black: a missing frame": (
        ("match", "black", "--plate", SEQUENCE, "--frame", "1003", *SCENE),
        "there is no file plate.1003.exr",
    ),
}


def options_of(arguments):
    """The options of a command."""
    command = typer.main.get_command(app)
    for word in arguments[: 2 if arguments[0] == "match" else 1]:
        command = command.commands[word]
    return {option for parameter in command.params for option in parameter.opts}


@pytest.mark.parametrize(("arguments", "message"), few_fast(MISTAKES.values(), 40, pairs=True), ids=MISTAKES)
def test_a_mistake_gives_one_message_in_the_commands_own_words(run, folder, arguments, message):
    before = sorted(folder.iterdir())
    done = run(*arguments)
    assert done.exit_code == (1 if "short.exr" in arguments else 2), done.output
    assert done.stdout == ""
    assert message in done.stderr
    assert "Traceback" not in done.stderr
    assert "unexpected" not in done.stderr
    # One problem: a line with it, and at most one with the way out.
    lines = done.stderr.splitlines()
    assert len(lines) <= 2, done.stderr
    assert all(not line.startswith("  ") for line in lines[:1])
    # Nothing of the small graph that opens files, nothing of Python, and no option that this command lacks.
    assert "node" not in done.stderr
    assert '"file"' not in done.stderr
    assert not re.search(r"\w=", done.stderr)
    assert set(re.findall(r"--[a-z][a-z-]*", done.stderr)) <= options_of(arguments)
    assert sorted(folder.iterdir()) == before
