"""Accuracy of the vectorising powers and logarithms over all of float32, against numpy in float64."""

import numpy as np
import pytest
from numba import njit

from stackcomp.kernels import fastmath

LOW, HIGH = np.float64(np.finfo(np.float32).smallest_normal), np.float64(np.finfo(np.float32).max)


@njit(error_model="numpy")
def apply_log2(values, out):
    for k in range(values.size):
        out[k] = fastmath.log2(values[k])


@njit(error_model="numpy")
def apply_exp2(values, out):
    for k in range(values.size):
        out[k] = fastmath.exp2(values[k])


@njit(error_model="numpy")
def apply_power(values, exponent, out):
    for k in range(values.size):
        out[k] = fastmath.power(values[k], exponent)


@pytest.fixture(scope="module")
def every_size():
    """Positive numbers of every exponent, denormals included: bit patterns evenly spaced, with an odd step."""
    return np.arange(1, 0x7F800000, 4099, dtype=np.uint32).view(np.float32)


def test_log2_is_accurate_to_2e_6(every_size):
    out = np.empty_like(every_size)
    apply_log2(every_size, out)
    exact = np.log2(every_size.astype(np.float64))
    far = np.abs(exact) > 0.1
    assert np.max(np.abs(out - exact)[far] / np.abs(exact)[far]) < 2e-6
    assert np.max(np.abs(out - exact)[~far], initial=0) < 2e-7


def test_log2_near_one():
    values = np.linspace(0.5, 2, 300_001, dtype=np.float32)
    out = np.empty_like(values)
    apply_log2(values, out)
    assert np.max(np.abs(out - np.log2(values.astype(np.float64)))) < 2e-7
    np.testing.assert_array_equal(out[values == 1], [0])


def test_exp2_is_accurate_to_2e_6():
    values = np.linspace(-126, 127.999, 400_001, dtype=np.float32)
    out = np.empty_like(values)
    apply_exp2(values, out)
    exact = np.exp2(values.astype(np.float64))
    assert np.max(np.abs(out - exact) / exact) < 2e-6


def test_exp2_of_denormals_and_overflow():
    values = np.array([-160, -149, -140, -127.5, 128, 500, -1e30, np.inf, -np.inf], np.float32)
    out = np.empty_like(values)
    apply_exp2(values, out)
    with np.errstate(over="ignore", under="ignore"):
        exact = np.exp2(values.astype(np.float64)).astype(np.float32)
    np.testing.assert_allclose(out, exact, atol=2e-45)


@pytest.mark.parametrize("exponent", [0.02, 0.1, 1 / 2.4, 0.5, 0.81, 1.0, 1.27, 2.2, 4.0, 8.0])
def test_power_is_accurate_to_2e_6(every_size, exponent):
    exponent = np.float32(exponent)
    out = np.empty_like(every_size)
    apply_power(every_size, exponent, out)
    exact = every_size.astype(np.float64) ** np.float64(exponent)
    inside = (exact >= LOW) & (exact <= HIGH)
    assert inside.any()
    assert np.max(np.abs(out - exact)[inside] / exact[inside]) < 2e-6
    assert np.all(np.isinf(out[exact > HIGH * 1.001]))


def test_special_values():
    values = np.array([0, -0.0, -1, -np.inf, np.inf, np.nan], np.float32)
    out = np.empty_like(values)
    apply_power(values, np.float32(0.5), out)
    np.testing.assert_array_equal(out, [0, 0, 0, 0, np.inf, np.nan])
    apply_log2(values, out)
    np.testing.assert_array_equal(out, [-np.inf, -np.inf, -np.inf, -np.inf, np.inf, np.nan])


def test_the_square_root_keeps_nan_and_is_0_below_0():
    @njit(error_model="numpy")
    def apply(values, out):
        for k in range(values.size):
            out[k] = fastmath.root(values[k])

    values = np.array([4, 0, -1, np.inf, np.nan], np.float32)
    out = np.empty_like(values)
    apply(values, out)
    np.testing.assert_array_equal(out, [2, 0, 0, np.inf, np.nan])
