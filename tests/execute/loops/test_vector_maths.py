"""Accuracy of vector powers and logarithms over all of float32, against numpy in float64."""

import functools

import numpy as np
import pytest

from stackcomp.execute.loops import machine
from stackcomp.execute.loops.program_code import code_of
from stackcomp.nodes.pixel import exp2, log2, pixel, power, root
from stackcomp.plan.decisions import LARGEST_UNCLAMPED, decisions_of, outcomes
from stackcomp.plan.program import Lane, Op, Program

LOW, HIGH = np.float64(np.finfo(np.float32).smallest_normal), np.float64(np.finfo(np.float32).max)
FUSED = pytest.mark.parametrize("fused", [True, False], ids=["fused", "two steps"])


@pixel
def logarithm(x, exponent):
    return log2(x)


@pixel
def exponential(x, exponent):
    return exp2(x)


@pixel
def powered(x, exponent):
    return power(x, exponent)


@pixel
def rooted(x, exponent):
    return root(x)


@functools.cache
def loop(function, fused, decided, lanes):
    if fused and not machine.supports_fma():
        pytest.skip("the processor has no fused multiply-add")
    op = Op(function, (Lane("plane"),), numbers=1, decided=decided)
    program = Program((1,), (op,), ((0, 0),))
    text = code_of(program, fused=fused, native_half=machine.native_half(), lanes=lanes)
    return machine.load(machine.machine_code(text))


def apply(function, values, fused, exponent=1.0, *, decided=None, lanes=8):
    if decided is None:
        decided = outcomes(decisions_of(function, 1), [exponent], 1)
    values = np.ascontiguousarray(values, np.float32)
    out = np.full_like(values, -77)
    pitch = np.array([values.size] * 2, np.int64)
    planes = np.array([values.ctypes.data, out.ctypes.data], np.int64)
    rest = (np.array([exponent], np.float32), np.zeros(2, np.int64), planes, pitch, np.zeros(2, np.int64))
    loop(function, fused, decided, lanes)(0, 1, values.size, *(array.ctypes.data for array in rest))
    return out


@pytest.fixture(scope="module")
def every_size():
    """Positive numbers of every exponent, denormals included: bit patterns evenly spaced, with an odd step."""
    return np.arange(1, 0x7F800000, 4099, dtype=np.uint32).view(np.float32)


@FUSED
def test_log2_is_accurate_to_2e_6(every_size, fused):
    out = apply(logarithm, every_size, fused)
    exact = np.log2(every_size.astype(np.float64))
    far = np.abs(exact) > 0.1
    assert np.max(np.abs(out - exact)[far] / np.abs(exact)[far]) < 2e-6
    assert np.max(np.abs(out - exact)[~far], initial=0) < 2e-7


