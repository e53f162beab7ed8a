"""``stackcomp compare``, the command; what is compared is tested in tests/compare."""

from __future__ import annotations

import json
import shutil

import numpy as np
import pytest

from stackcomp import Window
from stackcomp.files import exr, stills


def test_equal_files(shot, run):
    done = run("compare", "plate.0001.exr", "plate.0001.exr")
    assert (done.exit_code, done.stdout) == (0, "equal\n")


def test_different_files_with_a_picture(shot, run):
    done = run("compare", "cg.0001.exr", "cg.0002.exr", "--picture", "look", "--json")
    told = json.loads(done.stdout)
    assert done.exit_code == told["exit_code"] == 1
    assert told["compared"] == "file"
    assert told["pictures"] == ["look/difference.cg.0001.png"]
    assert (shot / told["pictures"][0]).read_bytes().startswith(b"\x89PNG")
    text = run("compare", "cg.0001.exr", "cg.0002.exr").stdout
    # No header says that these are ids, and as numbers they are NaN.
    assert text.startswith("different: id.id0: not finite in the same way at 26 pixels, first 7,2 (nan / 0)\n")
    numbers = text.partition("\n\n")[2].splitlines()
    assert [line.split("  ")[0] for line in numbers] == ["R, G, B, A", "depth", "id", "shadow"]
    assert "largest 0.2 at 4,8" in numbers[0]
    assert "PSNR" in text
    done = run("compare", "cg.0001.exr", "cg.0002.exr", "--tolerance", "small=9,hard=9")
    assert done.exit_code == 1
    assert len(done.stdout.partition("\n\n")[0].splitlines()) == 1


def test_the_tolerance_of_a_layer(shot, run):
    planes = {c: np.full((4, 4), 0.5, np.float32) for c in ("R", "depth.Z", "A")}
    window = Window.of_size(4, 4)
    for name, off in (("a", 0), ("b", 0.01)):
        stored = {**planes, "depth.Z": planes["depth.Z"] + np.float32(off)}
        exr.write(shot / f"{name}.exr", stored, window=window, display=window)
    assert run("compare", "a.exr", "b.exr").exit_code == 1
    done = run("compare", "a.exr", "b.exr", "--tolerance", "exact", "--tolerance", "depth:small=0.02")
    assert done.exit_code == 0
    assert done.stdout.startswith("equal within the tolerance; largest difference 0.00977 (layer depth at 0,0)")
    assert run("compare", "a.exr", "b.exr", "--tolerance", "depth:share=100%,hard=0.02").exit_code == 0
    assert run("compare", "a.exr", "b.exr", "--tolerance", "depth:share=99%,hard=0.02").exit_code == 1


def test_what_may_differ(shot, run):
    window, part = Window.of_size(4, 4), Window.of_size(4, 2)
    exr.write(shot / "a.exr", {"Y": np.zeros((4, 4), np.float32)}, window=window, display=window)
    exr.write(shot / "b.exr", {"Y": np.zeros((2, 4), np.float32)}, window=part, display=window, pixel_type="float")
    done = run("compare", "a.exr", "b.exr")
    assert done.stdout == (
        "different: the data window is 4×4 at (0, 0) / 4×2 at (0, 0)\nY is stored as half / float\n"
    )
    assert run("compare", "a.exr", "b.exr", "--windows-may-differ").exit_code == 1
    assert run("compare", "a.exr", "b.exr", "--types-may-differ").exit_code == 1
    assert run("compare", "a.exr", "b.exr", "--types-may-differ", "--windows-may-differ").exit_code == 0


def test_sequences(shot, run):
    done = run("compare", "cg.{frame:04d}.exr", "plate.%04d.exr", "--frames", "2-3", "--picture", "look")
    assert done.exit_code == 1
    lines = done.stdout.splitlines()
    assert lines[:2] == ["different: the first frame that differs is 2", "2 of 2 frames differ: 2-3"]
    assert lines[-2:] == ["look/difference.cg.0002.png", "look/difference.cg.0003.png"]
    shutil.copy("cg.0003.exr", "cg.0005.exr")
    shutil.copytree(shot, shot / "other", ignore=lambda *_: ["cg.0002.exr", "look"])
    done = run("compare", "cg.{frame:04d}.exr", "other/cg.{frame:04d}.exr", "--picture", "look", "--json")
    told = json.loads(done.stdout)
    assert (done.exit_code, told["first_different"], told["missing"]) == (1, 2, {"first": [], "second": [2]})
    assert list(told["frames"]) == ["1", "3", "5"]
    # Frame 3 is equal now, and its picture of before is gone; of frame 2 nothing is known.
    assert told["pictures"] == []
    assert [path.name for path in (shot / "look").iterdir()] == ["difference.cg.0002.png"]


def test_dumps(shot, run):
    run("dump", "graph.json", "--frame", "2", "--to", "a")
    run("dump", "graph.json", "--frame", "2", "--to", "b", "--set", "gamma=1.5")
    done = run("compare", "a", "b", "--json", "--picture", "look")
    told = json.loads(done.stdout)
    assert told["first_different"] == {"node": "shaded", "frame": 2}
    assert told["changes"] == {"shaded": {"gamma": [1.3, 1.5]}}
    assert told["pictures"] == [f"look/difference.0002.{node}.png" for node in ("shaded", "final", "out")]
    assert run("compare", "a", "a").exit_code == 0
    text = run("compare", "a", "b").stdout.splitlines()
    assert text[:2] == ['different: the first node that differs is "shaded" at frame 2', "  gamma: 1.3 / 1.5"]
    done = run("compare", "a", "b", "--tolerance", "exact", "--tolerance", "shaded:hard=9,share=1")
    assert 'the first node that differs is "final"' in done.stdout


