"""Findings over many frames become one line."""

from __future__ import annotations

import json

from stackcomp import Window
from stackcomp.inspection.finding import Finding
from stackcomp.inspection.report import as_dict, counted, summaries
from stackcomp.inspection.runner import Inspection


def made(frame=None, value=1.0, level="doubt", **more):
    usual = {"check": "negative", "picture": "cg.exr", "limit": 0.0, "message": f"{value} px", "cure": "c"}
    return Finding(frame=frame, value=value, level=level, **{**usual, **more})


def test_frames_of_one_sort_are_one_summary_with_the_worst():
    (one,) = summaries(made(frame, value) for frame, value in ((1003, 2), (1001, 1), (1002, 9), (1010, 3)))
    assert one.words == "frames 1001-1003,1010, worst 1002"
    assert one.worst.value == 9
    assert one.title == "doubt negative: cg.exr, frames 1001-1003,1010, worst 1002: 9 px, limit 0"
    assert one.frames == (1001, 1002, 1003, 1010)


def test_where_all_are_alike_none_is_the_worst():
    (one,) = summaries([made(1), made(2)])
    assert one.words == "frames 1-2"
    (one,) = summaries([made(7, place=Window(1, 2, 3, 4))])
    assert one.title.endswith("frame 7: 1.0 px, 2×2 at (1, 2), limit 0")
    (one,) = summaries([made(None)])
    assert (one.words, one.frames) == ("", ())


def test_what_differs_is_kept_apart_and_the_worst_level_comes_first():
    found = summaries(
        [
            made(1, level="note"),
            made(1),
            made(1, check="alpha_range"),
            made(1, picture="b.exr"),
            made(1, sort="x"),
            made(1, level="fault"),
        ]
    )
    assert [summary.level for summary in found] == ["fault", "doubt", "doubt", "doubt", "doubt", "note"]


def test_very_many_frames_are_cut():
    (one,) = summaries(made(frame, frame) for frame in range(0, 400, 2))
    assert "… (200 frames), worst 398" in one.words
    assert len(one.words) < 90


def test_counts():
    found = Inspection((made(1), made(2), made(1, level="fault"), made(1, level="note")), {"cg.exr": 2})
    assert counted(found, summaries(found.findings)) == "1 fault, 1 doubt and 1 note in 2 pictures"
    assert counted(Inspection((), {"a": 1}), []) == "nothing found in 1 picture"
    assert not found.clean
    assert Inspection((made(1, level="note"),)).clean


def test_data_for_programs():
    found = Inspection((made(1, 3), made(2, 5)), {"cg.exr": 2})
    data = as_dict(found, ["negative"])
    assert json.loads(json.dumps(data)) == data
    assert data["clean"] is False
    assert data["pictures"] == [{"picture": "cg.exr", "number": 2}]
    assert len(data["findings"]) == 2
    (summary,) = data["summaries"]
    assert (summary["frames"], summary["worst"]["value"]) == ([1, 2], 5)
