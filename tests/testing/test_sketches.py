import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stackcomp import Window
from stackcomp.testing.sketches import SUMS, as_text, from_text, rms_difference, sketch

WINDOW = Window.of_size(97, 61)
PIXELS = 97 * 61


def estimate(first, second, window=WINDOW):
    return rms_difference(sketch(first, window), sketch(second, window), window.width * window.height)


def plane(seed=0, low=0.0, high=1.0):
    return np.random.default_rng(seed).uniform(low, high, WINDOW.shape).astype(np.float32)


def test_the_estimate_is_the_difference_of_the_planes():
    """Against numpy's root mean square, of which the estimate may stray by 1 / √(2 · SUMS)."""
    ratios = []
    for seed in range(200):
        rng = np.random.default_rng(seed)
        first = plane(seed)
        second = np.clip(first + rng.normal(0, 10 ** rng.uniform(-4, -1), WINDOW.shape), 0, 1).astype(np.float32)
        true = np.sqrt(np.mean(np.square(first.astype(np.float64) - second)))
        ratios.append(estimate(first, second) / true)
    assert np.sqrt(np.mean(np.square(ratios))) == pytest.approx(1, abs=0.05)
    assert np.std(ratios) == pytest.approx(1 / np.sqrt(2 * SUMS), rel=0.2)
    assert 0.4 < min(ratios) < max(ratios) < 1.7


@given(st.integers(0, 60), st.integers(0, 96), st.floats(1e-3, 1))
def test_one_pixel_counts_whole(y, x, change):
    first = plane(high=0.0)
    second = first.copy()
    second[y, x] = np.float32(change)
    assert estimate(first, second) == pytest.approx(second[y, x] / np.sqrt(PIXELS), rel=1e-5)


def test_one_pixel_is_seen_among_rounding_errors():
    first = plane()
    noise = np.random.default_rng(1).choice([-1e-7, 0, 1e-7], WINDOW.shape).astype(np.float32)
    rounded = first * (1 + noise)
    wrong = rounded.copy()
    wrong[40, 50] += 0.001
    assert estimate(first, rounded) < 1e-7 < 1e-6 < estimate(first, wrong)


@pytest.mark.parametrize(
    "change",
    [
        lambda p: np.roll(p, 1, axis=0),
        lambda p: np.roll(p, 1, axis=1),
        lambda p: p[::-1].copy(),
        lambda p: -p,
        lambda p: p + np.where(np.arange(97) % 2, 0.01, -0.01).astype(np.float32),
    ],
    ids=["down", "right", "upside down", "negative", "differences that add up to nothing"],
)
def test_it_depends_on_where_values_are(change):
    assert estimate(plane(), change(plane())) > 0.005


@pytest.mark.parametrize(("first", "second"), [(np.nan, 0), (np.inf, -np.inf), (np.nan, np.inf), (3e38, np.inf)])
def test_values_that_are_not_finite(first, second):
    planes = [plane(), plane()]
    for one, value in zip(planes, (first, second), strict=True):
        one[3, 4] = value
    assert np.isfinite(estimate(*planes))
    assert estimate(*planes) * np.sqrt(PIXELS) > 30
    assert estimate(planes[0], planes[0].copy()) == 0


def test_light_counts_relative_to_itself():
    first, second = plane(high=0.0), plane(high=0.0)
    first[3, 4], second[3, 4] = 5000, 5050
    assert estimate(first, second) * np.sqrt(PIXELS) == pytest.approx(0.01, rel=0.01)


def test_ids_are_equal_or_far_from_each_other():
    first = np.random.default_rng(0).integers(0, 5, WINDOW.shape).astype(np.uint32)
    second = first.copy()
    second[3, 4] += 1
    assert estimate(first, second) * np.sqrt(PIXELS) > 0.1


def test_places_count_from_the_frame():
    """The same pixels elsewhere in the frame are another picture; and a window may lie left of and above it."""
    moved = Window(-5, -3, 92, 58)
    assert not np.array_equal(sketch(plane(), WINDOW), sketch(plane(), moved))


def test_an_empty_plane():
    nothing = np.zeros((0, 0), np.float32)
    assert estimate(nothing, nothing, Window(3, 3, 3, 3)) == 0


def test_the_text_keeps_every_bit():
    sums = sketch(plane(), WINDOW)
    assert from_text(as_text(sums)).tobytes() == sums.tobytes()
    for text in ("", "AAAA", "no base 64!"):
        with pytest.raises(ValueError, match=r".+"):
            from_text(text)


def test_sums_are_the_same_everywhere():
    """References hold these sums, so the places that pixels go to must never change; in integers of Python."""
    window = Window(-2, 5, 2, 8)
    numbers = np.arange(12, dtype=np.float32).reshape(window.shape) / 16
    expected = [0.0] * SUMS
    for number, value in enumerate(numbers.ravel().tolist()):
        x, y = window.x0 + number % 4, window.y0 + number // 4
        bits = (y % 2**32) << 32 | x % 2**32
        for shift, factor in ((30, 0xBF58476D1CE4E5B9), (27, 0x94D049BB133111EB)):
            bits = (bits ^ bits >> shift) * factor % 2**64
        place = (bits ^ bits >> 31) % (2 * SUMS)
        expected[place % SUMS] += value if place < SUMS else -value
    assert sketch(numbers, window).tolist() == expected
