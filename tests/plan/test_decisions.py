"""Conditions that numbers decide before the loop: found, decided as in Python, and what they leave out is gone."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stackcomp import Composition, Graph, Image
from stackcomp.execute import frame as frame_module
from stackcomp.execute.loops import machine
from stackcomp.execute.loops.program_code import code_of
from stackcomp.nodes.pixel import pixel, power
from stackcomp.plan.decisions import Decision, decisions_of, outcomes, small_exponent


@pixel
def inner(x, k):
    return x if k == 1 else power(x, k)


@pixel
def outer(x, a, b):
    (y,) = inner(x, b)
    a = a if a > 0.1 else 2 * a
    return y * a if a >= 3 else y


def test_they_are_found_through_calls_and_only_where_a_number_is_what_it_was():
    # The second condition on a is one on a result by then.
    assert decisions_of(outer, 1) == (
        Decision(2, "eq", 1.0),
        small_exponent(2),
        Decision(1, "gt", float(np.float32(0.1))),
    )
    assert decisions_of(outer, 3) == ()


@given(st.floats(width=32), st.sampled_from(["lt", "le", "gt", "ge", "eq", "ne"]), st.floats(-2, 2, width=32))
def test_outcomes_are_those_of_float32(value, op, constant):
    import operator

    (outcome,) = outcomes([Decision(4, op, constant)], [0, value], 3)
    assert outcome is bool(getattr(operator, op)(np.float32(value), np.float32(constant)))


@pytest.fixture
def programs(monkeypatch):
    """Programs that are compiled, each once."""
    found = {}
    compiled = frame_module.compiled

    def noting(program):
        found[program] = compiled(program)
        return found[program]

    monkeypatch.setattr(frame_module, "compiled", noting)
    return found


def rendered(kind, value, **fields):
    graph = Graph()
    graph.add("flat", "p", size=[9, 5])
    graph.add(kind, "it", **fields)
    picture = Image.from_array(np.full((5, 9, 3), value), encoding="ACEScg")
    return Composition(graph).render("it", 1, replace={"p": picture}).to_array()[0, 0]


def code(program):
    return code_of(program, fused=machine.supports_fma(), native_half=machine.native_half(), lanes=8)


def test_a_value_that_moves_between_others_makes_no_other_program(programs):
    for k in range(4):
        rendered(
            "cdl", 0.5, image="p", slope=1 + k / 8, power=1.1 + k / 8, saturation=0.5 + k / 8, amount=0.2 + k / 8
        )
    assert len(programs) == 1


@pytest.mark.parametrize(
    ("fields", "powers"),
    [({}, 0), ({"power": [1, 1.2, 1]}, 1), ({"power": [0.9, 1.2, 1.1]}, 3), ({"power": 1.2, "amount": 0}, 0)],
)
def test_what_a_number_makes_superfluous_is_not_in_the_code(programs, fields, powers):
    rendered("cdl", 0.5, image="p", slope=[1.5, 0.5, 1], **fields)
    (program,) = programs
    # A logarithm turns one whole number into a float.
    assert code(program).count("sitofp") == powers


def test_neutral_numbers_change_nothing_at_all():
    for value in (0.3, -0.7, 1e-42, 65504.0):
        np.testing.assert_array_equal(rendered("cdl", value, image="p"), np.float32(value))
    np.testing.assert_array_equal(rendered("cdl", 0.3, image="p", power=2, amount=0), np.float32(0.3))