@FUSED
@pytest.mark.parametrize("function", [logarithm, exponential, powered, rooted], ids=lambda f: f.name)
def test_results_do_not_depend_on_the_length_of_vectors(every_size, function, fused):
    special = np.array([np.nan, np.inf, -np.inf, 0, -0.0, -1, -1e-40], np.float32)
    # No multiple of any length: the pixels that are left are part of it.
    values = np.concatenate([special, every_size, -every_size[::100]])
    values = values[: len(values) // 16 * 16 - 3]
    first, *others = (apply(function, values, fused, 1.3, lanes=lanes).view(np.uint32) for lanes in (8, 4, 16, 32))
    for other in others:
        np.testing.assert_array_equal(other, first)


@FUSED
def test_log2_near_one(fused):
    values = np.linspace(0.5, 2, 300_001, dtype=np.float32)
    out = apply(logarithm, values, fused)
    assert np.max(np.abs(out - np.log2(values.astype(np.float64)))) < 2e-7
    np.testing.assert_array_equal(out[values == 1], [0])


@FUSED
def test_exp2_is_accurate_to_2e_6_and_exact_at_whole_numbers(fused):
    values = np.linspace(-126, 127.999, 400_001, dtype=np.float32)
    out = apply(exponential, values, fused)
    exact = np.exp2(values.astype(np.float64))
    assert np.max(np.abs(out - exact) / exact) < 2e-6
    whole = np.arange(-149, 128, dtype=np.float32)
    np.testing.assert_array_equal(apply(exponential, whole, fused), np.exp2(whole.astype(np.float64)))


@FUSED
def test_exp2_of_denormals_and_overflow(fused):
    values = np.array([-160, -149, -140, -127.5, 128, 500, -1e30, 1e30, np.inf, -np.inf], np.float32)
    with np.errstate(over="ignore", under="ignore"):
        exact = np.exp2(values.astype(np.float64)).astype(np.float32)
    np.testing.assert_allclose(apply(exponential, values, fused), exact, atol=2e-45)


@FUSED
@pytest.mark.parametrize("exponent", [1e-6, 0.02, 0.1, 1 / 2.4, 0.5, 0.81, 1.0, 1.27, 2.2, 2.6, 4.0, 7.77, 8.0])
def test_power_is_accurate_to_2e_6(every_size, exponent, fused):
    out = apply(powered, every_size, fused, exponent)
    exact = every_size.astype(np.float64) ** np.float64(np.float32(exponent))
    inside = (exact >= LOW) & (exact <= HIGH)
    assert inside.any()
    assert np.max(np.abs(out - exact)[inside] / exact[inside]) < 2e-6
    assert np.all(np.isinf(out[exact > HIGH * 1.001]))


@FUSED
@pytest.mark.parametrize("exponent", [20.0, 100.0, 1000.0])
def test_large_exponents_lose_accuracy_in_proportion_and_nothing_else(every_size, exponent, fused):
    out = apply(powered, every_size, fused, exponent)
    with np.errstate(over="ignore", under="ignore"):
        exact = every_size.astype(np.float64) ** np.float64(exponent)
    inside = (exact >= LOW) & (exact <= HIGH)
    assert np.max(np.abs(out[inside] - exact[inside]) / exact[inside]) < 2e-7 * exponent
    assert np.all(np.isinf(out[exact > HIGH * 1.001]))
    assert np.all(out[exact < 1e-46] == 0)


@FUSED
def test_denormal_results_are_rounded(fused):
    values = np.exp2(np.linspace(-74.5, -63, 1000)).astype(np.float32)
    exact = values.astype(np.float64) ** 2
    np.testing.assert_allclose(apply(powered, values, fused, 2.0), exact, rtol=2e-6, atol=1.5e-45)


@FUSED
@pytest.mark.parametrize("exponent", [1e-6, 0.5, 1.0, LARGEST_UNCLAMPED])
def test_without_limits_small_exponents_give_the_same(every_size, exponent, fused):
    """Of all sizes, and of what is no size: negative, 0, not finite."""
    values = np.concatenate([every_size, -every_size, [0, -0.0, np.inf, -np.inf, np.nan]]).astype(np.float32)
    limited = apply(powered, values, fused, exponent, decided=(False,))
    assert outcomes(decisions_of(powered, 1), [exponent], 1) == (True,)
    np.testing.assert_array_equal(apply(powered, values, fused, exponent), limited)
    above = float(np.nextafter(np.float32(exponent), np.float32(2)))
    assert exponent < LARGEST_UNCLAMPED or outcomes(decisions_of(powered, 1), [above], 1) == (False,)


@FUSED
def test_special_values(fused):
    values = np.array([0, -0.0, -1, -1e-42, -np.inf, np.inf, np.nan, -np.nan], np.float32)
    np.testing.assert_array_equal(apply(powered, values, fused, 0.5), [0, 0, 0, 0, 0, np.inf, np.nan, np.nan])
    low = -np.inf
    np.testing.assert_array_equal(
        apply(logarithm, values, fused), [low, low, low, low, low, np.inf, np.nan, np.nan]
    )
    assert np.isnan(apply(exponential, [np.nan], fused))[0]


@FUSED
def test_the_square_root_keeps_nan_and_is_0_below_0(fused):
    values = [4, 0, -1, np.inf, np.nan, 2]
    np.testing.assert_array_equal(apply(rooted, values, fused), [2, 0, 0, np.inf, np.nan, np.sqrt(np.float32(2))])
