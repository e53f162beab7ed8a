"""Cameras of USD files, against USD's own frustum and OpenCV. The files are written by USD's own library."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from stackcomp.errors import FileError, RequestError
from stackcomp.files.usd_camera import read_usd_camera

pytest.importorskip("pxr")
from pxr import Gf, Usd, UsdGeom, UsdUtils
from usd_bench import bench, saved

WIDTH, HEIGHT = 640, 360
#: Points around the origin, in metres.
POINTS = np.random.default_rng(8).normal(scale=0.15, size=(40, 3))


def by_frustum(stage, name, code, points):
    """Pixels of points of the stage's own world, by the matrices of USD's frustum."""
    frustum = UsdGeom.Camera(stage.GetPrimAtPath(name)).GetCamera(code).frustum
    both = np.array(frustum.ComputeViewMatrix()) @ np.array(frustum.ComputeProjectionMatrix())
    clip = np.column_stack([points, np.ones(len(points))]) @ both
    x, y = (clip[:, :2] / clip[:, 3:]).T
    return np.stack([(x + 1) / 2 * WIDTH, (1 - y) / 2 * HEIGHT], axis=1)


def to_our_world(points, up, unit):
    """The same points in metres with z up: y goes up there, so -z is y here."""
    x, y, z = (points * unit).T
    return np.stack([x, -z, y] if up == "Y" else [x, y, z], axis=1)


@pytest.mark.parametrize("ending", ["usda", "usdc", "usd"])
@pytest.mark.parametrize(("up", "unit"), [("Y", 0.01), ("Z", 1.0), ("Y", 1.0), ("Z", 0.0254)])
def test_points_land_where_the_frustum_of_usd_puts_them(tmp_path, ending, up, unit):
    path = tmp_path / f"bench.{ending}"
    stage = saved(bench(path, up=up, unit=unit, offsets=(1.5, -0.75)))
    found = read_usd_camera(path, [1001, 1002, 1003])
    assert found.prim == "/world/rig/camera"
    points = POINTS / unit
    for frame, camera in found.cameras.items():
        ours = to_our_world(points, up, unit)
        pixels, depth = camera.project(ours, WIDTH, HEIGHT)
        assert (depth > 0).all()
        wanted = by_frustum(stage, found.prim, frame, points)
        np.testing.assert_allclose(pixels, wanted, atol=2e-4)
        # And by OpenCV, from the numbers that the file will hold.
        to_camera = np.linalg.inv(camera.to_world)
        focal = camera.focal_length / camera.gate[0] * WIDTH
        x, y = (np.array(camera.shift) / camera.gate[0] * WIDTH) + np.array([WIDTH, HEIGHT]) / 2
        inner = np.array([[focal, 0, x], [0, focal, y], [0, 0, 1]])
        turn, _ = cv2.Rodrigues(to_camera[:3, :3])
        by_opencv = cv2.projectPoints(ours, turn, to_camera[:3, 3], inner, None)[0][:, 0]
        np.testing.assert_allclose(by_opencv, wanted, atol=2e-4)


def test_lengths_are_metres_and_mm(tmp_path):
    saved(bench(tmp_path / "c.usda", up="Z", unit=1.0, offsets=(1, 2)))
    camera = read_usd_camera(tmp_path / "c.usda", [1001]).cameras[1001]
    assert camera.focal_length == pytest.approx(35, rel=1e-6)
    assert camera.gate == (pytest.approx(32, rel=1e-6), pytest.approx(18, rel=1e-6))
    assert camera.shift == (pytest.approx(-1, rel=1e-6), pytest.approx(2, rel=1e-6))
    assert np.linalg.norm(camera.position) == pytest.approx(np.linalg.norm([0.1, 0.2, 1.2]), rel=1e-6)


def test_a_camera_as_it_comes_looks_along_y_in_our_world(tmp_path):
    # With y up it looks along -z and stands at the origin: with z up that is along +y, and down is -z.
    stage = Usd.Stage.CreateNew(str(tmp_path / "c.usda"))
    UsdGeom.Camera.Define(stage, "/camera")
    saved(stage)
    found = read_usd_camera(tmp_path / "c.usda", [1])
    np.testing.assert_array_equal(
        found.cameras[1].to_world, [[1, 0, 0, 0], [0, 0, 1, 0], [0, -1, 0, 0], [0, 0, 0, 1]]
    )
    # USD's defaults: 50 mm and an aperture of 20.955 × 15.2908, tenths of 0.01 m.
    assert (found.cameras[1].focal_length, found.cameras[1].gate) == (50, (20.955, 15.2908))
    assert any(
        "focalLength and horizontalAperture and verticalAperture are not in the file" in d for d in found.doubts
    )
    assert any("metersPerUnit is not in the file" in doubt for doubt in found.doubts)
    assert any("upAxis is not in the file; by USD's rule it is Y" in doubt for doubt in found.doubts)


def test_a_package_of_usd(tmp_path):
    stage = saved(bench(tmp_path / "bench.usdc"))
    assert UsdUtils.CreateNewUsdzPackage(str(tmp_path / "bench.usdc"), str(tmp_path / "bench.usdz"))
    found = read_usd_camera(tmp_path / "bench.usdz", [1002])
    pixels, _ = found.cameras[1002].project(to_our_world(POINTS * 100, "Y", 0.01), WIDTH, HEIGHT)
    np.testing.assert_allclose(pixels, by_frustum(stage, found.prim, 1002, POINTS * 100), atol=2e-4)
    assert found.doubts == ()


def test_a_scale_that_is_the_same_along_all_axes_is_taken_away(tmp_path):
    stage = saved(bench(tmp_path / "c.usda", scale=2.54))
    camera = read_usd_camera(tmp_path / "c.usda", [1002]).cameras[1002]
    np.testing.assert_allclose(camera.to_world[:3, :3].T @ camera.to_world[:3, :3], np.eye(3), atol=1e-12)
    pixels, _ = camera.project(to_our_world(POINTS * 100, "Y", 0.01), WIDTH, HEIGHT)
    np.testing.assert_allclose(pixels, by_frustum(stage, "/world/rig/camera", 1002, POINTS * 100), atol=2e-4)


@pytest.mark.parametrize(
    ("matrix", "said"),
    [
        (np.diag([1, 2, 1, 1]), r"scaled by 1 to 2, not alike along all axes"),
        ([[1, 0.5, 0, 0], [0, 1, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1]], "or is sheared"),
        (np.diag([-1, 1, 1, 1]), "is mirrored"),
        (np.diag([0, 1, 1, 1]), "cannot be inverted"),
    ],
)
def test_transforms_that_are_no_camera_are_refused(tmp_path, matrix, said):
    stage = bench(tmp_path / "c.usda", name="/rig/camera")
    UsdGeom.Xformable(stage.GetPrimAtPath("/rig")).AddTransformOp(opSuffix="bad").Set(
        Gf.Matrix4d(np.array(matrix, float).tolist())
    )
    saved(stage)
    with pytest.raises(FileError, match=f"/rig/camera .*{said}.* at frame 1001"):
        read_usd_camera(tmp_path / "c.usda", [1001])


def test_samples_of_a_matrix_are_interpolated_to_a_rotation(tmp_path):
    stage = Usd.Stage.CreateNew(str(tmp_path / "c.usda"))
    op = UsdGeom.Camera.Define(stage, "/camera").AddTransformOp()
    for frame, degrees in ((1, 0), (2, 2)):
        op.Set(Gf.Matrix4d(Gf.Rotation((0, 1, 0), degrees), Gf.Vec3d(0)), frame)
    for frame, degrees in ((3, 0), (9, 60)):
        op.Set(Gf.Matrix4d(Gf.Rotation((0, 1, 0), degrees), Gf.Vec3d(0)), frame)
    saved(stage)
    turn = read_usd_camera(tmp_path / "c.usda", [2], codes_per_frame=0.75).cameras[2].to_world[:3, :3]
    assert np.degrees(np.arccos((np.trace(turn @ np.array([[1, 0, 0], [0, 0, -1], [0, 1, 0]])) - 1) / 2)) == (
        pytest.approx(1, abs=1e-3)
    )
    with pytest.raises(FileError, match="export one for each frame"):
        read_usd_camera(tmp_path / "c.usda", [6])


def test_frames_outside_of_the_samples_are_held_and_said(tmp_path):
    saved(bench(tmp_path / "c.usda", frames=(1001, 1003)))
    found = read_usd_camera(tmp_path / "c.usda", [999, 1000, 1001, 1003, 1010])
    np.testing.assert_array_equal(found.cameras[999].to_world, found.cameras[1001].to_world)
    np.testing.assert_array_equal(found.cameras[1010].to_world, found.cameras[1003].to_world)
    (doubt,) = found.doubts
    assert doubt.startswith("frames 999-1000,1010 lie outside of the file's samples, time codes 1001 to 1003")


def test_a_lens_alone_may_have_samples(tmp_path):
    stage = bench(tmp_path / "c.usda", frames=(1001,))
    attribute = UsdGeom.Camera(stage.GetPrimAtPath("/world/rig/camera")).GetFocalLengthAttr()
    attribute.Set(35.0, 1001)
    attribute.Set(55.0, 1011)
    saved(stage)
    found = read_usd_camera(tmp_path / "c.usda", [1001, 1006, 1012])
    assert [camera.focal_length for camera in found.cameras.values()] == [35, 45, 55]
    assert "frame 1012 lies outside" in found.doubts[0]


def test_a_camera_that_stands_still_needs_no_samples(tmp_path):
    stage = Usd.Stage.CreateNew(str(tmp_path / "c.usda"))
    UsdGeom.SetStageUpAxis(stage, "Z")
    UsdGeom.SetStageMetersPerUnit(stage, 0.01)
    camera = UsdGeom.Camera.Define(stage, "/camera")
    for create in ("CreateFocalLengthAttr", "CreateHorizontalApertureAttr", "CreateVerticalApertureAttr"):
        getattr(camera, create)(24.0)
    saved(stage)
    assert read_usd_camera(tmp_path / "c.usda", [1, 5000]).doubts == ()


def test_a_transform_that_is_reset_leaves_out_what_is_above(tmp_path):
    stage = bench(tmp_path / "c.usda", frames=(1001, 1003))
    UsdGeom.Xformable(stage.GetPrimAtPath("/world/rig/camera")).SetResetXformStack(True)
    UsdGeom.Xformable(stage.GetPrimAtPath("/world/rig")).GetOrderedXformOps()[0].Set(Gf.Vec3f(0, 9, 0), 900)
    saved(stage)
    # Samples above it count no more than the transforms do.
    assert "time codes 1001 to 1003" in read_usd_camera(tmp_path / "c.usda", [950]).doubts[0]
    camera = read_usd_camera(tmp_path / "c.usda", [1001]).cameras[1001]
    np.testing.assert_allclose(camera.position, [0.1, -1.2, 0.2], atol=1e-12)


def test_time_codes_and_frames_that_differ_are_said(tmp_path):
    stage = bench(tmp_path / "c.usda", frames=(1001, 1003))
    stage.SetTimeCodesPerSecond(60)
    stage.SetFramesPerSecond(24)
    saved(stage)
    found = read_usd_camera(tmp_path / "c.usda", [1002])
    assert found.doubts == (
        "the file has 60 time codes a second and 24 frames a second; frame N was read at time code N. "
        "--codes-per-frame 2.5 reads it at its own rate",
    )
    other = read_usd_camera(tmp_path / "c.usda", [501], codes_per_frame=2)
    np.testing.assert_array_equal(other.cameras[501].to_world, found.cameras[1002].to_world)
    assert other.doubts == ()


def test_of_several_cameras_one_is_named(tmp_path):
    stage = bench(tmp_path / "c.usda", name="/world/rig/wide")
    UsdGeom.Camera.Define(stage, "/world/other/close")
    UsdGeom.Mesh.Define(stage, "/world/bench")
    saved(stage)
    with pytest.raises(RequestError, match=r"holds 2 cameras\n.*--prim /world/rig/wide or /world/other/close"):
        read_usd_camera(tmp_path / "c.usda", [1001])
    assert read_usd_camera(tmp_path / "c.usda", [1001], "/world/other/close").prim == "/world/other/close"
    # What is above one camera is enough.
    assert read_usd_camera(tmp_path / "c.usda", [1001], "/world/rig").prim == "/world/rig/wide"
    for wrong, said in (
        ("/world", "/world holds 2 cameras"),
        ("/world/rig/wied", r'is not in the file\n.*did you mean "/world/rig/wide"'),
        ("/world/bench", "is no camera, but a Mesh"),
        ("no good path", "is not in the file"),
    ):
        with pytest.raises(RequestError, match=said):
            read_usd_camera(tmp_path / "c.usda", [1001], wrong)


def test_a_camera_in_an_instance_is_found(tmp_path):
    saved(bench(tmp_path / "part.usda", name="/rig/camera"))
    part = Usd.Stage.Open(str(tmp_path / "part.usda"))
    part.SetDefaultPrim(part.GetPrimAtPath("/rig"))
    saved(part)
    stage = Usd.Stage.CreateNew(str(tmp_path / "c.usda"))
    UsdGeom.SetStageUpAxis(stage, "Y")
    UsdGeom.SetStageMetersPerUnit(stage, 0.01)
    crane = UsdGeom.Xform.Define(stage, "/crane")
    crane.AddTranslateOp().Set(Gf.Vec3d(0, 100, 0))
    holder = UsdGeom.Xform.Define(stage, "/crane/rig").GetPrim()
    holder.GetReferences().AddReference("./part.usda")
    holder.SetInstanceable(True)
    saved(stage)
    found = read_usd_camera(tmp_path / "c.usda", [1001])
    alone = read_usd_camera(tmp_path / "part.usda", [1001])
    assert found.prim == "/crane/rig/camera"
    raised = alone.cameras[1001].position + np.array([0, 0, 1])
    np.testing.assert_allclose(found.cameras[1001].position, raised, atol=1e-12)


def test_a_gate_in_mm_where_usd_wants_tenths_of_a_unit(tmp_path):
    stage = bench(tmp_path / "c.usda", unit=1.0)
    camera = UsdGeom.Camera(stage.GetPrimAtPath("/world/rig/camera"))
    for attribute, mm in zip(
        (camera.GetFocalLengthAttr(), camera.GetHorizontalApertureAttr(), camera.GetVerticalApertureAttr()),
        (35, 32, 18),
        strict=True,
    ):
        attribute.Set(float(mm))
    saved(stage)
    (doubt,) = read_usd_camera(tmp_path / "c.usda", [1001]).doubts
    assert doubt.startswith("the gate is 3200 mm wide by USD's rule (tenths of a unit of 1 m)")


def test_a_camera_that_is_no_part_of_the_scene(tmp_path):
    stage = bench(tmp_path / "c.usda")
    UsdGeom.Camera.Define(stage, "/away").GetPrim().SetActive(False)
    saved(stage)
    with pytest.raises(RequestError, match=r"/away is no part of the scene: it, or a prim above it, is inactive"):
        read_usd_camera(tmp_path / "c.usda", [1001], "/away")


def test_without_the_library_the_way_out_is_named(tmp_path, monkeypatch):
    monkeypatch.setitem(__import__("sys").modules, "pxr", None)
    with pytest.raises(RequestError, match=r"usd-core.* is not installed\n.*pip install 'stackcomp\[camera\]'"):
        read_usd_camera(tmp_path / "c.usda", [1])
