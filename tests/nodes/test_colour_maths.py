"""Conversions inside a loop, against OpenColorIO itself on 100,000 values and all special ones.

Equal within 2e-6 of the pixel's largest channel, or 1e-6 next to 0. The channel, not the value, is the measure:
where a matrix takes nearly equal numbers from each other, both sides have rounded much larger ones.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import PyOpenColorIO
import pytest
from plain_algebra import evaluated

from stackcomp.execute.fuse import compiled
from stackcomp.files import colour, colour_steps
from stackcomp.files.colour import DEFAULT_CONFIG
from stackcomp.files.colour_steps import ColourStep, steps
from stackcomp.nodes.colour_maths import conversion, numbers_of
from stackcomp.plan.decisions import decisions_of, outcomes
from stackcomp.plan.program import Lane, Op, Program

COUNT = 100_000
SPECIAL = [0, -0.0, 1e-42, -1e-42, 1e-38, -1e-3, 1e-10, 0.18, 1, 65504, 1e30, -1e30, 3e38, np.inf, -np.inf, np.nan]
COLOUR_SPACES = [space.name for space in colour.spaces() if space.family != "data"]


def values(linear: bool) -> np.ndarray:
    """Light from 2^-20 to 2^14, some of it negative, and much from -0.1 to 2; or codes from -0.3 to 1.4."""
    draw = np.random.default_rng(7)
    if linear:
        light = np.exp2(draw.uniform(-20, 14, (COUNT, 1))) * draw.choice([1, 1, 1, -1], (COUNT, 1))
        pixels = light * np.exp2(draw.uniform(-1, 1, (COUNT, 3)))
        pixels[: COUNT // 4] = draw.uniform(-0.1, 2, (COUNT // 4, 3))
    else:
        pixels = draw.uniform(-0.3, 1.4, (COUNT, 3))
    return np.vstack([pixels, np.repeat(np.array(SPECIAL)[:, None], 3, 1)]).astype(np.float32)


def in_a_loop(made_of: Sequence[ColourStep], pixels: np.ndarray) -> np.ndarray:
    function, numbers = conversion(tuple(step.kind for step in made_of), by_alpha=False), numbers_of(made_of)
    lanes = tuple(Lane("plane", index=k) for k in range(4))
    decided = outcomes(decisions_of(function, 4), numbers, 4)
    program = Program(
        (4,), (Op(function, lanes, numbers=len(numbers), decided=decided),), ((0, 0), (0, 1), (0, 2))
    )
    planes = [np.ascontiguousarray(pixels[None, :, k]) for k in range(3)]
    planes += [np.ones_like(planes[0])] + [np.empty_like(planes[0]) for _ in range(3)]
    integers = np.zeros(program.integers, np.int64)
    compiled(program)(0, 1, len(pixels), np.array(numbers, np.float32), integers, *planes)
    return np.stack([plane[0] for plane in planes[4:]], -1)


def assert_equal(got: np.ndarray, theirs: np.ndarray) -> None:
    with np.errstate(invalid="ignore"):
        allowed = np.maximum(2e-6 * np.abs(theirs).max(1, keepdims=True), 1e-6)
        far = ~((np.abs(got.astype(np.float64) - theirs) <= allowed) | (got == theirs))
    far &= ~(np.isnan(got) & np.isnan(theirs))
    # Infinity is allowed for nothing but infinity.
    assert not far.any(), (got[far.any(1)][:5], theirs[far.any(1)][:5])
    np.testing.assert_array_equal(np.isfinite(got), np.isfinite(theirs))


@pytest.mark.parametrize("back", [False, True], ids=["to linear", "from linear"])
@pytest.mark.parametrize("name", COLOUR_SPACES)
def test_every_space_of_the_config_is_converted_as_the_library_does(name, back):
    pair = ("ACEScg", name) if back else (name, "ACEScg")
    made_of = steps(*pair, DEFAULT_CONFIG)
    if made_of is None:
        pytest.skip("has a table or a fixed function, which the library computes")
    pixels = values(colour.encoding(pair[0]).linear)
    theirs = pixels.copy()
    colour._cpu(*pair, DEFAULT_CONFIG).applyRGB(theirs)
    assert_equal(in_a_loop(made_of, pixels), theirs)


def test_most_spaces_come_apart():
    both = [name for name in COLOUR_SPACES if steps(name, "ACEScg", DEFAULT_CONFIG) is not None]
    assert all(steps("ACEScg", name, DEFAULT_CONFIG) is not None for name in both)
    assert len(both) >= 46
    for name in set(COLOUR_SPACES) - set(both):
        processor = colour.processor(name, "ACEScg", DEFAULT_CONFIG)
        optimised = processor.getOptimizedProcessor(PyOpenColorIO.OPTIMIZATION_LOSSLESS)
        kinds = {type(transform).__name__ for transform in optimised.createGroupTransform()}
        assert kinds & {"Lut1DTransform", "Lut3DTransform", "FixedFunctionTransform"}, name


def transforms() -> dict[str, PyOpenColorIO.Transform]:
    """Each transform in the shapes that the config has not."""
    library, three = PyOpenColorIO, [0.2, 0.25, 0.3]
    affine = library.LogAffineTransform(three, [0.4, 0.41, 0.42], [5, 6, 7], [0.05, 0.04, 0.03])
    clamped = library.RangeTransform()
    clamped.setMinInValue(0.1)
    clamped.setMaxInValue(0.9)
    clamped.setMinOutValue(-1)
    clamped.setMaxOutValue(2)
    sloped = library.LogCameraTransform([0.01] * 3, 10, three, [0.4] * 3, [5] * 3, [0.05] * 3, [6.0] * 3)
    camera = library.LogCameraTransform([0.01, 0.02, 0.03], 2, three, [0.4] * 3, [5] * 3, [0.05] * 3)
    lifted = library.MatrixTransform([1, 0.5, 0, 0, 0, 1, 0.1, 0, 0.2, 0, 1, 0, 0, 0, 0, 1], [0.1, -0.2, 0, 0])
    found = {"log": library.LogTransform(base=10), "affine": affine, "range": clamped, "matrix": lifted}
    found |= {"camera": camera, "sloped": sloped}
    for style in ("CLAMP", "MIRROR", "PASS_THRU"):
        negative = getattr(library, f"NEGATIVE_{style}")
        found[f"exponent {style}"] = library.ExponentTransform([2.2, 1.8, 2.6, 1], negative)
    for style in ("LINEAR", "MIRROR"):
        negative = getattr(library, f"NEGATIVE_{style}")
        found[f"line {style}"] = library.ExponentWithLinearTransform(
            [2.4, 2.2, 1.9, 1], [0.055, 0.1, 0.02, 0], negative
        )
    return found


@pytest.mark.parametrize("back", [False, True], ids=["forward", "inverse"])
@pytest.mark.parametrize("name", transforms())
def test_every_transform_in_every_style(name, back):
    library = PyOpenColorIO
    direction = library.TRANSFORM_DIR_INVERSE if back else library.TRANSFORM_DIR_FORWARD
    processor = library.Config.CreateRaw().getProcessor(transforms()[name], direction)
    optimised = processor.getOptimizedProcessor(library.OPTIMIZATION_LOSSLESS)
    found = [colour_steps._step(transform) for transform in optimised.createGroupTransform()]
    assert all(step is not None for step in found)
    made_of = [step for step in found if step is not None]
    pixels = values(linear=not back or "exponent" in name)
    theirs = pixels.copy()
    processor.getOptimizedCPUProcessor(library.OPTIMIZATION_LOSSLESS).applyRGB(theirs)
    assert_equal(in_a_loop(made_of, pixels), theirs)


def test_what_the_library_alone_computes_is_left_to_it():
    library = PyOpenColorIO
    table = library.Lut1DTransform(16, False)
    table.setValue(3, 0.9, 0.1, 0.2)
    alpha = library.MatrixTransform([1, 0, 0, 0.5, 0, 1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1])
    half_open = library.RangeTransform()
    half_open.setMinInValue(0)
    half_open.setMinOutValue(0)
    hue = library.FixedFunctionTransform(library.FIXED_FUNCTION_RGB_TO_HSV)
    for transform in (table, alpha, half_open, hue):
        assert colour_steps._step(transform) is None


@pytest.mark.parametrize("space", ["ACEScct", "sRGB - Display", "Linear Rec.2020"])
@pytest.mark.parametrize("divided", [0.0, 1.0])
def test_the_function_in_plain_python_is_the_one_in_the_loop(space, divided):
    made_of = steps("ACEScg", space, DEFAULT_CONFIG)
    assert made_of is not None
    function = conversion(tuple(step.kind for step in made_of), by_alpha=True)
    for pixel in ([0.3, 0.2, 0.1, 0.5], [0.3, 0, -0.1, 0], [0, 0, 0, 0], [4, 2, 1, 1]):
        arguments = [*pixel, 0.01, 0.02, 0.03, divided, *numbers_of(made_of)]
        assert evaluated(function, *arguments) == pytest.approx(function(*arguments), abs=1e-12)
        assert function(*arguments)[3] == pixel[3]
    assert function(0, 0, 0, 0, 0.01, 0.02, 0.03, divided, *numbers_of(made_of))[:3] == (0, 0, 0)
