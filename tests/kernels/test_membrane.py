"""The membrane against a direct sparse solution, and the laws of harmonic functions."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import sparse
from scipy.sparse import linalg

from stackcomp.kernels.membrane import membrane


def direct(values, known, area):
    """The same equations, solved by scipy's sparse LU in float64."""
    found = area & ~known
    number = np.full(found.shape, -1)
    number[found] = np.arange(found.sum())
    count = int(found.sum())
    matrix = sparse.lil_matrix((count, count))
    side = np.zeros(count)
    height, width = found.shape
    for y, x in zip(*np.nonzero(found), strict=True):
        for v, u in ((y, x - 1), (y, x + 1), (y - 1, x), (y + 1, x)):
            if not (0 <= v < height and 0 <= u < width):
                continue
            if known[v, u]:
                matrix[number[y, x], number[y, x]] += 1
                side[number[y, x]] += values[v, u]
            elif found[v, u]:
                matrix[number[y, x], number[y, x]] += 1
                matrix[number[y, x], number[v, u]] -= 1
    result = np.where(known, values, 0.0).astype(float)
    result[found] = linalg.spsolve(matrix.tocsc(), side)
    return result


def blob(height, width, seed=0):
    """An area with a wavy edge, its rim, and rough values on it."""
    y, x = np.mgrid[:height, :width]
    angle = np.arctan2(y - height / 2, x - width / 2)
    far = np.hypot((x - width / 2) / (0.42 * width), (y - height / 2) / (0.42 * height))
    far += 0.12 * np.sin(5 * angle + seed)
    area, known = far < 1, (far >= 1) & (far < 1.15)
    draw = np.random.default_rng(seed)
    values = (np.sin(x / 9) + 0.3 * draw.normal(size=area.shape) + 0.7).astype(np.float32)
    return values, known, area


@pytest.mark.parametrize("shape", [(9, 7), (40, 61), (64, 64), (75, 50)])
def test_it_equals_a_direct_solution(shape):
    values, known, area = blob(*shape)
    (result,) = membrane([values], known, area)
    assert np.abs(result - direct(values, known, area)).max() < 1e-5


def test_areas_with_holes_and_open_borders():
    """Known islands inside, and an area that the border of the picture cuts."""
    values, known, area = blob(48, 60, 3)
    known[20:24, 30:33] = True
    area[:, 40:], known[:, 40:] = True, False
    (result,) = membrane([values], known, area)
    assert np.abs(result - direct(values, known, area)).max() < 1e-5


def test_planes_are_solved_each_by_itself():
    values, known, area = blob(30, 40)
    both = membrane([values, 3 - 2 * values], known, area)
    assert np.abs(both[1] - np.where(known | area, 3 - 2 * both[0], 0)).max() < 1e-5


def test_a_plane_stays_a_plane():
    """A linear function is harmonic, so it comes out as it is."""
    y, x = np.mgrid[:50, :70]
    area = np.hypot(x - 35, y - 25) < 20
    slope = (0.02 * x - 0.03 * y + 1).astype(np.float32)
    (result,) = membrane([slope], ~area, area)
    assert np.abs(result - slope).max() < 1e-5


def test_a_part_that_nothing_known_touches_is_0():
    area, known = np.zeros((20, 30), bool), np.zeros((20, 30), bool)
    area[2:8, 2:8] = area[10:18, 15:28] = True
    known[1, 2:8] = True
    (result,) = membrane([np.full((20, 30), 2, np.float32)], known, area)
    assert np.abs(result[2:8, 2:8] - 2).max() < 1e-6
    assert not result[10:].any()
    (result,) = membrane([np.ones((20, 30), np.float32)], np.zeros((20, 30), bool), area)
    assert not result.any()
    (result,) = membrane([np.ones((20, 30), np.float32)], known, np.zeros((20, 30), bool))
    assert np.array_equal(result, known)


@settings(max_examples=25, deadline=None)
@given(st.integers(1, 40), st.integers(1, 40), st.integers(0, 10**6))
def test_it_stays_between_the_values_at_the_rim(height, width, seed):
    """The maximum principle of harmonic functions."""
    draw = np.random.default_rng(seed)
    area, known = draw.random((height, width)) < 0.8, draw.random((height, width)) < 0.1
    values = draw.normal(5, 3, (height, width)).astype(np.float32)
    (result,) = membrane([values], known, area)
    if not known.any():
        assert not result.any()
        return
    inside = result[area & ~known & (result != 0)]
    assert inside.min(initial=np.inf) >= values[known].min() - 1e-4
    assert inside.max(initial=-np.inf) <= values[known].max() + 1e-4
    assert np.array_equal(result[known], values[known])


def test_values_that_are_not_known_do_not_matter():
    values, known, area = blob(30, 40)
    (expected,) = membrane([values], known, area)
    spoilt = np.where(known, values, np.nan).astype(np.float32)
    assert np.array_equal(membrane([spoilt], known, area)[0], expected)
