"""``stackcomp render``."""

from __future__ import annotations

import json
import os
import subprocess
import sys

import numpy as np
import pytest

import stackcomp
from stackcomp.data.window import Window
from stackcomp.files import exr, stills


def events(done) -> list[dict]:
    return [json.loads(line) for line in done.stdout.splitlines()]


def test_deliver_nodes_write_all_frames(shot, run):
    done = run("render", "graph.json")
    assert done.exit_code == 0, done.stderr
    files = sorted(path.name for path in (shot / "out").iterdir())
    assert files == ["final.0001.exr", "final.0002.exr", "final.0003.exr"]
    assert "frame 2: out/final.0002.exr" in done.stderr
    assert done.stdout.startswith("3 frames done, 3 files, ")
    expected = stackcomp.load("graph.json").render("final", 2)
    found = exr.read("out/final.0002.exr")
    for name in expected:
        np.testing.assert_array_equal(found.planes[name], expected[name].astype(np.float16).astype(np.float32))


def test_frames_variables_and_root(shot, run, tmp_path_factory, monkeypatch):
    monkeypatch.chdir(tmp_path_factory.mktemp("elsewhere"))
    (shot / "values.json").write_text('{"out": "lost", "gamma": 2}')
    done = run("render", shot / "graph.json", "--root", shot, "--frames", "3,1", "--variables",
               shot / "values.json", "--set", "out=mine", "--threads", "1")  # fmt: skip
    stackcomp.set_threads(None)
    assert done.exit_code == 0, done.stderr
    assert sorted(path.name for path in (shot / "mine").iterdir()) == ["final.0001.exr", "final.0003.exr"]
    strong = stackcomp.load(shot / "graph.json", root=shot, variables={"gamma": 2}).render("final", 1)
    found = exr.read(shot / "mine/final.0001.exr").planes["R"]
    np.testing.assert_array_equal(found, strong["R"].astype(np.float16).astype(np.float32))


def test_one_frame_that_fails_does_not_stop_the_others(shot, run):
    whole = (shot / "cg.0002.exr").read_bytes()
    (shot / "cg.0002.exr").write_bytes(whole[:-20] + bytes(20))
    done = run("render", "graph.json")
    assert done.exit_code == 1
    assert sorted(path.name for path in (shot / "out").iterdir()) == ["final.0001.exr", "final.0003.exr"]
    assert "1 of 3 frames failed:" in done.stderr
    assert 'frame 2 failed: node "cg": ' in done.stderr
    assert "the rest is whole: 2 frames done, 2 files" in done.stdout


def test_an_odd_frame_stops_everything_before_a_pixel_is_read(shot, run):
    small = Window.of_size(5, 5)
    exr.write("cg.0002.exr", {c: np.zeros((5, 5), np.float32) for c in
              ("R", "G", "B", "A", "shadow.R", "shadow.G", "shadow.B")}, window=small, display=small)  # fmt: skip
    done = run("render", "graph.json")
    assert done.exit_code == 2
    assert "cg.{frame:04d}.exr has a frame of 5×5" in done.stderr
    assert not (shot / "out").exists()


def test_a_damaged_picture_is_a_failed_frame(shot, run):
    whole = (shot / "plate.0003.exr").read_bytes()
    (shot / "plate.0003.exr").write_bytes(whole[:-20] + bytes(20))
    done = run("render", "graph.json", "--json")
    summary = events(done)[-1]
    assert done.exit_code == 1
    assert (summary["done"], summary["exit_code"], summary["ok"]) == ([1, 2], 1, False)
    (failed,) = summary["failed"]
    assert failed["frame"] == 3
    assert "plate.0003.exr" in failed["reason"]
    assert not (shot / "out/final.0003.exr").exists()


