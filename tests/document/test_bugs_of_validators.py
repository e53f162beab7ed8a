"""Validators: what they raise for the user's values is a finding, everything else is a bug."""

import json
from typing import Annotated, Any

import numpy as np
import pytest
from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from stackcomp.errors import BadValueError, BugError
from stackcomp.files.validate import validate


def model(error: Exception) -> type[BaseModel]:
    class Planted(BaseModel):
        model_config = ConfigDict(extra="forbid")
        level: Annotated[int, Field()] = 0

        @field_validator("level")
        @classmethod
        def _level(cls, value: int) -> int:
            raise error

    return Planted


def result(model: type[BaseModel], node: str = "slate") -> Any:
    return validate(model, {"level": 3}, node, "a planted node", ["level"])


@pytest.mark.parametrize("node", ["slate", ""])
@pytest.mark.parametrize(
    "error",
    [
        TypeError("planted"),
        ValueError("planted"),
        KeyError("planted"),
        AssertionError("planted"),
        UnicodeDecodeError("utf-8", b"\xff", 0, 1, "planted"),
        json.JSONDecodeError("planted", "x", 0),
        np.linalg.LinAlgError("planted"),
    ],
    ids=lambda error: type(error).__name__,
)
def test_a_bug_in_a_validator(error, node):
    where = 'node "slate"' if node else "a planted node"
    with pytest.raises(BugError, match=f"{where}: bug in stackcomp: {type(error).__name__}.*planted") as caught:
        result(model(error), node)
    assert caught.value.__cause__ is error


def test_a_value_that_does_not_fit():
    made, (problem,) = result(model(BadValueError("is 3", "give 2")))
    assert made is None
    assert (problem.message, problem.way_out, problem.field) == ('"level" is 3', "give 2", "level")


def test_a_bug_in_a_rule_between_fields():
    class Planted(BaseModel):
        level: int = 0

        @model_validator(mode="after")
        def _rule(self) -> "Planted":
            raise TypeError("planted")

    with pytest.raises(BugError, match='node "slate": bug in stackcomp: TypeError: planted'):
        result(Planted)
