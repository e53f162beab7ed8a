"""The shots and the scenes that their passes are traced in.

A scene is the workshop plus any of: jar, cord, rig (the stand-in), lantern, charts. Lights always come
first and in the same order, and are as many with and without the lantern, so that the same seed makes
the same light paths wherever the lantern does not meet them.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

import charts
import lantern as cg
import mitsuba as mi
import numpy as np
import props
from camera import Camera, drift, look
from shapes import plate, shape
from textures import room, window_light

LANTERN = (0.04, 0.06, 0.0)
HDRI_POINT = (0.04, 0.06, 0.14)
CORD = [
    [-0.035, -0.10, 1.2],
    [-0.030, -0.10, 0.8],
    [-0.004, -0.095, 0.45],
    [0.004, -0.10, 0.27],
    [0.000, -0.10, 0.205],
]
FIRST, FRAMES = 1001, 5

Array = np.ndarray


@dataclass(frozen=True)
class Shot:
    """One shot: where the camera starts, its lens, the light, the stand-in, the charts."""

    name: str
    eye: tuple[float, float, float]
    target: tuple[float, float, float]
    focal_length: float
    seed: int
    rig: tuple[float, float, float] | None
    daylight: tuple[float, float, float]
    fill: tuple[float, float, float]
    lamp: float = 0.0
    jar: tuple[float, float, float] = (0.145, -0.105, 0.0)
    cord: float | None = 0.0  # metres that the cord hangs further right; None: there is no cord
    bail: float = 14.0  # degrees that the lantern's bail leans back
    card: tuple[tuple[float, float, float], float, float] = ((-0.285, 0.16, 0.0), 8.0, 12.0)
    chart: tuple[tuple[float, float, float], float, float] = ((-0.10, 0.16, 0.0), 0.0, 12.0)
    gate_width: float = 36.0
    f_number: float | None = None  # None: a pinhole
    hand_held: bool = True
    viewing_stops: float = 1.0  # exposure of the stills that people look at
    frames: list[int] = field(default_factory=lambda: list(range(FIRST, FIRST + FRAMES)))

    @property
    def middle(self) -> int:
        """The frame that has a truth, and whose camera took the clean still and the charts."""
        return self.frames[len(self.frames) // 2]

    def camera(self, frame: int, size: tuple[int, int]) -> Camera:
        """The camera of a frame; drift is counted from the middle frame."""
        start = look(np.array(self.eye), np.array(self.target), self.focal_length, self.gate_width, size)
        return drift(start, frame - self.middle, self.seed) if self.hand_held else start


DAY = {"daylight": (70.0, 70.0, 70.0), "fill": (0.25, 0.25, 0.27)}
DUSK = {"daylight": (5.0, 6.5, 8.6), "fill": (0.040, 0.046, 0.058)}
SHOTS = {
    "wide": Shot(
        "wide",
        (0.10, -1.04, 0.44),
        (0.03, 0.06, 0.14),
        35.0,
        101,
        (-0.150, -0.01, 0.0),
        **DAY,
        card=((-0.14, 0.16, 0.0), 18.0, 10.0),
        chart=((-0.325, 0.20, 0.0), 10.0, 10.0),
        cord=0.026,
    ),
    "close": Shot(
        "close",
        (-0.30, -0.92, 0.40),
        (0.015, 0.05, 0.125),
        50.0,
        102,
        (-0.170, 0.01, 0.0),
        **DAY,
        card=((-0.208, 0.34, 0.0), -4.0, 10.0),
        chart=((-0.032, 0.27, 0.0), -12.0, 10.0),
        cord=-0.012,
        jar=(0.074, -0.105, 0.0),
    ),
    "lamp": Shot(
        "lamp",
        (0.24, -0.98, 0.44),
        (0.0, 0.06, 0.135),
        35.0,
        103,
        (-0.155, -0.02, 0.0),
        **DUSK,
        lamp=3.0,
        viewing_stops=2.5,
        card=((-0.43, 0.20, 0.0), 10.0, 10.0),
        chart=((-0.20, 0.14, 0.0), 10.0, 10.0),
        cord=0.06,
    ),
}

EVENING = Shot(
    "evening",
    (0.36, -1.28, 0.42),
    (-0.005, 0.06, 0.135),
    85.0,
    104,
    None,
    daylight=(1.7, 2.7, 4.4),
    fill=(0.017, 0.023, 0.035),
    lamp=4.0,
    viewing_stops=3.0,
    jar=(-0.02, -0.32, 0.0),
    cord=None,
    bail=-70.0,
    f_number=1.4,
    hand_held=False,
    frames=[1001, 1002],
)


def picture(array: Array) -> Any:
    """A numpy texture as a renderer bitmap."""
    return mi.Bitmap(np.ascontiguousarray(array, np.float32))


def load(scene: dict[str, Any]) -> Any:
    """The renderer's scene, with its objects in the order of the dictionary and none merged with another.

    Loading in parallel would leave the lights in a different order each time.
    """
    return mi.load_dict(scene, parallel=False, optimize=False)


class Stage:
    """Loads the scenes of one shot; meshes and textures are made once, in `folder`."""

    def __init__(self, shot: Shot, folder: Path) -> None:
        self.shot, self.folder = shot, folder

    @cached_property
    def _workshop(self) -> dict[str, Any]:
        return props.workshop(self.folder, picture)

    def _lights(self) -> dict[str, Any]:
        s = self.shot
        pane = plate(props.WINDOW, [0, props.WINDOW_SIZE[0], 0], [0, 0, props.WINDOW_SIZE[1]])
        sky = {"type": "bitmap", "bitmap": picture(window_light(s.daylight)), "raw": True, "wrap_mode": "clamp"}
        day = {"type": "area", "radiance": sky}
        turn = mi.ScalarTransform4f().rotate([1, 0, 0], 90)
        return {
            "room": {"type": "envmap", "bitmap": picture(room(1.0, s.fill, 3)), "to_world": turn},
            "window": shape(pane, self.folder, "window", props.paint(0, 0, 0), emitter=day),
        }

    def scene(
        self,
        *,
        lantern: bool = False,
        rig: bool = False,
        jar: bool = True,
        cord: bool = True,
        chart: Shot | None = None,
    ) -> Any:
        """Load the workshop with the parts named; `chart` holds the charts as that shot places them."""
        return load(self.scene_dict(lantern=lantern, rig=rig, jar=jar, cord=cord, chart=chart))

    def scene_dict(
        self,
        *,
        lantern: bool = False,
        rig: bool = False,
        jar: bool = True,
        cord: bool = True,
        chart: Shot | None = None,
    ) -> dict[str, Any]:
        """The same as the renderer's dictionary."""
        s = self.shot
        d: dict[str, Any] = {"type": "scene", **self._lights()}
        if lantern:
            d.update(cg.lantern(np.array(LANTERN), self.folder, picture, s.lamp, s.bail))
        elif s.lamp:
            d.update(cg.dark_lamp(self.folder))
        d.update(self._workshop)
        if jar:
            d.update(props.jar(np.array(s.jar), self.folder))
        if cord and s.cord is not None:
            d.update(props.cord(np.array(CORD) + np.array([s.cord, 0, 0]), self.folder, picture))
        if rig and s.rig is not None:
            d.update(props.rig(np.array(s.rig), self.folder))
        if chart:
            d.update(charts.grey_card(*chart.card, self.folder))
            d.update(charts.colour_chart(*chart.chart, self.folder))
        return d
