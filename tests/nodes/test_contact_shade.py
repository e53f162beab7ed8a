"""contact_shade against a plain composition of scipy.ndimage's filters in float64."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from stackcomp import CheckError, DocumentError, Image, Matte, Window
from stackcomp.data.port_types import Colour, Encoding

HEIGHT, WIDTH = 70, 90
FIELDS = {"image": "p", "matte": "m"}


def cg(seed=1):
    """Premultiplied, with soft edges, highlights, and a flame: light under alpha 0."""
    draw = np.random.default_rng(seed)
    y, x = np.mgrid[:HEIGHT, :WIDTH]
    alpha = np.clip((30 - np.hypot(x - 45, y - 35)) / 6, 0, 1)
    pixels = np.dstack([draw.random((HEIGHT, WIDTH, 3)) * 8 * alpha[..., None], alpha])
    pixels[5:9, 5:9] = [6, 3, 1, 0]
    return pixels.astype(np.float32)


def bar():
    matte = np.zeros((HEIGHT, WIDTH), np.float32)
    matte[:, 40:46] = 1
    matte[:, 46] = 0.4
    return matte


def given_of(pixels=None, matte=None):
    return {
        "p": Image.from_array(cg() if pixels is None else pixels),
        "m": Image.from_array(bar() if matte is None else matte, type=Matte()),
    }


def shaded(render, pixels=None, matte=None, **fields):
    return render("contact_shade", given_of(pixels, matte), **{**FIELDS, **fields}).to_array()


def by_scipy(pixels, matte, offset, radius, sigma, density, tint):
    """Grey dilation by a whole-pixel disc, a Gaussian, a linear shift; then the multiplication."""
    reach = int(radius)
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    grown = ndimage.grey_dilation(
        matte.astype(np.float64), footprint=x * x + y * y <= radius * radius, mode="nearest"
    )
    soft = ndimage.gaussian_filter(grown, sigma, mode="nearest", truncate=5) if sigma else grown
    shade = density * ndimage.shift(soft, offset[::-1], order=1, mode="nearest")
    factor = 1 - shade[..., None] * (1 - np.asarray(tint))
    expected = pixels.astype(np.float64)
    expected[..., :3] *= np.where(pixels[..., 3:] > 0, factor, 1)
    return expected


@pytest.mark.parametrize("offset", [(0, 0), (5, 3), (-4.25, 2.5), (0.75, -6)])
@pytest.mark.parametrize(("radius", "sigma"), [(0, 0), (3, 0), (0, 2.5), (2, 4)])
def test_as_scipy(render, offset, radius, sigma):
    density, tint = 0.7, (0.1, 0.2, 0.6)
    got = shaded(render, offset=offset, size=radius, softness=sigma, density=density, tint=tint)
    expected = by_scipy(cg(), bar(), offset, radius, sigma, density, tint)
    # scipy's discs have whole pixels alone; beside a straight bar and with whole radii that makes no difference.
    np.testing.assert_allclose(got, expected, atol=2e-5)


@pytest.mark.parametrize("offset", [(0, 0), (2.25, 3.75), (-4.5, -1.125)])
def test_a_box_as_scipy(render, offset):
    box = np.zeros((HEIGHT, WIDTH), np.float32)
    box[25:40, 30:55] = 1
    got = shaded(render, matte=box, offset=offset, softness=1.5, density=0.9)
    np.testing.assert_allclose(got, by_scipy(cg(), box, offset, 0, 1.5, 0.9, (0, 0, 0)), atol=2e-5)


def test_by_hand(one_pixel):
    pixels = {"p": (0.4, 0.2, 1.0, 0.5), "m": 0.5}
    got = one_pixel("contact_shade", pixels, {"m": Matte()}, softness=0, density=0.8, tint=[0.5, 0, 0], **FIELDS)
    # The shade is 0.4; a half, all and all of it is taken.
    assert got == pytest.approx([0.4 * 0.8, 0.2 * 0.6, 0.6, 0.5])


@settings(max_examples=20, deadline=None)
@given(
    st.floats(-20, 20), st.floats(-20, 20), st.floats(0, 6), st.floats(0, 6), st.floats(0, 1), st.integers(0, 99)
)
def test_it_never_brightens_and_alpha_stays(render, right, down, size, softness, density, seed):
    pixels = cg(seed)
    matte = np.random.default_rng(seed).normal(0.5, 1, (HEIGHT, WIDTH)).astype(np.float32)
    got = shaded(render, pixels, matte, offset=[right, down], size=size, softness=softness, density=density)
    assert (got <= pixels).all()
    assert (got >= 0).all()
    assert np.array_equal(got[..., 3], pixels[..., 3])


def test_light_without_coverage_stays(render):
    got = shaded(render, matte=np.ones((HEIGHT, WIDTH), np.float32), density=1)
    assert np.array_equal(got[5:9, 5:9], cg()[5:9, 5:9])
    assert not got[35, 45, :3].any()


def test_nothing_in_front_or_no_density_changes_nothing(render):
    assert np.array_equal(shaded(render, matte=bar() * 0, size=3), cg())
    assert np.array_equal(shaded(render, density=0), cg())
    assert np.array_equal(shaded(render, tint=[1, 1, 1]), cg())
    assert np.array_equal(shaded(render, offset=[2000, 0], matte=np.pad(bar()[:, 1:-1], ((0, 0), (1, 1)))), cg())


def test_only_near_the_thing(render):
    got = shaded(render, softness=1, size=2, offset=[4, 0])
    changed = np.flatnonzero((got != cg()).any(axis=(0, 2)))
    assert changed.min() >= 40 + 4 - 2 - 5
    assert changed.max() <= 46 + 4 + 2 + 5


def test_what_is_restored_on_top_is_not_shaded(render):
    plate = np.random.default_rng(3).random((HEIGHT, WIDTH, 3)).astype(np.float32)
    given = given_of()
    below = render("contact_shade", given, **FIELDS, offset=[3, 1])
    on_top = {"s": Image.from_array(plate), "b": below, "m": given["m"]}
    got = render("restore", on_top, source="s", backdrop="b", matte="m").to_array()
    assert np.array_equal(got[:, 40:46, :3], plate[:, 40:46])
    assert (got[35, 47:50, :3] < cg()[35, 47:50, :3]).all()


def test_within_and_amount(render):
    given = given_of()
    half = np.zeros((HEIGHT, WIDTH), np.float32)
    half[:35] = 1
    given["w"] = Image.from_array(half, type=Matte())
    got = render("contact_shade", given, **FIELDS, within="w", amount=0.5).to_array()
    whole = shaded(render)
    assert np.array_equal(got[35:], cg()[35:])
    np.testing.assert_allclose(got[:35], (whole[:35] + cg()[:35]) / 2, rtol=1e-5, atol=1e-7)


def test_a_picture_without_alpha_is_shaded_everywhere(render):
    grey = np.full((HEIGHT, WIDTH, 3), 0.5, np.float32)
    assert (shaded(render, grey, softness=2)[:, 40:46] < 0.5).all()


def test_a_thing_that_leaves_the_frame_shades_up_to_its_edge(render):
    grey = np.full((HEIGHT, WIDTH, 3), 0.5, np.float32)
    got = shaded(render, grey, softness=3, offset=[0, 6])
    np.testing.assert_allclose(got[0], got[35], rtol=1e-5)


def test_values_that_are_not_finite_do_not_spread(render):
    matte = bar()
    matte[30, 42] = np.nan
    got = render("contact_shade", given_of(None, matte), warn=lambda *_: None, **FIELDS).to_array()
    assert np.isfinite(got).all()
    pixels = cg()
    pixels[30, 30, 0] = np.inf
    got = render("contact_shade", given_of(pixels), warn=lambda *_: None, **FIELDS).to_array()
    assert np.isfinite(got).all()


def test_windows_smaller_than_the_frame(render):
    frame = Window.of_size(WIDTH, HEIGHT)
    part = Window(20, 10, 60, 50)
    small = {
        "p": Image.from_array(cg()[10:50, 20:60], origin=(20, 10), display=frame),
        "m": Image.from_array(bar()[5:60, 30:70], type=Matte(), origin=(30, 5), display=frame),
    }
    got = render("contact_shade", small, **FIELDS, softness=1)
    assert got.window == part
    padded = np.zeros_like(bar())
    padded[5:60, 30:70] = bar()[5:60, 30:70]
    expected = shaded(render, matte=padded, softness=1)
    np.testing.assert_allclose(got.to_array()[10:50, 20:60], expected[10:50, 20:60], rtol=1e-5, atol=1e-6)


def test_a_preview_looks_the_same(render):
    pixels, matte = np.full((80, 96, 3), 0.5, np.float32), np.zeros((80, 96), np.float32)
    matte[:, 40:48] = 1
    whole = shaded(render, pixels, matte, offset=[8, 0], size=4, softness=5)
    half = shaded(render, pixels, matte, offset=[8, 0], size=4, softness=5, at=0.5)
    assert np.abs(half - whole.reshape(40, 2, 48, 2, 3).mean(axis=(1, 3))).max() < 0.02


@pytest.mark.parametrize(
    ("fields", "said"),
    [({"density": 1.5}, "above the largest value 1"), ({"size": -1}, "below"), ({"offset": [1]}, "offset")],
)
def test_bad_values(render, fields, said):
    with pytest.raises(DocumentError, match=said):
        shaded(render, **fields)


def test_display_encoded_light_is_refused(render):
    given = given_of()
    given["p"] = Image.from_array(cg(), type=Colour("premultiplied", Encoding("sRGB", "display")))
    with pytest.raises(CheckError, match="scene-linear"):
        render("contact_shade", given, **FIELDS)