def test_what_is_wrong_with_the_graph_stops_everything(shot, run, save_graph):
    save_graph(final={"kind": "over", "source": "plate", "backdrop": "shaded"})
    done = run("render", "graph.json")
    assert done.exit_code == 2
    assert 'node "final": port "source" requires premultiplied colour' in done.stderr
    assert "Traceback" not in done.stderr
    assert not (shot / "out").exists()
    told = run("render", "graph.json", "--json")
    (summary,) = events(told)
    assert summary["event"] == "summary"
    assert summary["exit_code"] == 2
    assert summary["problems"][0]["node"] == "final"


@pytest.mark.slow
def test_events_are_json_and_nothing_else(shot, process, save_graph):
    bright = stackcomp.load("graph.json").render("plate", 1)
    planes = {name: np.full_like(bright[name], 1e6) for name in "RGB"}
    exr.write("plate.0001.exr", planes, window=bright.window, display=bright.display, pixel_type="float")
    done = process("render", "graph.json", "--frames", "1-2", "--json")
    assert done.returncode == 0, done.stderr
    found = events(done)
    assert [event["event"] for event in found] == ["warning", "frame", "frame", "summary"]
    assert found[0]["node"] == "out"
    assert "65504" in found[0]["message"]
    assert found[1]["files"] == ["out/final.0001.exr"]
    assert found[3]["files"] == ["out/final.0001.exr", "out/final.0002.exr"]
    assert (found[3]["frames"], found[3]["done"], found[3]["failed"]) == ([1, 2], [1, 2], [])


def test_a_deliver_node_by_name(shot, run, save_graph):
    save_graph(small={"kind": "deliver", "image": "plate", "path": "out/plate.{frame}.exr"})
    assert run("render", "graph.json", "--node", "small", "--frames", "1").exit_code == 0
    assert [path.name for path in (shot / "out").iterdir()] == ["plate.1.exr"]


def test_any_other_node_goes_out_as_float(shot, run, read_outside):
    done = run("render", "graph.json", "--node", "shaded", "--frames", "2")
    assert done.exit_code == 0, done.stderr
    expected = stackcomp.load("graph.json").render("shaded", 2)
    found = read_outside(shot / "out/shaded.0002.exr")
    assert set(found) == set(expected)
    for name in expected:
        np.testing.assert_array_equal(found[name], expected[name])


def test_layers_and_ids_go_out_bit_for_bit(shot, run, save_graph, ids_node, object_id, read_outside):
    save_graph(ids=ids_node)
    done = run("render", "graph.json", "--node", "ids", "--node", "cg", "--frames", "1", "--to", "looks/")
    assert done.exit_code == 0, done.stderr
    found = read_outside(shot / "looks/ids.0001.exr")
    assert set(np.unique(found["id0"].view(np.uint32))) == {0, object_id}
    layers, original = read_outside(shot / "looks/cg.0001.exr"), read_outside(shot / "cg.0001.exr")
    assert set(layers) == set(original)
    for name in original:
        np.testing.assert_array_equal(layers[name].view(np.uint32), original[name].view(np.uint32))


def test_scale_and_window(shot, run):
    done = run("render", "graph.json", "--node", "final", "--frames", "1", "--scale", "0.5", "--to", "half.exr")
    assert done.exit_code == 0, done.stderr
    half = exr.read_header("half.exr")
    assert half.data_window == half.display_window == Window.of_size(12, 8)
    assert run("render", "graph.json", "--node", "final", "--frames", "1", "--window", "4,2,10,6", "--to",
               "part.exr").exit_code == 0  # fmt: skip
    assert exr.read_header("part.exr").display_window == Window.of_size(24, 16)
    part, whole = exr.read("part.exr"), stackcomp.load("graph.json").render("final", 1)
    assert part.window == Window(4, 2, 14, 8)
    np.testing.assert_array_equal(part.planes["G"], whole.over(part.window)["G"])


