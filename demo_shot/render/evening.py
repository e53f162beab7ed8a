"""The shot `evening`: the lens is open and focused on the lantern, the camera stands still.

Plate and truths are traced through the lens. The lantern's passes are traced through a pinhole, in focus all over,
as the artist gets them who gives them the lens afterwards.
"""

from __future__ import annotations

import json
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import charts
import idmatte
import lantern as cg
import numpy as np
import passes
import planted
import write
from camera import record
from scene import EVENING, LANTERN, Stage, load

SIZE = (384, 216)
OVERSCAN = 32  # pixels about the frame whose light the lens scatters into it
LIGHT_BITS, DEPTH_BITS = 6, 11  # mantissa bits: below the light's noise, and a hundredth of a pixel of blur
CARD_MARGIN = 6  # pixels kept about the focus card
CARD_GRAIN = 0.25  # of the plate's: the mean of sixteen frames of a card that stands still
UNLIT = 1e-6  # a lamp so dark that it adds nothing, with the materials and light paths of the lit one
Array = np.ndarray


MIDDLE = np.array([*LANTERN[:2], cg.GLASS_MIDDLE])  # of the glass: what the lens is focused on


def focus_distance() -> float:
    """Metres along the optical axis to the middle of the glass."""
    camera = EVENING.camera(EVENING.middle, SIZE)
    return round(float((MIDDLE - camera.position) @ camera.rotation[:, 2]), 4)


def seen(scene: Any, samples: int, seed: int) -> Array:
    """The scene as the camera sees it, in scene-linear light: through the lens, with its glow and softness."""
    camera = EVENING.camera(EVENING.middle, SIZE).opened(EVENING.f_number, focus_distance())
    around = (-OVERSCAN, -OVERSCAN, SIZE[0] + OVERSCAN, SIZE[1] + OVERSCAN)
    light = passes.trace(camera, around, samples, seed, passes.radiance(scene))["colour"]
    inner = slice(OVERSCAN, -OVERSCAN)
    return planted.softened(planted.scattered(light))[inner, inner] + write.LIFT


def make_plates(scene: Any, to: Path, samples: int) -> None:
    """The plate of every frame, and one without grain. Between frames nothing changes but the grain."""
    light = seen(scene, samples, EVENING.seed * 10000)
    bare = write.coarse(write.acescct(light), write.CODE_BITS)
    write.exr(to / "plate_nograin.exr", write.rgb(bare), SIZE, log=True)
    for frame in EVENING.frames:
        code = write.acescct(planted.grained(light, EVENING.seed * 10000 + frame))
        write.exr(to / f"plate.{frame}.exr", write.rgb(write.coarse(code, write.CODE_BITS)), SIZE, log=True)


def make_passes(scenes: dict[str, Any], to: Path, samples: int) -> None:
    """The lantern's passes, its shadow and light on the set, the set's depth: one frame, which stands for all."""
    camera, full, seed = EVENING.camera(EVENING.middle, SIZE), (0, 0, *SIZE), EVENING.seed * 10000 + 5000

    def run(work: Any) -> dict[str, Array]:
        return passes.trace(camera, full, samples, seed, work)

    def set_with(scene: str) -> Array:
        return run(passes.continued(scenes["set"], scenes[scene]))["colour"]

    bare, shaded, lit = set_with("set"), set_with("unlit"), set_with("joint")
    own = run(passes.held_out(scenes["joint"], scenes["joint"], cg.OBJECTS, camera))
    behind = run(passes.distance(scenes["set"], camera))["depth_min"]
    coverage = {n: own[f"coverage.{n}"] for n in cg.OBJECTS}
    alpha = sum(coverage.values())
    ratio = np.where(bare > 0, shaded / np.where(bare > 0, bare, 1), 1.0)
    planes = {
        **write.rgb(write.coarse(own["colour"], write.BEAUTY_BITS)),
        "A": alpha.astype(np.float16),
        **write.rgb(write.ratio_steps(ratio), "shadow."),
        **write.rgb(write.coarse(np.maximum(lit - shaded, 0), LIGHT_BITS), "light."),
        **write.rgb(own["emission"], "emission."),
        "depth.Z": write.coarse(np.where(alpha > 0, own["depth_min"], 0), DEPTH_BITS).astype(np.float32),
        "set_depth.Z": write.coarse(np.where(behind < 1e8, behind, 0), DEPTH_BITS).astype(np.float32),
        **idmatte.ranked(coverage),
    }
    write.exr(to / "cg.exr", planes, SIZE, zipped=True, more=idmatte.metadata(cg.OBJECTS))


