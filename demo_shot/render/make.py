"""Render the demo material.

In the repository's folder, with the extra `demo` installed:

    python demo_shot/render/make.py --samples 144 --to demo_shot

`--samples` must be a square; `--shots`, `--frames` and `--parts` do a part of the work. The same
seeds give the same files. The renderer's LLVM variant needs libLLVM (Debian: libllvm19); set
DRJIT_LIBLLVM_PATH when it is not found.
"""

from __future__ import annotations

import argparse
import json
import tempfile
import time
from pathlib import Path
from typing import Any

import mitsuba as mi
import numpy as np

mi.set_variant("llvm_ad_rgb")

import charts  # noqa: E402  (the renderer's variant is chosen first)
import idmatte  # noqa: E402
import lantern as cg  # noqa: E402
import passes  # noqa: E402
import patch  # noqa: E402
import write  # noqa: E402
from camera import apply, homography, record  # noqa: E402
from evening import make_evening  # noqa: E402
from place import make_place  # noqa: E402
from preview import make_preview  # noqa: E402
from scene import EVENING, LANTERN, SHOTS, Shot, Stage  # noqa: E402

SIZE = (512, 288)
OVERSCAN = 24
MARGIN = 10.0  # pixels about the rig's outline and shadow, room for a feather
Array = np.ndarray


def seed_of(shot: Shot, frame: int) -> int:
    """One seed for all passes of a frame."""
    return shot.seed * 10000 + frame


def coded_rgb(linear: Array) -> dict[str, Array]:
    """Scene-linear light as the camera files keep it."""
    return write.rgb(write.coarse(write.acescct(linear), write.CODE_BITS))


def make_frame(shot: Shot, frame: int, scenes: dict[str, Any], to: Path, samples: int) -> None:
    """Plate, CG and cord matte of one frame."""
    camera, full, seed = shot.camera(frame, SIZE), (0, 0, *SIZE), seed_of(shot, frame)

    def run(work: Any) -> dict[str, Array]:
        return passes.trace(camera, full, samples, seed, work)

    bare = run(passes.continued(scenes["set"], scenes["set"]))["colour"]
    lit = run(passes.continued(scenes["set"], scenes["joint"]))["colour"]
    plate = run(passes.continued(scenes["rig"], scenes["rig"]))["colour"] + write.LIFT
    own = run(passes.held_out(scenes["joint_no_cord"], scenes["joint"], cg.OBJECTS, camera))
    matte = run(passes.coverage(scenes["joint"], "cord_"))["matte"]

    ratio = np.where(bare > 0, lit / np.where(bare > 0, bare, 1), 1.0)
    coverage = {n: own[f"coverage.{n}"] for n in cg.OBJECTS}
    alpha = sum(coverage.values())
    planes = {
        **write.rgb(write.coarse(own["colour"], write.BEAUTY_BITS)),
        "A": alpha.astype(np.float16),
        **write.rgb(write.ratio_steps(ratio), "shadow."),
        **write.rgb(own["emission"], "emission."),
        "depth.Z": write.coarse(np.where(alpha > 0, own["depth_min"], 0), write.DEPTH_BITS).astype(np.float32),
        **idmatte.ranked(coverage),
    }
    write.exr(to / f"cg.{frame}.exr", planes, SIZE, zipped=True, more=idmatte.metadata(cg.OBJECTS))
    write.exr(to / f"plate.{frame}.exr", coded_rgb(write.grain(plate, seed)), SIZE, log=True)
    if frame == shot.middle:
        write.exr(to / "plate_nograin.exr", coded_rgb(plate), SIZE, log=True)
    x0, y0, x1, y1 = window = write.crop(matte)
    write.exr(
        to / f"cord.{frame}.exr", {"matte": matte[y0:y1, x0:x1].astype(np.float16)}, SIZE, window, zipped=True
    )


def make_stills(shot: Shot, stage: Stage, scenes: dict[str, Any], to: Path, samples: int) -> None:
    """Truths, clean still and chart, from the middle frame's camera."""
    camera, full, seed = shot.camera(shot.middle, SIZE), (0, 0, *SIZE), seed_of(shot, 5000)
    for k, letter in enumerate("ab"):
        truth = passes.trace(camera, full, samples, seed + 1 + k, passes.radiance(scenes["joint"]))["colour"]
        write.exr(to / f"truth_{letter}.exr", write.rgb(write.coarse(truth + write.LIFT, write.TRUTH_BITS)), SIZE)
    wide = (-OVERSCAN, -OVERSCAN, SIZE[0] + OVERSCAN, SIZE[1] + OVERSCAN)
    clean = passes.trace(camera, wide, samples, seed + 3, passes.radiance(scenes["set"]))["colour"]
    write.exr(to / "clean.exr", coded_rgb(clean + write.LIFT), SIZE, wide, log=True)
    make_chart(shot, stage, to, samples)


