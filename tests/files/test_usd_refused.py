"""USD files and cameras that cannot be used: each is an error that names the file and what is wrong."""

from __future__ import annotations

import contextlib

import numpy as np
import pytest

from stackcomp.errors import FileError, RequestError
from stackcomp.files.usd_camera import read_usd_camera

pytest.importorskip("pxr")
from pxr import Usd, UsdGeom
from usd_bench import bench, saved

STRANGE = """#usda 1.0
(
    metersPerUnit = 0.01
    upAxis = "Z"
)
def Camera "lens" {
    float focalLength = 35
    float horizontalAperture = 36
    float verticalAperture = 20
    LINE
}
"""


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("float verticalApertureOffset = 1e38", "is shifted too far away"),
        ("float horizontalApertureOffset = nan", "is shifted too far away"),
        (
            'double3 xformOp:translate = (1e308, 0, 0)\n    uniform token[] xformOpOrder = ["xformOp:translate"]',
            "stands or is shifted too far away",
        ),
        ('token projection = "fisheye"', '/lens has the projection "fisheye" at frame 3'),
        (
            "float horizontalAperture.timeSamples = { 1: None, 9: 36 }",
            "has a horizontalAperture that is no number",
        ),
        ('uniform token[] xformOpOrder = ["xformOp:lift"]', "cannot be read as USD: Invalid xform opType"),
    ],
)
def test_what_no_camera_file_can_hold_is_refused(tmp_path, line, said):
    (tmp_path / "c.usda").write_text(STRANGE.replace("LINE", line))
    with pytest.raises(FileError, match=said):
        read_usd_camera(tmp_path / "c.usda", [3])


def test_a_focal_length_that_is_a_text_is_refused(tmp_path):
    (tmp_path / "c.usda").write_text(
        STRANGE.replace("float focalLength = 35", 'string focalLength = "35"').replace("LINE", "")
    )
    with pytest.raises(FileError, match="has a focalLength that is no number at frame 3 — export focalLength"):
        read_usd_camera(tmp_path / "c.usda", [3])


def test_a_damaged_file_is_an_error_of_the_file_whatever_is_damaged(tmp_path):
    saved(bench(tmp_path / "whole.usdc"))
    saved(bench(tmp_path / "whole.usda"))
    draw = np.random.default_rng(6)
    for name in ["whole.usda", "whole.usdc"] * 12:
        data = bytearray((tmp_path / name).read_bytes())
        for place in draw.integers(len(data), size=3):
            data[place] = draw.integers(128, 256)
        path = tmp_path / f"damaged{name[-5:]}"
        path.write_bytes(data)
        # Some damage changes nothing that is read; whatever else is raised fails the test.
        with contextlib.suppress(FileError, RequestError):
            read_usd_camera(path, [1001, 1002])
    (tmp_path / "text.usda").write_bytes(b'#usda 1.0\ndef "b\xe4nk" {')
    with pytest.raises(FileError, match="cannot be read as USD: it holds bytes that are no text in UTF-8"):
        read_usd_camera(tmp_path / "text.usda", [1])


def test_what_no_pinhole_camera_is(tmp_path):
    stage = bench(tmp_path / "c.usda")
    camera = UsdGeom.Camera(stage.GetPrimAtPath("/world/rig/camera"))
    camera.CreateProjectionAttr(UsdGeom.Tokens.orthographic)
    saved(stage)
    with pytest.raises(FileError, match="is orthographic at frame 1001"):
        read_usd_camera(tmp_path / "c.usda", [1001])
    camera.GetProjectionAttr().Set(UsdGeom.Tokens.perspective)
    camera.GetFocalLengthAttr().Set(0.0)
    saved(stage)
    with pytest.raises(FileError, match="has a focal length of 0 at frame 1001"):
        read_usd_camera(tmp_path / "c.usda", [1001])


def test_files_that_hold_no_camera(tmp_path):
    stage = Usd.Stage.CreateNew(str(tmp_path / "empty.usda"))
    stage.DefinePrim("/bench").GetReferences().AddReference("./gone.usda")
    saved(stage)
    (tmp_path / "bad.usda").write_text("#usda 1.0\ndef {{")
    (tmp_path / "text.usda").write_text("lantern")
    for name, said in (
        ("empty.usda", "holds no camera; files that it refers to are missing: .*gone.usda"),
        ("bad.usda", "cannot be read as USD: .*parse error"),
        ("text.usda", "cannot be read as USD"),
    ):
        with pytest.raises(FileError, match=said):
            read_usd_camera(tmp_path / name, [1])
    for name, said in (("emty.usda", r"there is no file .*\n.*did you mean .*empty.usda"), (".", "is a folder")):
        with pytest.raises(RequestError, match=said):
            read_usd_camera(tmp_path / name, [1])
