"""What is written says nothing about where it was made: the same project in two folders gives the same bytes.

The colour config is a file of the project, named by a relative path, as facilities do it.
"""

from __future__ import annotations

import json
import os
import re
from pathlib import Path

import numpy as np
import PyOpenColorIO
import pytest
from typer.testing import CliRunner

from stackcomp import Composition, Graph, Image, Window, load
from stackcomp.cli.app import app
from stackcomp.files import exr
from stackcomp.files.colour import DEFAULT_CONFIG
from stackcomp.review.dump import dump

FRAMES = (1, 2)
#: Words in the folders' names that stand nowhere else.
FOLDERS = ("boatshed-of-anna", "loft/of-bertil/drive two")
WORDS = ("boatshed", "anna", "bertil", "loft")


def build(folder: Path) -> Path:
    """A project: graph, colour config, variables and two frames of CG and plate."""
    (folder / "config").mkdir(parents=True)
    text = PyOpenColorIO.Config.CreateFromBuiltinConfig(DEFAULT_CONFIG).serialize()
    (folder / "config" / "house.ocio").write_text(text)
    window = Window.of_size(16, 12)
    noise = np.random.default_rng(3)
    for frame in FRAMES:
        planes = {name: noise.random(window.shape, np.float32) for name in "RGBA"}
        exr.write(folder / f"cg.{frame:04d}.exr", planes, window=window, display=window)
    graph = Graph(frames="1-2", colour_config="config/house.ocio", variables={"shot": "."})
    graph.add("read", "cg", path="${shot}/cg.{frame:04d}.exr", encoding="ACEScg")
    graph.add("convert_colour", "same", image="cg", to="ACEScg")
    graph.add("exposure", "brighter", image="same", stops=20)
    graph.add("deliver", "linear", image="brighter", path="out/linear.{frame:04d}.exr")
    graph.add("convert_colour", "log", image="cg", to="ACEScct")
    graph.add("deliver", "as_log", image="log", path="out/log.{frame:04d}.exr")
    for ending in ("png", "tif", "jpg"):
        graph.add("deliver", ending, image="cg", path=f"out/view.{{frame:04d}}.{ending}")
    graph.save(folder / "graph.json")
    return folder


@pytest.fixture(scope="module")
def projects(tmp_path_factory):
    """The same project in two folders.

    It is delivered by a program that is at home in neither and knows the folders by their full paths. Dumps repeat
    names as the caller wrote them, so they are made from inside.
    """
    base = tmp_path_factory.mktemp("machines")
    folders = [build(base / name) for name in FOLDERS]
    elsewhere = base / "elsewhere"
    elsewhere.mkdir()
    picture = Image.from_array(np.full((4, 5, 3), 0.5), encoding="ACEScg")
    with pytest.MonkeyPatch.context() as patch:
        for folder in folders:
            patch.chdir(elsewhere)
            Composition(Graph.open(folder / "graph.json"), root=folder).deliver(warn=lambda node, message: None)
            for ending in ("exr", "png"):
                picture.save(folder / "out" / f"saved.{ending}", colour_config=str(folder / "config/house.ocio"))
            assert not list(elsewhere.iterdir())
            patch.chdir(folder)
            dump(load("graph.json"), 1, "dump")
    return folders


def written(folder: Path) -> dict[str, bytes]:
    files = [path for part in ("out", "dump") for path in (folder / part).rglob("*") if path.is_file()]
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in files}


def without_times(data: bytes) -> bytes:
    """A report of a dump without what the clock says, and without which loops were compiled for it."""
    return re.sub(rb'"(seconds|compiled)": [a-z0-9.+-]+', b"", data)


def test_the_same_bytes_in_both_folders(projects):
    first, second = (written(folder) for folder in projects)
    assert first.keys() == second.keys()
    assert sum(name.startswith("out/") for name in first) == 5 * len(FRAMES) + 2
    for name, data in first.items():
        if name.endswith(".json"):
            assert without_times(data) == without_times(second[name]), name
        else:
            assert data == second[name], name


def test_no_byte_of_the_folders_name_in_any_file(projects):
    for folder in projects:
        for name, data in written(folder).items():
            for word in (str(folder), *WORDS):
                for encoding in ("utf-8", "utf-16-le"):
                    assert word.encode(encoding) not in data, f"{name} holds {word}"


def test_the_config_is_named_all_the_same(projects):
    for folder in projects:
        header = exr.read_header(folder / "out" / "linear.0001.exr").metadata
        assert header["stackcomp/colourConfig"] == "house.ocio"
        assert header["stackcomp/colourSpace"] == "ACEScg"


def test_messages_of_the_command_hold_no_absolute_path(projects, monkeypatch):
    for folder in projects:
        monkeypatch.chdir(folder)
        outputs = []
        for arguments in (["check", "graph.json"], ["check", "--json", "graph.json"], ["render", "graph.json"]):
            done = CliRunner().invoke(app, arguments)
            assert done.exit_code == 0, done.output
            outputs.append(done.output)
        assert "changes nothing" in outputs[0]
        document = json.loads((folder / "graph.json").read_text())
        document["nodes"]["same"]["to"] = "no such space"
        Path("wrong.json").write_text(json.dumps(document))
        done = CliRunner().invoke(app, ["check", "wrong.json"])
        assert done.exit_code == 2
        assert "no such space" in done.output
        for output in (*outputs, done.output):
            assert os.fspath(folder) not in output
            assert not any(word in output for word in WORDS)