def test_a_still_of_a_window_has_its_size(shot, run):
    done = run(
        "render", "graph.json", "--node", "final", "--frames", "1", "--window", "4,2,10,6", "--to", "part.png"
    )
    assert done.exit_code == 0, done.stderr
    assert stills.read("part.png").pixels.shape[:2] == (6, 10)
    assert run("render", "graph.json", "--node", "final", "--frames", "1", "--to", "all.png").exit_code == 0
    np.testing.assert_array_equal(stills.read("part.png").pixels, stills.read("all.png").pixels[2:8, 4:14])


@pytest.mark.parametrize("window", ["100,100,4,4", "24,0,4,4", "-4,0,4,4", "0,-9,24,9"])
def test_a_window_outside_of_the_frame_is_refused_as_in_python(shot, run, window):
    done = run("render", "graph.json", "--node", "final", "--frames", "1", "--window", window)
    assert done.exit_code == 2
    with pytest.raises(stackcomp.RequestError) as refused:
        stackcomp.load("graph.json").render("final", 1, window=tuple(map(int, window.split(","))))
    (problem,) = refused.value.problems
    assert f'--window: node "final": {problem.message}' in done.stderr
    assert 'node "final": the window ' in done.stderr
    assert "lies outside of the frame, 24×16 at (0, 0)" in done.stderr
    assert not (shot / "out").exists()


def test_a_window_that_reaches_into_the_frame_is_cut(shot, run):
    part = ("--node", "final", "--frames", "1", "--window=-2,-2,4,4", "--to", "part.exr")
    assert run("render", "graph.json", *part).exit_code == 0
    assert exr.read_header("part.exr").data_window == Window(0, 0, 2, 2)


def test_straight_colour_is_written_with_a_warning(shot, run, save_graph):
    save_graph(plain={"kind": "unpremultiply", "image": "beauty"})
    done = run("render", "graph.json", "--node", "plain", "--frames", "1")
    assert done.exit_code == 0
    assert "straight" in done.stderr
    assert exr.read_header("out/plain.0001.exr").metadata["stackcomp/type"].startswith("straight colour")


@pytest.mark.parametrize(
    ("options", "seen"),
    [
        (("--scale", "0.5"), {"out.0001.exr", "out.0002.exr", "out.0003.exr"}),
        (("--window", "2,1,4,3", "--frames", "2"), {"out.0002.exr"}),
        (
            ("--node", "out", "--node", "plate", "--scale", "0.5", "--frames", "1"),
            {"out.0001.exr", "plate.0001.exr"},
        ),
    ],
    ids=["half size", "a window", "with another node"],
)
def test_previews_of_deliver_nodes_are_no_deliveries(shot, run, options, seen):
    done = run("render", "graph.json", *options)
    assert done.exit_code == 0, done.stderr
    assert {path.name for path in (shot / "out/preview").iterdir()} == seen
    assert [path.name for path in (shot / "out").iterdir()] == ["preview"]
    found = exr.read_header(shot / "out/preview" / min(seen))
    if "--scale" in options:
        assert found.display_window == Window.of_size(12, 8)
    else:
        assert found.data_window == Window(2, 1, 6, 4)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("--to", "x.exr"), "--to without --node"),
        (("--node", "fnal"), 'did you mean "final"'),
        (("--node", "final", "--to", "x.exr"), "put {frame:04d} into the path"),
        (("--node", "final", "--to", "x.{frame}.bmp"), "bmp"),
        (("--node", "final", "--to", "x.{shot}.exr"), "{shot}"),
        (("--node", "shadow", "--to", "x.{frame}.png"), "a still cannot hold"),
        (("--node", "cg", "--to", "x.{frame}.png"), "a still cannot hold"),
        (("--node", "final", "--node", "plate", "--to", "x.{frame}.exr"), "would all write"),
        (("--node", "final", "--to", "plate.{frame:04d}.exr"), "originals are never overwritten"),
        (("--node", "final", "--frames", "1", "--to", "plate.0003.exr"), "originals are never overwritten"),
        (("--node", "final", "--scale", "2"), "not above 0 and at most 1"),
        (("--node", "final", "--window", "0,0,0,4"), "has no pixels"),
        (("--set", "gamma"), "not NAME=VALUE"),
        (("--set", "gamma=[1]"), "gamma"),
        (("--frames", "x"), "--frames"),
        (("--frames", "7"), "there is no file"),
    ],
)
def test_wrong_requests(shot, run, arguments, message):
    before = (shot / "plate.0003.exr").read_bytes()
    done = run("render", "graph.json", *arguments)
    assert done.exit_code == 2, done.stdout
    assert message in done.stderr
    assert sorted(path.suffix for path in shot.iterdir()) == [".exr"] * 6 + [".json"]
    assert (shot / "plate.0003.exr").read_bytes() == before


