"""Files as artists name them."""

from pathlib import Path

import pytest
from begin.small_shot import plate_planes, write
from hypothesis import given
from hypothesis import strategies as st

from stackcomp.begin.material import locate
from stackcomp.begin.names import Names, stem_of
from stackcomp.begin.shot_folder import shot_folder
from stackcomp.document.variables import resolve
from stackcomp.errors import RequestError
from stackcomp.files.escaping import escaped


@pytest.mark.parametrize(
    "named",
    [
        "sc/010/plate.{frame:04d}.exr",
        "sc/010/plate.{frame}.exr",
        "sc/010/plate.%04d.exr",
        "sc/010/plate.####.exr",
        "sc/010/plate.1002.exr",
        "./sc/../sc/010/plate.1001.exr",
    ],
)
def test_a_sequence_is_named_in_many_ways(shot, named):
    found = locate(named, "--plate")
    assert found.frames == (1001, 1002, 1003)
    assert found.file(1002).is_file()
    assert found.path.startswith("sc/010/plate.")


def test_a_folder_with_one_sequence(shot):
    write(shot / "only" / "x_0007.exr", plate_planes())
    write(shot / "only" / "x_0008.exr", plate_planes())
    (shot / "only" / "notes.txt").write_text("")
    (shot / "only" / ".hidden.exr").write_text("")
    found = locate("sc/010/only/", "--plate")
    assert (found.frames, found.path) == ((7, 8), "sc/010/only/x_{frame:04d}.exr")


def test_a_folder_with_several_is_a_question_with_its_choices(shot):
    with pytest.raises(RequestError) as raised:
        locate("sc/010", "--plate")
    (problem,) = raised.value.problems
    assert problem.rule == "input-unclear"
    assert '--plate "sc/010/cg.{frame:04d}.exr" or --plate "sc/010/plate.{frame:04d}.exr"' in problem.way_out


def test_an_empty_folder_and_missing_files_are_said(shot):
    (shot / "empty").mkdir()
    for named, words in {
        "sc/010/empty": "holds no picture",
        "sc/010/plat.1001.exr": "no file sc/010/plat.1001.exr",
        "sc/010/plat.%04d.exr": "no frame of sc/010/plat.%04d.exr",
        "nowhere/x.exr": "no file",
        " ": "is empty",
        "sc/{x}.exr": "only the frame number",
    }.items():
        with pytest.raises(RequestError, match="--cg: ") as raised:
            locate(named, "--cg")
        assert words in str(raised.value)
    with pytest.raises(RequestError) as raised:
        locate("sc/010/plat.1001.exr", "--cg")
    assert 'did you mean "plate.{frame:04d}.exr"' in str(raised.value)


def test_paths_start_at_the_root_and_are_absolute_only_if_given_so(shot):
    assert locate("sc/010/plate.1001.exr", "--plate", "sc").path == "010/plate.{frame:04d}.exr"
    (shot / "root").mkdir()
    assert locate("sc/010/plate.1001.exr", "--plate", "sc/010/root").path == "../plate.{frame:04d}.exr"
    absolute = locate(str(shot / "plate.1001.exr"), "--plate", "sc/010/root").path
    assert absolute == f"{shot.as_posix()}/plate.{{frame:04d}}.exr"
    assert locate(str(shot / "plate.1001.exr"), "--plate", "sc").path == "010/plate.{frame:04d}.exr"


def test_versions_are_no_frames(shot):
    for version in (1, 2, 3):
        write(shot / f"clean_v{version:03d}.exr", plate_planes())
    found = locate("sc/010/clean_v002.exr", "--clean")
    assert (found.frames, found.path) == (None, "sc/010/clean_v002.exr")


@pytest.mark.parametrize("name", ["we{ird} 100%", "Bootsgestell große Lampe", "a ${b} c", "船灯"])
def test_odd_names(tmp_path, monkeypatch, name):
    monkeypatch.chdir(tmp_path)
    for frame in (1, 2):
        write(tmp_path / name / f"{name}.{frame:04d}.exr", plate_planes())
    found = locate(f"{name}/{name}.0001.exr", "--plate")
    assert found.frames == (1, 2)
    assert found.file(2) == Path(name) / f"{name}.0002.exr"
    stem = stem_of(found.path)
    assert stem
    assert all(c.isalnum() or c == "_" for c in stem)


def test_numbers_of_several_widths_keep_the_frames_that_one_token_writes(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for number in ("8", "9", "10", "0011"):
        write(tmp_path / f"p.{number}.exr", plate_planes())
    assert locate("p.9.exr", "--plate").frames == (8, 9, 10)


@pytest.mark.parametrize(
    ("path", "stem"),
    [
        ("x/cord.{frame:04d}.exr", "cord"),
        ("roto_cord_v003.%04d.exr", "roto_cord"),
        ("Jar-left v12_{frame:04d}.tif", "Jar_left"),
        ("{frame:04d}.exr", "matte"),
        ("mask.png", "mask"),
        ("mask.1001.png", "mask"),
        ("%04d/cord.exr", "cord"),
    ],
)
def test_names_of_nodes(path, stem):
    assert stem_of(path) == stem


def test_names_are_unique():
    names = Names("cord")
    assert [names.take(word) for word in ("cord", "cord", "jar")] == ["cord_2", "cord_3", "jar"]


_SEGMENT = st.text(st.sampled_from("ab.${}% ä\\"), min_size=1, max_size=5).filter(lambda text: text.strip(". "))


@given(st.lists(_SEGMENT, min_size=1, max_size=3), _SEGMENT, _SEGMENT)
def test_a_path_with_the_variable_filled_in_is_the_path(folders, first, second):
    paths = ["/".join([*map(escaped, folders), escaped(name) + ".{frame:04d}.exr"]) for name in (first, second)]
    folder = shot_folder(paths)
    assert folder.folder
    filling = resolve({"shot": folder.value})
    assert [filling.fill(folder.path(path), ()) for path in paths] == paths


def test_the_folder_of_a_shot():
    folder = shot_folder(["sc/010/plate/p.exr", "sc/010/cg/c.exr"])
    assert (folder.value, folder.path("sc/010/cg/c.exr")) == ("sc/010", "${shot}/cg/c.exr")
    assert shot_folder(["p.exr", "c.exr"]).folder == ""
    assert shot_folder(["../a/p.exr", "../a/c.exr"]).folder == ""
    assert shot_folder(["/a/p.exr", "/a/c.exr"]).folder == ""
    assert shot_folder(["sc/010/p.exr", "sc/0102/c.exr"]).folder == "sc"
    assert shot_folder(["a/{frame:04d}/p.exr", "a/{frame:04d}/c.exr"]).folder == ""
