"""Figures of pictures."""

from __future__ import annotations

import math
import statistics

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from stackcomp import Colour, Encoding, Ids, Image, Layers, Window
from stackcomp.review.measures import channel_figures, ids_as_json, type_as_json, window_as_json

_FLOATS = st.floats(width=32) | st.just(math.nan)


def picture(values, dtype=np.float32) -> Image:
    plane = np.array([values], dtype).reshape(1, -1)
    window = Window.of_size(plane.shape[1], 1)
    return Image({"x": plane}, window, window, Layers(("x",)))


@given(st.lists(_FLOATS, max_size=20))
def test_against_python(values):
    values = [float(np.float32(value)) for value in values]
    good = [value for value in values if math.isfinite(value)]
    found = channel_figures(picture(values))["x"]
    assert found["non_finite"] == len(values) - len(good)
    assert found["min"] == (min(good) if good else None)
    assert found["max"] == (max(good) if good else None)
    if good:
        # The mean of fractions is exact.
        assert math.isclose(found["mean"], statistics.mean(map(float, good)), rel_tol=1e-12, abs_tol=1e-40)
    else:
        assert found["mean"] is None


def test_infinities_of_both_signs_and_signalling_nan():
    found = channel_figures(picture([math.inf, -math.inf, 2, 4]))["x"]
    assert found == {"min": 2.0, "max": 4.0, "mean": 3.0, "non_finite": 2}
    bits = np.array([0x7F800123, 0x3F800000], np.uint32)
    assert channel_figures(picture(bits.view(np.float32)))["x"]["non_finite"] == 1


def test_ids_are_whole_numbers():
    found = channel_figures(picture([0, 0x7F800123], np.uint32))["x"]
    assert (found["min"], found["max"], found["non_finite"]) == (0, 0x7F800123, 0)


def test_names_of_ids(tmp_path):
    """From the header of the picture's own frame, and from the file that this one names."""
    planes = {"T00.r": np.ones((1, 2), np.float32), "T00.g": np.ones((1, 2), np.float32)}
    (tmp_path / "names.json").write_text('{"lamp": "0000002a"}')
    window = Window.of_size(2, 1)
    first = {"cryptomatte/k/name": "T", "cryptomatte/k/manifest": '{"bench": "00000007"}'}
    type = Layers(tuple(planes), metadata=first, file_of=lambda frame: tmp_path / f"cg.{frame}.exr")
    for header, names in (
        (first, {"bench": 7}),
        ({"cryptomatte/k/name": "T", "cryptomatte/k/manif_file": "names.json"}, {"lamp": 42}),
        ({"cryptomatte/k/name": "T", "cryptomatte/k/manif_file": "gone.json"}, {}),
        ({"cryptomatte/k/name": "T", "cryptomatte/k/manifest": '{"lamp": 3}'}, {}),
    ):
        found = ids_as_json(Image(planes, window, window, type, header), 1002)
        assert found == {"id_channels": ["T00.r"], "manifest": names}


def test_types_and_windows_as_json():
    colour = type_as_json(Colour("straight", Encoding("ACEScg", "scene-linear")))
    assert colour == {
        "name": "colour", "text": "straight colour in ACEScg (scene-linear)", "alpha": "straight",
        "encoding": {"name": "ACEScg", "family": "scene-linear"}, "bare_light": False,
    }  # fmt: skip
    assert type_as_json(Ids(2, (("lantern", 7),)))["manifest"] == [["lantern", 7]]
    assert window_as_json(Window(-2, 3, 8, 9)) == {"x": -2, "y": 3, "width": 10, "height": 6}
