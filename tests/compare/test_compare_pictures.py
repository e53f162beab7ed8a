"""Two pictures: what must be found, what must not, and the same numbers from other libraries."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stackcomp import Colour, Depth, Encoding, Ids, Image, Matte, Ratio, Window
from stackcomp.compare import EXACT, Tolerance, compare_pictures, difference_picture

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
    assert compared.layers[0].not_finite == {"G": (1, (4, 3))}
    assert "G: 1 pixel not finite on one side alone" in compared.differences[0]
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
    assert compared.differences[0].startswith("the type is premultiplied colour")
    assert "channel A only in the first" in compared.differences
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
    assert compared.differences == ("id0: 1 pixel with another id, first 6,5",)


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
    empty = Window(0, 0, 0, 0)
    nothing = Image({"A": np.zeros((0, 0), np.float32)}, empty, one.display, Matte())
    assert compare_pictures(nothing, nothing, EXACT).equal
    assert not compare_pictures(nothing, one, Tolerance(1, 1, 1)).equal


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
    wider = Tolerance(tolerance.small + more, tolerance.share, tolerance.limit + more)
    if there.equal:
        assert compare_pictures(a, b, wider).equal
    largest = max(abs(x - y) / max(1, abs(x), abs(y)) for x, y in zip(*(i["A"].flat for i in (a, b)), strict=True))
    assert there.layers[0].largest == pytest.approx(largest, rel=1e-6, abs=1e-12)


def test_the_ratio_is_that_of_scikit_image():
    """Source: skimage.metrics.peak_signal_noise_ratio, data range as stated in the comparison."""
    from skimage.metrics import mean_squared_error, peak_signal_noise_ratio

    for scale in (1.0, 30.0):
        a = noise(1, 3).to_array() * np.float32(scale)
        b = a + np.random.default_rng(2).normal(0, 0.01, a.shape).astype(np.float32)
        (layer,) = compare_pictures(*map(Image.from_array, (a, b))).layers
        assert layer.peak == pytest.approx(max(1, np.abs(a).max(), np.abs(b).max()))
        wide = [array.astype(np.float64) for array in (a, b)]
        assert layer.psnr == pytest.approx(peak_signal_noise_ratio(*wide, data_range=layer.peak), rel=1e-6)
        square = layer.peak**2 / 10 ** (layer.psnr / 10)
        assert square == pytest.approx(mean_squared_error(*wide), rel=1e-6)


def test_numbers_are_those_of_openimageio():
    """Source: OpenImageIO's ImageBufAlgo.compare on the same pairs, 0 to 1, where nothing is relative."""
    oiio = pytest.importorskip("OpenImageIO")
    a = noise(3, 3).to_array()
    draw = np.random.default_rng(4)
    for sigma in (1e-4, 1e-3, 1e-2):
        b = np.clip(a + draw.normal(0, sigma, a.shape), 0, 1).astype(np.float32)
        (layer,) = compare_pictures(*map(Image.from_array, (a, b)), Tolerance(0.001, 1, 1)).layers
        theirs = oiio.ImageBufAlgo.compare(oiio.ImageBuf(a), oiio.ImageBuf(b), 0.001, 0.001)
        assert layer.largest == pytest.approx(theirs.maxerror, rel=1e-5)
        assert layer.over == theirs.nfail
        assert layer.mean == pytest.approx(theirs.meanerror, rel=1e-4)
        assert layer.worst == (theirs.maxx, theirs.maxy)


def test_the_picture_of_a_difference():
    """Against scikit-image's absolute difference, where values are 0 to 1."""
    from skimage.util import compare_images

    a, b = noise(5, 3), noise(6, 3)
    shown = difference_picture(a, b)
    assert shown.shape == (*SIZE, 3)
    theirs = np.max([compare_images(*(np.float64(i[c]) for i in (a, b)), method="diff") for c in "RGB"], axis=0)
    expected = np.rint(np.clip(np.log(theirs / 1e-5) / np.log(1e5), 0, 1) * 255)
    assert np.abs(shown[..., 0] - expected).max() <= 1
    assert not difference_picture(a, a).any()


def test_the_picture_shows_what_is_not_finite_and_what_one_alone_has():
    image = noise()
    shown = difference_picture(changed(image, "R", 2, 3, np.nan), image)
    assert shown[2, 3].tolist() == [255, 0, 255]
    empty = Image.from_array(np.zeros(SIZE), type=Matte())
    assert difference_picture(empty, empty.over(Window(0, 0, 10, 12)))[0, 15].tolist() == [0, 90, 200]
