"""Pictures with the places of findings marked."""

from __future__ import annotations

import numpy as np
import pytest
from inspection.made_pictures import LINEAR, coloured
from PIL import Image as Canvas

from stackcomp import Colour, Image, Matte, Window
from stackcomp.errors import RequestError
from stackcomp.files import exr, mark
from stackcomp.files.viewable import viewable
from stackcomp.inspection.finding import Finding
from stackcomp.inspection.marked_pictures import file_name, file_names, marked, write_marked
from stackcomp.inspection.marking import keep_originals, mark_pictures
from stackcomp.inspection.material import pictures_of
from stackcomp.inspection.report import summaries
from stackcomp.inspection.runner import inspect_files
from stackcomp.inspection.setting import Setting, chosen_checks


def found(place, **more):
    usual = {"check": "negative", "message": "12 pixels are negative", "cure": "c", "level": "doubt"}
    return Finding(place=place, **{**usual, **more})


def grey(width=1000, height=600):
    return coloured(np.full((height, width, 3), 0.18, np.float32))


def changed(picture, image):
    return np.any(picture != viewable(image), axis=-1)


def test_the_place_is_framed_and_what_is_inside_stays():
    image = grey()
    place = Window(300, 200, 500, 320)
    picture = marked(image, [found(place)])
    assert picture.shape == (600, 1000, 3)
    touched = changed(picture, image)
    assert not touched[200:320, 300:500].any()
    rows, columns = np.nonzero(touched[190:335, 285:515])
    assert rows.min() < 10
    assert rows.max() > 130
    assert columns.min() < 15
    assert columns.max() > 215
    assert not touched[:, :250].any()
    assert not touched[360:, :].any()  # the words stand above


def test_a_small_picture_is_enlarged_by_a_whole_factor():
    picture = marked(grey(100, 60), [found(Window(10, 10, 12, 12))])
    assert picture.shape == (600, 1000, 3)


def test_a_small_place_is_shown_enlarged():
    pixels = np.full((600, 1000, 3), 0.18, np.float32)
    pixels[100, 100] = np.nan
    picture = marked(coloured(pixels), [found(Window(100, 100, 101, 101))])
    magenta = np.all(picture == (255, 0, 255), axis=-1)
    assert magenta.sum() > 30
    assert magenta[300:, 500:].sum() == magenta.sum() - 1  # in the corner away from it, and the pixel itself


@pytest.mark.parametrize(
    "place",
    [None, Window(0, 0, 1, 1), Window(999, 599, 1000, 600), Window(0, 0, 1000, 600), Window(-50, -9, 5, 5)],
)
def test_places_at_the_borders(place):
    picture = marked(grey(), [found(place)] * 7)
    assert picture.dtype == np.uint8
    assert picture.shape[1] >= 1000
    assert changed(picture[-600:, -1000:], grey()).any()


def test_overscan_is_shown_where_the_place_lies_in_it():
    window, display = Window(-100, -50, 1100, 650), Window.of_size(1000, 600)
    image = Image.from_array(
        np.full((700, 1200, 3), 0.18, np.float32), type=Colour("none", LINEAR), origin=(-100, -50), display=display
    )
    assert marked(image, [found(Window(-90, -40, -80, -30))]).shape == (700, 1200, 3)
    assert marked(image, [found(Window(10, 10, 80, 80))]).shape == (600, 1000, 3)
    assert image.window == window


def test_a_matte_and_long_words():
    matte = Image.from_array(np.full((300, 500), 0.5, np.float32), type=Matte())
    picture = marked(matte, [found(Window(5, 5, 9, 9), message="so many words " * 60)])
    assert picture.shape == (600, 1000, 3)


