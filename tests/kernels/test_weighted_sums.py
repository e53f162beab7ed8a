"""Sums of least squares in parts, against the whole in numpy."""

import numpy as np
import pytest

from stackcomp.kernels.weighted_sums import weighted_sums


@pytest.mark.parametrize("rows", [0, 1, 2047, 2048, 2049, 7000])
def test_parts_make_the_whole(rows):
    chance = np.random.default_rng(rows)
    a, b, weights = chance.normal(size=(rows, 3)), chance.normal(size=(rows, 2)), chance.random(rows)
    np.testing.assert_allclose(weighted_sums(a, weights, b), a.T @ (weights[:, None] * b), atol=1e-9)
    np.testing.assert_allclose(weighted_sums(a, weights, b[:, 0]), a.T @ (weights * b[:, 0]), atol=1e-9)
    np.testing.assert_allclose(weighted_sums(a, None, b), a.T @ b, atol=1e-9)
