"""The random numbers of grain: published words, their distribution, bits that depend on the place alone."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import linalg, signal, stats

from stackcomp.data.window import Window
from stackcomp.kernels import grain_field, grain_shape

#: philox4x32 with 7 rounds, from kat_vectors of the authors' Random123 library: counter, key, words.
PUBLISHED = [
    ("00000000 00000000 00000000 00000000", "00000000 00000000", "5f6fb709 0d893f64 4f121f81 4f730a48"),
    ("ffffffff ffffffff ffffffff ffffffff", "ffffffff ffffffff", "5207ddc2 45165e59 4d8ee751 8c52f662"),
    ("243f6a88 85a308d3 13198a2e 03707344", "a4093822 299f31d0", "4dfccaba 190a87f0 c47362ba b6b5242a"),
]
EVEN = grain_field.GrainLaw(np.ones(3, np.float32), *[np.zeros((3, 1), np.float32)] * 2)


def words(text):
    return tuple(int(word, 16) for word in text.split())


def field(window, size=0.0, correlation=None, frame=1, seed=1):
    """Numbers with a variance of 1: grain on black."""
    shape, _ = grain_shape.shape_at([grain_shape.gaussian_autocorrelation(size)] * 3, correlation, 1.0)
    black = (np.zeros(window.shape, np.float32),) * 3
    return np.array(grain_field.add_grain(black, window, EVEN, shape, frame=frame, seed=seed))


@pytest.mark.parametrize(("counter", "key", "expected"), PUBLISHED)
def test_published_words(counter, key, expected):
    assert grain_field.philox(words(counter), words(key)) == words(expected)


def of_byte(byte):
    """What a byte becomes, in plain words."""
    size = byte if byte < 128 else 255 - byte
    return (1 if byte < 128 else -1) * math.floor(size * (size - 16) / 8)


def test_numbers_are_those_of_the_published_words_of_each_pixel():
    """By Hadamard's matrix of scipy; sixteen numbers, 16 pixels apart, of two counters."""
    window, seed = Window(-512, -3, 0, 1), (5 << 32) + 9
    got = field(window, frame=1001, seed=seed)
    unit = 1 / np.sqrt(16 * np.mean([of_byte(byte) ** 2 for byte in range(256)]))
    for block, first in ((-2, 0), (-2, 15), (-1, 6)):
        for channel in range(3):
            counters = (
                ((block * 16 + first // 2 * 2 + more) % 2**32, -2 % 2**32, 1001, channel) for more in (0, 1)
            )
            pair = np.array([grain_field.philox(counter, (9, 5)) for counter in counters], "<u4")
            # A word's lower half belongs to pixels of even number, its upper half to those of odd number.
            some = pair.view(np.uint8).reshape(2, 4, 2, 2)[:, :, first % 2]
            bent = np.array([of_byte(int(byte)) for byte in some.transpose(1, 0, 2).ravel()])
            expected = linalg.hadamard(16) @ bent * unit
            x = (block + 2) * 256 + first
            np.testing.assert_allclose(got[channel, 1, x : x + 256 : 16], expected, rtol=1e-6)


def test_numbers_are_normal():
    """Tests of scipy on 200,000 numbers; a fiftieth more of size is found, so they can fail."""
    some = field(Window.of_size(512, 400))[0].ravel()
    assert stats.kstest(some, "norm").pvalue > 1e-3
    assert stats.kstest(1.02 * some, "norm").pvalue < 1e-3
    assert abs(stats.skew(some)) < 5 * np.sqrt(6 / some.size)
    assert abs(stats.kurtosis(some)) < 5 * np.sqrt(24 / some.size)
    for limit in (2, 3, 4):
        expected = 2 * stats.norm.sf(limit) * some.size
        assert abs(np.count_nonzero(np.abs(some) > limit) - expected) < 5 * np.sqrt(expected)


def test_the_distribution_of_all_numbers_there_can_be():
    """The sum of sixteen bytes, each as likely as the others, against the normal one of scipy."""
    assert grain_field.BENT.tolist() == [of_byte(byte) for byte in range(256)]
    assert abs(stats.kurtosis(grain_field.BENT)) < 0.01
    largest = int(grain_field.BENT.max())
    odds = np.bincount(grain_field.BENT + largest) / 256
    spectrum = np.fft.rfft(odds, 2**16)
    summed = np.fft.irfft(spectrum**16)[: 32 * largest + 1]
    levels = (np.arange(summed.size) - 16 * largest) / (4 * grain_field.BENT.std())
    below = np.cumsum(summed)
    np.testing.assert_allclose(below - summed / 2, stats.norm.cdf(levels), atol=5e-5)
    for limit, share in ((3, 1), (4, 0.96), (5, 0.81)):
        assert summed[levels > limit].sum() == pytest.approx(share * stats.norm.sf(limit), rel=0.02)
    assert 16 * largest < 2**15


def test_nothing_repeats():
    """Neighbours, rows, blocks of 256, channels, frames and seeds do not depend on each other."""
    one = field(Window.of_size(1024, 512))
    limit = 5 / np.sqrt(one[0].size / 2)
    for down, across in (
        (0, 1),
        (1, 0),
        (1, 1),
        (0, 16),
        (0, 32),
        (0, 112),
        (0, 128),
        (0, 512),
        (128, 0),
        (256, 128),
    ):
        some, others = one[0, : 512 - down, : 1024 - across], one[0, down:, across:]
        assert abs((some * others).mean()) < limit, (down, across)
        # Nor do their sizes; those of plain bytes would.
        assert abs(((some**2 - 1) * (others**2 - 1)).mean()) < 2 * limit, (down, across)
    for other in (one[1], one[2], field(Window.of_size(1024, 512), frame=2)[0],
                  field(Window.of_size(1024, 512), seed=2)[0]):  # fmt: skip
        assert abs((one[0] * other).mean()) < limit


@pytest.mark.parametrize("size", [0.0, 1.0])
def test_a_part_has_the_bits_of_the_whole(size):
    table = [[1, 0.5, 0.2], [0.5, 1, 0.4], [0.2, 0.4, 1]]
    whole = field(Window(-150, -40, 250, 100), size, table)
    for part in (Window(-150, -40, -149, -39), Window(-3, -2, 130, 61), Window(101, 7, 250, 8)):
        same = whole[:, part.y0 + 40 : part.y1 + 40, part.x0 + 150 : part.x1 + 150]
        assert np.array_equal(field(part, size, table), same)


@pytest.mark.parametrize("kind", ["gaussian", "aslant", "different"])
def test_filters_are_correlations_of_the_independent_numbers(kind):
    """Against scipy, in a window of more rows than a strip; aslant takes several products of filters."""
    y, x = np.mgrid[0:9, -8:9]
    gaussian, aslant = grain_shape.gaussian_autocorrelation(1.1), np.exp(-(x**2 + 3 * y**2 + 2 * x * y) / 4)
    halves = {"gaussian": [gaussian] * 3, "aslant": [aslant] * 3, "different": [np.ones((1, 1)), gaussian, aslant]}
    shape, _ = grain_shape.shape_at(halves[kind], None, 1.0)
    window, reach = Window(5, -9, 75, 191), shape.reach
    black = (np.zeros(window.shape, np.float32),) * 3
    got = grain_field.add_grain(black, window, EVEN, shape, frame=1, seed=1)
    white = field(window.grow(reach))
    mixed = np.einsum("kl,lyx->kyx", shape.mix.astype(float), white.astype(float))
    for k in range(3):
        made = np.einsum("py,px->yx", shape.down[k].astype(float), shape.across[k].astype(float))
        expected = signal.correlate(mixed[k], made, mode="valid")
        np.testing.assert_allclose(got[k], expected, atol=2e-5)


def test_grain_on_light_against_float64():
    """Alpha, matte and a table of levels, in plain numpy."""
    draw, window = np.random.default_rng(3), Window.of_size(70, 50)
    light = tuple(draw.normal(0.3, 0.5, window.shape).astype(np.float32) for _ in range(3))
    alpha, matte = (np.clip(draw.normal(0.5, 0.5, window.shape), -0.2, 1.3).astype(np.float32) for _ in range(2))
    alpha[:5], matte[5:10] = 0, 0
    knots, rises = np.array([[0.1, 0.4]] * 3, np.float32), np.array([[0.02, -0.01]] * 3, np.float32)
    law = grain_field.GrainLaw(np.array([1e-3, 2e-3, 0], np.float32), knots, rises)
    shape, _ = grain_shape.shape_at([np.ones((1, 1))] * 3, None, 1.0)
    got = grain_field.add_grain(light, window, law, shape, frame=1, seed=1, alpha=alpha, matte=matte)
    numbers, a, m = field(window), np.clip(alpha, 0.0, 1.0).astype(float), np.clip(matte, 0.0, 1.0).astype(float)
    for k in range(3):
        with np.errstate(all="ignore"):
            level = np.where(a > 0, light[k] / a, 0)
        variance = float(law.base[k]) + 0.02 * np.maximum(level - 0.1, 0) - 0.01 * np.maximum(level - 0.4, 0)
        share = np.where(a > 0, m * a * (2 - m * a), 0)
        expected = light[k] + np.sqrt(np.maximum(variance * share, 0)) * numbers[k]
        np.testing.assert_allclose(got[k], expected, rtol=2e-5, atol=2e-6)
        assert np.array_equal(got[k][:10], light[k][:10])


def test_numbers_of_any_size_stay_finite():
    light = (np.array([[-3e38, 3e38, -1e-42, 0]], np.float32),) * 3
    law = grain_field.GrainLaw(*[np.full(shape, 1e4, np.float32) for shape in (3, (3, 1), (3, 1))])
    shape, _ = grain_shape.shape_at([np.ones((1, 1))] * 3, None, 1.0)
    got = grain_field.add_grain(light, Window.of_size(4, 1), law, shape, frame=-7, seed=2**64 - 1)
    assert np.isfinite(got).all()
