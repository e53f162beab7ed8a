"""A USD file with a camera on a rig, written by USD's own library."""

from __future__ import annotations

from pxr import Gf, Usd, UsdGeom


def bench(
    path, *, up="Y", unit=0.01, name="/world/rig/camera", offsets=(0.0, 0.0), frames=(1001, 1003), scale=1.0
):
    """A stage with a camera that moves below a rig that turns, a metre or so away."""
    stage = Usd.Stage.CreateNew(str(path))
    UsdGeom.SetStageUpAxis(stage, up)
    UsdGeom.SetStageMetersPerUnit(stage, unit)
    world = UsdGeom.Xform.Define(stage, "/world")
    if scale != 1:
        world.AddScaleOp().Set(Gf.Vec3f(scale, scale, scale))
    rig = UsdGeom.Xform.Define(stage, name.rpartition("/")[0])
    turn = rig.AddRotateXYZOp()
    camera = UsdGeom.Camera.Define(stage, name)
    move = camera.AddTranslateOp()
    tilt = camera.AddRotateXYZOp()
    for step, frame in enumerate(frames):
        turn.Set(Gf.Vec3f(3 * step, 2 + 9 * step, 1), frame)
        move.Set(Gf.Vec3d(0.1 + 0.02 * step, 0.2, 1.2) / unit / scale, frame)
        tilt.Set(Gf.Vec3f(-8, 4 + step, 0.5), frame)
    mm = 1 / (100 * unit)
    camera.CreateFocalLengthAttr(35 * mm)
    camera.CreateHorizontalApertureAttr(32 * mm)
    camera.CreateVerticalApertureAttr(18 * mm)
    camera.CreateHorizontalApertureOffsetAttr(offsets[0] * mm)
    camera.CreateVerticalApertureOffsetAttr(offsets[1] * mm)
    return stage


def saved(stage):
    stage.GetRootLayer().Save()
    return stage
