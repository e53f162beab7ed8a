"""Rows of numbers over frames, against the monotone cubic of scipy (Fritsch and Carlson)."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import PchipInterpolator

from stackcomp.data.keyed_rows import KeyedRows


@settings(max_examples=60)
@given(st.integers(0, 2**32 - 1), st.integers(2, 8), st.sampled_from(["smooth", "linear"]), st.booleans())
def test_rows_between_keys_are_those_of_scipy(seed, count, between, whole):
    draw = np.random.default_rng(seed)
    frames = np.sort(draw.choice(60, count, replace=False)).astype(float)
    # Whole numbers have equal neighbours and secants of 0.
    rows = draw.integers(-2, 3, (count, 5)).astype(float) if whole else draw.normal(size=(count, 5)) * 1e4
    keyed = KeyedRows(tuple(frames.tolist()), rows, between)
    times = np.linspace(frames[0], frames[-1], 37)
    if between == "smooth":
        expected = PchipInterpolator(frames, rows, axis=0)(times)
    else:
        expected = np.column_stack([np.interp(times, frames, row) for row in rows.T])
    np.testing.assert_allclose(keyed.at(times.tolist()), expected, rtol=1e-12, atol=1e-12 * np.abs(rows).max())
    beyond = keyed.at([frames[0] - 3, frames[-1] + 3])
    np.testing.assert_array_equal(beyond, rows[[0, -1]])
    for time in times.tolist():
        part = keyed.reaching(time - 0.1, time + 0.1)
        np.testing.assert_array_equal(part.at([time]), keyed.at([time]))
