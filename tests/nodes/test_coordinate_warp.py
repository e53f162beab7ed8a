"""coordinate_warp: the picture itself, places by formulas and by OpenCV, silhouettes, what is not known."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from one_node import render_node

from stackcomp import Composition, Graph, Image, Window
from stackcomp.data.port_types import Coordinates, Depth, Ids, Matte, Ratio
from stackcomp.files import exr
from stackcomp.kernels.distortion import Distortion
from stackcomp.kernels.lens_map import LensMap

FRAME = Window.of_size(160, 100)


def centres(window=FRAME):
    return np.meshgrid(np.arange(window.x0, window.x1) + 0.5, np.arange(window.y0, window.y1) + 0.5)


def waves(x, y):
    return np.stack([1 + np.sin(x / 4 + y / 9), 1 + np.sin(y / 5 - x / 11), 1 + np.cos((x + y) / 6)], axis=-1)


def image_of(pixels, window=FRAME, display=FRAME, **more):
    return Image.from_array(np.asarray(pixels, np.float32), origin=(window.x0, window.y0), display=display, **more)


def looking_at(x, y, frame=FRAME, window=FRAME, origin="bottom", display=FRAME):
    """An s,t picture of places in a picture's frame."""
    s, t = (x - frame.x0) / frame.width, (y - frame.y0) / frame.height
    return image_of(np.dstack([s, 1 - t if origin == "bottom" else t]), window, display, type=Coordinates())


def looked_up(image, coordinates, **more):
    given = {"image": image, "coordinates": coordinates}
    matte = more.pop("matte", None)
    fields = {"image": "image", "coordinates": "coordinates", **more}
    if matte is not None:
        given, fields = {**given, "matte": matte}, {**fields, "matte": "matte"}
    return render_node("coordinate_warp", given, **fields)


def pixels_of(image, window=FRAME):
    whole = image.over(window)
    return np.dstack([whole[name] for name in whole.channels])


NOISE = np.random.default_rng(2).random((*FRAME.shape, 3)).astype(np.float32)


@pytest.mark.parametrize("origin", ["bottom", "top"])
@pytest.mark.parametrize("frame", [FRAME, Window(-7, 13, 1530, 1090)], ids=["small", "large"])
def test_own_places_give_the_picture_back(frame, origin):
    """Where s and t are rounded to float32, too, no bit changes: places beside centres by rounding are centres."""
    part = Window(frame.x1 - 60, frame.y1 - 50, frame.x1, frame.y1)
    noise = np.random.default_rng(4).random((*part.shape, 3)).astype(np.float32)
    st = looking_at(*centres(part), frame, part, origin, frame)
    got = looked_up(image_of(noise, part, frame), st, origin=origin)
    assert got.window == part
    assert np.array_equal(pixels_of(got, part), noise)


def test_t_runs_upward_unless_told():
    st = np.full((*FRAME.shape, 2), [0.5 / 160, 0.5 / 100])
    coordinates = image_of(st, type=Coordinates())
    assert pixels_of(looked_up(image_of(NOISE), coordinates))[50, 50] == pytest.approx(NOISE[-1, 0], abs=1e-6)
    top = pixels_of(looked_up(image_of(NOISE), coordinates, origin="top"))
    assert top[50, 50] == pytest.approx(NOISE[0, 0], abs=1e-6)


def test_places_agree_with_cv2_remap():
    smooth = cv2.GaussianBlur(NOISE, (0, 0), 1.5)
    x, y = centres()
    u, v = x + 4 * np.sin(y / 17), y + 3 * np.cos(x / 19)
    peer = cv2.remap(smooth, (u - 0.5).astype(np.float32), (v - 0.5).astype(np.float32), cv2.INTER_LANCZOS4)
    got = pixels_of(looked_up(image_of(smooth), looking_at(u, v)))
    inside = (u > 5) & (v > 5) & (u < 154) & (v < 94)
    # OpenCV rounds places to 1/32 pixel.
    assert np.abs(got - peer)[inside].max() < 0.02


