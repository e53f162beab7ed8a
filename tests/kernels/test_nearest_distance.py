"""Distance to the nearest marked pixel, against scipy's exact transform."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from stackcomp.kernels.nearest_distance import nearest_distance


@settings(max_examples=60, deadline=None)
@given(st.integers(1, 40), st.integers(1, 40), st.floats(0, 0.5), st.integers(0, 10**6))
def test_as_scipy(height, width, share, seed):
    draw = np.random.default_rng(seed)
    marked = draw.random((height, width)) < share
    marked.flat[draw.integers(marked.size)] = True
    np.testing.assert_allclose(nearest_distance(marked), ndimage.distance_transform_edt(~marked), rtol=1e-6)


def test_limits():
    assert np.isinf(nearest_distance(np.zeros((3, 4), np.bool_))).all()
    assert not nearest_distance(np.ones((3, 4), np.bool_)).any()
    assert nearest_distance(np.zeros((0, 4), np.bool_)).shape == (0, 4)


def test_one_pixel_far_away():
    marked = np.zeros((40, 3000), np.bool_)
    marked[39, 0] = True
    assert nearest_distance(marked)[0, 2999] == np.float32(np.hypot(39, 2999))
