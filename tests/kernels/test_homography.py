"""Homographies of steps and of scales against hand-worked matrices and cv2."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from stackcomp.kernels.homography import affine, at_scale, inverse, matrix


def test_affine_agrees_with_cv2():
    # cv2 turns anticlockwise about a centre.
    turned = affine((0, 0), 33, (1.7, 1.7), (12.5, 30))
    assert turned[:2] == pytest.approx(cv2.getRotationMatrix2D((12.5, 30), -33, 1.7))


def test_a_quarter_turn_and_a_move_are_exact():
    assert np.array_equal(affine((3, 4), 90, (1, 1), (0, 0)), [[0, -1, 3], [1, 0, 4], [0, 0, 1]])


def test_the_pivot_is_a_fixed_point():
    point = affine((0, 0), 71, (0.3, 2.2), (9, 5)) @ [9, 5, 1]
    assert point == pytest.approx([9, 5, 1])


def test_half_size_pictures_have_the_same_homography_in_half_size_pixels():
    numbers = (1.1, 0.2, 22, -0.1, 1.05, 14, 0.001, 0.002, 1)
    whole = matrix(numbers) @ [40, 60, 1]
    half = matrix(at_scale(numbers, 0.5)) @ [20, 30, 1]
    assert half[:2] / half[2] == pytest.approx(whole[:2] / whole[2] / 2)


@pytest.mark.parametrize(
    "numbers",
    [
        (1, 0, 1e5, 0, 1, -1e5, 0, 0, 1),
        (0.01, 0, 3, 0, 0.01, 5, 0, 0, 1),
        (1, 0, 0, 0, 1, 0, 0, -0.004, 1),
        (1e6, 0, 0, 0, 1e6, 0, 0, 0, 1e6),
    ],
)
def test_long_moves_and_small_scales_have_an_inverse(numbers):
    assert inverse(matrix(numbers)) @ matrix(numbers) == pytest.approx(np.eye(3), abs=1e-9)


@pytest.mark.parametrize("numbers", [(0,) * 9, (1,) * 9, (1, 2, 3, 2, 4, 6, 0, 0, 1), (1, 0, 0, 0, 0, 0, 0, 0, 1)])
def test_singular_homographies_have_no_inverse(numbers):
    with pytest.raises(ValueError, match="cannot be inverted"):
        inverse(matrix(numbers))
