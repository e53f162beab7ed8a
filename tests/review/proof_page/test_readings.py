"""Statistics and histograms against numpy, and sizes of packed planes."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from stackcomp.review.proof_page import readings
from stackcomp.review.proof_page.pack import holds_half, packed, rounded_to_half, sampled_size, unpacked

planes = arrays(
    np.float32,
    st.tuples(st.integers(1, 6), st.integers(1, 9)),
    elements=st.floats(width=32, allow_nan=True, allow_infinity=True),
)
bits_of = arrays(np.uint32, st.tuples(st.integers(1, 5), st.integers(1, 8)), elements=st.integers(0, 2**32 - 1))


def counted(told, which):
    first, counts = told[which]
    return readings.light_edges(first, len(counts)), np.asarray(counts)


@given(planes)
def test_bins_of_light_are_those_of_numpy(plane):
    told = readings.light_histogram(plane)
    finite = plane[np.isfinite(plane)]
    for which, values in (("positive", finite[finite > 0]), ("negative", -finite[finite < 0])):
        edges, counts = counted(told, which)
        if not len(counts):
            assert not len(values)
            continue
        # The last bin of numpy includes its upper edge; infinity closes it behind the largest float.
        expected, _ = np.histogram(values, np.append(edges[:-1], np.float32(np.inf)))
        np.testing.assert_array_equal(counts[:-1], expected[:-1])
        assert counts.sum() == len(values)
        assert counts[0] > 0
        assert counts[-1] > 0
    assert told["zero"] == np.count_nonzero(finite == 0)


def test_bins_of_light_of_a_picture(make_noise):
    plane = make_noise(200, 300)
    plane[3, :7] = -0.25
    plane[5, 2], plane[6, 2], plane[7, 2] = np.nan, np.inf, 0
    told = readings.light_histogram(plane)
    edges, counts = counted(told, "positive")
    expected, _ = np.histogram(plane[np.isfinite(plane)], edges)
    np.testing.assert_array_equal(counts, expected)
    edges, counts = counted(told, "negative")
    np.testing.assert_array_equal(counts, np.histogram(-plane[plane < 0], edges)[0])
    assert told["zero"] == 1
    # Eight bins a stop.
    assert np.count_nonzero((readings.light_edges(0, 2040) >= 1) & (readings.light_edges(0, 2040) < 2)) == 8


def test_even_bins_are_those_of_numpy(make_noise):
    plane = make_noise(90, 120)
    plane[0, 0] = np.nan
    told = readings.even_histogram(plane)
    values = plane[np.isfinite(plane)]
    expected, edges = np.histogram(values.astype(np.float64), 128, (values.min(), values.max()))
    assert told["counts"] == expected.tolist()
    assert (told["low"], told["high"]) == (edges[0], edges[-1])


@pytest.mark.parametrize(
    "values",
    [
        (1, 1 - 2**-24),
        (1e8, 1e8 + 8),
        (1e10, 1e10),
        (3e38, 3e38),
        (-3.4e38, 3.4e38),
        (0, 1e-45),
        (1e-45, 3e-45),
        (0, 0),
    ],
)
def test_even_bins_of_neighbouring_and_of_huge_values(values):
    """Mattes of 1 and its neighbour, far depth that is the same everywhere, and all that float32 can hold."""
    plane = np.array([values] * 3, np.float32)
    told = readings.even_histogram(plane)
    assert told["low"] <= plane.min()
    assert told["high"] >= plane.max()
    assert told["low"] < told["high"] < np.inf
    assert sum(told["counts"]) == plane.size
    assert np.count_nonzero(told["counts"]) == len(np.unique(plane))


def test_statistics_are_those_of_numpy(make_noise):
    plane = make_noise(61, 83, seed=4)
    plane[0, :3] = np.nan, np.inf, -np.inf
    plane[1, :5] = -1
    told = readings.statistics(plane)
    values = plane[np.isfinite(plane)].astype(np.float64)
    assert told["min"] == values.min()
    assert told["max"] == values.max()
    assert told["mean"] == pytest.approx(values.mean(), rel=1e-12)
    assert told["deviation"] == pytest.approx(values.std(), rel=1e-6)
    assert told["median"] == np.sort(values)[len(values) // 2]
    counts = {name: told[name] for name in ("count", "nan", "infinite", "negative", "above_one")}
    assert counts == {
        "count": plane.size,
        "nan": 1,
        "infinite": 2,
        "negative": 5,
        "above_one": np.count_nonzero(values > 1),
    }


def test_no_value_is_finite():
    told = readings.statistics(np.full((2, 3), np.nan, np.float32))
    assert (told["min"], told["mean"], told["nan"]) == (None, None, 6)
    assert readings.even_histogram(np.full((2, 3), np.inf, np.float32))["counts"] == []


def test_ids_are_counted_by_coverage():
    ids = np.array([[7, 7, 0], [2**31 + 1, 7, 0]], np.uint32)
    cover = np.array([[0.5, 1, 1], [1, 0.25, np.nan]], np.float32)
    assert readings.id_counts(ids, cover) == [[7, 3, 1.75], [2**31 + 1, 1, 1.0]]


@given(bits_of)
def test_every_bit_comes_back(bits):
    for plane in (bits, bits.view(np.float32)):
        back = unpacked(packed(plane))
        assert back.dtype == plane.dtype
        np.testing.assert_array_equal(back.view(np.uint32), bits)


def test_what_is_half_is_packed_as_half(make_noise):
    plane = make_noise(40, 50)
    assert packed(plane).code == "f32"
    half = rounded_to_half(plane).astype(np.float32)
    half[0, :2] = -0.0, np.inf
    assert packed(half).code == "f16"
    np.testing.assert_array_equal(unpacked(packed(half)).view(np.uint32), half.view(np.uint32))
    half[7, 7] = np.float32(1e6)
    assert not holds_half(half)
    assert packed(half).code == "f32"


def test_a_plane_of_one_value_is_that_value():
    for value in (np.float32(0.18), np.float32(-0.0), np.uint32(0xDF22D155)):
        kept = packed(np.full((300, 400), value))
        assert (kept.code, len(kept.data)) == ("one", 4)
        assert unpacked(kept).tobytes() == np.full((300, 400), value).tobytes()


def test_sizes_are_estimated_from_strips(make_noise):
    plane = make_noise(800, 500)
    assert sampled_size(plane) == pytest.approx(len(packed(plane).data), rel=0.05)
