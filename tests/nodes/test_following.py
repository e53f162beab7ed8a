"""Nodes that follow a plate: by homography or track, at any scale, between frames; and what mistakes say."""

from pathlib import Path
from typing import Annotated, Literal

import cv2
import numpy as np
import pytest
from pydantic import ValidationError

from stackcomp.data.numbers import Keyed
from stackcomp.data.port_types import Colour, Encoding
from stackcomp.data.window import Window
from stackcomp.errors import FileError
from stackcomp.files.file_state import file_state
from stackcomp.files.track_file import track_text
from stackcomp.kernels.point_fit import apply
from stackcomp.nodes.base import AreaNode, Context, Port
from stackcomp.nodes.following import Following

CORNERS = {"a": (100.0, 50.0), "b": (300.0, 60.0), "c": (310.0, 200.0), "d": (90.0, 190.0)}
PLATE = {"backdrop": Window(0, 0, 512, 288)}
SHIFTED = (1.0, 0.0, 5.0, 0.0, 1.0, -3.0, 0.0, 0.0, 1.0)


class Sticker(Following, AreaNode):
    """A kind that follows."""

    kind: Literal["sticker"] = "sticker"
    backdrop: Annotated[str, Port((Colour,))] = "plate"


def moved(point, frame):
    """Where a corner is: the plate's camera turns and comes closer from frame to frame."""
    t = frame - 1003
    size, angle = 1 + 0.01 * t, 0.004 * t
    x, y = point[0] - 256, point[1] - 144
    return (
        256 + 3 * t + size * (np.cos(angle) * x - np.sin(angle) * y),
        144 - t + size * (np.sin(angle) * x + np.cos(angle) * y),
        0.01,
    )


@pytest.fixture
def context(tmp_path):
    return Context(Encoding("ACEScg", "scene-linear"), "", tmp_path, tuple(range(1001, 1006)))


@pytest.fixture
def write(tmp_path):
    def written(lost=(), corners=CORNERS, frames=range(1001, 1006), size=(512, 288)):
        points = {
            name: {frame: None if (name, frame) in lost else moved(point, frame) for frame in frames}
            for name, point in corners.items()
        }
        (tmp_path / "bench.json").write_text(track_text(size, 1003, points))

    return written


def followed(node, context, frame=1001, scale=1.0):
    return node.at(frame, scale).with_files(frame, scale, context, {})


def said(node, context, windows=PLATE):
    return [(problem.rule, problem.message, problem.way_out) for problem in node.look({}, windows, context)]


def test_nothing_to_follow_is_the_identity(context):
    node = followed(Sticker(), context)
    assert node.followed.tolist() == np.eye(3).tolist()
    assert node.followed_at(1001.5).tolist() == np.eye(3).tolist()
    assert Sticker().still
    assert said(Sticker(), context) == []


def test_a_homography_is_brought_to_the_scale_of_a_preview_once(context):
    node = followed(Sticker(homography=SHIFTED), context, scale=0.5)
    assert node.followed.tolist() == [[1, 0, 2.5], [0, 1, -1.5], [0, 0, 1]]


@pytest.mark.parametrize("scale", [1.0, 0.5])
def test_a_keyed_homography_is_known_between_frames(context, scale):
    keyed = {"keys": [[1001, list(SHIFTED)], [1002, [1, 0, 9, 0, 1, -3, 0, 0, 1]]], "between": "linear"}
    sticker = Sticker.model_validate({"homography": keyed})
    assert isinstance(sticker.homography, Keyed)
    assert not sticker.still
    node = followed(sticker, context, scale=scale)
    assert node.followed[0, 2] == 5 * scale
    assert node.followed_at(1001.25)[0, 2] == 6 * scale


def test_four_points_are_followed_as_opencv_does(context, write):
    write()
    node = followed(Sticker(track="bench.json"), context)
    source = np.array([moved(point, 1003)[:2] for point in CORNERS.values()], np.float32)
    target = np.array([moved(point, 1001)[:2] for point in CORNERS.values()], np.float32)
    expected = cv2.getPerspectiveTransform(source, target)
    np.testing.assert_allclose(apply(node.followed, source), apply(expected, source), atol=1e-3)
    assert not Sticker(track="bench.json").still


def test_a_preview_follows_at_its_scale(context, write):
    write()
    whole, half = (followed(Sticker(track="bench.json"), context, scale=scale) for scale in (1.0, 0.5))
    at = np.array([[100.0, 50.0], [300.0, 200.0]])
    np.testing.assert_allclose(2 * apply(half.followed, at / 2), apply(whole.followed, at), atol=1e-9)
    np.testing.assert_allclose(2 * apply(half.followed_at(1001.3), at / 2), apply(whole.followed_at(1001.3), at))


