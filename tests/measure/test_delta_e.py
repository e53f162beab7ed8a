"""CIEDE2000 against its published table and colour-science; L*a*b* against colour-science."""

import warnings

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stackcomp.measure.delta_e import delta_e_2000, lab_from_xyz

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import colour as science

# Table 1 of G. Sharma, W. Wu, E. N. Dalal, "The CIEDE2000 Color-Difference Formula: Implementation Notes,
# Supplementary Test Data, and Mathematical Observations" (2005), as it stands in scikit-image's test data
# (ciede2000_test_data.txt): L a b of one colour, of the other, and their difference.
SHARMA = """
50.0000 2.6772 -79.7751 50.0000 0.0000 -82.7485 2.0425
50.0000 3.1571 -77.2803 50.0000 0.0000 -82.7485 2.8615
50.0000 2.8361 -74.0200 50.0000 0.0000 -82.7485 3.4412
50.0000 -1.3802 -84.2814 50.0000 0.0000 -82.7485 1.0000
50.0000 -1.1848 -84.8006 50.0000 0.0000 -82.7485 1.0000
50.0000 -0.9009 -85.5211 50.0000 0.0000 -82.7485 1.0000
50.0000 0.0000 0.0000 50.0000 -1.0000 2.0000 2.3669
50.0000 -1.0000 2.0000 50.0000 0.0000 0.0000 2.3669
50.0000 2.4900 -0.0010 50.0000 -2.4900 0.0009 7.1792
50.0000 2.4900 -0.0010 50.0000 -2.4900 0.0010 7.1792
50.0000 2.4900 -0.0010 50.0000 -2.4900 0.0011 7.2195
50.0000 2.4900 -0.0010 50.0000 -2.4900 0.0012 7.2195
50.0000 -0.0010 2.4900 50.0000 0.0009 -2.4900 4.8045
50.0000 -0.0010 2.4900 50.0000 0.0010 -2.4900 4.8045
50.0000 -0.0010 2.4900 50.0000 0.0011 -2.4900 4.7461
50.0000 2.5000 0.0000 50.0000 0.0000 -2.5000 4.3065
50.0000 2.5000 0.0000 73.0000 25.0000 -18.0000 27.1492
50.0000 2.5000 0.0000 61.0000 -5.0000 29.0000 22.8977
50.0000 2.5000 0.0000 56.0000 -27.0000 -3.0000 31.9030
50.0000 2.5000 0.0000 58.0000 24.0000 15.0000 19.4535
50.0000 2.5000 0.0000 50.0000 3.1736 0.5854 1.0000
50.0000 2.5000 0.0000 50.0000 3.2972 0.0000 1.0000
50.0000 2.5000 0.0000 50.0000 1.8634 0.5757 1.0000
50.0000 2.5000 0.0000 50.0000 3.2592 0.3350 1.0000
60.2574 -34.0099 36.2677 60.4626 -34.1751 39.4387 1.2644
63.0109 -31.0961 -5.8663 62.8187 -29.7946 -4.0864 1.2630
61.2901 3.7196 -5.3901 61.4292 2.2480 -4.9620 1.8731
35.0831 -44.1164 3.7933 35.0232 -40.0716 1.5901 1.8645
22.7233 20.0904 -46.6940 23.0331 14.9730 -42.5619 2.0373
36.4612 47.8580 18.3852 36.2715 50.5065 21.2231 1.4146
90.8027 -2.0831 1.4410 91.1528 -1.6435 0.0447 1.4441
90.9257 -0.5406 -0.9208 88.6381 -0.8985 -0.7239 1.5381
6.7747 -0.2908 -2.4247 5.8714 -0.0985 -2.2286 0.6377
2.0776 0.0795 -1.1350 0.9033 -0.0636 -0.5514 0.9082
"""

Lab = st.tuples(st.floats(0, 100), st.floats(-120, 120), st.floats(-120, 120))


def table():
    return np.array([[float(n) for n in line.split()] for line in SHARMA.strip().splitlines()])


def test_published_pairs():
    rows = table()
    assert rows.shape == (34, 7)
    np.testing.assert_allclose(delta_e_2000(rows[:, :3], rows[:, 3:6]), rows[:, 6], atol=5.1e-5)
    np.testing.assert_allclose(delta_e_2000(rows[:, 3:6], rows[:, :3]), rows[:, 6], atol=5.1e-5)


def test_random_pairs_against_colour_science():
    rng = np.random.default_rng(4)
    first, second = (rng.uniform([0, -90, -90], [100, 90, 90], (2000, 3)) for _ in range(2))
    near = first + rng.normal(0, 2, first.shape)
    for other in (second, near):
        np.testing.assert_allclose(
            delta_e_2000(first, other), science.delta_E(first, other, method="CIE 2000"), atol=1e-9
        )


@given(Lab, Lab)
def test_the_order_of_two_colours_does_not_matter(first, second):
    forth, back = delta_e_2000(first, second), delta_e_2000(second, first)
    assert forth >= 0
    assert forth == pytest.approx(back, abs=1e-9)


@given(Lab)
def test_a_colour_does_not_differ_from_itself(colour):
    assert delta_e_2000(colour, colour) == 0


def test_lab_against_colour_science():
    rng = np.random.default_rng(5)
    xyz = np.concatenate([rng.uniform(0, 1.5, (500, 3)), rng.uniform(0, 0.02, (500, 3))])
    white_xy = np.array([0.34570291, 0.3585386])
    white = science.xy_to_XYZ(white_xy)
    np.testing.assert_allclose(lab_from_xyz(xyz, white), science.XYZ_to_Lab(xyz, white_xy), atol=1e-9)


def test_lab_of_white_and_black():
    np.testing.assert_allclose(
        lab_from_xyz([[0.9, 1, 0.8], [0, 0, 0]], [0.9, 1, 0.8]), [[100, 0, 0], [0, 0, 0]], atol=1e-12
    )
