"""Frames that come one by one: order, failures, and that nobody waits for a frame that waits for them."""

from __future__ import annotations

import itertools
import threading
import time
from collections import deque

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stackcomp.errors import BugError, RenderError
from stackcomp.execute.overlap import delivered


class Run:
    """Stands for what computes a frame; notes what happens."""

    def __init__(self, frame, events, *, fails="", area=False, small=True, seconds=0.0):
        self.frame, self.events, self.fails, self.seconds = frame, events, fails, seconds
        self.has_area_nodes, self.small = area, small
        self.writing = []
        self.read = False

    @property
    def input_bytes(self):
        return (1 if self.small else 1000) if self.read or not self.small else 0

    picture_bytes = 16

    def read_files(self):
        self.events.append(("read", self.frame))
        self.read = True

    def computed(self, submit):
        self.events.append(("compute", self.frame))
        time.sleep(self.seconds)
        self.writing.append(("first", submit(self._write, "first")))
        if self.fails == "compute":
            raise RenderError("grade", self.frame, "it failed")
        if self.fails == "bug":
            raise BugError("", ValueError("never"), node="grade", frame=self.frame)
        self.writing.append(("second", submit(self._write, "second")))
        return self.writing

    def _write(self, node):
        time.sleep(self.seconds)
        if self.fails == "write" and node == "second":
            raise RenderError(node, self.frame, "the disk is full")
        self.events.append(("written", self.frame, node))
        return (f"{self.frame}.{node}",)

    def give_back(self):
        self.events.append(("given back", self.frame))


class Source:
    """Hands out a frame only while fewer than so many are on their way, as the pool does for a worker."""

    def __init__(self, frames, outstanding):
        self.waiting = deque(frames)
        self.places = threading.Semaphore(outstanding)
        self.taken = []
        self.back = []
        self.waited_with = []

    def take(self, *, wait):
        if wait:
            self.waited_with.append(len(self.taken) - len(self.back))
        if not self.waiting:
            return None
        if not self.places.acquire(blocking=wait, timeout=5 if wait else None):
            if wait:
                raise AssertionError("deadlock: a frame is waited for, and all that were given are held back")
            return None
        frame = self.waiting.popleft()
        self.taken.append(frame)
        return frame

    def ended(self, frame):
        self.back.append(frame)
        self.places.release()


def threads():
    return [
        thread.name for thread in threading.enumerate() if thread.name.startswith(("stackcomp-r", "stackcomp-w"))
    ]


def rendered(source, events, **runs):
    """All outcomes; each makes place for another frame."""
    outcomes = []
    made = runs.pop("made", {})
    for outcome in delivered(lambda frame, warn: Run(frame, events, **{**runs, **made.get(frame, {})}), source):
        outcomes.append(outcome)
        source.ended(outcome.frame)
    return outcomes


@pytest.mark.parametrize("outstanding", [1, 2, 3, 10])
@pytest.mark.parametrize("area", [False, True])
def test_frames_come_out_once_in_the_order_taken(outstanding, area):
    source, events = Source([5, 3, 9, 1, 7], outstanding), []
    outcomes = rendered(source, events, area=area)
    assert [outcome.frame for outcome in outcomes] == [5, 3, 9, 1, 7] == source.taken
    assert all(outcome.failure is None for outcome in outcomes)
    assert [outcome.written for outcome in outcomes] == [
        (("first", (f"{frame}.first",)), ("second", (f"{frame}.second",))) for frame in (5, 3, 9, 1, 7)
    ]
    assert [event[1] for event in events if event[0] == "given back"] == [5, 3, 9, 1, 7]
    assert threads() == []


FAILURES = st.sampled_from(["", "", "", "compute", "bug", "write"])
FRAMES = st.lists(
    st.fixed_dictionaries({"fails": FAILURES, "area": st.booleans(), "small": st.booleans()}), max_size=8
)


