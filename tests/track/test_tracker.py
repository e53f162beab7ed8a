"""Tracks of photographs in known motion: how exact they are, and that no place is guessed."""

import numpy as np
import pytest
from scipy import ndimage
from skimage import data
from slow_cases import few_fast

from stackcomp.errors import RequestError
from stackcomp.files.colour import encoding
from stackcomp.track.light import bend_of, log_curve
from stackcomp.track.point import Options
from stackcomp.track.sight import Sight
from stackcomp.track.tracker import track

# Corners of the photograph, off pixel centres.
POINTS = {"hand": (140.3, 120.7), "lens": (185.2, 85.6), "coat": (110.9, 200.4)}
FRAMES = range(-2, 5)


def rms(off):
    return float(np.sqrt(np.mean(np.square(off))))


def lost(tracks):
    return {each.name: [frame for frame, place in each.places.items() if place is None] for each in tracks}


def test_translation_is_found_to_a_twentieth_of_a_pixel(motion, errors):
    moved = motion(turn=0, grow=1)
    tracks = track(moved.sight, FRAMES, 0, POINTS)
    off = errors(moved, tracks, POINTS)
    assert len(off) == len(POINTS) * (len(FRAMES) - 1)
    assert rms(off) < 0.05
    assert off.max() < 0.1
    assert [each.name for each in tracks] == list(POINTS)
    assert list(tracks[0].places) == list(FRAMES)
    assert (tracks[0].places[0].x, tracks[0].places[0].disagreement) == (140.3, 0)


def test_rotation_and_scale(motion, errors):
    moved = motion(turn=0.012, grow=1.012)
    tracks = track(moved.sight, FRAMES, 0, POINTS)
    off = errors(moved, tracks, POINTS)
    assert len(off) == len(POINTS) * (len(FRAMES) - 1)
    assert rms(off) < 0.05


def test_noise_of_two_per_cent(motion, errors):
    chance = np.random.default_rng(2)
    moved = motion(changed=lambda frame, picture: picture + chance.normal(0, 0.02, picture.shape))
    tracks = track(moved.sight, FRAMES, 0, POINTS)
    off = errors(moved, tracks, POINTS)
    assert len(off) == len(POINTS) * (len(FRAMES) - 1)
    assert rms(off) < 0.1
    # The disagreement says how good it is, to the order of magnitude.
    said = [p.disagreement for each in tracks for f, p in each.places.items() if f != 0]
    assert 0.0005 < np.mean(said) < 0.1


def test_light_that_changes_by_a_third(motion, errors):
    """From frame 0 to frames 5 and -5 by ±30 %, as light and not as a log value: gain and bias both take part."""
    moved = motion(changed=lambda frame, picture: picture * (1 + 0.06 * frame) + 0.01 * frame)
    tracks = track(moved.sight, range(-5, 6), 0, POINTS)
    assert lost(tracks) == {"hand": [], "lens": [], "coat": []}
    assert rms(errors(moved, tracks, POINTS)) < 0.05


def test_motion_blur_that_comes_and_goes(motion, errors):
    moved = motion(changed=lambda frame, picture: ndimage.gaussian_filter(picture, (0, 0.25 * abs(frame))))
    tracks = track(moved.sight, FRAMES, 0, POINTS)
    assert rms(errors(moved, tracks, POINTS)) < 0.1
    assert sum(map(len, lost(tracks).values())) == 0


@pytest.fixture(scope="module")
def passing():
    """A textured board, 50 px wide, that passes over the picture from frame 0 on."""
    board = data.gravel().astype(np.float64)[:320, :50] / 255

    def edges(frame):
        return -60 + 26 * frame, -10 + 26 * frame

    def covered(frame, picture):
        left, right = edges(frame)
        picture = picture.copy()
        inside = slice(max(0, left), max(0, min(320, right)))
        picture[:, inside] = board[:, inside.start - left : inside.stop - left]
        return picture

    return edges, covered


@pytest.mark.parametrize("noise", few_fast([0.02, 0], 1))
def test_behind_a_passing_board_no_place_is_guessed_and_each_is_found_again(motion, errors, passing, noise):
    edges, covered = passing
    chance = np.random.default_rng(4)
    moved = motion(changed=lambda frame, p: covered(frame, p) + chance.normal(0, noise, p.shape), way=(0.5, -0.4))
    frames = range(13)
    tracks = track(moved.sight, frames, 0, POINTS)
    # No reported place is wrong, whether the board is over the point, beside it, or far away.
    assert errors(moved, tracks, POINTS).max() < 0.5
    for each in tracks:
        x = {frame: moved.at(POINTS[each.name], frame)[0] for frame in frames}
        hidden = {frame for frame in frames if edges(frame)[0] <= x[frame] <= edges(frame)[1]}
        clear = {frame for frame in frames if not edges(frame)[0] - 17 <= x[frame] <= edges(frame)[1] + 17}
        assert hidden
        assert all(each.places[frame] is None for frame in hidden)
        # It is there before and behind the board, at every frame at which its pattern is free.
        assert all(each.places[frame] is not None for frame in clear)


