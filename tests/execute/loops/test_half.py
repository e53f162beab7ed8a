"""16-bit floats in and out of loops, against numpy: every half and all roundings."""

import functools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stackcomp.execute.loops import machine
from stackcomp.execute.loops.program_code import code_of
from stackcomp.nodes.pixel import pixel
from stackcomp.plan.program import Lane, Op, Program

LANES = pytest.mark.parametrize("lanes", [8, 16])
NATIVE = pytest.mark.parametrize("native", [True, False], ids=["processor", "whole numbers"])


@pixel
def same(x):
    return x


@functools.cache
def loop(half_in, half_out, native, lanes):
    if native and not machine.native_half():
        pytest.skip("the processor does not convert 16-bit floats")
    op = Op(same, (Lane("plane"),))
    program = Program(
        (1,), (op,), ((0, 0),), half_inputs=(half_in,), half_outputs=(half_out,), counted=True, watched=(0,)
    )
    return machine.load(machine.machine_code(code_of(program, fused=True, native_half=native, lanes=lanes)))


def converted(values, native, lanes=16):
    """The values in the other type, how many were clamped, and whether one was not finite."""
    out = np.zeros(values.shape, np.float32 if values.dtype == np.float16 else np.float16)
    planes = np.array([values.ctypes.data, out.ctypes.data], np.int64)
    counts = np.zeros(2, np.int64)
    rest = (np.zeros(1, np.float32), np.zeros(2, np.int64), planes, np.array([values.size] * 2, np.int64), counts)
    run = loop(values.dtype == np.float16, out.dtype == np.float16, native, lanes)
    run(0, 1, values.size, *(array.ctypes.data for array in rest))
    return out, int(counts[0]), bool(counts[1])


@LANES
@NATIVE
def test_every_half_is_widened_exactly(native, lanes):
    halves = np.arange(65536, dtype=np.uint16).view(np.float16)
    wide, _, wild = converted(halves, native, lanes)
    np.testing.assert_array_equal(wide, halves.astype(np.float32))
    np.testing.assert_array_equal(np.signbit(wide), np.signbit(halves))
    assert wild


@LANES
@NATIVE
def test_every_half_comes_back(native, lanes):
    halves = np.arange(65536, dtype=np.uint16).view(np.float16)
    back, clamped, _ = converted(halves.astype(np.float32), native, lanes)
    np.testing.assert_array_equal(back, halves)
    np.testing.assert_array_equal(np.signbit(back), np.signbit(halves))
    assert clamped == 0


@NATIVE
def test_it_rounds_to_the_nearest_and_ties_to_even(native):
    halves = np.arange(0x7BFF, dtype=np.uint16).view(np.float16).astype(np.float32)
    above = np.nextafter(halves, np.float32(np.inf))
    middle = (halves[:-1] + halves[1:]) / 2
    values = np.concatenate(
        [above, middle, np.nextafter(middle, np.float32(0)), -middle, np.nextafter(middle, 9e9)]
    )
    narrow, clamped, wild = converted(values.astype(np.float32), native)
    np.testing.assert_array_equal(narrow, values.astype(np.float16))
    assert (clamped, wild) == (0, False)


@LANES
@NATIVE
def test_finite_values_beyond_the_range_are_clamped_and_counted(native, lanes):
    values = np.array([65504, 65504.01, 65519, 65520, 1e30, -65505, -1e38, np.inf, -np.inf, np.nan], np.float32)
    narrow, clamped, wild = converted(values, native, lanes)
    top = 65504
    np.testing.assert_array_equal(narrow, [top, top, top, top, top, -top, -top, np.inf, -np.inf, np.nan])
    assert clamped == np.count_nonzero((np.abs(values) > 65504) & np.isfinite(values))
    assert wild


@NATIVE
@given(st.lists(st.floats(width=32), min_size=1, max_size=40))
def test_any_floats_are_narrowed_as_numpy_does(native, numbers):
    values = np.array(numbers, np.float32)
    narrow, clamped, wild = converted(values, native)
    beyond = np.isfinite(values) & (np.abs(values) > 65504)
    expected = np.where(beyond, np.copysign(np.float32(65504), values), values).astype(np.float16)
    np.testing.assert_array_equal(narrow, expected)
    assert clamped == np.count_nonzero(beyond)
    # A sum of finite values may overflow, but here there is one plane.
    assert wild == (not np.isfinite(values).all())
