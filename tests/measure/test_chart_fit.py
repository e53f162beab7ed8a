"""Matrices between charts: planted ones come back, and fits equal those of colour-science and scipy."""

import warnings

import numpy as np
import pytest
import scipy.linalg
import scipy.optimize
from hypothesis import given
from hypothesis import strategies as st
from painted_chart import CORNERS, MATRIX, grainy, measured, paint

from stackcomp.errors import RequestError
from stackcomp.files.colorimetry import luminance_weights
from stackcomp.measure.chart_data import NAMES, published
from stackcomp.measure.chart_fit import fit_chart
from stackcomp.measure.chart_gradient import light_gradient
from stackcomp.measure.chart_match import Chart, match_chart
from stackcomp.measure.chart_picture import chart_picture

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import colour as science

PATCHES = published()
LINEAR = {"Cheung 2004": {"terms": 3}, "Finlayson 2015": {"degree": 1}}


def camera(patches=PATCHES, seed=2, scatter=0.03):
    """What a camera of other filters sees: no matrix undoes it wholly."""
    rng = np.random.default_rng(seed)
    return patches @ np.linalg.inv(MATRIX).T * np.exp(rng.normal(0, scatter, patches.shape))


@pytest.mark.parametrize("method", LINEAR)
def test_the_fit_equals_colour_science(method):
    source = camera()
    theirs = science.matrix_colour_correction(source, PATCHES, method=method, **LINEAR[method])
    fit = fit_chart(source, PATCHES)
    np.testing.assert_allclose(fit.matrix, theirs, rtol=1e-9, atol=1e-12)
    mapped = science.colour_correction(source, source, PATCHES, method=method, **LINEAR[method])
    np.testing.assert_allclose(fit.mapped, mapped, atol=1e-12)


def test_delta_e_equals_colour_science():
    source = camera()
    fit = fit_chart(source, PATCHES)
    space, white = science.RGB_COLOURSPACES["ACEScg"], np.array([0.34570291, 0.3585386])

    def lab(rgb):
        xyz = science.RGB_to_XYZ(rgb, space, white, chromatic_adaptation_transform="Bradford")
        return science.XYZ_to_Lab(xyz, white)

    for ours, values in ((fit.before, source), (fit.exposed, source * fit.exposure), (fit.after, fit.mapped)):
        np.testing.assert_allclose(ours, science.delta_E(lab(values), lab(PATCHES), method="CIE 2000"), atol=1e-4)


def test_a_grey_that_maps_exactly_equals_scipys_constrained_least_squares():
    source = camera()
    place = NAMES.index("neutral 5")
    fit = fit_chart(source, PATCHES, white="neutral 5")
    np.testing.assert_allclose(fit.mapped[place], PATCHES[place], rtol=1e-12)
    for row, target in zip(fit.matrix, PATCHES.T, strict=True):
        best = scipy.optimize.minimize(
            lambda m, t=target: ((source @ m - t) ** 2).sum(),
            np.full(3, 0.3),
            constraints={"type": "eq", "fun": lambda m, t=target: source[place] @ m - t[place]},
            method="SLSQP",
            options={"ftol": 1e-15, "maxiter": 500},
        )
        np.testing.assert_allclose(row, best.x, atol=2e-5)
    assert fit.residual >= fit_chart(source, PATCHES).residual


def test_a_planted_matrix_is_recovered_under_grain():
    other = grainy(paint(PATCHES), 0.02, 1)
    plate = grainy(paint(PATCHES @ MATRIX.T), 0.02, 2)
    found = match_chart(Chart(measured(other), CORNERS), Chart(measured(plate), CORNERS))
    assert np.nanmean(found.fit.after) < 0.5
    assert np.nanmean(found.fit.before) > 5
    # Against the planted one itself, not only against the plate's patches with their own grain.
    truth = fit_chart(PATCHES @ found.fit.matrix.T, PATCHES @ MATRIX.T)
    assert truth.before.mean() < 0.5
    assert (np.abs(found.fit.matrix - MATRIX) < 5 * found.fit.errors).all()
    assert found.doubts == ()


def test_standard_errors_tell_the_scatter_of_the_matrix():
    rng = np.random.default_rng(6)
    fits = [fit_chart(PATCHES, PATCHES @ MATRIX.T + rng.normal(0, 0.004, PATCHES.shape)) for _ in range(400)]
    scatter = np.std([fit.matrix for fit in fits], axis=0)
    np.testing.assert_allclose(np.mean([fit.errors for fit in fits], axis=0), scatter, rtol=0.12)


def test_standard_errors_with_an_exact_grey_equal_those_in_scipys_null_space():
    source, place = camera(), NAMES.index("white 9.5")
    fit = fit_chart(source, PATCHES, white="white 9.5")
    free = scipy.linalg.null_space(source[place][None])  # the two directions in which a row may move
    spread = free @ np.linalg.inv(free.T @ source.T @ source @ free) @ free.T
    scatter = ((fit.mapped - PATCHES) ** 2).sum(axis=0) / (24 - 2)
    np.testing.assert_allclose(fit.errors, np.sqrt(np.outer(scatter, np.diag(spread))), rtol=1e-8)


numbers = st.floats(-0.3, 0.3)


@given(st.tuples(*[numbers] * 9), st.floats(0.05, 20))
def test_without_grain_every_matrix_comes_back(off, exposure):
    matrix = (np.eye(3) + np.array(off).reshape(3, 3) * (1 - np.eye(3))) * exposure
    target = PATCHES @ matrix.T
    if np.any(target[18:] <= 0):
        return
    fit = fit_chart(PATCHES, target)
    np.testing.assert_allclose(fit.matrix, matrix, atol=1e-9 * exposure)
    assert np.nanmax(fit.after) < 1e-4


