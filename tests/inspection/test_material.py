"""What files, patterns and folders mean."""

from __future__ import annotations

from pathlib import Path

import pytest

from stackcomp.errors import RequestError
from stackcomp.inspection.material import pictures_of


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for frame in (1, 2, 3, 5):
        Path(f"plate.{frame:04d}.exr").touch()
    for name in ("clean.exr", "cg_v001.exr", "cg_v002.exr", "notes.txt", ".hidden.exr"):
        Path(name).touch()
    Path("empty").mkdir()
    return tmp_path


def meant(*texts, **more):
    return [(each.name, each.frames) for each in pictures_of(texts, **more)]


PLATE = ("plate.{frame:04d}.exr", (1, 2, 3, 4, 5))


@pytest.mark.parametrize("text", ["plate.{frame:04d}.exr", "plate.%04d.exr", "plate.####.exr"])
def test_a_pattern_is_all_frames_and_those_missing_between(folder, text):
    ((name, frames),) = meant(text)
    assert frames == PLATE[1]
    assert pictures_of([text])[0].file(2) == Path("plate.0002.exr")
    assert "frame" in name or "%" in name


def test_a_folder_is_all_its_pictures(folder):
    assert meant(".") == [
        ("./plate.{frame:04d}.exr", (1, 2, 3, 4, 5)),
        ("./cg_v001.exr", None),
        ("./cg_v002.exr", None),
        ("./clean.exr", None),
    ]


def test_files_that_differ_in_one_number_are_one_sequence(folder):
    assert meant(*sorted(path.name for path in folder.glob("plate.*.exr")), "clean.exr") == [
        PLATE,
        ("clean.exr", None),
    ]


def test_one_file_is_a_still(folder):
    assert meant("plate.0002.exr") == [("plate.0002.exr", None)]
    assert pictures_of(["plate.0002.exr"])[0].file(None) == Path("plate.0002.exr")


def test_the_same_thing_twice_is_looked_at_once(folder):
    assert meant("clean.exr", "clean.exr", "plate.{frame:04d}.exr", "plate.{frame:04d}.exr") == [
        PLATE,
        ("clean.exr", None),
    ]


def test_frames_that_are_asked_for(folder):
    assert meant("plate.{frame:04d}.exr", frames=[7, 1, 1]) == [(PLATE[0], (1, 7))]


@pytest.mark.parametrize(
    ("there", "expected"),
    [
        ([1, 3, 5, 9], (1, 3, 5, 7, 9)),  # every second frame, one missing
        ([1, 100], (1, 100)),  # two frames to compare
        ([10, 11, 12, 14, 16], (10, 11, 12, 13, 14, 15, 16)),
        ([4], (4,)),
        ([1, 2, 3, 1000], (1, 2, 3, 1000)),
    ],
)
def test_what_counts_as_a_gap(tmp_path, there, expected):
    for frame in there:
        (tmp_path / f"cg.{frame:04d}.exr").touch()
    assert meant("cg.{frame:04d}.exr", root=tmp_path) == [("cg.{frame:04d}.exr", expected)]


def test_names_with_braces_and_a_root(tmp_path):
    (tmp_path / "shot {a}").mkdir()
    (tmp_path / "shot {a}" / "x{b}.exr").touch()
    (pictures,) = pictures_of(["shot {a}/x{b}.exr"], root=tmp_path)
    assert pictures.name == "shot {a}/x{b}.exr"
    assert pictures.file(None) == tmp_path / "shot {a}" / "x{b}.exr"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("plat.{frame:04d}.exr", "there is no frame of plat"),
        ("claen.exr", "there is no file claen.exr"),
        ("empty", "the folder empty holds no picture"),
        (" ", "a path is empty"),
        ("a\0b", "a path is empty"),
        ("cg.{shot}.exr", "only the frame number may be in braces"),
    ],
)
def test_what_is_refused(folder, text, said):
    with pytest.raises(RequestError, match=said) as caught:
        pictures_of([text, "nowhere.exr"])
    assert len(caught.value.problems) == 2
