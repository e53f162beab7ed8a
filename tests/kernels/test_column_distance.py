"""Distances in columns against a search through every pixel."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import array_shapes, arrays

from stackcomp.kernels.column_distance import NONE, column_distances


@settings(deadline=None)
@given(arrays(bool, array_shapes(min_dims=2, max_dims=2, max_side=9), elements=st.booleans()))
def test_distances_equal_an_exhaustive_search(marked):
    rows = np.arange(marked.shape[0])
    apart = np.abs(rows[:, None] - rows)[:, :, None]
    wanted = np.where(marked[None], apart, NONE).min(axis=1)
    got = column_distances(marked)
    assert got.dtype == np.int16
    assert np.array_equal(got, wanted)


def test_distances_are_limited():
    marked = np.zeros((NONE + 50, 1), bool)
    marked[0] = True
    got = column_distances(marked)
    assert got[NONE - 1, 0] == NONE - 1
    assert np.all(got[NONE:] == NONE)