def test_names_of_files():
    assert file_name("shots/cg.{frame:04d}.exr", 7) == "shots_cg.0007.png"
    assert file_name("../x/plate.%04d.exr", 1001) == "x_plate.1001.png"
    assert file_name("still.png", None) == "still.png"
    assert file_name('node "final over"', 1001) == "final_over.1001.png"
    assert file_name("///", None) == "picture.png"
    assert "/" not in file_name("/abs/ä{{b}}.{frame}.tif", -3)


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for frame in (1, 2, 3):
        red = np.full((60, 100), 0.2, np.float32)
        if frame > 1:
            red[10 : 10 + frame, 5] = np.nan
        planes = {"R": red, "G": red * 0, "B": red * 0}
        window = Window.of_size(100, 60)
        exr.write(tmp_path / f"cg.{frame:04d}.exr", planes, window=window, display=window, pixel_type="float")
    return tmp_path


def test_the_worst_frame_of_each_summary_is_written(folder):
    pictures = pictures_of(["cg.{frame:04d}.exr"])
    setting = Setting(chosen_checks(["nonfinite"]))
    found_there = summaries(inspect_files(pictures, setting).findings)
    counted = summaries([found(Window(1, 1, 2, 2), level="note", picture=pictures[0].name, frame=1)])
    assert list(mark_pictures(folder / "marked", counted, pictures, setting)) == []
    (path,) = mark_pictures(folder / "marked", found_there, pictures, setting)
    assert path == folder / "marked" / "cg.0003.png"
    with Canvas.open(path) as written:
        assert written.size[0] == 1000
    assert mark.read(path).kind == "measurement"
    assert list(mark_pictures(folder / "marked", found_there, pictures, setting)) == [path]


def test_each_picture_has_a_file_of_its_own(folder):
    """a.exr and a.tif, x/y.exr and x_y.exr, A.exr: none takes the place of another."""
    assert list(file_names([("a.exr", None), ("a.tif", None), ("A.png", None), ("a.exr", None)]).values()) == [
        "a.png",
        "a_2.png",
        "A_3.png",
    ]
    of_frames = file_names([("x/y.{frame:04d}.exr", 7), ("x_y.{frame}.exr", 7), ("x_y.0007.exr", None)])
    assert list(of_frames.values()) == ["x_y.0007.png", "x_y_2.0007.png", "x_y.0007_2.png"]
    plane = np.full((6, 8), np.nan, np.float32)
    window = Window.of_size(8, 6)
    (folder / "x").mkdir()
    for name in ("x/y.exr", "x_y.exr"):
        exr.write(folder / name, dict.fromkeys("RGB", plane), window=window, display=window)
    pictures = pictures_of(["x/y.exr", "x_y.exr"])
    setting = Setting(chosen_checks(["nonfinite"]))
    told = summaries(inspect_files(pictures, setting).findings)
    assert len(set(mark_pictures(folder / "marked", told, pictures, setting))) == 2
    (folder / "marked" / "x_y_2.png").write_bytes(b"mine")
    with pytest.raises(RequestError, match=r"x_y_2\.png"):
        keep_originals(folder / "marked", pictures)


def test_long_names_keep_their_end():
    name = file_name("s/" + "é" * 300 + "/plate.{frame:04d}.exr", 1001)
    assert len(name.encode()) <= 200
    assert name.endswith("_plate.1001.png")


def test_files_of_others_and_originals_are_kept(folder):
    pictures = pictures_of(["cg.{frame:04d}.exr"])
    keep_originals(folder / "marked", pictures)
    (folder / "cg.0002.png").write_bytes(b"mine")
    with pytest.raises(RequestError, match=r"cg\.0002\.png"):
        keep_originals(folder, pictures)
    keep_originals(folder, pictures, replace_foreign=True)
    Canvas.new("RGB", (8, 8)).save(folder / "still.png")
    with pytest.raises(RequestError, match="what is inspected"):
        keep_originals(folder, pictures_of(["still.png"]), replace_foreign=True)


def test_a_picture_is_written_whole(folder):
    write_marked(folder / "x.png", np.zeros((4, 4, 3), np.uint8))
    with Canvas.open(folder / "x.png") as written:
        assert np.asarray(written).shape == (4, 4, 3)
