"""Coverage of chosen ids, against a plain decode in float64."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stackcomp.kernels.id_coverage import id_coverage
from stackcomp.kernels.strips import set_threads

#: Bits that are 0, −0, subnormal, infinite, signalling and quiet NaN as floats, and some ids.
ODD = np.array(
    [0, 0x80000000, 1, 0x00400000, 0x7F800000, 0xFF800000, 0x7F800001, 0x7FC00000, 0xFFFFFFFF, 0x341BCFEF],
    np.uint32,
)
SHARES = np.array([0, 0.1, 0.25, 0.5, 1, -0.5, np.nan, np.inf, -np.inf, 1e-42, -0.0], np.float32)


def plain(pairs, ids):
    """The specification's decode: where an id is one of those chosen, its coverage is added."""
    total = np.zeros(pairs[0][0].shape)
    odd = 0
    for bits, cover in pairs:
        chosen = np.isin(bits, np.array(sorted(ids), np.uint32))
        with np.errstate(invalid="ignore"):
            good = np.isfinite(cover) & (cover >= 0)
        total += np.where(chosen & good, cover.astype(np.float64), 0)
        odd += int(np.count_nonzero(chosen & ~good))
    return np.minimum(total, 1), odd, total.max(initial=0)


def made(seed, height, width, ranks, few):
    draw = np.random.default_rng(seed)
    some = draw.integers(0, 1 << 32, 200, dtype=np.uint32)
    known = np.concatenate([ODD, some[:few]])
    pairs = [
        (
            known[draw.integers(0, len(known), (height, width))],
            SHARES[draw.integers(0, len(SHARES), (height, width))],
        )
        for _ in range(ranks)
    ]
    return pairs, known


@settings(max_examples=30, deadline=None)
@given(
    st.integers(0, 10**6), st.integers(1, 40), st.integers(1, 70), st.integers(0, 5),
    st.sampled_from([0, 1, 3, 8, 9, 24, 25, 60]),
)  # fmt: skip
def test_equals_the_plain_decode(seed, height, width, ranks, count):
    pairs, known = made(seed, height, width, ranks, 90)
    ids = [int(bits) for bits in known[:: max(1, len(known) // count)][:count]] if count else []
    target = np.full((height, width), np.nan, np.float32)
    odd, most = id_coverage([(bits.view(np.float32), cover) for bits, cover in pairs], ids, target)
    expected, odd_expected, most_expected = plain(pairs, ids) if pairs else (np.zeros(target.shape), 0, 0)
    np.testing.assert_allclose(target, expected, atol=3e-7)
    assert odd == odd_expected
    assert most == pytest.approx(most_expected, rel=1e-6)


@pytest.mark.parametrize("bit", [0, 4, 9, 13, 25])
def test_many_ids_that_differ_in_few_bits(bit):
    # Those that share their place in all tables are compared one by one.
    ids = [(k << bit) & 0xFFFFFFFF for k in range(1, 61)]
    draw = np.random.default_rng(bit)
    planes = draw.integers(0, 128, (9, 50), dtype=np.uint32) << np.uint32(bit)
    cover = draw.random((9, 50), np.float32)
    target = np.empty((9, 50), np.float32)
    id_coverage([(planes, cover)], ids, target)
    np.testing.assert_array_equal(target, np.where(np.isin(planes, np.array(ids, np.uint32)), cover, 0))


@pytest.mark.parametrize("count", [2, 30])
def test_a_part_of_the_planes(count):
    pairs, known = made(3, 50, 90, 4, 60)
    ids = [int(bits) for bits in known[:count]]
    whole, part = np.empty((50, 90), np.float32), np.empty((13, 21), np.float32)
    id_coverage(pairs, ids, whole)
    id_coverage(pairs, ids, part, (7, 11))
    assert part.tobytes() == np.ascontiguousarray(whole[7:20, 11:32]).tobytes()
    with pytest.raises(ValueError, match="does not lie within"):
        id_coverage(pairs, ids, part, (40, 0))
    with pytest.raises(ValueError, match="does not lie within"):
        id_coverage(pairs, ids, part, (0, -1))


def test_the_same_bytes_with_any_number_of_threads():
    pairs, known = made(5, 300, 200, 3, 60)
    results = []
    try:
        for threads in (1, 2, 3):
            set_threads(threads)
            target = np.empty((300, 200), np.float32)
            results.append((id_coverage(pairs, [int(bits) for bits in known[4:8]], target), target.tobytes()))
    finally:
        set_threads(None)
    assert results[0] == results[1] == results[2]


@pytest.mark.slow
def test_inputs_are_read_where_they_are():
    bits = np.full((4, 4), 7, np.uint32)
    cover = np.full((4, 4), 0.25, np.float32)
    bits.flags.writeable = cover.flags.writeable = False
    target = np.empty((4, 4), np.float32)
    assert id_coverage([(bits, cover), (bits, cover)], [7, 7], target) == (0, 0.5)
    assert (target == 0.5).all()
    for wrong in (bits.astype(np.uint16), bits[:, ::2], bits.astype(np.float64)):
        with pytest.raises(ValueError, match=r"ids are|contiguous"):
            id_coverage([(wrong, cover[:, : wrong.shape[1]])], [7], target)
