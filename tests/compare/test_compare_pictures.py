"""Two pictures: what must be found, what must not, and the laws of the tolerance."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stackcomp import Colour, Depth, Encoding, Ids, Image, Layers, Matte, Ratio, RequestError, Window
from stackcomp.compare import EXACT, Tolerance, compare_pictures

SIZE = (12, 20)


def noise(seed: int = 0, channels: int = 4) -> Image:
    return Image.from_array(np.random.default_rng(seed).random((*SIZE, channels), np.float32))


def changed(image: Image, channel: str, y: int, x: int, value: float) -> Image:
    plane = image[channel].copy()
    plane[y, x] = value
    return image.with_planes(**{channel: plane})


def test_a_picture_equals_itself():
    compared = compare_pictures(noise(), noise(), EXACT)
    assert compared.equal
    assert str(compared) == "equal"
    assert compared.layers[0].psnr == np.inf


@pytest.mark.parametrize("channel", "RGBA")
def test_one_pixel_of_one_channel_is_found(channel):
    image = noise()
    compared = compare_pictures(changed(image, channel, 7, 11, 0.4), changed(image, channel, 7, 11, 0.5))
    (layer,) = compared.layers
    assert not compared.equal
    assert layer.worst == (11, 7)
    assert layer.over == 1
    assert layer.largest == pytest.approx(0.1, rel=1e-6)
    assert layer.values[channel] == pytest.approx((0.4, 0.5))
    assert "pixel 11,7 differs by 0.1" in compared.differences[0]


def test_alpha_alone_is_found():
    image = noise()
    compared = compare_pictures(image, image.with_planes(A=image["A"] * 0.5))
    assert not compared.equal
    assert compared.layers[0].share > 0.9


def test_a_shift_by_one_is_found():
    image = noise()
    planes = {name: np.roll(plane, 1, axis=1) for name, plane in image.items()}
    assert not compare_pictures(image, image.with_planes(planes), Tolerance(0.01, 0.01, 0.1)).equal


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_a_value_that_is_not_finite_has_no_tolerance(value):
    image, wide = noise(), Tolerance(1e9, 1.0, 1e9)
    compared = compare_pictures(changed(image, "G", 3, 4, value), image, wide)
    assert not compared.equal
    places = compared.layers[0].not_finite["G"]
    assert (places.count, places.first, places.values[1]) == (1, (4, 3), image["G"][3, 4])
    assert places.values[0] == pytest.approx(value, nan_ok=True)
    assert compared.differences[0].startswith("G: not finite in the same way at 1 pixel, first 4,3 (")
    assert json.dumps(compared.as_dict(), allow_nan=False)
    both = changed(image, "G", 3, 4, value)
    assert compare_pictures(both, changed(image, "G", 3, 4, value), EXACT).equal


def test_infinities_of_other_signs_and_nan_differ():
    image, wide = noise(), Tolerance(1e9, 1.0, 1e9)
    for a, b in ((np.inf, -np.inf), (np.nan, np.inf)):
        assert not compare_pictures(changed(image, "R", 0, 0, a), changed(image, "R", 0, 0, b), wide).equal


def test_minus_0_is_0():
    image = noise()
    assert compare_pictures(changed(image, "R", 0, 0, 0.0), changed(image, "R", 0, 0, -0.0), EXACT).equal


def test_other_windows():
    image = noise()
    window, display = Window(1, 0, 21, 12), Window(0, 0, 20, 13)
    shifted = compare_pictures(replace(image, window=window), image)
    assert shifted.differences[0].startswith("the data window is ")
    framed = compare_pictures(replace(image, display=display), image)
    assert framed.differences == (f"the frame is {display} / {image.display}",)


def test_a_data_window_may_hold_less_where_that_is_allowed():
    image = noise()
    plain = {name: np.pad(plane[2:, 3:], ((2, 0), (3, 0))) for name, plane in image.items()}
    whole = image.with_planes(plain)
    cropped = whole.over(Window(3, 2, 20, 12))
    assert not compare_pictures(whole, cropped).equal
    assert compare_pictures(whole, cropped, EXACT, windows_may_differ=True).equal
    lost = whole.over(Window(4, 2, 20, 12))
    assert not compare_pictures(whole, lost, EXACT, windows_may_differ=True).equal


def test_outside_a_ratio_is_1():
    ratio = Image.from_array(np.ones((*SIZE, 3)), type=Ratio())
    cropped = ratio.over(Window(3, 2, 20, 12))
    assert compare_pictures(ratio, cropped, EXACT, windows_may_differ=True).equal


def test_other_channels_and_types():
    image = noise()
    bare = Image.from_array(image.to_array()[..., :3])
    compared = compare_pictures(image, bare)
    assert compared.differences[0] == "channel A only in the first"
    assert compared.differences[1].startswith("the type is premultiplied colour")
    log = Image.from_array(image.to_array(), encoding="ACEScct")
    assert not compare_pictures(image, log).equal
    assert compare_pictures(image, log, types=False).equal
    assert Colour("none", Encoding("ACEScg", "scene-linear")) == bare.type


def test_ids_have_no_tolerance():
    ids = np.full(SIZE, 0x7F800123, np.uint32)
    cover = np.ones(SIZE, np.float32)
    window = Window.of_size(SIZE[1], SIZE[0])
    image = Image({"id0": ids, "cover0": cover}, window, window, Ids(1))
    off = ids.copy()
    off[5, 6] ^= 1
    compared = compare_pictures(image, image.with_planes(id0=off), Tolerance(1e9, 1.0, 1e9))
    assert compared.differences == ("id0: ids differ at 1 pixel, first 6,5 (7f800123 / 7f800122)",)


def test_ids_in_float_planes_of_a_files_layers_have_no_tolerance():
    """Source: the open ID-matte specification (Cryptomatte 1.2.0), which names layers of ids in the header."""
    bits = np.full(SIZE, 0x3F123456, np.uint32)
    # As a number, this is a NaN that warns when it is widened.
    bits[2, 3] = 0x7F800123
    names = ("A", "object00.R", "object00.G")
    said = Layers(names, metadata={"cryptomatte/abcdef0/name": "object"})
    planes = {name: np.ones(SIZE, np.float32) for name in names}
    window = Window.of_size(SIZE[1], SIZE[0])
    image = Image({**planes, "object00.R": bits.view(np.float32)}, window, window, said)
    assert compare_pictures(image, image, EXACT).equal
    wide = Tolerance(1e9, 1.0, 1e9)
    for y, x, flipped in ((5, 6, "3f123457"), (2, 3, "7f800122")):
        off = bits.copy()
        off[y, x] ^= 1
        other = image.with_planes({"object00.R": off.view(np.float32)})
        finding = f"object00.R: ids differ at 1 pixel, first {x},{y} ({bits[y, x]:08x} / {flipped})"
        assert compare_pictures(image, other, wide).differences == (finding,)
        # Only one of the two has the header that says so.
        bare = replace(other, type=Layers(names))
        assert compare_pictures(image, bare, wide).differences == (finding,)
        assert finding.split("(")[0] in compare_pictures(bare, image, wide).differences[0]
        assert compare_pictures(replace(image, type=Layers(names)), bare, wide).equal


def test_above_1_differences_are_relative():
    depth = Image.from_array(np.full(SIZE, 500.0), type=Depth())
    near = depth.with_planes(Z=np.full(SIZE, 500.04))
    assert compare_pictures(depth, near, Tolerance(1e-4, 0, 1e-4)).equal
    assert not compare_pictures(depth, near, Tolerance(1e-5, 0, 1e-4)).equal


def test_share_and_hard_limit_are_two_limits():
    image = Image.from_array(np.zeros(SIZE), type=Matte())
    some = np.zeros(SIZE, np.float32)
    some[0, :6] = 0.01
    other = image.with_planes(A=some)
    assert compare_pictures(image, other, Tolerance(0.001, 6 / 240, 0.01)).equal
    assert not compare_pictures(image, other, Tolerance(0.001, 5 / 240, 0.01)).equal
    assert not compare_pictures(image, other, Tolerance(0.001, 1, 0.0099)).equal


def test_pictures_of_one_pixel_and_of_none():
    one = Image.from_array([[0.5]], type=Matte())
    assert compare_pictures(one, one, EXACT).equal
    assert not compare_pictures(one, one.with_planes(A=[[0.6]]), Tolerance(0.01, 0.9, 0.2)).equal
    empty = Window(0, 0, 0, 0)
    nothing = Image({"A": np.zeros((0, 0), np.float32)}, empty, one.display, Matte())
    assert compare_pictures(nothing, nothing, EXACT).equal
    assert not compare_pictures(nothing, one, Tolerance(1, 1, 1)).equal
    assert (
        compare_pictures(nothing, one, Tolerance(1, 1, 1)).differences[0]
        == "the data window is empty / 1×1 at (0, 0)"
    )
    # An empty window holds nothing wherever it lies; what it may be compared with is 0.
    elsewhere = replace(nothing, window=Window(7, 7, 7, 7))
    assert compare_pictures(nothing, elsewhere, EXACT).equal
    assert not compare_pictures(nothing, one, EXACT, windows_may_differ=True).equal
    assert compare_pictures(nothing, one.with_planes(A=[[0]]), EXACT, windows_may_differ=True).equal


def test_windows_that_do_not_meet():
    here = Image.from_array(np.ones(SIZE), type=Matte())
    away = replace(here, window=here.window.shift(100, 0))
    compared = compare_pictures(here, away, Tolerance(1, 1, 1))
    assert compared.differences == (f"the data window is {here.window} / {away.window}",)
    (layer,) = compare_pictures(here, away, EXACT, windows_may_differ=True).layers
    assert layer.over == 2 * here["A"].size
    assert layer.worst == (0, 0)
    far = replace(here, window=here.window.shift(1 << 20, 1 << 20))
    with pytest.raises(RequestError, match="the window around both is"):
        compare_pictures(here, far, windows_may_differ=True)


def test_masks_come_before_numbers_of_other_layers():
    names = ("a.R", "b.R")
    image = Image.from_array(np.zeros((*SIZE, 2)), type=Layers(channels=names))
    other = image.with_planes({"a.R": np.ones(SIZE), "b.R": np.full(SIZE, np.nan)})
    findings = compare_pictures(image, other).differences
    assert findings[0].startswith("b.R: not finite in the same way at 240 pixels, first 0,0 (0 / nan)")
    assert findings[1].startswith("layer a: pixel 0,0 differs by 1")


def test_a_channel_with_a_tolerance_of_its_own_is_compared_by_itself():
    image = Image.from_array(np.zeros((*SIZE, 2)), type=Layers(channels=("R", "Z")))
    other = image.with_planes(Z=np.full(SIZE, 0.5))
    assert not compare_pictures(image, other).equal
    compared = compare_pictures(image, other, {"Z": Tolerance(0.5, 0, 0.5), "*": EXACT})
    assert compared.equal
    assert [layer.channels for layer in compared.layers] == [("R",), ("Z",)]


def test_a_tolerance_for_what_is_not_there_is_refused():
    image = noise()
    assert compare_pictures(image, image, {"A": EXACT, "*": EXACT, "": EXACT}).equal
    bare = Image.from_array(image.to_array()[..., :3])
    assert not compare_pictures(bare, image, {"A": EXACT}).equal
    with pytest.raises(RequestError, match='no layer or channel "Alpha"'):
        compare_pictures(image, image, {"Alpha": EXACT})


@pytest.mark.parametrize("rows", [1, 31, 32, 33, 64, 65])
def test_pixels_are_found_in_any_strip(rows):
    image = Image.from_array(np.zeros((rows, 7)), type=Matte(), origin=(-3, 5))
    for y in {0, rows // 2, rows - 1}:
        (layer,) = compare_pictures(image, changed(image, "A", y, 6, 0.25)).layers
        assert (layer.worst, layer.over, layer.largest) == ((3, 5 + y), 1, 0.25)
        found = compare_pictures(image, changed(image, "A", y, 2, np.inf)).layers[0].not_finite["A"]
        assert (found.first, found.count) == ((-1, 5 + y), 1)


def test_of_equal_differences_the_first_is_the_worst():
    image = Image.from_array(np.zeros((100, 9)), type=Matte())
    other = image.with_planes(A=np.where(np.arange(900).reshape(100, 9) >= 350, 0.5, 0))
    assert compare_pictures(image, other).layers[0].worst == (350 % 9, 350 // 9)


def test_text():
    image = noise()
    near = image.with_planes(G=image["G"] + np.float32(5e-5))
    assert str(compare_pictures(image, near)).startswith(
        "equal within the tolerance; largest difference 5e-05 (R, G, B, A at"
    )
    far = str(compare_pictures(image, changed(image, "A", 0, 0, 9)))
    assert far.splitlines()[0].startswith("different: R, G, B, A: pixel 0,0 differs by 0.")


pixels = st.lists(st.floats(-4, 4, width=32), min_size=6, max_size=6).map(
    lambda values: Image.from_array(np.reshape(np.float32(values), (2, 3)), type=Matte())
)
tolerances = st.builds(lambda a, b, c: Tolerance(a, b, a + c), *[st.floats(0, 1)] * 3)


@given(pixels, pixels, tolerances, st.floats(0, 1))
def test_laws(a, b, tolerance, more):
    there, back = compare_pictures(a, b, tolerance), compare_pictures(b, a, tolerance)
    assert there.equal == back.equal
    assert there.layers[0].largest == back.layers[0].largest
    assert compare_pictures(a, a, EXACT).equal
    wider = (
        Tolerance(tolerance.small + more, tolerance.share, tolerance.limit + more),
        Tolerance(tolerance.small, min(1, tolerance.share + more), tolerance.limit),
        Tolerance(tolerance.small, tolerance.share, tolerance.limit + more),
    )
    if there.equal:
        assert all(compare_pictures(a, b, limits).equal for limits in wider)
    assert not there.equal or there.layers[0].largest <= tolerance.limit
    largest = max(abs(x - y) / max(1, abs(x), abs(y)) for x, y in zip(*(i["A"].flat for i in (a, b)), strict=True))
    assert there.layers[0].largest == pytest.approx(largest, rel=1e-6, abs=1e-12)