@given(st.floats(0.01, 100))
def test_exposure_alone(factor):
    fit = fit_chart(PATCHES / factor, PATCHES)
    assert fit.exposure == pytest.approx(factor)
    assert fit.stops == pytest.approx(np.log2(factor), abs=1e-9)
    assert np.nanmax(fit.exposed) < 1e-6


def test_a_chart_in_the_shade_is_judged_as_if_lit_well():
    source = camera()
    well, shaded = fit_chart(source, PATCHES), fit_chart(source / 16, PATCHES / 16)
    np.testing.assert_allclose(shaded.after, well.after, atol=1e-9)
    assert shaded.scale == pytest.approx(16)


def test_clipped_patches_are_left_out_and_told():
    patches = PATCHES * 2
    picture = np.minimum(paint(patches), 1.0)
    found = match_chart(Chart(measured(picture, ceiling=1.0), CORNERS))
    left_out = [name for name, used in zip(NAMES, found.fit.used, strict=True) if not used]
    assert left_out == [name for name, rgb in zip(NAMES, patches, strict=True) if rgb.max() >= 1]
    assert len(left_out) > 3
    assert f"left out, since clipped in the other picture: {', '.join(left_out)}" in found.doubts
    np.testing.assert_allclose(found.fit.matrix, np.eye(3) / 2, atol=1e-6)
    assert np.isnan(found.fit.after[NAMES.index("white 9.5")])


@pytest.mark.parametrize(("right", "down"), [(0.25, 0.0), (-0.15, 0.1), (0.0, -0.2)])
def test_a_gradient_of_light_is_measured_and_told(right, down):
    def light(u, v):
        return np.exp(np.log1p(right) * u + np.log1p(down) * v)

    other = grainy(paint(PATCHES @ np.linalg.inv(MATRIX).T, light=light), 0.02)
    chart = Chart(measured(other), CORNERS)
    found = match_chart(chart)
    assert found.gradient.right == pytest.approx(right, abs=0.015)
    assert found.gradient.down == pytest.approx(down, abs=0.015)
    assert found.gradient.notable
    assert any("the light on the other picture's chart changes by" in warning for warning in found.doubts)
    evened = match_chart(chart, even=True)
    assert evened.doubts == ()
    assert np.nanmean(evened.fit.after) < 0.5 < np.nanmean(found.fit.after)


def test_even_light_gives_no_warning():
    found = match_chart(Chart(measured(grainy(paint(camera(scatter=0.01)))), CORNERS))
    assert not found.gradient.notable
    assert found.doubts == ()


def test_the_same_gradient_on_both_charts_does_no_harm():
    def light(u, v):
        return np.exp(-0.3 * u)

    other, plate = paint(PATCHES, light=light), paint(PATCHES @ MATRIX.T, light=light)
    found = match_chart(Chart(measured(other), CORNERS), Chart(measured(plate), CORNERS))
    assert abs(found.gradient.right) < 1e-6
    np.testing.assert_allclose(found.fit.matrix, MATRIX, atol=1e-5)


def test_the_gradient_of_patches_without_grain_is_exact():
    weights = luminance_weights("ACEScg")
    column = np.arange(24) % 6
    field = np.exp(np.log(1.2) * ((column + 0.5) / 6 - 0.5))
    found = light_gradient(PATCHES @ MATRIX.T * field[:, None], PATCHES, np.ones(24, bool), weights)
    assert found.right == pytest.approx(0.2, abs=1e-4)
    assert found.down == pytest.approx(0, abs=1e-4)
    np.testing.assert_allclose(found.field, field, rtol=1e-4)


def test_a_veil_of_light_is_doubted():
    found = match_chart(Chart(measured(paint(PATCHES + 0.12)), CORNERS))
    assert any("do not agree well" in warning for warning in found.doubts)


def test_what_cannot_be_fitted():
    with pytest.raises(RequestError, match="hardly differ in colour"):
        fit_chart(np.repeat(PATCHES[:, 1:2], 3, axis=1), PATCHES)
    with pytest.raises(RequestError, match="only 11 of 24 patches can be used"):
        fit_chart(PATCHES, PATCHES, used=np.arange(24) > 12)
    with pytest.raises(RequestError, match='"red" is not a grey patch'):
        fit_chart(PATCHES, PATCHES, white="red")
    with pytest.raises(RequestError, match=r'"white 9\.5" is clipped or dark'):
        fit_chart(PATCHES, PATCHES, used=np.arange(24) != 18, white="white 9.5")
    with pytest.raises(RequestError, match="no light in its greys"):
        fit_chart(PATCHES, np.where(np.arange(24)[:, None] < 18, PATCHES, -PATCHES))


def test_the_picture_holds_the_patches_as_a_screen_shows_them():
    # Both in the shade: the picture shows them as if lit well.
    other, plate = paint(PATCHES @ np.linalg.inv(MATRIX).T / 7), paint(PATCHES / 5)
    found = match_chart(Chart(measured(other), CORNERS), Chart(measured(plate), CORNERS))
    drawn = chart_picture(found)
    space = science.RGB_COLOURSPACES["sRGB"]
    shown = science.RGB_to_RGB(PATCHES, science.RGB_COLOURSPACES["ACEScg"], space, "Bradford")
    shown = np.rint(np.clip(science.cctf_encoding(np.clip(shown, 0, 1), "sRGB"), 0, 1) * 255)
    for k in range(24):
        row, column = divmod(k, 6)
        x, y = 10 + column * 126 + 58, 10 + row * 122
        before, target, after = (drawn[y + 26 * band + 13, x].astype(int) for band in range(3))
        assert np.abs(target - shown[k]).max() <= 1
        assert np.abs(after - target).max() <= 1
        assert np.abs(before - target).max() > 3 or k >= 18
