"""All match commands, and measure, print JSON of one layout with the same words; each file is checked once."""

from __future__ import annotations

import importlib
import inspect
import json
import re

import numpy as np
import pytest
import typer
from painted_chart import CORNERS, grainy, paint

from stackcomp import composition
from stackcomp.check.check_graph import check_graph
from stackcomp.cli import endings
from stackcomp.cli.app import app
from stackcomp.cli.match_options import Shared
from stackcomp.data.window import Window
from stackcomp.errors import RequestError
from stackcomp.files import exr
from stackcomp.measure.chart_data import published

CHART = ";".join(f"{x:g},{y:g}" for x, y in CORNERS)
AREA, EDGE = "4,4,40,10", "13,84,18,16"
PLATE = ("--plate", "plate.{frame:04d}.exr", "--frame", "7", "--encoding", "ACEScg")
BOTH = ("--plate-area", AREA, "--other", "cg.exr", "--other-area", AREA)
FACING = ("--from-hdri", "sky.exr", "--normal", "0,0,1")
COMMANDS = {
    "grey": ("match", "grey", *PLATE, *BOTH),
    "light": ("match", "light", *PLATE, *BOTH),
    "light from an HDRI": ("match", "light", *PLATE, "--plate-area", AREA, *FACING),
    "chart": ("match", "chart", *PLATE, "--plate-corners", CHART, "--other", "cg.exr", "--other-corners", CHART),
    "chart by reference": ("match", "chart", *PLATE[2:], "--other", "cg.exr", "--other-corners", CHART,
                           "--reference"),
    "black": ("match", "black", *PLATE, "--plate-area", AREA, "--plate-area", "9,5,9,9", "--other", "cg.exr"),
    "black of a region": ("match", "black", *PLATE),
    "sharpness": ("match", "sharpness", *PLATE, "--plate-area", EDGE, "--other", "cg.exr", "--other-area", EDGE),
}  # fmt: skip
MEASURE = {
    "colour": ("measure", *PLATE[1:], "--area", AREA),
    "depth": ("measure", "cg.exr", "--layer", "depth"),
    "matte": ("measure", "cg.exr", "--channel", "A"),
}
COMMON = {"command", "plate", "other", "frame", "working_space", "colour_config", "doubts", "written", "variables",
          "picture"}  # fmt: skip
SOURCE = {"file", "layer", "encoding", "areas", "window"}
#: Words that one of the commands had for what another one called differently.
OTHER_WORDS = {"warnings", "plate_file", "other_file", "hdri_file", "hdri", "by", "match", "config", "area"}


