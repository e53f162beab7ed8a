"""Laws that every kind of node obeys, whatever it does. A new kind needs an entry in `ENTRIES`.

Every entry is an example of a node that does something, with pictures whose windows differ: one smaller than
the frame, one with overscan, one without alpha (`stackcomp.testing.law_pictures`). The laws are those that
packages with kinds of their own use, too.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from stackcomp.files import exr
from stackcomp.files.camera_file import write_camera
from stackcomp.files.grain_file import GrainFile, write_grain
from stackcomp.files.lens_file import write_lens
from stackcomp.kernels.pinhole import Camera
from stackcomp.nodes.kinds import BUILT_IN
from stackcomp.testing import FRAME, LAWS, Example
from stackcomp.testing.law_pictures import CROP, noise

GRADE = {"slope": [1.2, 0.8, 1.1], "offset": [0.05, 0, -0.1], "power": [0.8, 1.5, 1], "saturation": 1.3}
LENS = {"focal_length": 100, "f_number": 0.7, "focus_distance": 2, "gate_width": 36, "largest_radius": 4}
OUTLINE = [[14, 10], [28, 12], [26, 22], [13, 20]]
#: A camera that moves between the frame of a still and the frame that is rendered.
SHOT = {"camera": "camera.json", "still_frame": 0}
TILT = [1.05, 0.1, 2, -0.05, 0.95, 1, 0.001, 0.0005, 1]
#: Kinds with their examples. Operators and modes have tests of their own; here some of each shape.
ENTRIES: dict[str, list[dict[str, Any]]] = {
    "read": [{"path": "a.exr", "encoding": "ACEScg"}],
    "deliver": [{"image": "cg", "path": "o.exr"}],
    "flat": [{"size": [44, 36], "colour": [0.5, 1, 2], "coverage": 0.5}],
    "ramp": [{"like": "plate", "direction": "down", "last": [3, 2, 1]}],
    "pick_channels": [
        {"layers": "file", "as_": "matte", "channels": {"A": "mask"}},
        {"layers": "file", "as_": "depth", "channels": {"Z": "mask"}, "unit": "ft"},
    ],
    "premultiply": [{"image": "straight"}],
    "unpremultiply": [{"image": "cg"}],
    "convert_colour": [{"image": "cg", "to": "ACES2065-1"}, {"image": "cg", "to": "ACEScct"}, {"image": "log"}],
    "exposure": [{"image": "cg", "stops": 0.7, "within": "other_matte", "amount": 0.5}],
    "channel_gain": [{"image": "plate", "gain": [2, 0.5, 1.5], "within": "matte"}],
    "colour_matrix": [{"image": "cg", "matrix": [1.2, -0.1, 0, 0.1, 0.8, 0, 0.3, 0, 1]}],
    "cdl": [{"image": "cg", "amount": 0.75, **GRADE}, {"image": "cropped", "clamp": True, **GRADE}],
    "match_black": [{"image": "cg", "black": [0.1, 0.05, 0.02], "within": "matte"}],
    "match_grain": [
        {"image": "cg", "grain_floor": [0.1, 0.1, 0.2], "grain_slope": [0.02, 0, 0.01], "within": "other_matte"},
        {"image": "plate", "matte": "matte", "grain_floor": [0.1, 0.2, 0.1], "grain_size": [1, 0, 2], "seed": 7},
        {"image": "cropped", "matte": "other_matte", "file": "grain.json", "strength": 0.5},
    ],
    "over": [{"source": "cg", "backdrop": "plate"}],
    "porter_duff": [
        {"source": "cg", "backdrop": "cropped", "mode": operator}
        for operator in ("source-in", "destination-over", "xor")
    ],
    "blend": [{"source": "cg", "backdrop": "cropped", "mode": mode} for mode in ("soft-light", "color-burn")],
    "multiply_shadow": [
        {"backdrop": "plate", "shadow": "ratio", "gamma": 1.4, "tint": [0.1, 0.2, 0.3], "black": 0.01},
        {"backdrop": "cg", "shadow": "cg", "density": 0.8, "floor": 0.1, "within": "other_matte"},
    ],
    "holdout": [
        {"image": "cg", "matte": "other_matte"},
        {
            "image": "cg",
            "mattes": ["matte", "other_matte"],
            "ids": "ids",
            "names": ["cord"],
            "depth": "depth",
            "front_depth": "other_depth",
            "tolerance": 2,
        },
    ],
    "id_matte": [{"layers": "ids", "names": ["lamp", "c*"]}],
    "restore": [
        {"source": "cropped", "backdrop": "plate", "matte": "other_matte"},
        {"source": "plate", "backdrop": "cg", "matte": "matte", "edge_colour": "estimate"},
        {"source": "plate", "backdrop": "cg", "matte": "matte", "edge_colour": "estimate", "clean": "cropped"},
    ],
    "contact_shade": [
        {"image": "cg", "matte": "matte", "offset": [1.4, -2.3], "size": 1.5, "softness": 0.8, "density": 0.7},
        {"image": "plate", "matte": "other_matte", "softness": 1, "tint": [0.1, 0, 0.3], "within": "matte"},
    ],
    "extend_edges": [
        {"image": "cg"},
        {"image": "plate", "matte": "matte", "distance": 5, "fade": 3},
        {"image": "ratio", "matte": "other_matte", "direction": 200},
        {"image": "cg", "matte": "other_matte", "direction": 60, "distance": 8, "coverage": "kept"},
    ],
    "luma_matte": [
        {"image": "cg", "low": 0.5, "low_softness": 0.3, "high": 2},
        {"image": "plate", "unit": "stops", "high": 0.5, "high_softness": 1.5},
    ],
    "colour_matte": [
        {"image": "cg", "colour": [1, 0.5, 0.3], "tolerance": 0.1, "softness": 0.3},
        {"image": "plate", "colour": [1, 0.5, 0.3], "softness": 0.3, "brightness": "ignored"},
    ],
    "difference_matte": [
        {"image": "plate", "clean": "cropped", "grain_floor": [0.1, 0.1, 0.2], "grain_slope": [0.02, 0, 0.01]}
    ],
    "depth_matte": [
        {"depth": "depth", "near": 2, "near_softness": 1},
        {"depth": "depth", "near": 2, "far": 3, "far_softness": 0.5, "nothing": 1},
    ],
    "join_mattes": [
        *({"first": "matte", "second": "other_matte", "edges": edges} for edges in ("crossing", "shared")),
        {"first": "other_matte", "mattes": ["matte", "matte"], "mode": "difference"},
        {"mattes": ["matte", "other_matte", "matte"], "edges": "shared"},
    ],
    "invert_matte": [{"matte": "matte"}],
    "shape_matte": [
        {
            "size": [44, 36],
            "shapes": [
                {"points": [[5, 6, 0, 4, 3, -4, 2, 1], [33, 4, -3, 0, 3, 0, 0, 0], [38, 30], [8, 27]]},
                {"mode": "subtract", "rule": "evenodd", "points": [[12, 10], [26, 24], [26, 10], [12, 24]]},
            ],
            "feather": [1.5, 0.5],
        },
        {
            "like": "plate",
            "shutter": 180,
            "homography": {"keys": [[0, [1, 0, 0, 0, 1, 0, 0, 0, 1]], [2, [1, 0.1, 8, 0, 1, 3, 1e-3, 0, 1]]]},
            "shapes": [{"points": [[5, 6], [20, 4], [25, 25], [8, 20]], "opacity": 0.8}],
        },
    ],
    "stroke_matte": [
        {
            "size": [44, 36],
            "strokes": [
                {
                    "points": [
                        {"at": [5, 8], "out": [9, 9], "radius": 3, "softness": 0.5},
                        [30, 20, -9, 0, 9, 0, 5, 1],
                    ]
                },
                {"mode": "subtract", "radius": 1.5, "points": [[2, 12], [40, 9]]},
            ],
        },
        {
            "matte": "matte",
            "shutter": 90,
            "strokes": [
                {"radius": 2.5, "points": {"keys": [[0, [[8, 8], [30, 24]]], [2, [[10, 4], [32, 30]]]]}},
                {"mode": "subtract", "opacity": 0.6, "radius": 4, "softness": 0.3, "points": [[20, 12]]},
            ],
        },
    ],
    "soft_matte": [
        {"matte": "matte", "grow": 1.5, "feather": 0.7, "curve": 1.2},
        {"matte": "matte", "grow": 0.5, "feather_in": 3, "feather_out": 1.5},
        {"matte": "other_matte", "feather": 6.5},
    ],
    "glow": [
        {"image": "cg", "radius": 0.8, "falloff": "gaussian", "matte": "matte", "threshold": 0.3},
        {"image": "plate", "radius": 1, "falloff": "gaussian", "output": "moved", "within": "other_matte"},
        {
            "image": "cg",
            "emission": "plate",
            "matte": "matte",
            "lobes": [{"radius": 0.5, "strength": 0.4}, {"radius": 1.5, "falloff": "gaussian", "strength": 0.3}],
            "channel_radius": [1.4, 1, 0.7],
            "threshold": 0.1,
        },
        {"image": "cropped", "falloff": "glare", "focal_length": 10, "gate_width": 60, "output": "moved"},
    ],
    "soften": [
        {"image": "cg", "radius": 0.4},
        {"image": "plate", "radius": 0.7, "amount": 0.6},
        {"image": "matte", "radius": 0.9},
        {"image": "matte", "radius": 0.9, "within": "other_matte"},
        {"image": "ratio", "radius": 0.6},
        {"image": "ratio", "radius": 0.6, "within": "other_matte", "amount": 0.5},
    ],
    "light_wrap": [
        {"image": "cg", "backdrop": "plate", "reach": 0.8},
        {"image": "cg", "backdrop": "plate", "reach": 13},
        {
            "image": "cg",
            "backdrop": "cropped",
            "reach": 1.2,
            "threshold": 0.3,
            "matte": "matte",
            "within": "other_matte",
        },
    ],
    "defocus": [
        {"image": "cg", "depth": "depth", **LENS},
        {"image": "plate", "radius": 2.5, "amount": 0.5},
        {"image": "cg", "depth": "depth", **LENS, "quality": "exact"},
        {"image": "cg", "depth": "depth", **LENS, "blades": 5, "blade_rotation": 20, "roundness": 0.3},
        {"image": "plate", "radius": 2.5, "cat_eye": 0.7, "anamorphic": 1.5},
        {"image": "cropped", "radius": 2, "blades": 6, "cat_eye": 0.5, "quality": "exact"},
        {
            "image": "cg",
            "depth": "depth",
            **{name: value for name, value in LENS.items() if name != "focus_distance"},
            "focus_at": [20, 15],
        },
    ],
    "motion_blur": [
        {"image": "cg", "motion": "motion", "depth": "depth", "shutter": 300, "largest_length": 4},
        {"image": "plate", "motion": "motion", "shutter_centre": 0.3, "vertical": "up", "amount": 0.7},
    ],
    "place": [
        {"image": "cg", "turn": 20, "pivot": [20, 15], "scale": 0.9, "move": [2.3, -1]},
        {"image": "cg", **SHOT, "plane": {"point": [0, 2.5, 0], "normal": [0.1, 1, 0.1]}},
        {"image": "cg", **SHOT, "depth": "depth", "still_depth": "other_depth", "tolerance": 2},
    ],
    "clean_patch": [
        {"backdrop": "plate", "patch": "cropped", "homography": TILT, "feather": 2},
        {"backdrop": "plate", "patch": "cropped", "homography": TILT, "outline": OUTLINE, "match": "gain"},
        {
            "backdrop": "plate",
            "patch": "cg",
            "homography": TILT,
            "outline": OUTLINE,
            "match": "membrane",
            "ring": 4,
        },
        {"backdrop": "cg", "patch": "plate", **SHOT, "depth": "depth", "outline": OUTLINE, "match": "gain"},
    ],
    "lens_warp": [
        {"image": "cg", "direction": "distort", "focal": [40, 42], "k1": -0.3, "k2": 0.05, "lateral": [1.5, -1]},
        {"image": "plate", "direction": "straighten", "lens": "lens.json"},
        {"image": "ratio", "direction": "straighten", "focal": [40, 42], "k1": 0.3, "p1": 0.02},
        {"image": "depth", "direction": "distort", "focal": [40, 42], "k1": -0.3},
    ],
    "coordinate_warp": [
        {"image": "cg", "coordinates": "coordinates", "matte": "other_matte"},
        {"image": "plate", "coordinates": "coordinates", "origin": "top"},
        {"image": "depth", "coordinates": "coordinates"},
    ],
}
EXAMPLES = [Example(kind, fields) for kind, some in ENTRIES.items() for fields in some]


def label(example: Example) -> str:
    choice = [str(v) for k, v in example.fields.items() if k in ("mode", "to", "falloff", "edges")]
    return " ".join([example.kind, *choice])


@pytest.fixture(scope="module")
def examples(tmp_path_factory):
    """The examples in a folder with the file that they read; what a law has rendered is kept for the next."""
    folder = tmp_path_factory.mktemp("laws")
    write_files(folder)
    return {id(example): replace(example, folder=folder) for example in EXAMPLES}


def write_files(folder):
    """Write what some of the examples read."""
    planes = {name: noise(k, CROP, 1)[..., 0] for k, name in enumerate("RGBA")}
    exr.write(folder / "a.exr", planes, window=CROP, display=FRAME, pixel_type="float")
    cameras = {}
    for frame in (0, 1):
        to_world = [[1, 0, 0, 0.1 * frame], [0, 0, 1, 0.05 * frame], [0, -1, 0, 0], [0, 0, 0, 1]]
        cameras[frame] = Camera(np.array(to_world, np.float64), 35 + frame, (36.0, 27.0))
    write_camera(folder / "camera.json", cameras)
    table = ((1, 0.3, 0.1), (0.3, 1, 0.2), (0.1, 0.2, 1))
    levels = {"G": ((0.1, 0.02), (0.5, 0.3), (1, 0.1))}
    near = dict.fromkeys("RGB", ((0.3, 1, 0.3), (0.05, 0.2, 0.05)))
    grain = {"floor": (0.1,) * 3, "slope": (0.2,) * 3, "levels": levels, "correlation": table}
    write_grain(folder / "grain.json", GrainFile(version=1, space="ACEScg", autocorrelation=near, **grain))
    rational = {"k1": 0.2, "k2": -0.1, "k4": 0.4, "p2": 0.01, "s1": 0.02}
    lens = {"model": "rational", "size": [88, 72], "focal": [90, 90], "centre": [45, 37], "coefficients": rational}
    write_lens(folder / "lens.json", lens)


def test_every_kind_has_an_entry():
    assert set(ENTRIES) == set(BUILT_IN), "add the new kind to ENTRIES, with fields that make it do something"


@pytest.mark.parametrize("law", LAWS, ids=lambda law: law.__name__)
@pytest.mark.parametrize("example", EXAMPLES, ids=label)
def test_law(law, example, examples):
    if not law(examples[id(example)]):
        pytest.skip("the law says nothing about this kind")
