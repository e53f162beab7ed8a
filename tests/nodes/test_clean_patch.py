"""clean_patch: a patch cut from a picture and laid back must give that picture."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from one_node import render_node as render

from stackcomp import CheckError, DocumentError, Graph, Image, Matte, Window

SIZE = (96, 64)
FRAME = Window.of_size(*SIZE)


TILT = np.array([[1.1, 0.2, 22], [-0.1, 1.05, 14], [0.001, 0.002, 1]])
PATCH = (50, 36)


def bench():
    """A smooth scene, as seen at any point of the frame."""
    y, x = np.mgrid[: SIZE[1], : SIZE[0]]
    return scene_at(x + 0.5, y + 0.5)


def scene_at(x, y):
    return np.stack(
        [0.4 + 0.2 * np.sin(x / 7), 0.4 + 0.2 * np.cos(y / 8), 0.3 + 0.1 * np.sin((x + y) / 9)], axis=-1
    ).astype(np.float32)


def clean():
    """The part of that scene which the patch shows, each of its pixels seen through the homography."""
    x, y = np.meshgrid(np.arange(PATCH[0]) + 0.5, np.arange(PATCH[1]) + 0.5)
    u, v, w = np.tensordot(TILT, np.stack([x, y, np.ones_like(x)]), 1)
    return scene_at(u / w, v / w)


def mended(plate, patch=None, matte=None, **fields):
    given = {"plate": Image.from_array(plate), "patch": Image.from_array(clean() if patch is None else patch)}
    if matte is not None:
        given["m"] = Image.from_array(matte, type=Matte())
        fields["matte"] = "m"
    fields = {"homography": TILT.ravel().tolist(), **fields}
    return render("clean_patch", given, backdrop="plate", patch="patch", **fields)


def covered():
    """Where cv2 says that the patch's quadrilateral lies."""
    corners = np.array([[[0, 0], [PATCH[0], 0], PATCH, [0, PATCH[1]]]], np.float64)
    quad = cv2.perspectiveTransform(corners, TILT)[0]
    canvas = np.zeros((SIZE[1] * 16, SIZE[0] * 16), np.uint8)
    cv2.fillPoly(canvas, [np.round(quad * 16 - 0.5).astype(np.int32)], 1)
    return canvas.reshape(SIZE[1], 16, SIZE[0], 16).mean(axis=(1, 3))


def test_a_true_patch_makes_the_mark_vanish():
    plate = bench()
    plate[24:40, 40:60] = 5
    result = mended(plate).to_array()
    inside = cv2.erode((covered() == 1).astype(np.uint8), np.ones((5, 5))) > 0
    assert inside[24:40, 40:60].all()
    assert np.abs(result - bench())[inside].max() < 2e-3
    beside = cv2.dilate(covered(), np.ones((5, 5))) == 0
    assert np.array_equal(result[beside], plate[beside])


def test_it_lies_where_another_library_puts_it():
    plate = np.zeros((*SIZE[::-1], 3), np.float32)
    white = np.ones((*PATCH[::-1], 3), np.float32)
    result = mended(plate, white).to_array()[..., 0]
    assert np.abs(result - covered()).max() < 0.3
    assert np.abs(result - covered()).mean() < 0.004
    assert result.sum() == pytest.approx(covered().sum(), rel=5e-3)


def test_the_feather_lies_inside_the_outline():
    plate = np.zeros((*SIZE[::-1], 3), np.float32)
    white = np.ones((*PATCH[::-1], 3), np.float32)
    at_home = [1, 0, 20, 0, 1, 10, 0, 0, 1]
    row = mended(plate, white, homography=at_home, feather=10).to_array()[28, :, 0]
    assert np.all(row[:20] == 0)
    assert row[20] < 0.02
    assert row[25] == pytest.approx(0.5, abs=0.12)
    assert np.all(row[30:60] > 0.985)
    assert np.all(np.diff(row[20:40]) >= -1e-6)


