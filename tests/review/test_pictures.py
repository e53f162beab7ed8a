"""Originals are kept, whoever writes."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from stackcomp import Composition, Graph, RequestError
from stackcomp.check.originals import Writing
from stackcomp.files.mark import Mark
from stackcomp.review.pictures import PictureWriter, keep_originals


def written(*paths):
    return [Writing(Path(path), Mark("picture")) for path in paths]


@pytest.fixture
def composition():
    graph = Graph()
    graph.add("read", "plate", path="shots/plate.%04d.exr")
    graph.add("read", "far", path="{frame}/far{frame:03d}.exr", shift=10)
    graph.add("read", "still", path="clean.png")
    graph.place = "graphs/lantern.json"
    return Composition(graph, root="root")


@pytest.mark.parametrize(
    ("path", "said"),
    [
        ("root/shots/plate.0001.exr", '"plate"'),
        ("root/shots/../shots/plate.0002.exr", '"plate"'),
        ("root/shots/plate.9876.exr", '"plate"'),  # a frame that nobody asked for
        ("root/11/far011.exr", '"far"'),
        ("root/4/far004.exr", '"far"'),
        ("root/clean.png", '"still"'),
        ("graphs/lantern.json", "the graph itself"),
    ],
)
def test_originals(composition, path, said):
    with pytest.raises(RequestError, match="originals are never overwritten") as refused:
        keep_originals(composition, (1, 2), written("out/a.exr", path))
    assert said in str(refused.value)


@pytest.mark.parametrize(
    "path", ["root/shots/plate.x.exr", "shots/plate.0001.exr", "root/clean.1.png", "root/a.exr"]
)
def test_other_files_may_be_written(composition, path):
    keep_originals(composition, (1, 2), written(path))


def test_a_link_to_an_original_is_one(composition, tmp_path):
    (tmp_path / "shots").mkdir()
    (tmp_path / "shots/plate.0001.exr").write_bytes(b"")
    os.symlink(tmp_path / "shots", tmp_path / "elsewhere")
    asked = written(tmp_path / "elsewhere/plate.0007.exr")
    with pytest.raises(RequestError, match="plate"):
        keep_originals(Composition(composition.graph, root=tmp_path), (1,), asked)


def test_a_path_with_other_braces_is_a_wrong_request(tmp_path):
    graph = Graph()
    graph.add("flat", "a", size=[2, 2])
    checked = Composition(graph).prepare(["a"], (1,)).checked
    with pytest.raises(RequestError, match="shot"):
        PictureWriter(checked, "a", "{shot}.exr")
