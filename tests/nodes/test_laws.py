"""Laws that every kind of node obeys, whatever it does. A new kind needs an entry in `ENTRIES`.

Every entry is an example of a node that does something, with pictures whose windows differ: one smaller than
the frame, one with overscan, one without alpha (`stackcomp.testing.law_pictures`). The laws are those that
packages with kinds of their own use, too.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from stackcomp.files import exr
from stackcomp.nodes.kinds import BUILT_IN
from stackcomp.testing import FRAME, LAWS, Example
from stackcomp.testing.law_pictures import CROP, noise

GRADE = {"slope": [1.2, 0.8, 1.1], "offset": [0.05, 0, -0.1], "power": [0.8, 1.5, 1], "saturation": 1.3}
LENS = {"focal_length": 100, "f_number": 0.7, "focus_distance": 2, "gate_width": 36, "largest_radius": 4}
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
    "holdout": [{"image": "cg", "matte": "other_matte"}],
    "restore": [{"source": "cropped", "backdrop": "plate", "matte": "other_matte"}],
    "join_mattes": [
        {"first": "matte", "second": "other_matte", "edges": edges} for edges in ("crossing", "shared")
    ],
    "invert_matte": [{"matte": "matte"}],
    "soft_matte": [{"matte": "matte", "grow": 1.5, "feather": 0.7, "curve": 1.2}],
    "glow": [
        {"image": "cg", "radius": 0.8, "falloff": "gaussian", "matte": "matte", "threshold": 0.3},
        {"image": "plate", "radius": 1, "falloff": "gaussian", "output": "moved", "within": "other_matte"},
    ],
    "defocus": [{"image": "cg", "depth": "depth", **LENS}, {"image": "plate", "radius": 2.5, "amount": 0.5}],
    "place": [{"image": "cg", "turn": 20, "pivot": [20, 15], "scale": 0.9, "move": [2.3, -1]}],
    "clean_patch": [{"backdrop": "plate", "patch": "cropped", "homography": TILT, "feather": 2}],
}
EXAMPLES = [Example(kind, fields) for kind, some in ENTRIES.items() for fields in some]


def label(example: Example) -> str:
    choice = [str(v) for k, v in example.fields.items() if k in ("mode", "to", "falloff", "edges")]
    return " ".join([example.kind, *choice])


@pytest.fixture(scope="module")
def examples(tmp_path_factory):
    """The examples in a folder with the file that they read; what a law has rendered is kept for the next."""
    folder = tmp_path_factory.mktemp("laws")
    planes = {name: noise(k, CROP, 1)[..., 0] for k, name in enumerate("RGBA")}
    exr.write(folder / "a.exr", planes, window=CROP, display=FRAME, pixel_type="float")
    return {id(example): replace(example, folder=folder) for example in EXAMPLES}


def test_every_kind_has_an_entry():
    assert set(ENTRIES) == set(BUILT_IN), "add the new kind to ENTRIES, with fields that make it do something"


@pytest.mark.parametrize("law", LAWS, ids=lambda law: law.__name__)
@pytest.mark.parametrize("example", EXAMPLES, ids=label)
def test_law(law, example, examples):
    if not law(examples[id(example)]):
        pytest.skip("the law says nothing about this kind")