def make_chart(shot: Shot, stage: Stage, to: Path, samples: int) -> None:
    """Grey card and colour chart, from the middle frame's camera."""
    camera, full, seed = shot.camera(shot.middle, SIZE), (0, 0, *SIZE), seed_of(shot, 5000)
    held = stage.scene(chart=shot)
    chart = passes.trace(camera, full, samples, seed + 4, passes.radiance(held))["colour"]
    chart = write.grain(chart + write.LIFT, seed + 4, 0.5)
    write.exr(to / "chart.exr", coded_rgb(chart), SIZE, log=True)


def make_variables(shot: Shot, to: Path) -> None:
    """Write shot.json: the variables of the shot for graphs and checks."""
    clean = shot.camera(shot.middle, SIZE)
    cameras = {f: shot.camera(f, SIZE) for f in shot.frames}
    keys = []
    for frame, camera in cameras.items():
        h = homography(clean, camera)
        bench = np.array([[x, y, 0.0] for x in (-0.4, 0.0, 0.4) for y in (-0.3, 0.1, 0.5)])
        error = np.abs(apply(h, clean.project(bench)) - camera.project(bench)).max()
        if error > 1e-3:
            raise ValueError(f"{shot.name} {frame}: the homography misses bench points by {error} px")
        keys.append([frame, h.ravel().tolist()])
    corners = patch.quadrilateral(patch.touched(np.array(shot.rig), clean, list(cameras.values())), MARGIN)
    ahead = clean.rotation[:, 2]
    middle = np.array([*LANTERN[:2], cg.GLASS_MIDDLE])
    card = clean.project(charts.card_corners(*shot.card))
    write.variables(
        to / "shot.json",
        {
            "shot": f"demo_shot/{shot.name}",
            "frames": f"{shot.frames[0]}-{shot.frames[-1]}",
            "width": SIZE[0],
            "height": SIZE[1],
            "focal_length": shot.focal_length,
            "gate_width": shot.gate_width,
            "focus_distance": round(float((middle - clean.position) @ ahead), 4),
            "black_lift": write.LIFT,
            "viewing_stops": shot.viewing_stops,
            "bench": {"keys": keys, "between": "linear"},
            "patch_corners": np.round(corners, 2).tolist(),
            "truth_frame": shot.middle,
            "chart_corners": np.round(clean.project(charts.chart_corners(*shot.chart)), 2).tolist(),
            "card_corners": np.round(card, 2).tolist(),
            "grey_area": patch.inner_box(card),
            "grey_reflectance": charts.GREY,
        },
    )


def make_camera(shot: Shot, to: Path) -> None:
    """Write camera.json: the camera of each frame."""
    cameras = {frame: shot.camera(frame, SIZE) for frame in shot.frames}
    write.variables(to / "camera.json", record(f"The camera of {shot.name}", cameras))


def make_shot(shot: Shot, root: Path, samples: int, frames: list[int], parts: set[str]) -> None:
    """One shot: `parts` holds any of frames, stills, variables, camera."""
    to = root / shot.name
    to.mkdir(parents=True, exist_ok=True)
    if "variables" in parts:
        make_variables(shot, to)
    if "camera" in parts:
        make_camera(shot, to)
    if not parts & {"frames", "stills"}:
        return
    with tempfile.TemporaryDirectory() as folder:
        stage = Stage(shot, Path(folder))
        scenes = {
            "set": stage.scene(),
            "rig": stage.scene(rig=True),
            "joint": stage.scene(lantern=True),
            "joint_no_cord": stage.scene(lantern=True, cord=False),
        }
        for frame in [f for f in shot.frames if f in frames or not frames] if "frames" in parts else []:
            began = time.perf_counter()
            make_frame(shot, frame, scenes, to, samples)
            print(f"{shot.name} {frame}: {time.perf_counter() - began:.1f} s", flush=True)
        if "stills" in parts:
            began = time.perf_counter()
            make_stills(shot, stage, scenes, to, samples)
            print(f"{shot.name} stills: {time.perf_counter() - began:.1f} s", flush=True)


def main() -> None:
    """Read the command line and render."""
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--to", type=Path, default=Path("demo_shot"), help="folder to write to")
    ask.add_argument("--samples", type=int, default=144, help="samples per pixel, a square")
    names = [*SHOTS, EVENING.name]
    ask.add_argument("--shots", nargs="+", default=names, choices=names)
    ask.add_argument("--frames", nargs="*", type=int, default=[], help="only these frames")
    every = ["frames", "stills", "card", "variables", "camera", "place", "preview"]
    ask.add_argument("--parts", nargs="+", default=every, choices=every)
    given = ask.parse_args()
    for name in given.shots:
        if name == EVENING.name:
            make_evening(given.to / name, given.samples, set(given.parts))
            continue
        make_shot(SHOTS[name], given.to, given.samples, given.frames, set(given.parts))
    if "place" in given.parts:
        make_place(given.to / "place", given.samples)
    if "preview" in given.parts:
        make_preview(given.to)
    total = sum(f.stat().st_size for f in given.to.rglob("*") if f.is_file())
    print(json.dumps({"bytes": total}))


if __name__ == "__main__":
    main()
