"""A sequence with files read and written while frames are computed: the same files, the same order, the same
words."""

from __future__ import annotations

import threading
import time

import numpy as np
import pytest

from stackcomp import Composition, Graph, RenderError, Window
from stackcomp.execute import overlap as overlap_module
from stackcomp.files import exr, exr_write
from stackcomp.nodes.deliver import Deliver
from stackcomp.nodes.read import Read

WINDOW = Window.of_size(24, 16)
FRAMES = range(1, 7)


@pytest.fixture
def shot(tmp_path):
    """A file a frame; pixels beyond the range of half in one, pixels that are not finite in another."""
    for frame in FRAMES:
        draw = np.random.default_rng(frame)
        planes = {name: draw.random(WINDOW.shape, dtype=np.float32) for name in "RGBA"}
        if frame == 2:
            planes["R"][3, :5] = 60000
        if frame == 4:
            planes["G"][1, 2] = np.nan
        exr.write(tmp_path / f"cg.{frame:04d}.exr", planes, window=WINDOW, display=WINDOW)
    return tmp_path


def composition(shot, *, area=False) -> Composition:
    graph = Graph(frames="1-6")
    graph.add("read", "cg", path="cg.{frame:04d}.exr", encoding="ACEScg")
    graph.add("exposure", "brighter", image="cg", stops={"keys": [[1, 1], [6, 2]], "between": "linear"})
    last = graph.add("glow", "glowing", image="brighter", radius=2) if area else "brighter"
    graph.add("over", "comp", source=last, backdrop="cg")
    graph.add("deliver", "out", image="comp", path="{frame:04d}.exr")
    graph.add("deliver", "float", image="comp", path="float.{frame:04d}.exr", pixel_type="float")
    graph.add("deliver", "still", image="brighter", path="{frame:04d}.png")
    return Composition(graph, root=shot)


def heard(comp, **options):
    """What a delivery said, in order."""
    said = []
    files = comp.deliver(
        warn=lambda node, message: said.append(("warn", node, message)),
        finished=lambda frame, node: said.append(("finished", frame, node)),
        ended=lambda frame, error: said.append(("ended", frame, error and (error.node, error.reason))),
        **options,
    )
    return files, said


def by_frame(said):
    """Words of each frame, whatever their order inside it."""
    frames, current = [], []
    for entry in said:
        current.append(entry)
        if entry[0] == "ended":
            frames.append(sorted(current, key=str))
            current = []
    assert not current
    return frames


@pytest.mark.parametrize("area", [False, True], ids=["sweeps", "with an area node"])
def test_files_and_words_are_those_of_one_thing_after_the_other(shot, area):
    comp = composition(shot, area=area)
    files, said = heard(comp, overlap=False)
    before = {path: path.read_bytes() for path in files}
    for path in files:
        path.unlink()
    again, said_again = heard(comp)
    assert again == files
    assert {path: path.read_bytes() for path in again} == before
    assert by_frame(said_again) == by_frame(said)
    words = " ".join(entry[2] for entry in said if entry[0] == "warn")
    assert "clamped in 0002.exr" in words
    assert "were repaired: 1 in G" in words


def test_a_frame_that_fails_stops_no_other(shot):
    (shot / "cg.0003.exr").unlink()
    comp = composition(shot)
    prepared = comp.prepare(comp.sinks, [1, 2, 4, 5, 6], delivered=comp.sinks)
    executor = prepared.executor(tuple(comp.sinks), (1, 2, 4, 5, 6), fused=True, outputs=prepared._outputs)
    outcomes = list(executor.write_all([1, 2, 3, 4, 5, 6]))
    assert [outcome.frame for outcome in outcomes] == [1, 2, 3, 4, 5, 6]
    assert [outcome.failure is None for outcome in outcomes] == [True, True, False, True, True, True]
    assert isinstance(outcomes[2].failure, RenderError)
    assert (outcomes[2].failure.node, outcomes[2].failure.frame) == ("cg", 3)
    assert len(list(shot.glob("????.exr"))) == 5


def test_a_file_that_cannot_be_written_fails_its_frame_alone(shot, monkeypatch):
    write = Deliver.write

    def failing(self, image, job, notes):
        if job.frame == 2 and self.path.endswith(".png"):
            raise OSError("the disk is full")
        return write(self, image, job, notes)

    monkeypatch.setattr(Deliver, "write", failing)
    _, said = heard(composition(shot))
    ended = [entry for entry in said if entry[0] == "ended"]
    assert [entry[2] for entry in ended] == [None, ("still", "the disk is full"), None, None, None, None]
    # What was whole is told.
    assert ("finished", 2, "out") in said
    assert ("finished", 2, "still") not in said