def test_an_outline_limits_the_patch():
    plate, white = np.zeros((*SIZE[::-1], 3), np.float32), np.ones((*PATCH[::-1], 3), np.float32)
    triangle = [[5, 5], [45, 5], [5, 30]]
    result = mended(plate, white, homography=[1, 0, 20, 0, 1, 10, 0, 0, 1], outline=triangle).to_array()
    assert result[..., 0].sum(dtype=np.float64) == pytest.approx(40 * 25 / 2, rel=1e-5)
    assert result[16, 26, 0] == 1
    assert result[38, 60, 0] == 0


def test_a_matte_limits_the_patch():
    plate, white = np.zeros((*SIZE[::-1], 3), np.float32), np.ones((*PATCH[::-1], 3), np.float32)
    matte = np.zeros(PATCH[::-1], np.float32)
    matte[10:20, 10:20] = 0.5
    result = mended(plate, white, matte, homography=[1, 0, 20, 0, 1, 10, 0, 0, 1]).to_array()[..., 0]
    wanted = np.zeros(SIZE[::-1])
    wanted[20:30, 30:40] = 0.5
    assert np.array_equal(result, wanted)


def test_a_patch_with_alpha_goes_over_premultiplied():
    plate = np.full((*SIZE[::-1], 4), [0.2, 0.4, 0.6, 1], np.float32)
    patch = np.full((*PATCH[::-1], 4), [0.5, 0.1, 0, 0.5], np.float32)
    result = mended(plate, patch, homography=[1, 0, 20, 0, 1, 10, 0, 0, 1]).to_array()
    assert result[30, 40] == pytest.approx([0.6, 0.3, 0.3, 1])
    assert result[2, 2] == pytest.approx([0.2, 0.4, 0.6, 1])


def test_the_track_may_be_keyed():
    plate, white = np.zeros((*SIZE[::-1], 3), np.float32), np.ones((*PATCH[::-1], 3), np.float32)
    keys = [[1, [1, 0, 0, 0, 1, 0, 0, 0, 1]], [11, [1, 0, 20, 0, 1, 10, 0, 0, 1]]]
    track = {"keys": keys, "between": "linear"}
    result = mended(plate, white, homography=track, frame=6).to_array()[..., 0]
    wanted = np.zeros(SIZE[::-1])
    wanted[5:41, 10:60] = 1
    assert np.array_equal(result, wanted)


def test_a_patch_outside_of_the_frame_changes_nothing():
    assert np.array_equal(mended(bench(), homography=[1, 0, 500, 0, 1, 0, 0, 0, 1]).to_array(), bench())


def test_a_preview_at_half_the_scale_looks_the_same():
    plate = np.zeros((*SIZE[::-1], 3), np.float32)
    fields = {"feather": 8, "outline": [[4, 4], [46, 6], [44, 32], [6, 30]]}
    whole = mended(plate, **fields).to_array().reshape(32, 2, 48, 2, 3).mean(axis=(1, 3))
    half = mended(plate, at=0.5, **fields).to_array()
    assert np.abs(half - whole).max() < 0.05
    assert np.abs(half - whole).mean() < 0.003


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 90), st.integers(0, 60), st.integers(1, 20))
def test_a_tile_equals_the_whole(x, y, size):
    whole = mended(bench() * 0, feather=6)
    tile = mended(bench() * 0, feather=6, window=Window(x, y, x + size, y + size))
    assert tile["R"] == pytest.approx(whole.over(tile.window)["R"], abs=1e-6)


def test_a_matte_of_another_frame_is_refused():
    with pytest.raises(CheckError, match=r"(?s)the matte .* has a frame of .* but the patch .* one of") as refused:
        mended(bench(), matte=np.ones((9, 9), np.float32))
    assert refused.value.problems[0].rule == "resolution"


@pytest.mark.parametrize(
    ("fields", "message"),
    [({"outline": [[0, 0], [1, 1]]}, "3 or more"), ({"feather": -1}, "smallest value"),
     ({"homography": [1, 2]}, "9 numbers"), ({"feather": 1e6}, "largest value"),
     ({"homography": [1, 1, 1] * 3}, "cannot be inverted")],
)  # fmt: skip
def test_what_does_not_fit_is_refused(fields, message):
    with pytest.raises(DocumentError, match=message):
        Graph().add("clean_patch", "it", backdrop="a", patch="b", **fields)
