"""What a worker says, and when: with a stub in place of the renderer, in a thread, over a real pipe."""

from __future__ import annotations

import multiprocessing
import threading
from collections import deque

import pytest

from stackcomp.batch import renderer as renderer_module
from stackcomp.batch import worker as worker_module
from stackcomp.batch.record import FrameRecord
from stackcomp.batch.worker import work


class Stub:
    """Renders by noting; a shot is its name, and "bad" cannot be opened."""

    ahead = False

    def __init__(self, name):
        if name == "bad":
            raise ValueError("the graph has gone")
        self.name = name

    def frames(self, inbox):
        held = deque()
        while True:
            if not held:
                frame = inbox.take(wait=True)
                if frame is None:
                    return
                held.append(frame)
            if self.ahead and (frame := inbox.take(wait=False)) is not None:
                held.append(frame)
            yield FrameRecord(self.name, held.popleft())


@pytest.fixture
def other_side(monkeypatch):
    """Our end of the pipe, with a worker at the other one; at the end the worker must be gone."""
    monkeypatch.setattr(worker_module.signal, "signal", lambda *_: None)  # a thread may set none
    monkeypatch.setattr(renderer_module, "Renderer", Stub)
    ours, theirs = multiprocessing.Pipe()
    raised = []

    def run():
        try:
            work(theirs)
        except BaseException as error:
            raised.append(error)
        finally:
            theirs.close()

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    yield ours
    if not ours.closed:
        ours.close()
    thread.join(10)
    assert not thread.is_alive()
    assert raised == []


def said(connection, number, seconds=10):
    """So many messages, in short."""
    found = []
    for _ in range(number):
        assert connection.poll(seconds), f"only {found} came"
        message = connection.recv()
        found.append(
            (message[0], message[1].shot, message[1].frame)
            if message[0] == "record"
            else (message[0],)
            if message[0] == "ready"
            else (message[0], message[1])
        )
    return found


def ended(connection):
    """Whether the worker says nothing more and closes its end."""
    assert connection.poll(10)
    with pytest.raises(EOFError):
        connection.recv()
    return True


def test_it_is_ready_before_anything_is_asked(other_side):
    assert said(other_side, 1) == [("ready",)]
    assert not other_side.poll(0.1)


def test_frames_are_begun_and_recorded_in_the_order_given(other_side):
    for message in (("shot", "a"), ("frame", 7), ("frame", 3), ("frame", 5), ("end",)):
        other_side.send(message)
    assert said(other_side, 7)[1:] == [
        step for frame in (7, 3, 5) for step in (("begun", frame), ("record", "a", frame))
    ]
    assert ended(other_side)


def test_a_frame_is_said_to_be_begun_before_it_is_touched(other_side, monkeypatch):
    """So that who counts deaths knows of it, one that is read ahead as well."""
    monkeypatch.setattr(Stub, "ahead", True)
    for message in (("shot", "a"), ("frame", 1), ("frame", 2), ("frame", 3), ("end",)):
        other_side.send(message)
    heard = said(other_side, 7)[1:]
    assert heard[0] == ("begun", 1)
    for frame in (1, 2, 3):
        assert heard.index(("begun", frame)) < heard.index(("record", "a", frame))
    assert [entry[-1] for entry in heard if entry[0] == "record"] == [1, 2, 3]
    assert ended(other_side)


def test_it_waits_for_a_frame_that_comes_later(other_side):
    other_side.send(("shot", "a"))
    assert said(other_side, 1) == [("ready",)]
    assert not other_side.poll(0.1)
    for frame in (4, 9):
        other_side.send(("frame", frame))
        assert said(other_side, 2) == [("begun", frame), ("record", "a", frame)]
    other_side.send(("end",))
    assert ended(other_side)


@pytest.mark.parametrize("ahead", [False, True])
def test_the_next_shot_has_frames_of_its_own(other_side, monkeypatch, ahead):
    monkeypatch.setattr(Stub, "ahead", ahead)
    for message in (("shot", "a"), ("frame", 1), ("frame", 2), ("shot", "b"), ("frame", 1), ("end",)):
        other_side.send(message)
    records = [entry for entry in said(other_side, 7) if entry[0] == "record"]
    assert records == [("record", "a", 1), ("record", "a", 2), ("record", "b", 1)]
    assert ended(other_side)


def test_a_shot_without_frames_is_passed_over(other_side):
    for message in (("shot", "a"), ("shot", "b"), ("frame", 1), ("shot", "c"), ("end",)):
        other_side.send(message)
    assert said(other_side, 3)[1:] == [("begun", 1), ("record", "b", 1)]
    assert ended(other_side)


def test_the_frames_of_a_shot_that_cannot_be_opened_are_dropped(other_side):
    for message in (("shot", "bad"), ("frame", 1), ("frame", 2), ("shot", "a"), ("frame", 1), ("end",)):
        other_side.send(message)
    ready, broken, *rest = said(other_side, 4)
    assert ready == ("ready",)
    assert broken[0] == "broken"
    assert broken[1].message == "the graph has gone"
    assert rest == [("begun", 1), ("record", "a", 1)]
    assert ended(other_side)


def test_after_a_shot_that_cannot_be_opened_it_may_end(other_side):
    for message in (("shot", "bad"), ("frame", 1), ("end",)):
        other_side.send(message)
    assert [entry[0] for entry in said(other_side, 2)] == ["ready", "broken"]
    assert ended(other_side)


@pytest.mark.parametrize("before", [[], [("shot", "a")], [("shot", "bad")], [("shot", "a"), ("frame", 1)]])
def test_it_ends_when_nobody_is_there_any_more(other_side, before):
    """Its thread has then ended without an error, which the fixture asks for."""
    for message in before:
        other_side.send(message)
    said(other_side, 1)
    other_side.close()


def test_a_press_of_ctrl_c_is_not_for_workers(monkeypatch):
    chosen = []
    monkeypatch.setattr(worker_module.signal, "signal", lambda number, action: chosen.append((number, action)))
    ours, theirs = multiprocessing.Pipe()
    ours.send(("end",))
    work(theirs)
    assert chosen == [(worker_module.signal.SIGINT, worker_module.signal.SIG_IGN)]
    ours.close()
    theirs.close()