def test_a_page_of_two_dumps(shot, run):
    run("dump", "graph.json", "--frame", "2", "--to", "a")
    run("dump", "graph.json", "--frame", "2", "--to", "b", "--set", "gamma=1.5")
    (shot / "page.html").write_text("somebody's")
    done = run("compare", "a", "b", "--page", "page.html")
    assert (done.exit_code, done.stdout) == (2, "")
    assert (shot / "page.html").read_text() == "somebody's"
    done = run("compare", "a", "b", "--page", "new.html")
    assert done.exit_code == 1
    assert done.stdout.splitlines()[-1] == "new.html"
    assert (shot / "new.html").read_text().lower().startswith("<!doctype html>")


def test_a_page_marks_what_the_comparison_found(shot, run):
    """A page keeps to the tolerance that was asked for, and calls the same node the first."""
    run("dump", "graph.json", "--frame", "2", "--to", "a")
    run("dump", "graph.json", "--frame", "2", "--to", "b", "--set", "gamma=1.5")
    done = run(
        "compare", "a", "b", "--page", "page.html", "--tolerance", "exact", "--tolerance", "shaded:hard=9,share=1"
    )
    assert 'the first node that differs is "final"' in done.stdout
    text = (shot / "page.html").read_text()
    head = json.loads(text.split('<script type="application/json" id="head">')[1].split("</script>")[0])
    assert head["nodes"][head["compared"][0]["first"]] == "final"


def test_dumps_of_several_frames(shot, run):
    run("dump", "graph.json", "--frames", "1-3", "--to", "a")
    run("dump", "graph.json", "--frames", "1-2", "--to", "b")
    done = run("compare", "a", "b")
    assert done.exit_code == 1
    assert done.stdout == "different: one of the two lacks frames\nthe second has no frame 3\n"


def test_a_foreign_file_stops_before_anything_is_compared(shot, run):
    (shot / "look").mkdir()
    (shot / "look" / "difference.cg.0003.png").write_bytes(b"somebody's")
    words = ("compare", "cg.{frame:04d}.exr", "plate.{frame:04d}.exr", "--picture", "look")
    done = run(*words)
    assert (done.exit_code, done.stdout) == (2, "")
    assert "difference.cg.0003.png" in done.stderr
    assert run(*words, "--replace-foreign").exit_code == 1
    assert (shot / "look" / "difference.cg.0003.png").read_bytes().startswith(b"\x89PNG")


def test_what_is_compared_is_never_replaced(shot, run):
    for name, grey in (("difference.a", 0.2), ("a", 0.5)):
        stills.write(shot / f"{name}.png", np.full((4, 4), grey))
    before = (shot / "difference.a.png").read_bytes()
    done = run("compare", "a.png", "difference.a.png", "--picture", ".", "--replace-foreign")
    assert done.exit_code == 2
    assert "what is compared" in done.stderr
    assert (shot / "difference.a.png").read_bytes() == before


def test_a_picture_that_cannot_be_written_loses_no_result(shot, run):
    (shot / "look" / "difference.cg.0001.png").mkdir(parents=True)
    done = run("compare", "cg.0001.exr", "cg.0002.exr", "--picture", "look")
    assert done.exit_code == 1
    assert done.stdout.startswith("different: ")
    assert "no picture of cg.0001: " in done.stderr


def test_a_damaged_file_is_a_failure(shot, run):
    (shot / "plate.0001.exr").write_bytes((shot / "plate.0001.exr").read_bytes()[:300])
    done = run("compare", "plate.0001.exr", "plate.0002.exr")
    assert done.exit_code == 1
    assert "plate.0001.exr" in done.stderr


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["nix.exr", "plate.0001.exr"], "there is no file nix.exr"),
        (["plate.0001.exr", "."], ". is a folder that holds no dump"),
        (["plate.001.exr", "plate.0001.exr"], 'did you mean "plate.{frame:04d}.exr"?'),
        (["plate.####.exr", "plate.0001.exr"], 'did you mean "plate.{frame:04d}.exr"?'),
        (["plate.0001.exr", "plate.0001.exr", "--tolerance", "deth:exact"], 'no layer or channel "deth"'),
        (["cg.0001.exr", "cg.0001.exr", "--tolerance", "deth:exact"], 'did you mean "depth"'),
        (["cg.%04d.exr", "cg.%04d.exr", "--tolerance", "deth:exact"], 'did you mean "depth"'),
        (["cg.%04d.exr", "cg.%04d.exr", "--frames", "7"], "frames 1-3 exist"),
        (["cg.%04d.exr", "cg.%04d.exr", "--frames", "x"], "--frames: "),
        (["plate.0001.exr", "plate.{frame:04d}.exr"], "is a file, plate.{frame:04d}.exr is a sequence"),
        (["nix.{frame}.exr", "plate.{frame:04d}.exr"], "there is no frame of nix.{frame}.exr"),
        (["a.{fram}.exr", "plate.0001.exr"], "only the frame number may be in braces"),
        (["plate.0001.exr", "plate.0001.exr", "--frames", "1"], "--frames is for sequences"),
        (["plate.0001.exr", "plate.0001.exr", "--page", "x.html"], "--page is for dumps"),
        (["plate.0001.exr", "plate.0001.exr", "--tolerance", "0.1"], '--tolerance: "0.1" cannot be understood'),
        (["plate.0001.exr", "plate.0001.exr", "--picture", "cg.0001.exr"], '"cg.0001.exr" is a file'),
        (["plate.0001.exr", ""], "B: the path is empty"),
    ],
)
def test_wrong_requests(shot, run, words, message):
    done = run("compare", *words)
    assert done.exit_code == 2, done.stdout
    assert message in done.stderr
