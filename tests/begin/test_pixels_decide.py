"""What headers do not tell: style of the shadow pass, state of alpha, the channel of a matte."""

import numpy as np
import pytest
from begin.small_shot import disc, edge, plate_planes, sequence, shade, write

from stackcomp.begin.alpha import alpha_seen
from stackcomp.begin.layers import layers_of
from stackcomp.begin.material import locate
from stackcomp.begin.mattes import matte_channel, matte_file
from stackcomp.begin.samples import few, samples_of
from stackcomp.begin.shadow import shadow_pass
from stackcomp.errors import RequestError


def passed(tmp_path, planes, told=None):
    write(tmp_path / "x.exr", planes)
    material = locate(str(tmp_path / "x.exr"), "--cg")
    (layer,) = layers_of(material.header.channels, {})
    return shadow_pass(layer, samples_of(material, layer.channels, [1]), told)


def test_a_ratio_is_mostly_one(tmp_path):
    found = passed(tmp_path, {f"shadow.{c}": shade() for c in "RGB"})
    assert found.style == "ratio"
    assert found.channels == {c: f"shadow.{c}" for c in "RGB"}
    assert "between 0.3 and 1 on frame 1" in found.reason


def test_a_ratio_with_light_of_the_cg_is_one(tmp_path):
    assert passed(tmp_path, {f"shadow.{c}": shade() * 1.3 for c in "RGB"}).style == "ratio"


def test_a_ratio_that_is_black_where_the_cg_stands(tmp_path):
    ratio = np.where(edge() > 0.8, 0, shade())
    assert passed(tmp_path, {f"shadow.{c}": ratio for c in "RGB"}).style == "ratio"


def test_a_ratio_in_one_channel(tmp_path):
    assert passed(tmp_path, {"shadow.Y": shade()}).channels == dict.fromkeys("RGB", "shadow.Y")


def test_coverage_is_mostly_zero(tmp_path):
    found = passed(tmp_path, {"shadow.A": 1 - shade()})
    assert found.style == "coverage"
    assert found.channels == {"R": 0, "G": 0, "B": 0, "A": "shadow.A"}
    in_colour = passed(tmp_path, {f"shadow.{c}": 1 - shade() for c in "RGB"})
    assert (in_colour.style, in_colour.channels["A"]) == ("coverage", "shadow.G")


def test_black_with_alpha_is_coverage(tmp_path):
    found = passed(tmp_path, {**{f"shadow.{c}": shade() * 0 for c in "RGB"}, "shadow.A": 1 - shade()})
    assert (found.style, found.coloured, found.channels["R"], found.channels["A"]) == (
        "coverage",
        False,
        0,
        "shadow.A",
    )
    tinted = {**{f"shadow.{c}": 0.1 * (1 - shade()) for c in "RGB"}, "shadow.A": 1 - shade()}
    coloured = passed(tmp_path, tinted)
    assert (coloured.style, coloured.coloured, coloured.channels["R"]) == ("coverage", True, "shadow.R")


def test_a_ratio_with_an_alpha_of_one(tmp_path):
    planes = {**{f"shadow.{c}": shade() for c in "RGB"}, "shadow.A": np.ones_like(shade())}
    assert passed(tmp_path, planes).style == "ratio"


def test_neither_is_unclear_and_can_be_told(tmp_path):
    half = {f"shadow.{c}": np.full_like(shade(), 0.5) for c in "RGB"}
    assert passed(tmp_path, half).style is None
    assert passed(tmp_path, half, "coverage").channels["A"] == "shadow.G"
    assert passed(tmp_path, half, "ratio").channels["R"] == "shadow.R"


def seen(tmp_path, planes):
    write(tmp_path / "x.exr", planes)
    material = locate(str(tmp_path / "x.exr"), "--cg")
    return alpha_seen(samples_of(material, list("RGBA"), [1]), list("RGB"), "A").state


def test_edges_tell_the_state_of_alpha(tmp_path):
    assert seen(tmp_path, disc()) == "premultiplied"
    assert seen(tmp_path, disc(straight=True)) == "straight"
    solid = {**disc(), "A": np.ones_like(edge())}
    assert seen(tmp_path, solid) == "unseen"
    glowing = {name: plane + (0.6 if name != "A" else 0) for name, plane in disc(straight=True).items()}
    assert seen(tmp_path, glowing) == "unclear"


def test_a_flame_with_light_under_alpha_0_is_unclear(candle, tmp_path):
    # CandleGlass of the OpenEXR project: premultiplied, but its light has no coverage.
    planes = {name: candle[name] for name in "RGBA"}
    exr_window = candle.window
    write(tmp_path / "x.exr", planes, window=exr_window, display=exr_window)
    material = locate(str(tmp_path / "x.exr"), "--cg")
    assert alpha_seen(samples_of(material, list("RGBA"), [1]), list("RGB"), "A").state != "straight"


def test_not_finite_pixels_are_put_aside(tmp_path):
    ratio = shade()
    ratio[0, :3] = (np.nan, np.inf, -np.inf)
    assert passed(tmp_path, {f"shadow.{c}": ratio for c in "RGB"}).style == "ratio"


def test_a_few_frames():
    assert few(range(1001, 1101)) == [1001, 1051, 1100]
    assert (few([5]), few([])) == ([5], [])


@pytest.mark.parametrize(
    ("planes", "channel", "alone"),
    [
        ({"matte": edge()}, "matte", True),
        ({**plate_planes(), "A": edge()}, "A", False),
        ({**dict.fromkeys("RGB", edge()), "A": np.ones_like(edge())}, "R", False),
        (dict.fromkeys("RGB", edge()), "R", False),
    ],
)
def test_the_channel_of_a_matte(tmp_path, planes, channel, alone):
    write(tmp_path / "m.exr", planes)
    found = matte_channel(matte_file(str(tmp_path / "m.exr"), "--matte", tmp_path), [1])
    assert (found.channel, found.alone) == (channel, alone)


def test_a_matte_that_is_not_clear_can_be_named(tmp_path):
    write(tmp_path / "m.exr", plate_planes())
    with pytest.raises(RequestError) as raised:
        matte_channel(matte_file(str(tmp_path / "m.exr"), "--matte", tmp_path), [1])
    assert raised.value.problems[0].rule == "channel-unknown"
    assert f'--matte "{tmp_path}/m.exr:B"' in raised.value.problems[0].way_out
    named = matte_channel(matte_file(str(tmp_path / "m.exr:g"), "--matte", tmp_path), [1])
    assert named.channel == "G"
    with pytest.raises(RequestError, match='no channel "X"'):
        matte_channel(matte_file(str(tmp_path / "m.exr:X"), "--matte", tmp_path), [1])


def test_values_of_a_matte_out_of_range_are_said(tmp_path):
    sequence(tmp_path, "m", {"A": edge() * 255}, (1, 2))
    doubt = matte_channel(matte_file(str(tmp_path / "m.0001.exr"), "--matte", tmp_path), [1, 2]).doubt
    assert "between 0 and 255" in doubt