def test_a_picture_of_sines_is_that_of_the_formula():
    x, y = centres()
    u, v = 40 + 0.6 * x + 2 * np.sin(y / 13), 20 + 0.55 * y + 0.1 * x
    got = pixels_of(looked_up(image_of(waves(x, y)), looking_at(u, v)))
    inside = (u > 4) & (v > 4) & (u < 156) & (v < 96)
    assert np.abs(got - waves(u, v))[inside].max() < 0.01


def test_it_agrees_with_the_lens_whose_places_it_has():
    lens = {"focal": [150, 150], "centre": [80, 50], "k1": -0.25, "k2": 0.04}
    map = LensMap(Distortion(k1=-0.25, k2=0.04), (150.0, 150.0), (80.0, 50.0), distorts=True)
    there = map.at(*centres())
    picture = image_of(waves(*centres()))
    by_lens = render_node("lens_warp", {"image": picture}, image="image", direction="distort", **lens)
    by_places = looked_up(picture, looking_at(there.x, there.y))
    difference = np.abs(pixels_of(by_places) - pixels_of(by_lens))
    # The sizes of pixels are differences here and derivatives there.
    assert difference.max() < 4e-3
    back = map.back.at(*centres())
    again = pixels_of(looked_up(by_places, looking_at(back.x, back.y)))
    # Without its border, which is weighed against the nothing outside.
    assert np.abs(again - waves(*centres()))[6:-6, 6:-6].max() < 0.06


def test_what_becomes_smaller_is_averaged():
    """Noise at a quarter of the size: its variance is that of the mean under the kernel, not that of one pixel."""
    x, y = centres(Window.of_size(40, 25))
    st = looking_at(4 * x, 4 * y, window=Window.of_size(40, 25), display=Window.of_size(40, 25))
    got = pixels_of(looked_up(image_of(NOISE), st), Window.of_size(40, 25))[2:-2, 2:-2]
    expected = cv2.resize(NOISE, (40, 25), interpolation=cv2.INTER_AREA)[2:-2, 2:-2]
    assert got.std() < 1.3 * expected.std()
    assert np.corrcoef(got.ravel(), expected.ravel())[0, 1] > 0.8
    # Squeezed across alone: nothing is averaged down.
    wide = Window.of_size(40, 100)
    x, y = centres(wide)
    rows = np.broadcast_to((np.arange(100) % 2)[:, None, None], (100, 160, 3)).astype(np.float32)
    got = pixels_of(looked_up(image_of(rows), looking_at(4 * x, y, window=wide, display=wide)), wide)
    assert np.abs(got - rows[:, :40])[:, 2:-2].max() < 1e-5


def test_nothing_smears_over_a_silhouette():
    """Two surfaces that see far apart parts of a picture, each of one colour; a sliver of one pixel as well."""
    picture = np.zeros((*FRAME.shape, 3), np.float32)
    picture[:, :80], picture[:, 80:] = [1, 0, 0], [0, 1, 0]
    x, y = centres()
    near = ((x - 80) ** 2 + (y - 50) ** 2 < 30**2) | (np.abs(x - 20.5) < 0.6)
    u = np.where(near, 120 + 0.1 * (x - 80), 40 + 0.1 * (x - 80))
    got = pixels_of(looked_up(image_of(picture), looking_at(u, y)))
    inside = (slice(3, -3), slice(None))
    assert np.array_equal(got[..., 1][inside], near[inside].astype(np.float32))
    assert np.array_equal(got[..., 0][inside], (~near)[inside].astype(np.float32))


def test_what_is_not_known_shows_nothing_and_spreads_nowhere():
    x, y = centres()
    st = looking_at(x, y)
    hole = np.zeros(FRAME.shape, bool)
    hole[30:60, 40:90] = True
    for value in (np.nan, np.inf, -np.inf):
        planes = {
            name: np.where(hole, np.float32(value) if name == "s" else plane, plane) for name, plane in st.items()
        }
        got = looked_up(image_of(NOISE), Image(planes, FRAME, FRAME, Coordinates(), {}))
        assert not pixels_of(got)[hole].any()
        assert np.array_equal(pixels_of(got)[~hole], NOISE[~hole])
    # Places far beyond the picture, as those of numbers that mean nothing.
    far = looking_at(np.where(hole, 1e30, x), np.where(hole, -1e30, y))
    got = pixels_of(looked_up(image_of(NOISE), far))
    assert not got[hole].any()
    assert np.array_equal(got[~hole], NOISE[~hole])


