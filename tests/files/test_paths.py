"""Frame numbers in file names, and hints about missing files."""

import re
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stackcomp.files.paths import FramePath, escaped, frozen, missing_frames, nearby, resolve


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("plate.{frame}.exr", "plate.7.exr"),
        ("plate.{frame:04d}.exr", "plate.0007.exr"),
        ("plate.{frame:3d}.exr", "plate.  7.exr"),
        ("plate.%04d.exr", "plate.0007.exr"),
        ("plate.%d.exr", "plate.7.exr"),
        ("v2/{frame:04d}/plate.{frame:06d}.exr", "v2/0007/plate.000007.exr"),
        ("grey.exr", "grey.exr"),
        ("50%_grey.exr", "50%_grey.exr"),
        ("50%%_grey.exr", "50%_grey.exr"),
        ("a{{1}}.{frame:02d}.exr", "a{1}.07.exr"),
        ("a.{{frame}}.exr", "a.{frame}.exr"),
        ("a.{{{frame}}}.exr", "a.{7}.exr"),
        ("a.%%04d.exr", "a.%04d.exr"),
        ("a.%%%04d.exr", "a.%0007.exr"),
        ("a%%.%d%", "a%.7%"),
    ],
)
def test_tokens(text, expected):
    assert FramePath(text).for_frame(7) == expected


def test_has_frame():
    assert FramePath("plate.%04d.exr").has_frame
    assert not FramePath("plate.0007.exr").has_frame
    assert not FramePath("plate.{{frame}}.%%04d.exr").has_frame


@pytest.mark.parametrize(
    "text",
    [
        "p.{shot}.exr",
        "p.{frame!r}.exr",
        "p.{frame.real}.exr",
        "p.{frame:x}.exr",
        "p.{0}.exr",
        "p.{.exr",
        "}",
        "{{}",
        "{{{",
    ],
)
def test_other_text_in_braces_is_an_error_that_names_the_path(text):
    with pytest.raises(ValueError, match=re.escape(f'path "{text}" contains')):
        FramePath(text)


def test_the_error_explains_how_to_write_a_brace():
    with pytest.raises(ValueError, match=re.escape("double a brace that is part of the name: {{ or }}")):
        FramePath("take{2}.exr")


TEXTS = st.text(st.sampled_from("{}%d0f:ra me4/.é"), min_size=1) | st.text(min_size=1).filter(
    lambda t: "\0" not in t
)


@given(TEXTS, st.integers(-(10**6), 10**6))
def test_an_escaped_name_is_unchanged_by_for_frame(text, frame):
    path = FramePath(escaped(text))
    assert path.for_frame(frame) == text
    assert not path.has_frame


@given(TEXTS, TEXTS, st.integers(0, 10**6))
def test_a_token_between_escaped_names_is_replaced(before, behind, frame):
    path = FramePath(escaped(before) + "{frame:04d}" + escaped(behind))
    assert path.for_frame(frame) == f"{before}{frame:04d}{behind}"
    assert path.has_frame


@given(st.integers(0, 10**7), st.integers(1, 9))
def test_both_spellings_give_the_same_name(frame, width):
    brace = FramePath(f"a.{{frame:0{width}d}}.exr").for_frame(frame)
    assert brace == FramePath(f"a.%0{width}d.exr").for_frame(frame)
    assert int(brace.split(".")[1]) == frame
    assert brace == f"a.{str(frame).zfill(width)}.exr"


def test_missing_frames_keeps_the_given_order(tmp_path):
    for frame in (1001, 1003):
        (tmp_path / f"plate.{frame}.exr").touch()
    assert missing_frames("plate.{frame}.exr", tmp_path, [1004, 1001, 1002, 1003]) == [1004, 1002]
    assert missing_frames("nowhere/plate.{frame}.exr", tmp_path, [1, 2]) == [1, 2]


def test_relative_paths_start_at_the_root(tmp_path):
    assert resolve(tmp_path, "a.%02d.exr", 3) == tmp_path / "a.03.exr"
    assert str(resolve(tmp_path, "/b/a.exr", 3)) == "/b/a.exr"


