"""The chart's published data and the way to X Y Z, against colour-science and the Academy's figures."""

import warnings

import numpy as np
import pytest

from stackcomp.errors import RequestError
from stackcomp.files.colorimetry import D50, adapted, luminance_weights, white_xyz, xyz_d50_matrix
from stackcomp.measure.chart_data import COLUMNS, NAMES, NEUTRALS, ROWS, published
from stackcomp.measure.delta_e import lab_from_xyz

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import colour as science

CHART = science.CCS_COLOURCHECKERS["ColorChecker24 - After November 2014"]
SPACES = {"ACEScg": "ACEScg", "ACES2065-1": "ACES2065-1", "Linear Rec.709 (sRGB)": "sRGB"}


def test_names_stand_in_the_order_of_the_chart():
    assert len(NAMES) == ROWS * COLUMNS == 24
    assert [NAMES[k] for k in NEUTRALS] == [
        "white 9.5",
        "neutral 8",
        "neutral 6.5",
        "neutral 5",
        "neutral 3.5",
        "black 2",
    ]
    assert [name.split(" (")[0] for name in CHART.data] == list(NAMES)


@pytest.mark.parametrize("space", SPACES)
def test_published_patches_equal_colour_science(space):
    xyz = science.xyY_to_XYZ(np.array(list(CHART.data.values())))
    target = science.RGB_COLOURSPACES[SPACES[space]].copy()
    # Else it takes the matrix of the sRGB standard, which is rounded to four places.
    target.use_derived_transformation_matrices(True)
    theirs = science.XYZ_to_RGB(xyz, target, CHART.illuminant, chromatic_adaptation_transform="Bradford")
    np.testing.assert_allclose(published(space), theirs, atol=2e-6)


def test_two_patches_in_acescg():
    # Computed with colour-science 0.4.7, Bradford.
    patches = dict(zip(NAMES, published("ACEScg"), strict=True))
    np.testing.assert_allclose(patches["neutral 5"], (0.190354, 0.190783, 0.189921), atol=2e-6)
    np.testing.assert_allclose(patches["dark skin"], (0.135748, 0.085090, 0.058181), atol=2e-6)


def test_luminance_of_ap1():
    # The Academy's aces-dev.
    np.testing.assert_allclose(luminance_weights("ACEScg"), (0.2722287168, 0.6740817658, 0.0536895174), atol=1e-8)


def test_lab_of_the_patches_equals_colour_science():
    xyz = science.xyY_to_XYZ(np.array(list(CHART.data.values())))
    ours = lab_from_xyz(published("ACEScg") @ xyz_d50_matrix("ACEScg").T, white_xyz(D50))
    np.testing.assert_allclose(ours, science.XYZ_to_Lab(xyz, CHART.illuminant), atol=1e-4)


def test_adaptation_equals_colour_science():
    source, target = (0.32168, 0.33767), (0.3127, 0.3290)
    theirs = science.adaptation.matrix_chromatic_adaptation_VonKries(
        science.xy_to_XYZ(source), science.xy_to_XYZ(target), transform="Bradford"
    )
    np.testing.assert_allclose(adapted(source, target), theirs, atol=1e-12)


def test_white_becomes_white_in_every_space():
    for space in SPACES:
        np.testing.assert_allclose(xyz_d50_matrix(space) @ [1, 1, 1], white_xyz(D50), atol=3e-4)


@pytest.mark.parametrize("space", ["ACEScct", "sRGB - Display", "no such space"])
def test_spaces_whose_primaries_are_not_known(space):
    with pytest.raises(RequestError, match=r"the primaries of .* are not known"):
        published(space)