@pytest.mark.parametrize(("names", "moves"), [(("a",), 1), (("a", "b"), 2), (("a", "b", "d"), 3), (None, 4)])
def test_chosen_points_are_met_exactly(context, write, names, moves):
    write()
    node = followed(Sticker(track="bench.json", points=names), context)
    chosen = names or tuple(CORNERS)
    assert len(chosen) == moves
    begin = [moved(CORNERS[name], 1003)[:2] for name in chosen]
    # The file holds four decimals.
    np.testing.assert_allclose(
        apply(node.followed, begin), [moved(CORNERS[name], 1001)[:2] for name in chosen], atol=2e-4
    )


def test_the_frame_of_the_still_may_be_another(context, write):
    write()
    node = followed(Sticker(track="bench.json", still_frame=1005), context)
    begin = [moved(point, 1005)[:2] for point in CORNERS.values()]
    end = [moved(point, 1001)[:2] for point in CORNERS.values()]
    np.testing.assert_allclose(apply(node.followed, begin), end, atol=2e-4)


@pytest.mark.parametrize("time", [1000.75, 1001.0, 1001.25, 1002.5])
def test_points_move_straight_between_frames_and_on_at_the_end_of_the_track(context, write, time):
    write()
    node = followed(Sticker(track="bench.json"), context)
    begin = [moved(point, 1003)[:2] for point in CORNERS.values()]
    # The true movement is curved a little: over a quarter of a frame by less than 0.02 px.
    end = [moved(point, time)[:2] for point in CORNERS.values()]
    np.testing.assert_allclose(apply(node.followed_at(time), begin), end, atol=0.03)


def test_between_frames_a_point_that_is_lost_next_goes_on_as_before(context, write):
    write(lost={("b", 1003)})
    node = followed(Sticker(track="bench.json", still_frame=1002), context, frame=1002)
    begin = [moved(point, 1002)[:2] for point in CORNERS.values()]
    end = [moved(point, 1002.25)[:2] for point in CORNERS.values()]
    np.testing.assert_allclose(apply(node.followed_at(1002.25), begin), end, atol=0.03)


@pytest.mark.parametrize("time", [1002.5, 1003.25, 1004.75, 1005.5])
def test_between_frames_of_which_every_second_was_tracked(context, write, time):
    write(frames=[1001, 1003, 1005])
    frame = min((1003, 1005), key=lambda near: abs(near - time))
    node = followed(Sticker(track="bench.json"), context, frame=frame)
    begin = [moved(point, 1003)[:2] for point in CORNERS.values()]
    end = [moved(point, time)[:2] for point in CORNERS.values()]
    # Straight over two frames, the curved movement is missed by hundredths; standing still, by 0.75 px or more.
    np.testing.assert_allclose(apply(node.followed_at(time), begin), end, atol=0.06)


def test_one_frame_alone_does_not_move(context, write):
    write(frames=[1003])
    node = followed(Sticker(track="bench.json"), context, frame=1003)
    np.testing.assert_allclose(node.followed_at(1003.4), np.eye(3), atol=1e-9)


def test_the_track_is_an_input(context, write, tmp_path):
    write()
    sticker = Sticker(track="bench.json")
    assert sticker.files(1001, tmp_path) == [tmp_path / "bench.json"]
    opened = {}
    sticker.at(1001).with_files(1001, 1.0, context, opened)
    assert opened == {tmp_path / "bench.json": file_state(tmp_path / "bench.json")}
    assert Sticker(homography=SHIFTED).files(1001, tmp_path) == []


def test_nodes_that_follow_can_be_compared(context, write):
    write()
    node = Sticker(track="bench.json")
    assert followed(node, context) == followed(node, context)
    assert followed(node, context) != followed(node, context, frame=1002)


def test_a_lost_point_is_found_before_anything_is_rendered(context, write):
    write(lost={("b", 1002), ("b", 1004), ("c", 1005)})
    path = context.root / "bench.json"
    sticker = Sticker(track="bench.json")
    way_out = 'track it again there, leave it out of "points", or write "missing": "fewer" to follow the others'
    assert said(sticker, context) == [
        ("track-lost", f'{path}: the point "b" is lost at frames 1002,1004', way_out),
        ("track-lost", f'{path}: the point "c" is lost at frame 1005', way_out),
    ]
    assert said(Sticker(track="bench.json", points=("a", "d")), context) == []
    with pytest.raises(FileError, match=r'bench.json: the point "b" is lost at frame 1004 — track it again'):
        followed(sticker, context, frame=1004)


