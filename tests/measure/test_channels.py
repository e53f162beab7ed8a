"""Depth and mattes measured: figures against numpy and by hand, and which channel is taken."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from stackcomp import Image
from stackcomp.data.port_types import Depth, Matte
from stackcomp.data.window import Window
from stackcomp.errors import RequestError
from stackcomp.files import exr, stills
from stackcomp.measure.area import AreaError, parse_rectangle, whole
from stackcomp.measure.channel import open_channel, what_it_is
from stackcomp.measure.depth import depth_statistics
from stackcomp.measure.matte import matte_statistics

DEMO = Path(__file__).parents[2] / "demo_shot"


def picture(plane, name):
    plane = np.ascontiguousarray(plane, np.float32)
    window = Window.of_size(plane.shape[1], plane.shape[0])
    return Image({name: plane}, window, window, Depth() if name == "Z" else Matte())


@settings(deadline=None)
@given(
    hnp.arrays(np.float32, (5, 7), elements=st.floats(-2, 50, width=32)), st.sampled_from(["mm", "cm", "m", "ft"])
)
def test_depth_is_that_of_numpy_over_what_is_covered(plane, unit):
    found = depth_statistics(picture(plane, "Z"), parse_rectangle("1,1,5,3"), unit=unit)
    part = plane[1:4, 1:6].ravel().astype(np.float64)
    covered = part[part > 0] * {"mm": 1e-3, "cm": 1e-2, "m": 1, "ft": 0.3048}[unit]
    assert (found.pixels, found.covered) == (15, len(covered))
    assert (found.nothing, found.below_zero) == ((part == 0).sum(), (part < 0).sum())
    if len(covered):
        figures = (found.mean, found.median, found.min, found.max)
        assert figures == pytest.approx((covered.mean(), np.median(covered), covered.min(), covered.max()))
    else:
        assert found.mean is found.median is found.min is found.max is None


def test_depth_by_hand():
    plane = [[0, 0, 2, 4], [np.nan, np.inf, -1, 9], [-np.inf, -0.0, 65504, 1e30]]
    found = depth_statistics(picture(plane, "Z"), whole(picture(plane, "Z")))
    assert (found.covered, found.nothing, found.non_finite, found.below_zero, found.beyond) == (5, 3, 3, 1, 2)
    assert found.median == 9
    assert len(found.doubts) == 2
    assert "below 0" in found.doubts[0]
    assert "65504 or more" in found.doubts[1]
    nothing = depth_statistics(picture(np.zeros((3, 3)), "Z"), parse_rectangle("0,0,3,3"))
    assert nothing.median is None
    assert nothing.doubts == ("no pixel of the area has a depth above 0",)


def test_what_depth_refuses():
    with pytest.raises(RequestError, match='no unit "inch"'):
        depth_statistics(picture(np.ones((3, 3)), "Z"), parse_rectangle("0,0,3,3"), unit="inch")
    with pytest.raises(AreaError, match="leaves the picture"):
        depth_statistics(picture(np.ones((3, 3)), "Z"), parse_rectangle("0,0,4,3"))


def test_a_matte_by_hand():
    plane = [[0, 0, 1, 1], [0.25, 0.75, 1.5, -0.5], [np.nan, np.inf, 1, 0]]
    found = matte_statistics(picture(plane, "A"), parse_rectangle("0,0,4,3"))
    assert (found.zero, found.one, found.between, found.out_of_range, found.non_finite) == (3, 3, 2, 2, 2)
    assert (found.min, found.max, found.covered_area) == (-0.5, 1.5, 5.0)
    assert found.mean == 0.5
    assert "2 of 12 values are below 0 or above 1 (-0.5 to 1.5)" in found.doubts[0]
    assert "2 of 12 values are not finite" in found.doubts[1]
    nothing = matte_statistics(picture(np.full((2, 2), np.nan), "A"), parse_rectangle("0,0,2,2"))
    assert nothing.mean is None
    json.dumps(nothing.as_dict(), allow_nan=False)


@settings(deadline=None)
@given(hnp.arrays(np.float32, (6, 6), elements=st.floats(0, 1, width=32)))
def test_every_pixel_of_a_matte_is_counted_once(plane):
    found = matte_statistics(picture(plane, "A"), parse_rectangle("0,0,6,6"))
    assert found.zero + found.one + found.between == 36
    assert not found.doubts
    assert found.covered_area == pytest.approx(float(plane.sum(dtype=np.float64)))


def test_a_disc_covers_its_area(tmp_path):
    """π r²; an antialiased edge is worth as much as it covers."""
    y, x = np.mgrid[0:100, 0:100] + 0.5
    disc = np.clip(30.5 - np.hypot(x - 50, y - 50), 0, 1)
    found = matte_statistics(picture(disc, "A"), parse_rectangle("0,0,100,100"))
    assert found.covered_area == pytest.approx(np.pi * 30**2, rel=2e-3)


@pytest.mark.parametrize(
    ("channel", "what"),
    [
        ("Z", "depth"),
        ("depth.Z", "depth"),
        ("Depth.R", "depth"),
        ("A", "matte"),
        ("mattes.R", "matte"),
        ("zone", "matte"),
    ],
)
def test_the_name_tells_what_a_channel_is(channel, what):
    assert what_it_is(channel) == what


@pytest.fixture
def passes(tmp_path):
    window = Window.of_size(8, 6)
    names = ("R", "G", "B", "A", "depth.Z", "mattes.R", "mattes.G", "roto.A", "roto.soft")
    planes = {name: np.full(window.shape, k + 1, np.float32) for k, name in enumerate(names)}
    exr.write(tmp_path / "cg.0007.exr", planes, window=window, display=window, pixel_type="float")
    return tmp_path


@pytest.mark.parametrize(
    ("asked", "channel", "what"),
    [
        ({"channel": "depth.Z"}, "depth.Z", "depth"),
        ({"layer": "depth"}, "depth.Z", "depth"),
        ({"layer": "depth", "channel": "Z"}, "depth.Z", "depth"),
        ({"what": "depth"}, "depth.Z", "depth"),
        ({"what": "matte"}, "A", "matte"),
        ({"layer": "roto", "what": "matte"}, "roto.A", "matte"),
        ({"layer": "mattes", "channel": "R"}, "mattes.R", "matte"),
        ({"channel": "mattes.R", "what": "depth"}, "mattes.R", "depth"),
    ],
)
def test_which_channel_is_taken(passes, asked, channel, what):
    opened = open_channel("cg.{frame:04d}.exr", frame=7, root=passes, **asked)
    assert (opened.channel, opened.what) == (channel, what)
    names = ("R", "G", "B", "A", "depth.Z", "mattes.R", "mattes.G", "roto.A", "roto.soft")
    (plane,) = opened.image.planes.values()
    assert (plane == names.index(channel) + 1).all()


@pytest.mark.parametrize(
    ("asked", "message"),
    [
        ({"layer": "mattes"}, 'which channel of layer "mattes" .* is meant is not clear: mattes.G, mattes.R'),
        ({"layer": "matte"}, 'no layer "matte"\n .*did you mean "mattes"'),
        ({"channel": "depth.z"}, 'no channel "depth.z"\n .*did you mean "depth.Z"'),
        ({}, "name it with channel="),
    ],
)
def test_channels_that_are_not_clear(passes, asked, message):
    with pytest.raises(RequestError, match=message):
        open_channel("cg.0007.exr", root=passes, **asked)


def test_a_still_of_one_channel_is_a_matte(tmp_path):
    stills.write(tmp_path / "m.png", np.full((4, 4, 1), 1.0))
    opened = open_channel(tmp_path / "m.png")
    assert (opened.channel, opened.what) == ("Y", "matte")
    assert matte_statistics(opened.image, whole(opened.image)).one == 16


def test_overscan_is_measured_too(tmp_path):
    window = Window.of_size(8, 6).shift(-3, -2)
    exr.write(tmp_path / "z.exr", {"Z": np.full(window.shape, 3.0, np.float32)}, window=window,
              display=Window.of_size(4, 4))  # fmt: skip
    opened = open_channel(tmp_path / "z.exr")
    assert whole(opened.image).text == "-3,-2,8,6"
    assert depth_statistics(opened.image, whole(opened.image)).covered == 48


def test_the_demos_lantern_is_where_it_was_focused():
    """The demo's renders tell the distance on which their lens was focused, and the lantern stands there."""
    for shot in ("wide", "close", "lamp"):
        values = json.loads((DEMO / shot / "shot.json").read_text())
        opened = open_channel(DEMO / shot / "cg.1003.exr", layer="depth")
        found = depth_statistics(opened.image, whole(opened.image))
        assert found.median == pytest.approx(values["focus_distance"], rel=0.1)