def make_truths(scene: Any, to: Path, samples: int) -> None:
    """Set and lantern in one scene, two seeds, without grain."""
    for k, letter in enumerate("ab"):
        truth = seen(scene, samples, EVENING.seed * 10000 + 6001 + k)
        write.exr(to / f"truth_{letter}.exr", write.rgb(write.coarse(truth, write.TRUTH_BITS)), SIZE)


def make_card(stage: Stage, to: Path, samples: int) -> None:
    """A test card at the focus where the lantern will stand: as the camera sees it, and as CG through a pinhole.

    The card faces the camera, so that all of it is in focus. It is lit by window and room.
    """
    camera = EVENING.camera(EVENING.middle, SIZE)
    right, up = camera.rotation[:, 0], -camera.rotation[:, 1]
    scene = load(stage.scene_dict() | charts.focus_card(MIDDLE, right, up, stage.folder))
    half = charts.FOCUS_CARD / 2
    corners = camera.project(np.array([MIDDLE - right * half + up * half, MIDDLE + right * half - up * half]))
    x0, y0 = (int(n) for n in np.floor(corners[0]) - CARD_MARGIN)
    x1, y1 = (int(n) for n in np.ceil(corners[1]) + CARD_MARGIN)
    window, seed = (x0, y0, x1, y1), EVENING.seed * 10000 + 7000
    light = seen(scene, samples, seed)
    code = write.acescct(light + CARD_GRAIN * (planted.grained(light, seed) - light))[y0:y1, x0:x1]
    write.exr(to / "card.exr", write.rgb(write.coarse(code, write.CODE_BITS)), SIZE, window, log=True)
    objects = ("focus_white", "focus_black")
    own = passes.trace(camera, window, samples, seed + 1, passes.held_out(scene, scene, objects, camera))
    alpha = sum(own[f"coverage.{name}"] for name in objects)
    planes = {**write.rgb(write.coarse(own["colour"], write.BEAUTY_BITS)), "A": alpha.astype(np.float16)}
    write.exr(to / "card_cg.exr", planes, SIZE, window, zipped=True)


def make_variables(to: Path) -> None:
    """Write shot.json, beside what was measured and kept in it, and camera.json."""
    frames = EVENING.frames
    file = to / "shot.json"
    held = json.loads(file.read_text()) if file.exists() else {}
    measured = {name: held[name] for name in [*held.get("found", {}), "found"] if name in held}
    write.variables(
        file,
        {
            "shot": "demo_shot/evening",
            "frames": f"{frames[0]}-{frames[-1]}",
            "width": SIZE[0],
            "height": SIZE[1],
            "focal_length": EVENING.focal_length,
            "f_number": EVENING.f_number,
            "focus_distance": focus_distance(),
            "gate_width": EVENING.gate_width,
            "black_lift": write.LIFT,
            "viewing_stops": EVENING.viewing_stops,
            "truth_frame": EVENING.middle,
            **measured,
        },
    )
    cameras = {frame: EVENING.camera(frame, SIZE) for frame in frames}
    write.variables(to / "camera.json", record("The camera of evening", cameras))


def make_evening(to: Path, samples: int, parts: set[str]) -> None:
    """The shot: `parts` holds any of frames, stills, card, variables, camera."""
    to.mkdir(parents=True, exist_ok=True)
    if parts & {"variables", "camera"}:
        make_variables(to)
    if not parts & {"frames", "stills", "card"}:
        return
    with tempfile.TemporaryDirectory() as folder:
        stage = Stage(EVENING, Path(folder))
        if "card" in parts:
            make_card(stage, to, samples)
        if not parts & {"frames", "stills"}:
            return
        scenes = {
            "set": stage.scene(),
            "joint": stage.scene(lantern=True),
            "unlit": Stage(replace(EVENING, lamp=UNLIT), Path(folder)).scene(lantern=True),
        }
        began = time.perf_counter()
        if "frames" in parts:
            make_plates(scenes["set"], to, samples)
            make_passes(scenes, to, samples)
        if "stills" in parts:
            make_truths(scenes["joint"], to, samples)
        print(f"evening: {time.perf_counter() - began:.1f} s", flush=True)