@pytest.mark.parametrize(
    "words",
    [("render", "graph.json"), ("dump", "graph.json", "--frame", "1", "--to", "look")],
    ids=["render", "dump"],
)
def test_a_wrong_number_of_threads_is_no_failed_frame(shot, run, monkeypatch, words):
    monkeypatch.setenv("STACKCOMP_THREADS", "two")
    stackcomp.set_threads(None)
    done = run(*words)
    assert done.exit_code == 2
    assert 'STACKCOMP_THREADS: "two" is not a number of threads' in done.stderr
    assert not (shot / "out").exists()
    assert not (shot / "look").exists()


def test_a_graph_without_frames_or_deliver_nodes(shot, run, save_graph):
    (shot / "still.json").write_text('{"stackcomp": 1, "nodes": {"a": {"kind": "flat", "size": [4, 4]}}}')
    done = run("render", "still.json")
    assert done.exit_code == 2
    assert "--frames" in done.stderr
    done = run("render", "still.json", "--frames", "1")
    assert done.exit_code == 2
    assert "no deliver node" in done.stderr
    assert run("render", "still.json", "--frames", "1", "--node", "a", "--to", "a.exr").exit_code == 0


def test_the_keyboard_stops_it(shot, run, monkeypatch):
    def stop(*_, **__):
        raise KeyboardInterrupt

    monkeypatch.setattr("stackcomp.composition.Composition.deliver", stop)
    done = run("render", "graph.json")
    assert done.exit_code == 130
    assert done.stderr.splitlines()[-1] == "stopped from the keyboard; files written so far are whole"


@pytest.mark.slow
def test_compiling_is_announced_once_and_only_when_it_happens(shot, process, tmp_path_factory):
    fresh = {"STACKCOMP_CACHE": str(tmp_path_factory.mktemp("cache"))}
    first = process("render", "graph.json", "--frames", "1-2", env=fresh)
    again = process("render", "graph.json", "--frames", "1-2", env=fresh)
    assert first.returncode == again.returncode == 0, first.stderr
    assert first.stderr.count("compiling") == 1
    assert "compiling" not in again.stderr


@pytest.mark.slow
def test_a_terminal_gets_a_bar(shot, environment):
    pty = pytest.importorskip("pty")
    mine, theirs = pty.openpty()
    command = [sys.executable, "-m", "stackcomp", "render", "graph.json"]
    terminal = environment(TERM="xterm", COLUMNS="100")
    done = subprocess.run(command, stdout=subprocess.PIPE, stderr=theirs, env=terminal, timeout=120, check=False)
    os.close(theirs)
    shown = b""
    try:
        while chunk := os.read(mine, 65536):
            shown += chunk
    except OSError:  # the other end is closed
        pass
    os.close(mine)
    assert done.returncode == 0
    assert b"3/3" in shown
    assert b"/s" in shown
    assert done.stdout.startswith(b"3 frames done")


def _broken_pixels(shot):
    window = Window.of_size(24, 16)
    for frame, count in ((1, 1), (2, 1), (3, 2)):
        plate = {name: np.full(window.shape, 0.5, np.float32) for name in "RGB"}
        plate["R"][0, :count] = np.nan
        exr.write(shot / f"plate.{frame:04d}.exr", plate, window=window, display=window, pixel_type="float")