@pytest.mark.slow
def test_where_places_look_alike_nothing_is_mistaken(motion, errors, passing):
    """Brickwork: each joint looks like the next one."""
    _, covered = passing
    points = {"a": (150.3, 160.7), "b": (200.5, 100.5)}
    moved = motion("brick", changed=covered, way=(0.5, -0.4), turn=0.002, grow=1.001)
    tracks = track(moved.sight, range(12), 0, points)
    off = errors(moved, tracks, points)
    assert len(off) >= 8
    assert off.max() < 0.5


def test_a_pattern_that_repeats_is_followed_and_never_found_at_the_next_place(motion, errors):
    """A regular grid of discs, without end: once it is lost, nothing tells one disc from the next."""
    y, x = np.mgrid[0:320, 0:320] + 0.5
    grid = 0.5 + 0.2 * np.sin(x * 2 * np.pi / 24) * np.sin(y * 2 * np.pi / 24)
    moved = motion(turn=0, grow=1, way=(1.1, 0.6), picture=grid)
    points = {"disc": (150.0, 162.0)}
    moved.changed = lambda frame, picture: np.full_like(picture, 0.3) if frame in (3, 4) else picture
    tracks = track(moved.sight, range(8), 0, points)
    assert errors(moved, tracks, points).max() < 0.05
    assert lost(tracks) == {"disc": [3, 4, 5, 6, 7]}


def test_what_covers_a_part_pulls_nothing_out_of_shape(motion, errors):
    """Gravel over a part of a pattern: the rest fits well 4 px off, if it may get 30 % narrower in a frame."""
    at_rest, gravel = (log_curve(motion(name).picture ** 2.2) for name in ("astronaut", "gravel"))

    def covered(frame, picture):
        left = np.clip(-95 + 23 * frame, 0, 320) if frame else 320
        return np.concatenate([picture[:, :left], gravel[:, :60], picture[:, left + 60 :]], axis=1)[:, :320]

    moved = motion(picture=at_rest, way=(0.63, -0.41), turn=0.002, grow=1, changed=covered)
    points = {"collar": (83.5, 59.5)}
    tracks = track(moved.sight, range(10), 0, points)
    assert errors(moved, tracks, points).max() < 0.5
    assert not {1, 2, 9} & set(lost(tracks)["collar"])


def test_frames_that_are_left_out_are_counted(motion, errors):
    """16 px a frame: behind a gap of 5 frames a point is 96 px on, farther than it is searched for."""
    moved = motion(way=(16, 0), turn=0, grow=1)
    points = {"coat": (70.9, 200.4)}
    tracks = track(moved.sight, [0, 1, 2, 8], 0, points, Options(search=40))
    assert lost(tracks) == {"coat": []}
    assert errors(moved, tracks, points).max() < 0.1


def test_what_becomes_softer_in_light_stays_in_place_in_log(motion, errors):
    """Blur of the light itself, by scipy; in its log, edges move towards the dark by several tenths of a pixel."""
    at_rest = log_curve(motion().picture ** 2.2)

    def softer(frame, picture):
        light = 2 ** (17.52 * picture - 9.72)
        return log_curve(ndimage.gaussian_filter(light, 0.3 * frame))

    moved = motion(way=(1.3, 0.4), turn=0, grow=1, changed=softer, picture=np.maximum(at_rest, 0.16))
    bend = bend_of(encoding("ACEScct"))
    tracks = track(lambda frame: Sight.of(moved.frame(frame), bend=bend), range(5), 0, POINTS)
    assert lost(tracks) == {"hand": [], "lens": [], "coat": []}
    # Without the bend of the curve it is 0.45 px.
    assert rms(errors(moved, tracks, POINTS)) < 0.1


def test_pixels_that_are_no_numbers_hold_no_point_fast(motion, errors):
    """Columns of NaN that stand still, as a faulty scan has them, while the picture moves."""

    def holed(frame, picture):
        picture = picture.copy()
        picture[:, 5::20] = np.nan
        return picture

    at_rest = log_curve(motion().picture ** 2.2)
    moved = motion(way=(1.3, 0.4), turn=0, grow=1, changed=holed, picture=at_rest)
    tracks = track(moved.sight, range(5), 0, POINTS)
    assert lost(tracks) == {"hand": [], "lens": [], "coat": []}
    assert rms(errors(moved, tracks, POINTS)) < 0.1