def test_without_anybody_to_tell_the_first_failure_stops_it(shot, monkeypatch):
    write = Deliver.write

    def failing(self, image, job, notes):
        if job.frame == 2:
            raise OSError("the disk is full")
        return write(self, image, job, notes)

    monkeypatch.setattr(Deliver, "write", failing)
    with pytest.raises(RenderError, match="the disk is full"):
        composition(shot).deliver(warn=lambda *_: None)
    # A frame behind may have been finished meanwhile, but nothing is left half written, and no thread works on.
    assert not list(shot.glob(".*"))
    assert (shot / "0001.exr").exists()
    assert not (shot / "0005.exr").exists()
    assert not [thread for thread in threading.enumerate() if thread.name.startswith("stackcomp-write")]


def test_a_callback_that_raises_stops_it(shot):
    def finished(frame, node):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        composition(shot).deliver(warn=lambda *_: None, finished=finished)
    assert not (shot / "0005.exr").exists()
    assert not list(shot.glob(".*"))


@pytest.mark.slow
def test_the_next_file_is_read_while_this_one_is_written(shot, monkeypatch):
    """Slow files, timed: reading and writing overlap, and do not where it is turned off."""
    spans: list[tuple[str, int, float, float]] = []

    def slow(kind, function):
        def timed(self, *args):
            job = next(argument for argument in args if hasattr(argument, "frame"))
            started = time.perf_counter()
            time.sleep(0.03)
            result = function(self, *args)
            spans.append((kind, job.frame, started, time.perf_counter()))
            return result

        return timed

    monkeypatch.setattr(Deliver, "write", slow("write", Deliver.write))
    monkeypatch.setattr(Read, "produce", slow("read", Read.produce))

    def overlaps() -> int:
        """Writings during which the file of a later frame is read."""
        reads = [span[1:] for span in spans if span[0] == "read"]
        writes = [span[1:] for span in spans if span[0] == "write"]
        return sum(
            any(later > frame and start < read_end and read_start < end for later, read_start, read_end in reads)
            for frame, start, end in writes
        )

    comp = composition(shot)
    comp.deliver(warn=lambda *_: None, overlap=False)
    assert overlaps() == 0
    spans.clear()
    comp.deliver(warn=lambda *_: None)
    assert overlaps() >= 3


def test_what_is_read_early_is_small_and_area_nodes_have_the_memory_to_themselves(shot, monkeypatch):
    """Events of each frame: where an area node computes, no other frame's file is being written or read."""
    events: list[tuple[str, int]] = []
    for name in ("read_files", "compute", "end"):
        function = getattr(overlap_module._Begun, name)

        def noted(self, *args, name=name, function=function):
            events.append((name, self.frame))
            return function(self, *args)

        monkeypatch.setattr(overlap_module._Begun, name, noted)
    composition(shot, area=True).deliver(warn=lambda *_: None)
    for frame in FRAMES:
        at = events.index(("compute", frame))
        assert frame == 1 or events.index(("end", frame - 1)) < at
        assert frame == 6 or events.index(("read_files", frame + 1)) > at
    events.clear()
    monkeypatch.setattr(overlap_module, "_MOST_AHEAD", 0)
    composition(shot).deliver(warn=lambda *_: None)
    assert all(events.index(("read_files", f + 1)) > events.index(("compute", f)) for f in (1, 2, 3, 4, 5))
    events.clear()
    monkeypatch.setattr(overlap_module, "_MOST_AHEAD", 2)
    composition(shot).deliver(warn=lambda *_: None)
    assert all(events.index(("read_files", f + 1)) < events.index(("compute", f)) for f in (2, 3, 4, 5))


def test_levels_of_compression_give_the_same_pixels_in_other_sizes(shot):
    sizes = []
    for level in (1, 9):
        graph = Graph(frames="1")
        graph.add("ramp", "shade", size=[640, 400])
        graph.add("deliver", "out", image="shade", path=f"{level}.exr", compression_level=level)
        (path,) = Composition(graph, root=shot).deliver()
        sizes.append(path.stat().st_size)
        planes = exr.read(path).planes
        for name, plane in exr.read(shot / "1.exr").planes.items():
            np.testing.assert_array_equal(planes[name], plane)
    assert exr_write.exr_level.available()
    assert sizes[1] < sizes[0]