def test_what_is_doubtful_at_every_frame_is_said_once(shot, run):
    _broken_pixels(shot)
    done = run("render", "graph.json")
    assert done.exit_code == 0, done.stderr
    assert done.stderr.count("not finite were repaired") == 1
    assert 'node "plate", frame 1: values that are not finite were repaired: 1 in R' in done.stderr
    assert 'node "plate": the warning of frame 1 holds at frames 2-3 too, with other numbers' in done.stderr
    preview = run("render", "graph.json", "--scale", "0.5", "--frames", "1-3")
    assert preview.stderr.count("not finite were repaired") == 1


def test_a_program_hears_of_every_frame(shot, run):
    _broken_pixels(shot)
    events = [json.loads(line) for line in run("render", "graph.json", "--json").stdout.splitlines()]
    assert [event["frame"] for event in events if event["event"] == "warning"] == [1, 2, 3]


def test_a_reason_of_failure_is_said_once(shot, run):
    (shot / "cg.0002.exr").write_bytes((shot / "cg.0002.exr").read_bytes()[:-200])
    done = run("render", "graph.json")
    assert done.exit_code == 1
    assert done.stderr.count("cg.0002.exr: ") == 1
    assert "1 of 3 frames failed: 2\n" in done.stderr


def test_a_still_that_is_broken_fails_every_frame_and_is_said_once(shot, run, save_graph):
    (shot / "patch.exr").write_bytes((shot / "plate.0001.exr").read_bytes()[:-200])
    save_graph(plate={"kind": "read", "path": "patch.exr", "encoding": "ACEScg"})
    done = run("render", "graph.json")
    assert done.exit_code == 1
    assert done.stderr.count("patch.exr: ") == 1
    assert "frame 3 failed for the same reason as frame 1" in done.stderr
    assert "3 of 3 frames failed: 1-3" in done.stderr


def test_a_still_of_depth_is_refused_once(shot, run, save_graph):
    save_graph(depth={"kind": "pick_channels", "layers": "cg", "as": "depth", "layer": "depth"})
    done = run("render", "graph.json", "--node", "depth", "--to", "z.{frame}.png")
    assert done.exit_code == 2
    assert done.stderr.count("still cannot hold") == 1


def test_viewing_stops_brighten_stills_of_a_node(shot, run):
    frame = ("--node", "final", "--frames", "1")
    assert run("render", "graph.json", *frame, "--to", "plain.png").exit_code == 0
    done = run("render", "graph.json", *frame, "--to", "bright.png", "--viewing-stops", "1.5")
    assert done.exit_code == 0, done.stderr
    plain, bright = stills.read("plain.png").pixels, stills.read("bright.png").pixels
    assert (bright >= plain).all()
    assert bright.mean() > 1.2 * plain.mean()
    # The same as the dump's PNG with these stops, which is the library's other way to the same picture.
    assert run("dump", "graph.json", "--frame", "1", "--to", "look", "--node", "final", "--viewing-stops",
               "1.5").exit_code == 0  # fmt: skip
    np.testing.assert_allclose(bright, stills.read("look/final.png").pixels, atol=1.01 / 255)


def test_viewing_stops_never_change_openexr(shot, run):
    frame = ("--node", "final", "--frames", "1")
    assert run("render", "graph.json", *frame, "--to", "plain.exr").exit_code == 0
    done = run("render", "graph.json", *frame, "--to", "bright.exr", "--viewing-stops", "1.5")
    assert done.exit_code == 0
    assert "OpenEXR is written as it is" in done.stderr
    plain, bright = exr.read("plain.exr").planes, exr.read("bright.exr").planes
    for name in plain:
        np.testing.assert_array_equal(plain[name], bright[name])


def test_viewing_stops_of_a_preview(shot, run):
    part = ("--frames", "1", "--scale", "0.5", "--viewing-stops", "2", "--to", "small.png")
    assert run("render", "graph.json", *part).exit_code == 0
    assert stills.read("small.png").pixels.shape[:2] == (8, 12)