def test_a_matte_says_where_places_mean_something():
    x, y = centres()
    cover = np.clip((x - 60) / 4, 0, 1)
    st = looking_at(np.where(cover > 0, x, 0), np.where(cover > 0, y, 100))
    got = pixels_of(looked_up(image_of(NOISE), st, matte=image_of(cover, type=Matte())))
    assert got == pytest.approx(NOISE * cover[..., None].astype(np.float32), abs=1e-6)
    ratio = pixels_of(looked_up(image_of(NOISE, type=Ratio()), st, matte=image_of(cover, type=Matte())))
    assert ratio == pytest.approx(1 + (NOISE - 1) * cover[..., None].astype(np.float32), abs=1e-6)


def test_the_result_has_the_frame_and_the_window_of_the_coordinates():
    display, window = Window.of_size(50, 40), Window(5, -3, 33, 22)
    x, y = centres(window)
    got = looked_up(image_of(NOISE), looking_at(x * 2, y * 2 + 10, window=window, display=display))
    assert (got.display, got.window) == (display, window)


def test_depth_and_ids_are_picked():
    metres = np.random.default_rng(1).random(FRAME.shape).astype(np.float32) + 1
    ids = np.random.default_rng(2).integers(1, 1 << 32, FRAME.shape, np.uint32)
    x, y = centres()
    u, v = x * 0.7 + 11.3, y * 0.9 - 4.1
    st = looking_at(u, v)
    columns, rows = np.floor(u).astype(int), np.floor(v).astype(int)
    inside = (rows >= 0) & (rows < 100) & (columns < 160)
    got = looked_up(image_of(metres, type=Depth()), st).over(FRAME)["Z"]
    assert np.array_equal(got[inside], metres[rows[inside], columns[inside]])
    assert not got[~inside].any()
    pair = Image({"id0": ids, "cover0": metres / 2}, FRAME, FRAME, Ids(1), {})
    assert np.array_equal(looked_up(pair, st)["id0"][inside], ids[rows[inside], columns[inside]])


def test_a_preview_is_the_picture_made_smaller():
    smooth = cv2.GaussianBlur(NOISE, (0, 0), 5)
    x, y = centres()
    st = looking_at(x + 3 * np.sin(y / 20), y)
    whole = pixels_of(looked_up(image_of(smooth), st))
    given = {"image": image_of(smooth), "coordinates": st}
    half = render_node("coordinate_warp", given, at=0.5, image="image", coordinates="coordinates")
    small = FRAME.scaled(0.5)
    expected = cv2.resize(whole, (small.width, small.height), interpolation=cv2.INTER_AREA)
    assert np.abs(pixels_of(half, small) - expected)[3:-3, 3:-3].max() < 0.02


def test_pixels_that_are_not_finite_in_a_file_mean_that_nothing_is_there(tmp_path):
    """They come to the node as they are, and are not repaired from beside them."""
    x, y = centres()
    st = looking_at(x, y)
    s = st["s"].copy()
    s[40:50, 60:70] = np.nan
    planes = {"R": NOISE[..., 0], "G": NOISE[..., 1], "B": NOISE[..., 2], "st.s": s, "st.t": st["t"]}
    exr.write(tmp_path / "a.exr", planes, window=FRAME, display=FRAME, pixel_type="float")
    graph = Graph(frames="1")
    graph.add("read", "a", path="a.exr", encoding="ACEScg")
    graph.add("pick_channels", "st", layers="a", as_="coordinates", channels={"s": "st.s", "t": "st.t"})
    graph.add("coordinate_warp", "it", image="a", coordinates="st")
    composition = Composition(graph, root=tmp_path)
    assert not [problem for problem in composition.check() if problem.rule == "coordinates-bits"]
    got = pixels_of(next(iter(composition.results(["it"], 1))).image)
    assert not got[40:50, 60:70].any()
    got[40:50, 60:70] = NOISE[40:50, 60:70]
    assert np.array_equal(got, NOISE)
