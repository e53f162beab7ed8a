"""`row_pointer`, against numpy's indexing."""

from __future__ import annotations

import numpy as np
import pytest
from numba import njit

from stackcomp.kernels.row_pointer import row_pointer


@njit
def copied(plane, y, x, count):
    row = row_pointer(plane, y, x)
    out = np.empty(count, plane.dtype)
    for k in range(count):
        out[k] = row[k]
    return out


@pytest.mark.parametrize("dtype", [np.float32, np.int64])
@pytest.mark.parametrize(("y", "x", "count"), [(0, 0, 7), (4, 0, 7), (2, 3, 4), (4, 6, 1), (1, 5, 0)])
def test_it_reads_what_a_slice_reads(dtype, y, x, count):
    plane = np.arange(35, dtype=dtype).reshape(5, 7)
    np.testing.assert_array_equal(copied(plane, y, x, count), plane[y, x : x + count])


def test_it_starts_at_the_first_pixel_of_a_part_of_a_plane():
    plane = np.arange(35, dtype=np.float32).reshape(5, 7)
    np.testing.assert_array_equal(copied(plane[2:], 1, 2, 3), plane[3, 2:5])


def test_it_writes_where_a_slice_writes():
    @njit
    def fill(plane, y, x, count):
        row = row_pointer(plane, y, x)
        for k in range(count):
            row[k] = np.float32(1)

    got, expected = np.zeros((2, 5, 7), np.float32)
    fill(got, 3, 2, 4)
    expected[3, 2:6] = 1
    np.testing.assert_array_equal(got, expected)
