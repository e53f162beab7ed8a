"""A lens found from corners that OpenCV's projection places, and from pictures rendered by the formula."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from lens_charts import POSES, SQUARES, corners_at, rays_of, rendered

from stackcomp.errors import RequestError
from stackcomp.kernels.distortion import Distortion
from stackcomp.measure.lens_board import Board, corners_in, parse_board
from stackcomp.measure.lens_match import match_lens

BOARD = SQUARES[0] - 1, SQUARES[1] - 1
SIZE, FOCAL, CENTRE = (640, 360), 560.0, (324.0, 177.0)
BROWN = [-0.22, 0.09, 0.0012, -0.0008, -0.02]
RATIONAL = [0.3, 0.05, 0.001, -0.0005, 0.01, 0.55, 0.12, 0.01]
ORDER = ("k1", "k2", "p1", "p2", "k3", "k4", "k5", "k6")


def corners_of(numbers, poses=POSES):
    return [corners_at(FOCAL, CENTRE, numbers, pose) for pose in poses]


def farthest(match, numbers):
    """How far apart what is straight lies by the two lenses, in pixels, over the whole frame.

    A camera may be turned as it likes: what is left after the best homography between the two.
    """
    x, y = (part.ravel() for part in np.meshgrid(np.linspace(0, 640, 41), np.linspace(0, 360, 23)))
    true = Distortion(**dict(zip(ORDER, numbers, strict=False)))
    a = true.straighten((x - CENTRE[0]) / FOCAL, (y - CENTRE[1]) / FOCAL)
    found = Distortion(**match.coefficients)
    b = found.straighten((x - match.centre[0]) / match.focal[0], (y - match.centre[1]) / match.focal[1])
    a, b = np.stack([a.x, a.y], axis=1) * FOCAL, np.stack([b.x, b.y], axis=1) * FOCAL
    turned = cv2.perspectiveTransform(b[:, None], cv2.findHomography(b, a)[0])[:, 0]
    return np.hypot(*(turned - a).T).max()


@pytest.mark.parametrize(("model", "numbers"), [("brown", BROWN), ("rational", RATIONAL)])
def test_exact_corners_give_the_lens(model, numbers):
    match = match_lens(corners_of(numbers), BOARD, SIZE, model=model)
    assert match.residual < 1e-3
    assert match.focal == pytest.approx((FOCAL, FOCAL), abs=0.05)
    assert match.centre == pytest.approx(CENTRE, abs=0.05)
    assert farthest(match, numbers) < 0.01
    if model == "brown":
        assert list(match.coefficients.values()) == pytest.approx(BROWN, abs=1e-3)
        assert not match.doubts


def test_overscan_is_that_of_the_lens():
    match = match_lens(corners_of(BROWN), BOARD, SIZE)
    inner = np.array([[FOCAL, 0, CENTRE[0]], [0, FOCAL, CENTRE[1]], [0, 0, 1]])
    edges = np.array([[0, y] for y in range(361)] + [[640, y] for y in range(361)], np.float64)[:, None]
    precise = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 100, 1e-12)
    straight = cv2.undistortPoints(edges, inner, np.array(BROWN), P=inner, criteria=precise)[:, 0, 0]
    # Two pixels of the filter, and whole ones.
    assert 2 <= match.overscan[0] + straight.min() < 3.2
    assert 2 <= match.overscan[2] - (straight.max() - 640) < 3.2


@pytest.mark.slow
def test_rendered_boards_give_the_lens():
    rays = rays_of(SIZE, FOCAL, CENTRE, BROWN)
    boards = []
    for k, pose in enumerate(POSES):
        light = rendered(SIZE, rays, pose)
        boards.append(Board(f"chart.{k}", light, np.rint(255 * light ** (1 / 2.2)).astype(np.uint8)))
    corners = corners_in(boards, *BOARD)
    for found, expected in zip(corners, corners_of(BROWN), strict=True):
        ways = [np.hypot(*(found - exact).T).max() for exact in (expected, expected[::-1])]
        assert min(ways) < 0.25
    match = match_lens(corners, BOARD, SIZE)
    assert match.residual < 0.06
    assert farthest(match, BROWN) < 0.2


def test_doubts_say_what_is_missing():
    alike = [((2 * k, 0, 0), (0.2 * k, 0, 17)) for k in range(3)]
    doubts = " ".join(match_lens(corners_of(BROWN, alike), BOARD, SIZE).doubts)
    assert "3 pictures of the board" in doubts
    assert "too alike" in doubts
    assert "no corner lies near these edges" in doubts
    one = match_lens(corners_of(BROWN, POSES[1:2]), BOARD, SIZE)
    assert one.centre == (320, 180)
    assert any("1 picture of the board" in doubt and "centre" in doubt for doubt in one.doubts)


def test_a_picture_that_does_not_fit_is_named():
    corners = corners_of(BROWN)
    corners[4] = corners[4] + np.random.default_rng(1).normal(0, 3, corners[4].shape)
    match = match_lens(corners, BOARD, SIZE, names=[f"chart.{k}.exr" for k in range(len(corners))])
    assert any("chart.4.exr fits worse" in doubt for doubt in match.doubts)


def test_pictures_of_two_sizes_and_without_a_board_are_refused():
    grey = np.full((60, 90), 128, np.uint8)
    light = grey.astype(np.float32)
    with pytest.raises(RequestError) as raised:
        corners_in([Board("a.exr", light, grey), Board("b.exr", light.T, grey.T)], 9, 6)
    assert "b.exr is 60×90, but a.exr 90×60" in str(raised.value)
    with pytest.raises(RequestError) as raised:
        corners_in([Board("a.exr", light, grey)], 9, 6)
    assert "a.exr: no checkerboard of 9×6 inner corners is found" in str(raised.value)
    assert "is it 9 by 6?" in str(raised.value)


@pytest.mark.parametrize("text", ["9", "9x", "x6", "2x6", "9x6x3", "-9x6", "9.5x6", "900x6", ""])
def test_boards_that_are_none(text):
    with pytest.raises(RequestError) as raised:
        parse_board(text)
    assert raised.value.problems[0].rule == "lens-board"


def test_boards_are_read():
    assert parse_board("9x6") == parse_board(" 9 × 6 ") == (9, 6)
