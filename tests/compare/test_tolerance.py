"""Tolerances as arguments and as text."""

from __future__ import annotations

import json

import pytest

from stackcomp import RequestError
from stackcomp.compare import EXACT, HALF, Tolerance, parse_tolerances


def test_text():
    assert parse_tolerances(["small=0.001, share=0.01,hard=0.5"])["*"] == Tolerance(0.001, 0.01, 0.5)
    assert parse_tolerances(["exact"])["*"] == EXACT
    several = parse_tolerances(["small=0.1", "depth:small=0.2", "a:b:exact"])
    assert several == {"*": Tolerance(0.1), "depth": Tolerance(0.2), "a:b": EXACT}
    assert parse_tolerances(["share=2.5%"])["*"] == Tolerance(share=0.025)
    assert parse_tolerances(["half"])["*"] == HALF
    assert Tolerance(0.01).limit == pytest.approx(0.2)
    # What is printed can be given again.
    assert parse_tolerances([str(Tolerance(0.5, 0.25, 1))])["*"] == Tolerance(0.5, 0.25, 1)


def test_a_limit_without_end_is_text_in_json():
    assert json.dumps(Tolerance(1e308).as_dict(), allow_nan=False)
    assert parse_tolerances(["small=inf"])["*"].as_dict() == {"small": "inf", "share": 0.001, "hard": "inf"}


@pytest.mark.parametrize(
    ("text", "message", "way_out"),
    [
        ("0.1", '"0.1" cannot be understood', "as small=0.001"),
        ("smal=1", '"smal=1" cannot be understood', 'did you mean "small"'),
        ("small=x", '"x" is not a number', "as small"),
        ("small=-1", "small: -1.0 is out of range", "0 or more"),
        ("small=0,001", '"small=0,001" cannot be understood', "write numbers with a decimal point"),
        ("small=1,small=2", '"small=1,small=2" gives small twice', "leave one out"),
        ("small=1%", '"1%" is not a number', "as small"),
        ("share=200%", "share: 2.0 is out of range", "0 to 1"),
        ("depth:", '"depth:" cannot be understood', "as small=0.001"),
        ("share=2", "share: 2.0 is out of range", "0 to 1"),
        ("small=nan", "small: nan is out of range", "0 or more"),
        ("small=0.1,hard=0.01", "hard (0.01) is below small (0.1)", "make hard"),
    ],
)
def test_mistakes(text, message, way_out):
    with pytest.raises(RequestError) as caught:
        parse_tolerances([text])
    (problem,) = caught.value.problems
    assert problem.message.startswith("--tolerance: ")
    assert message in problem.message
    assert way_out in problem.way_out