def save(path, pixels, **more):
    window = Window.of_size(pixels.shape[1], pixels.shape[0])
    planes = {name: np.ascontiguousarray(pixels[..., k], np.float32) for k, name in enumerate("RGB")}
    exr.write(path, planes | more, window=window, display=window, pixel_type="float")


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A plate and CG that both show a chart, and a sky."""
    folder = tmp_path_factory.mktemp("layout")
    chart = paint(published() * 0.5)
    save(folder / "plate.0007.exr", grainy(chart) + 0.004)
    alpha = np.ones(chart.shape[:2], np.float32)
    save(folder / "cg.exr", grainy(chart, seed=2), **{"A": alpha, "depth.Z": alpha * 3})
    save(folder / "sky.exr", np.ones((8, 16, 3)))
    return folder


@pytest.fixture(autouse=True)
def here(folder, monkeypatch):
    monkeypatch.chdir(folder)


@pytest.fixture
def checks(monkeypatch):
    """Frames of the graphs that were checked."""
    calls = []

    def counted(*arguments, **options):
        calls.append(options.get("frames"))
        return check_graph(*arguments, **options)

    monkeypatch.setattr(composition, "check_graph", counted)
    return calls


def printed(run, *arguments):
    done = run(*arguments, "--json")
    assert done.exit_code == 0, done.output
    return json.loads(done.stdout)


def keys_in(value):
    """All keys of JSON data, at any depth."""
    if isinstance(value, dict):
        return set(value).union(*map(keys_in, value.values()))
    return set().union(*map(keys_in, value)) if isinstance(value, list) else set()


@pytest.mark.parametrize("name", COMMANDS)
def test_match_commands_have_one_layout(run, name):
    result = printed(run, *COMMANDS[name])
    assert result.keys() >= COMMON
    assert result["command"] == " ".join(COMMANDS[name][:2])
    assert (result["frame"], result["working_space"]) == (7, "ACEScg")
    assert result["colour_config"].startswith("studio-config")
    assert (result["written"], result["variables"], result["picture"]) == (None, [], None)
    assert all(isinstance(doubt, str) for doubt in result["doubts"])
    sources = {role: result[role] for role in ("plate", "other") if result[role] is not None}
    for source in sources.values():
        assert source.keys() >= SOURCE | {"black"}
        assert source["encoding"] == "ACEScg (scene-linear)"
        assert len(source["window"]) == 4
        assert all(isinstance(area, str) for area in source["areas"])
        # Doubts stand in one place, not in a part of the result.
        assert "doubts" not in source
    assert ("plate" in sources) == ("--plate" in COMMANDS[name])
    assert ("other" in sources) == bool({"--other", "--from-hdri"} & set(COMMANDS[name]))
    assert not OTHER_WORDS & (keys_in(result) - ({"area"} if name.startswith("black") else set()))


@pytest.mark.slow
def test_the_common_keys_are_the_same_for_all(run):
    """What all have in common is all that is not the result itself."""
    results = {name: printed(run, *arguments) for name, arguments in COMMANDS.items()}
    assert set.intersection(*(set(result) for result in results.values())) == COMMON
    plates = [set(result["plate"]) for result in results.values() if result["plate"]]
    assert set.intersection(*plates) >= SOURCE | {"black"}


def test_measure_uses_the_same_words(run):
    results = {name: printed(run, *arguments) for name, arguments in MEASURE.items()}
    common = set.intersection(*(set(result) for result in results.values()))
    assert common >= (COMMON - {"plate", "other", "written", "variables"}) | SOURCE
    for name, result in results.items():
        assert (result["command"], result["as"]) == ("measure", name)
        assert not OTHER_WORDS & keys_in(result)
    plate = printed(run, *COMMANDS["grey"])["plate"]
    for word in ("file", "layer", "encoding", "areas", "window"):
        assert results["colour"][word] == plate[word]


@pytest.mark.parametrize("name", COMMANDS)
def test_the_record_in_a_file_of_findings_is_the_printed_one(run, tmp_path, name):
    path = tmp_path / "found.json"
    result = printed(run, *COMMANDS[name], "--write", path, "--picture", tmp_path / "seen.png")
    found = json.loads(path.read_text())
    assert result["written"] == str(path)
    assert set(result["variables"]) == set(found) - {"found"}
    record = found["found"][result["variables"][0]]
    assert record == {key: result[key] for key in result.keys() - {"written", "variables", "picture"}}


@pytest.mark.parametrize(
    ("arguments", "files"),
    [
        *((MEASURE[name], 1) for name in MEASURE),
        *((COMMANDS[name], 2) for name in COMMANDS if name not in ("chart by reference", "black of a region")),
        (COMMANDS["chart by reference"], 1),
        (COMMANDS["black of a region"], 1),
    ],
)
def test_each_file_is_checked_once(run, checks, arguments, files):
    assert run(*arguments).exit_code == 0
    assert len(checks) == files


@pytest.mark.parametrize("arguments", [
    ("measure", "cg.exr", "--layer", "nope"),
    ("measure", "cg.exr", "--encoding", "ACESc"),
    ("measure", "nope.exr"),
    ("measure", "cg.exr", "--encoding", "ACEScg", "--working-space", "nope"),
])  # fmt: skip
def test_a_mistake_takes_one_check_at_most(run, checks, arguments):
    assert run(*arguments).exit_code == 2
    assert len(checks) <= 1


@pytest.mark.parametrize("name", ["grey", "light", "light from an HDRI", "chart"])
def test_all_that_subtract_a_black_ask_for_it(run, name):
    note = "no black was subtracted from the plate"
    assert sum(note in doubt for doubt in printed(run, *COMMANDS[name])["doubts"]) == 1
    done = run(*COMMANDS[name])
    assert done.stderr.count(f"note: {note}") == 1
    assert note not in run(*COMMANDS[name], "--plate-black", "0").stderr
    empty = run(*COMMANDS[name], "--plate-black", "")
    assert empty.exit_code == 2
    assert '--plate-black: "" is not r,g,b' in empty.stderr


def test_a_frame_that_is_not_used_is_a_doubt(run):
    for arguments in (
        ("measure", "cg.exr", "--frame", "9"),
        ("measure", "cg.exr", "--channel", "A", "--frame", "9"),
    ):
        encoding = () if "--channel" in arguments else ("--encoding", "ACEScg")
        assert "frame 9 is not used: cg.exr has no frame token" in printed(run, *arguments, *encoding)["doubts"][0]
        assert "note: frame 9 is not used" in run(*arguments, *encoding).stderr
    still = ("match", "grey", "--plate", "plate.0007.exr", "--frame", "9", *PLATE[4:], *BOTH)
    assert any("--frame 9 is not used" in doubt for doubt in printed(run, *still)["doubts"])
    # A single file beside a sequence is usual.
    assert not any("not used" in doubt for doubt in printed(run, *COMMANDS["grey"])["doubts"])


def test_shared_options_are_the_same_in_every_match_command_that_keeps_variables():
    match = typer.main.get_command(app).commands["match"]
    by_command = {
        name: {param.name: (param.opts, param.help, param.default) for param in command.params}
        for name, command in match.commands.items()
        if any(param.name == "write" for param in command.params)
    }
    assert set(match.commands) - set(by_command) == {"lens"}
    for name in inspect.signature(Shared).parameters:
        assert len({str(options[name]) for options in by_command.values()}) == 1


@pytest.mark.parametrize("arguments", [
    (*COMMANDS["grey"], "--as", "a b"),
    (*COMMANDS["grey"], "--root", "nowhere"),
    (*COMMANDS["grey"], "--write", "x.txt"),
    (*COMMANDS["black"], "--plate-area", "1,2"),
    ("measure", "nope.exr"),
    ("match", "chart", "--other", "cg.exr", "--other-corners", CHART),
])  # fmt: skip
def test_mistakes_in_options_are_not_errors_of_a_graph(run, arguments):
    """They are RequestError; GraphError is for the content of a graph file."""
    try:
        done = run(*arguments, "--debug")
    finally:
        endings.set_debug(False)
    assert done.exit_code == 2
    module, name = re.findall(r"^(stackcomp(?:\.\w+)+)\.(\w+): ", done.stderr, re.MULTILINE)[-1]
    assert issubclass(getattr(importlib.import_module(module), name), RequestError)