@given(kinds=FRAMES, outstanding=st.integers(1, 4))
def test_whatever_happens_every_frame_ends_once_and_nobody_waits_for_ever(kinds, outstanding):
    made = dict(enumerate(kinds, start=1))
    source, events = Source(made, outstanding), []
    outcomes = rendered(source, events, made=made)
    assert [outcome.frame for outcome in outcomes] == list(made)
    for outcome in outcomes:
        fails = made[outcome.frame]["fails"]
        assert (outcome.failure is None) == (fails == "")
        assert isinstance(outcome.failure, BugError) == (fails == "bug")
        # What was whole is told, and nothing else.
        assert [node for node, _ in outcome.written] == ["first", *([] if fails else ["second"])]
    # Who waits for a frame has given back all others before: the one who fills the queue may wait for them.
    assert set(source.waited_with) <= {0}
    # Files of a frame that has come out are not being written any more.
    assert threads() == []


@given(kinds=FRAMES)
@settings(max_examples=60, deadline=None)
def test_no_more_than_three_frames_are_on_their_way(kinds):
    made = dict(enumerate(kinds, start=1))
    events: list[tuple] = []
    most = [0]

    class Counted(Source):
        def take(self, *, wait):
            frame = super().take(wait=wait)
            most[0] = max(most[0], len(self.taken) - len(self.back))
            return frame

    rendered(Counted(made, 100), events, made=made)
    assert most[0] <= 3


def test_where_an_area_node_computes_the_frame_before_is_written():
    events: list[tuple] = []
    rendered(Source([1, 2, 3], 3), events, area=True, seconds=0.01)
    for frame in (1, 2):
        assert events.index(("written", frame, "second")) < events.index(("compute", frame + 1))


def test_the_next_frame_is_read_while_this_one_is_written_and_only_once():
    events: list[tuple] = []
    rendered(Source([1, 2, 3, 4], 3), events, seconds=0.02)
    for frame in (2, 3, 4):
        assert events.count(("read", frame)) == 1
        assert events.index(("read", frame)) < events.index(("written", frame - 1, "second"))


def test_a_frame_that_comes_late_is_not_waited_for_while_there_is_one_to_give_back():
    """A queue that stays empty until the first frame has come out, and then for a while."""
    events: list[tuple] = []
    source = Source([1, 2], 1)
    ended = source.ended
    source.ended = lambda frame: threading.Timer(0.1, ended, [frame]).start() if frame == 1 else ended(frame)
    assert [outcome.frame for outcome in rendered(source, events)] == [1, 2]


def test_an_empty_queue_gives_nothing():
    assert rendered(Source([], 1), []) == []
    assert threads() == []


@pytest.mark.parametrize("after", [1, 2, 3])
def test_who_stops_listening_gets_no_further_files(after):
    events: list[tuple] = []
    source = Source(range(1, 20), 3)
    outcomes = delivered(lambda frame, warn: Run(frame, events, seconds=0.02), source)
    for outcome in itertools.islice(outcomes, after):
        source.ended(outcome.frame)
    outcomes.close()
    assert threads() == []
    seen = list(events)
    time.sleep(0.1)
    assert events == seen
    assert len([event for event in events if event[0] == "compute"]) <= after + 1


def test_an_error_of_the_queue_comes_out_and_leaves_no_thread():
    """As where the process that gives the frames is gone."""

    class Gone(Source):
        def take(self, *, wait):
            if len(self.taken) == 2:
                raise EOFError
            return super().take(wait=wait)

    events: list[tuple] = []
    with pytest.raises(EOFError):
        rendered(Gone([1, 2, 3], 3), events)
    assert threads() == []


def test_a_list_of_frames_may_hold_one_twice():
    events: list[tuple] = []
    outcomes = list(delivered(lambda frame, warn: Run(frame, events), [1, 1, 2]))
    assert [outcome.frame for outcome in outcomes] == [1, 1, 2]


def test_doubts_stay_with_their_frame():
    def make(frame, warn):
        warn("cg", f"about {frame}")
        return Run(frame, [])

    outcomes = list(delivered(make, Source([1, 2, 3], 9)))
    assert [outcome.doubts for outcome in outcomes] == [(("cg", f"about {frame}"),) for frame in (1, 2, 3)]
