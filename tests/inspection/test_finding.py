"""A finding as text and as data."""

from __future__ import annotations

import json

from stackcomp import Window
from stackcomp.inspection.finding import Finding


def made(**fields):
    usual = {"check": "negative", "message": "12 pixels are negative", "cure": "look at it", "level": "doubt"}
    return Finding(**{**usual, **fields})


def test_as_text_with_everything():
    found = made(picture="cg.exr", frame=1004, place=Window(2, 3, 7, 5))
    assert str(found) == (
        "doubt negative: cg.exr, frame 1004: 12 pixels are negative, 5×2 at (2, 3)\n  look at it"
    )


def test_the_limit_is_named():
    assert str(made(value=0.2, limit=0.03, unit="stops")).splitlines()[0].endswith("negative, limit 0.03 stops")
    placed = str(made(value=0.2, limit=12.0, unit="%", place=Window(2, 3, 7, 5)))
    assert placed.splitlines()[0].endswith("5×2 at (2, 3), limit 12 %")
    assert "limit" not in str(made(value=0.2, limit=0.03, level="note"))


def test_as_text_with_nothing():
    assert str(made(cure="")) == "doubt negative: 12 pixels are negative"


def test_as_data():
    data = made(place=Window(2, 3, 7, 5), value=-0.5, limit=-0.02, sort="deep").as_dict()
    assert json.loads(json.dumps(data)) == data
    assert data["place"] == [2, 3, 5, 2]
    assert (data["frame"], data["picture"], data["level"], data["sort"]) == (None, "", "doubt", "deep")


def test_the_excess_decides_what_is_worst():
    assert made(value=-0.5, limit=-0.02).excess > made(value=-0.1, limit=-0.02).excess
    assert made(value=0.5, limit=0.8).excess > made(value=0.7, limit=0.8).excess  # where less is worse
    assert made().excess == 0
    assert made(value=3.0).excess == 3