def test_nearby_names_existing_files(tmp_path):
    assert nearby(tmp_path / "a.exr") == f'the folder "{tmp_path}" is empty'
    for frame in (1001, 1002, 1004):
        (tmp_path / f"plate.{frame}.exr").touch()
    (tmp_path / "lantern.exr").touch()
    expected = 'frames 1001–1004 of "plate.{frame:04d}.exr" exist, 1 between them is missing'
    assert nearby(tmp_path / "plate.1009.exr") == expected
    assert nearby(tmp_path / "lantren.exr") == 'did you mean "lantern.exr"?'
    assert nearby(tmp_path / "plate.01001.exr").startswith(
        'did you mean "plate.{frame:04d}.exr"? Frames 1001–1004 exist'
    )
    assert "the folder holds" in nearby(tmp_path / "zzz.mov")
    assert nearby(tmp_path / "lantern.exr") == ""
    assert nearby(tmp_path) == "it is a folder"


def test_nearby_names_the_first_missing_folder(tmp_path):
    (tmp_path / "renders").mkdir()
    message = nearby(tmp_path / "render" / "v1" / "a.exr")
    assert message == f'the folder "{tmp_path}/render" does not exist, did you mean "renders"?'


@pytest.mark.parametrize(
    "name",
    ["plate_####.exr", "plate_#.exr", "plate_*.exr", "plate_[1001-1005].exr", "plate_.exr", "plate.exr",
     "plate_1001-1005.exr", "plate_<frame>.exr", "plate_xxxx.exr", "plate_001001.exr", "plate_1.exr",
     "plate-1001.exr", "palte_1001.exr", "Plate_####.EXR", "plate1001.exr"],
)  # fmt: skip
def test_nearby_names_the_sequence_for_other_spellings_of_its_number(tmp_path, name):
    for frame in range(1001, 1006):
        (tmp_path / f"plate_{frame}.exr").touch()
    (tmp_path / "notes.txt").touch()
    hint = nearby(tmp_path / name)
    assert '"plate_{frame:04d}.exr"' in hint
    assert "rames 1001–1005" in hint
    # A single frame would freeze the plate.
    assert "plate_1001.exr" not in hint


def test_widths_and_several_numbers_of_a_sequence(tmp_path):
    for name in ("a.8.exr", "a.9.exr", "a.10.exr", "s010_b.01.exr", "s010_b.02.exr", "s020_b.01.exr"):
        (tmp_path / name).touch()
    assert nearby(tmp_path / "a.####.exr").startswith('did you mean "a.{frame}.exr"?')
    assert nearby(tmp_path / "s010_b.##.exr").startswith('did you mean "s010_b.{frame:02d}.exr"? Frames 1–2 exist')


def test_a_single_file_is_a_sequence_only_if_the_path_has_a_frame_token(tmp_path):
    (tmp_path / "chart.1001.exr").touch()
    assert nearby(tmp_path / "chrat.1001.exr") == 'did you mean "chart.1001.exr"?'
    assert nearby(tmp_path / "chrat.1001.exr", frames=True).startswith('did you mean "chart.{frame:04d}.exr"?')


def test_a_broken_link(tmp_path):
    (tmp_path / "plate.1001.exr").symlink_to(tmp_path / "gone.exr")
    assert nearby(tmp_path / "plate.1001.exr") == "it is a broken link"


def test_frozen_frames(tmp_path):
    for name in ("plate.1001", "plate.1002", "plate.1003", "patch_v001", "patch_v002", "sky_2k", "sky_4k"):
        (tmp_path / f"{name}.exr").touch()
    sequence = frozen("plate.1002.exr", tmp_path, range(1001, 1005))
    assert sequence is not None
    assert sequence.description == 'frames 1001–1003 of "plate.{frame:04d}.exr" exist'
    assert frozen("plate.1002.exr", tmp_path, [1002]) is None
    assert frozen("plate.1002.exr", tmp_path, [1, 2, 3]) is None  # not a frame of the graph
    assert frozen("patch_v001.exr", tmp_path, [1, 2]) is None  # versions
    assert frozen("sky_2k.exr", tmp_path, range(1001, 1005)) is None


@pytest.mark.parametrize("forms", [("NFC", "NFD"), ("NFD", "NFC")])
def test_nearby_explains_a_difference_in_unicode_normalisation(tmp_path, forms):
    asked, there = (unicodedata.normalize(form, "Bänkchen.0001.exr") for form in forms)
    (tmp_path / there).touch()
    (tmp_path / "Bank.0001.exr").touch()
    hint = nearby(tmp_path / asked)
    assert "did you mean" not in hint
    assert "accents are encoded differently (Unicode, " in hint
    assert ("decomposed" in hint) == (forms[1] == "NFD")


def test_nearby_names_a_file_with_other_case(tmp_path):
    (tmp_path / "Plate.exr").touch()
    assert nearby(tmp_path / "plate.exr") == 'did you mean "Plate.exr"?'