def test_fewer_points_are_followed_where_that_is_wanted(context, write):
    write(lost={("b", 1002)})
    sticker = Sticker(track="bench.json", missing="fewer")
    assert said(sticker, context) == []
    at = followed(sticker, context, frame=1002).followed
    assert at[2].tolist() == [0, 0, 1]
    begin = [moved(CORNERS[name], 1003)[:2] for name in "acd"]
    np.testing.assert_allclose(apply(at, begin), [moved(CORNERS[name], 1002)[:2] for name in "acd"], atol=2e-4)


def test_without_any_point_nothing_can_be_followed(context, write):
    write(lost={(name, 1002) for name in CORNERS})
    (finding,) = said(Sticker(track="bench.json", missing="fewer"), context)
    assert finding[0] == "track-lost"
    assert "at frame 1002 there is no point that is also known at frame 1003" in finding[1]


def test_a_point_must_be_known_where_the_still_was_made(context, write):
    write(lost={("a", 1003)})
    assert 'the point "a" is lost at frame 1003' in said(Sticker(track="bench.json"), context)[0][1]
    assert said(Sticker(track="bench.json", missing="fewer"), context) == []


def test_frames_outside_of_the_track(context, write):
    write(frames=range(1002, 1005))
    ((rule, message, way_out),) = said(Sticker(track="bench.json"), context)
    assert rule == "track-frames"
    assert message.endswith("the track has frames 1002-1004, but not frames 1001,1005 (what is rendered)")
    assert way_out == "track these frames too, or render others"
    ((rule, message, way_out),) = said(Sticker(track="bench.json", still_frame=990), context)
    assert message.endswith("but not frame 990 (the still's frame)")
    assert way_out == 'give a "still_frame" that the track has'
    with pytest.raises(FileError, match="but not frame 1001"):
        followed(Sticker(track="bench.json"), context)
    write(frames=())
    ((_, message, _),) = said(Sticker(track="bench.json"), context)
    assert message.endswith("the track has no frames, and so not frame 1003 (the still's frame)")


def test_names_that_the_track_does_not_have(context, write):
    write()
    sticker = Sticker(track="bench.json", points=("a", "B"))
    assert said(sticker, context) == [
        ("track-point", f'{context.root / "bench.json"}: the track has no point "B"', 'did you mean "b"?')
    ]
    with pytest.raises(FileError, match='has no point "B"'):
        followed(sticker, context)


def test_points_on_a_line(context, write):
    write(corners={"a": (100.0, 50.0), "b": (200.0, 50.0), "c": (300.0, 50.0)})
    ((rule, message, _),) = said(Sticker(track="bench.json"), context)
    assert rule == "track-fit"
    assert message.endswith("frame 1001: the 3 points lie on one line")
    with pytest.raises(FileError, match="lie on one line"):
        followed(Sticker(track="bench.json"), context)


def test_a_plate_of_another_size(context, write):
    write(size=(1024, 576))
    ((rule, message, _),) = said(Sticker(track="bench.json"), context)
    assert rule == "track-size"
    assert message.endswith("made of a plate of 1024×576 pixels, but the frame has 512×288")


@pytest.mark.parametrize(
    ("text", "told"), [(None, "no such file"), ("{", "bench.json"), ("{}", "needs the field")]
)
def test_files_that_are_no_track(context, text, told):
    if text is not None:
        Path(context.root, "bench.json").write_text(text)
    ((rule, message, _),) = said(Sticker(track="bench.json"), context)
    assert rule == "track-file"
    assert told in message


def test_a_keyed_homography_that_cannot_be_inverted_is_found(context):
    keyed = {"keys": [[1001, list(SHIFTED)], [1003, [1, 0, 0, 1, 0, 0, 0, 0, 1]]]}
    ((rule, message, _),) = said(Sticker.model_validate({"homography": keyed}), context)
    assert rule == "homography-singular"
    assert message.startswith("frame 1003: ")


@pytest.mark.parametrize(
    ("fields", "told"),
    [
        ({"homography": SHIFTED, "track": "t.json"}, 'has "homography" and "track"; use one or the other'),
        ({"homography": (1, 0, 0, 1, 0, 0, 0, 0, 1)}, "cannot be inverted"),
        ({"track": " "}, 'has a "track" without a name'),
        ({"points": ("a",)}, 'has "points" without a "track"'),
        ({"missing": "fewer"}, 'has "missing" without a "track"'),
        ({"still_frame": 3}, 'has a "still_frame" and nothing that needs it; give "track", or leave it out'),
        ({"track": "t.json", "points": ()}, 'has no names in "points"'),
        ({"track": "t.json", "points": ("a", "a")}, 'has a point twice in "points"'),
    ],
)
def test_fields_that_contradict_each_other(fields, told):
    with pytest.raises(ValidationError, match=told):
        Sticker.model_validate(fields)
