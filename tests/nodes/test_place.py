"""place against cv2's warps, through the whole engine."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from one_node import render_node as render

from stackcomp import CheckError, Composition, DocumentError, Graph, Image, Matte, Window

SIZE = (96, 64)
FRAME = Window.of_size(*SIZE)


def picture():
    y, x = np.mgrid[: SIZE[1], : SIZE[0]]
    light = np.stack([0.5 + 0.3 * np.sin(x / 5), 0.5 + 0.3 * np.cos(y / 6), 0.01 * x], axis=-1)
    alpha = np.clip(20 - np.hypot(x - 48, y - 32), 0, 1)[..., None]
    return np.concatenate([light * alpha, alpha], axis=-1).astype(np.float32)


def placed(**fields):
    pixels = fields.pop("pixels", None)
    return render("place", {"p": Image.from_array(picture() if pixels is None else pixels)}, image="p", **fields)


def by_cv2(pixels, matrix):
    half = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1]])
    at_centres = np.linalg.inv(half) @ matrix @ half
    return cv2.warpPerspective(pixels, at_centres, SIZE, flags=cv2.INTER_CUBIC)


def test_left_alone_it_gives_the_same_pixels():
    assert np.array_equal(placed().to_array(), picture())


def test_whole_pixels_and_quarter_turns_are_exact():
    moved = placed(move=[7, -5]).to_array()
    assert np.array_equal(moved[:-5, 7:], picture()[5:, :-7])
    turned = placed(turn=90, pivot=[32, 32]).to_array(Window(0, 0, 64, 64))
    assert np.array_equal(turned, np.rot90(picture()[:, :64], -1))


def test_turning_is_clockwise_about_the_pivot():
    pixels = np.zeros((*SIZE[::-1], 4), np.float32)
    pixels[32, 60] = 1
    result = placed(pixels=pixels, turn=90, pivot=[40.5, 32.5]).to_array()
    assert result[32 + 20, 40, 0] == pytest.approx(1)


@pytest.mark.parametrize(
    ("steps", "matrix"),
    [
        ({"turn": 20, "pivot": [0, 0]}, [[0.9396926, -0.3420201, 0], [0.3420201, 0.9396926, 0], [0, 0, 1]]),
        ({"scale": 1.5, "pivot": [48, 32]}, [[1.5, 0, -24], [0, 1.5, -16], [0, 0, 1]]),
        (
            {"scale": 1.2, "stretch": 1.1, "pivot": [10, 20], "move": [3.5, 2]},
            [[1.32, 0, 0.3], [0, 1.2, -2], [0, 0, 1]],
        ),
        (
            {"homography": [1.1, 0.2, -5, -0.1, 1.2, 4, 0.001, 0.002, 1]},
            [[1.1, 0.2, -5], [-0.1, 1.2, 4], [0.001, 0.002, 1]],
        ),
    ],
)
def test_agrees_with_another_library(steps, matrix):
    # cv2's cubic kernel is sharper (a = -0.75) and its positions are rounded to 1/32 px; the picture is
    # smooth but for its edge, where alpha is left out of the comparison.
    result, wanted = placed(**steps).to_array(), by_cv2(picture(), np.array(matrix))
    inside = cv2.erode((wanted[..., 3] > 0.999).astype(np.uint8), np.ones((5, 5))) > 0
    assert inside.sum() > 300
    assert np.abs(result - wanted)[inside].max() < 5e-3
    assert np.abs(result - wanted).mean() < 4e-3


def test_colour_and_alpha_stay_in_step():
    result = placed(turn=33, scale=0.6, pivot=[48, 32]).to_array()
    white = np.repeat(picture()[..., 3:], 4, axis=2)
    white = placed(pixels=white, turn=33, scale=0.6, pivot=[48, 32]).to_array()
    assert np.array_equal(white[..., 0], white[..., 3])
    assert result.min() >= 0
    assert result[..., 3].max() <= 1


def test_light_without_coverage_is_placed_too():
    pixels = np.zeros((*SIZE[::-1], 4), np.float32)
    pixels[20:28, 30:38, :3] = 4
    result = placed(pixels=pixels, move=[10.5, 3.25]).to_array()
    assert result[26, 44, 0] == pytest.approx(4)
    assert np.all(result[..., 3] == 0)


def test_a_matte_is_placed():
    source = Image.from_array(picture()[..., 3], type=Matte())
    result = render("place", {"m": source}, image="m", move=[4, 0])
    assert isinstance(result.type, Matte)
    assert np.array_equal(result.over(FRAME)["A"][:, 4:], source["A"][:, :-4])


def test_the_frame_may_be_that_of_another_picture():
    given = {
        "p": Image.from_array(picture()),
        "big": Image.from_array(np.zeros((200, 300, 3), np.float32)),
    }
    result = render("place", given, image="p", like="big", scale=3, pivot=[0, 0])
    assert result.display == Window.of_size(300, 200)
    assert result.to_array()[96, 144, 3] == pytest.approx(1)


def test_a_preview_at_half_the_scale_looks_the_same():
    for steps in (
        {"turn": 15, "pivot": [48, 32], "move": [8, 4]},
        {"homography": [1, 0.1, 6, 0, 1, 4, 0.001, 0, 1]},
    ):
        whole = placed(**steps).to_array().reshape(32, 2, 48, 2, 4).mean(axis=(1, 3))
        assert np.abs(placed(at=0.5, **steps).to_array() - whole).mean() < 4e-3


def chain(*nodes, pixels=None):
    """Nodes one after the other, each with the one before as its image."""
    graph, last = Graph(frames="1"), "p"
    graph.add("flat", "p", size=list(SIZE))
    for k, (kind, fields) in enumerate(nodes):
        last = graph.add(kind, f"n{k}", image=last, **fields)
    given = {"p": Image.from_array(picture() if pixels is None else pixels)}
    return next(iter(Composition(graph).results([last], 1, replace=given))).image


@pytest.mark.parametrize("move", [[60, 0], [-70, 45], [0, 500], [-3000, 3000]])
def test_there_and_back_is_the_original(move):
    back = chain(("place", {"move": move}), ("place", {"move": [-by for by in move]}))
    assert np.array_equal(back.to_array(), picture())


def test_there_and_back_past_nodes_between():
    between = [("exposure", {"stops": 1}), ("exposure", {"stops": -1})]
    back = chain(("place", {"move": [80, 10]}), *between, ("place", {"move": [-80, -10]}))
    assert np.array_equal(back.to_array(), picture())


def test_a_lamp_just_outside_of_the_frame_glows_into_it():
    pixels = np.zeros((*SIZE[::-1], 4), np.float32)
    pixels[30:34, 90:94, :3] = 50
    glow = {"radius": 3, "threshold": 1, "output": "alone"}
    outside = chain(("place", {"move": [8, 0]}), ("glow", glow), pixels=pixels)  # from 98 on; the frame ends at 96
    # The same lamp 50 pixels to the left, well inside of the frame, spills the same light beside it.
    inside = chain(("place", {"move": [-42, 0]}), ("glow", glow), pixels=pixels)
    assert outside.to_array()[:, 50:] == pytest.approx(inside.to_array()[:, :46], abs=1e-5)
    assert outside.to_array()[32, 95, 0] > 0.5


def test_what_lies_outside_of_the_frame_is_not_delivered():
    given = {"p": Image.from_array(picture())}
    assert render("place", given, image="p", move=[30, -20]).window in FRAME
    assert render("place", given, image="p", scale=40, pivot=[48, 32]).window == FRAME
    overscan = Image.from_array(np.ones((70, 100, 4), np.float32), origin=(-2, -3), display=FRAME)
    assert render("place", {"p": overscan}, image="p", move=[50, 0]).window in overscan.window


def test_memory_ends_what_is_kept_outside_of_the_frame():
    # 4096 pixels beyond the frame and no more: at a distance of 5000 there is nothing left to bring back.
    back = chain(("place", {"move": [5000, 0]}), ("place", {"move": [-5000, 0]}))
    assert not back.to_array().any()


@settings(max_examples=10, deadline=None)
@given(st.integers(-20, 90), st.integers(-20, 60), st.integers(1, 20))
def test_a_tile_equals_the_whole(x, y, size):
    steps = {"turn": 27, "scale": 0.7, "pivot": [48, 32]}
    whole, tile = placed(**steps), placed(window=Window(x, y, x + size, y + size), **steps)
    for channel in "RGBA":
        assert np.array_equal(tile[channel], whole.over(tile.window)[channel])


@pytest.mark.parametrize(
    ("fields", "message"),
    [
        ({"turn": 5}, '"turn" needs "pivot"'),
        ({"scale": 2}, '"scale" needs "pivot"'),
        ({"homography": [1, 0, 0, 0, 1, 0, 0, 0, 1], "move": [1, 1]}, "use one or the other"),
        ({"homography": [1, 0, 0]}, "9 numbers"),
        ({"scale": 0, "pivot": [0, 0]}, "larger than 0"),
        ({"homography": [1, 2, 3, 2, 4, 6, 0, 0, 1]}, "(?s)cannot be inverted.*four corners"),
        ({"homography": [0] * 9}, "cannot be inverted"),
        ({"move": [1e9, 0]}, "largest value.*100000"),
        ({"pivot": [0, -1e6], "turn": 1}, "smallest value.*-100000"),
    ],
)
def test_what_does_not_fit_is_refused_with_a_way_out(fields, message):
    with pytest.raises(DocumentError, match=message):
        Graph().add("place", "it", image="p", **fields)


def test_a_homography_that_becomes_singular_over_time_names_node_and_frame():
    keys = [[1, [1, 0, 0, 0, 1, 0, 0, 0, 1]], [3, [-1, 0, 0, 0, 1, 0, 0, 0, 1]]]
    fields = {"homography": {"keys": keys, "between": "linear"}}
    assert np.array_equal(placed(frame=1, **fields).to_array(), picture())
    with pytest.raises(CheckError, match=r"(?s)frame 2: .*cannot be inverted.*four corners") as refused:
        placed(frame=2, **fields)
    assert (refused.value.problems[0].node, refused.value.problems[0].rule) == ("it", "homography-singular")
