"""Texts about kinds, made from their classes."""

from __future__ import annotations

import json

import pytest

from stackcomp import KINDS, Colour, Matte
from stackcomp.nodes.base import Port
from stackcomp.nodes.description import describe, port_words


@pytest.mark.parametrize("kind", KINDS.values(), ids=KINDS)
def test_a_kind_says_what_it_is(kind):
    text = describe(kind)
    assert text.summary.endswith(".")
    assert text.works_on
    assert text.source, "where the maths comes from, or that nothing is computed"
    assert "``" not in json.dumps(text.as_dict())
    for port in text.ports:
        assert port.doc, port.name
    for parameter in text.parameters:
        assert parameter.doc, parameter.name
        assert parameter.values != "JSON", parameter.name


@pytest.mark.parametrize("kind", KINDS.values(), ids=KINDS)
def test_its_example_can_be_pasted(kind):
    example = describe(kind).example
    node = kind.model_validate(json.loads(json.dumps(example)))
    assert node.kind == example["kind"]
    assert all(source == port for port, source in node.inputs().items())


def test_parameters_state_range_unit_and_default():
    glow = {item.name: item for item in describe(KINDS["glow"]).parameters}
    assert glow["radius"].unit == "px"
    assert "from 0 to 8192 px" in glow["radius"].values
    assert (glow["radius"].default, glow["radius"].keyed, glow["radius"].required) == (20.0, True, False)
    assert glow["falloff"].values == "exponential or gaussian or glare"
    assert list(glow)[-1] == "amount"
    deliver = {item.name: item for item in describe(KINDS["deliver"]).parameters}
    assert deliver["quality"].values == "a whole number, 1 to 100"
    assert (deliver["path"].required, deliver["path"].keyed) == (True, False)
    pick_channels = {item.name: item for item in describe(KINDS["pick_channels"]).parameters}
    assert "as" in pick_channels
    assert pick_channels["channels"].values == "an object of text or a number"
    size = {item.name: item for item in describe(KINDS["flat"]).parameters}["size"]
    assert size.values == "a list of 2 whole numbers"
    outline = {item.name: item for item in describe(KINDS["clean_patch"]).parameters}["outline"]
    assert outline.values == "a list of lists of 2 numbers"
    f_number = {item.name: item for item in describe(KINDS["defocus"]).parameters}["f_number"]
    assert f_number.values == "a number above 0"


def test_what_a_kind_works_on():
    words = {name: describe(kind).works_on for name, kind in KINDS.items()}
    assert words["glow"] == "reads the pixels around each pixel"
    # It derives from a family that may look at neighbours, and does not.
    assert words["exposure"] == words["convert_colour"] == "works on one pixel at a time"
    assert words["restore"] == "works on one pixel at a time, or reads those around it, by its parameters"


def test_an_example_never_writes_where_plates_are_read():
    assert describe(KINDS["read"]).example["path"].startswith("plates/")
    assert describe(KINDS["deliver"]).example["path"].startswith("out/")


def test_words_of_ports():
    assert port_words(Port()) == "colour"
    assert port_words(Port((Colour, Matte), alpha=("premultiplied", "none"), linear=True)) == (
        "premultiplied colour or colour without alpha, scene-linear or a matte"
    )
