"""``stackcomp compare``, the command; what is compared is tested in tests/compare."""

from __future__ import annotations

import json

import pytest


def test_equal_files(shot, run):
    done = run("compare", "plate.0001.exr", "plate.0001.exr")
    assert (done.exit_code, done.stdout) == (0, "equal\n")


def test_different_files_with_a_picture(shot, run):
    done = run("compare", "cg.0001.exr", "cg.0002.exr", "--picture", "look", "--json")
    told = json.loads(done.stdout)
    assert done.exit_code == told["exit_code"] == 1
    assert told["compared"] == "file"
    assert told["layers"][0]["worst"] is not None
    assert (shot / told["picture"]).read_bytes().startswith(b"\x89PNG")
    text = run("compare", "cg.0001.exr", "cg.0002.exr")
    assert "PSNR" in text.stdout
    assert run("compare", "cg.0001.exr", "cg.0002.exr", "--tolerance", "small=9,hard=9").exit_code == 1


def test_sequences_and_dumps(shot, run):
    done = run("compare", "cg.{frame:04d}.exr", "plate.%04d.exr", "--frames", "2-3")
    assert done.exit_code == 1
    assert "2 of 2 frames differ: 2-3; the first, 2:" in done.stdout
    run("dump", "graph.json", "--frame", "2", "--to", "a")
    run("dump", "graph.json", "--frame", "2", "--to", "b", "--set", "gamma=1.5")
    done = run("compare", "a", "b", "--json", "--picture", "look")
    told = json.loads(done.stdout)
    assert told["first_different"] == {"node": "shaded", "frame": 2}
    assert told["picture"].endswith("difference.shaded.png")
    assert run("compare", "a", "a").exit_code == 0


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
