"""The manifest beside a picture is an input: what depends on it, and what does without."""

from __future__ import annotations

import json

import numpy as np
import pytest
from small_sequence import Project

from stackcomp.data.window import Window
from stackcomp.files import exr
from stackcomp.files.id_hash import id_of

FRAME = Window.of_size(6, 4)
GRAPH = {
    "stackcomp": 1,
    "frames": "1-2",
    "nodes": {
        "cg": {"kind": "read", "path": "cg.{frame}.exr"},
        "lamp": {"kind": "id_matte", "layers": "cg", "names": ["lamp"]},
        "out": {"kind": "deliver", "image": "lamp", "path": "out/lamp.{frame}.exr"},
    },
}
BOTH = [("lamp", 1), ("lamp", 2)]


@pytest.fixture
def project(tmp_path):
    header = {"cryptomatte/k/name": "CryptoObject", "cryptomatte/k/manif_file": "names.json"}
    planes = {
        "CryptoObject00.r": np.full(FRAME.shape, np.uint32(id_of("lamp")).view(np.float32)),
        "CryptoObject00.g": np.full(FRAME.shape, 0.5, np.float32),
    }
    sequence = {"stackcomp_sequence": 1, "graph": "comp.json", "shots": {"lamp": {}}}
    made = Project.__new__(Project)
    made.folder, made.file = tmp_path, tmp_path / "sequence.json"
    made.file.write_text(json.dumps(sequence))
    (tmp_path / "comp.json").write_text(json.dumps(GRAPH))
    write_names(made, "lamp")
    for frame in (1, 2):
        exr.write(tmp_path / f"cg.{frame}.exr", planes, window=FRAME, display=FRAME, pixel_type="float",
                  metadata=header)  # fmt: skip
    assert made.run().rendered == BOTH
    return made


def write_names(project, *names):
    (project.folder / "names.json").write_text(json.dumps({name: f"{id_of(name):08x}" for name in names}))


def test_other_names_count_and_the_same_do_not(project):
    write_names(project, "lamp")
    assert project.run().rendered == []
    write_names(project, "lamp", "cord")
    assert project.run().rendered == BOTH
    assert project.run().rendered == []


def test_a_manifest_that_is_gone_counts_once_and_fails_nothing(project):
    # An exact name is hashed without it, as a render of the graph does.
    (project.folder / "names.json").unlink()
    gone = project.run()
    assert (gone.rendered, gone.failed) == (BOTH, {})
    assert [problem.rule for problem in gone.warnings] == ["ids-manifest"]
    assert project.run().rendered == []
    write_names(project, "lamp")
    assert project.run().rendered == BOTH