def test_a_point_that_leaves_the_picture_is_lost_from_there(motion, errors):
    points = {"lens": (185.2, 85.6), "edge": (285.5, 208.5)}
    moved = motion(way=(9, 0), turn=0, grow=1)
    tracks = track(moved.sight, range(8), 0, points)
    assert errors(moved, tracks, points).max() < 0.1
    gone = lost(tracks)
    assert gone["lens"] == []
    assert gone["edge"] == list(range(gone["edge"][0], 8))
    # As long as it is well inside it is there; outside it never is.
    assert 285.5 + 9 * gone["edge"][0] > 300
    assert all(moved.at(points["edge"], frame)[0] < 320 for frame in range(gone["edge"][0]))


def test_a_point_at_the_border_uses_the_part_of_its_pattern_that_is_there(motion, errors):
    points = {"edge": (6.5, 170.5)}
    moved = motion(way=(0.6, 0.2), turn=0, grow=1)
    tracks = track(moved.sight, range(4), 0, points)
    off = errors(moved, tracks, points)
    assert len(off) >= 1
    assert off.max() < 0.2


def test_fast_movement_within_the_search(motion, errors):
    moved = motion(way=(17, -9), turn=0, grow=1)
    points = {"lens": (155.2, 185.6)}
    tracks = track(moved.sight, range(5), 0, points, Options(search=64))
    assert lost(tracks) == {"lens": []}
    assert errors(moved, tracks, points).max() < 0.1


def test_behind_a_cut_every_point_is_lost(motion):
    other = data.coins()[:300, :320].astype(np.float64) / 255
    moved = motion()
    cut = Sight.of(np.pad(other, ((0, 20), (0, 0)), mode="reflect"))
    tracks = track(lambda frame: cut if frame >= 3 else moved.sight(frame), range(7), 0, POINTS)
    assert lost(tracks) == {name: [3, 4, 5, 6] for name in POINTS}


def test_each_frame_is_asked_for_once_from_the_given_one_both_ways(motion):
    asked, done = [], []
    moved = motion()

    def sight(frame):
        asked.append(frame)
        return moved.sight(frame)

    track(sight, [5, -3, 0, 2], 0, POINTS, progress=done.append)
    assert asked == done == [0, 2, 5, -3]


def test_points_do_not_disturb_each_other(motion):
    """Where nothing is lost, a point comes out the same alone and with others."""
    moved = motion()
    together = track(moved.sight, range(4), 0, POINTS)
    alone = track(moved.sight, range(4), 0, {"lens": POINTS["lens"]})
    for frame in range(4):
        a, b = together[1].places[frame], alone[0].places[frame]
        assert abs(a.x - b.x) < 2e-3
        assert abs(a.y - b.y) < 2e-3


@pytest.mark.parametrize(
    ("point", "said"),
    [
        ((400, 20), 'the point "p" at 400,20 lies outside of the picture, which reaches from 0,0 to 320,320'),
        ((-0.1, 20), "lies outside of the picture"),
        ((319.9, 0.1), r"too little picture around it for a pattern of 31 pixels\n  give another point"),
    ],
)
def test_points_that_cannot_be_tracked(motion, point, said):
    with pytest.raises(RequestError, match=said):
        track(motion().sight, range(2), 0, {"p": point})


def test_all_that_is_wrong_with_points_is_said_at_once(motion):
    with pytest.raises(RequestError) as raised:
        track(motion().sight, range(2), 0, {"p": (400, 20), "good": (140.3, 120.7), "q": (-5, 5)})
    assert ['"p"' in str(raised.value), '"good"' in str(raised.value), '"q"' in str(raised.value)] == [1, 0, 1]


def test_a_flat_picture_has_no_points():
    with pytest.raises(RequestError, match=r"all pixels are alike\n  choose a point with detail"):
        track(lambda frame: Sight.of(np.full((90, 90), 0.4)), range(2), 0, {"p": (45, 45)})


@pytest.mark.parametrize(("along", "said"), [(0, "to the left and right"), (1, "up and down")])
def test_an_edge_is_doubted(along, said):
    """A straight edge looks alike all along it."""
    edge = np.tanh((np.arange(120) - 60) / 3)
    picture = np.tile(edge[:, None] if along == 0 else edge[None], (1, 120) if along == 0 else (120, 1))
    noisy = picture + np.random.default_rng(1).normal(0, 0.01, picture.shape)
    (only,) = track(lambda frame: Sight.of(noisy), [0], 0, {"p": (60.0, 60.0)})
    assert said in only.doubt


def test_a_corner_is_not_doubted(motion):
    assert all(not each.doubt for each in track(motion().sight, [0], 0, POINTS))
