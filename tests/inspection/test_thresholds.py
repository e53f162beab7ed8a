"""The file of thresholds: what it may hold, what is refused, and the defaults with their reasons."""

from __future__ import annotations

import json

import pytest

from stackcomp.errors import DocumentError, RequestError
from stackcomp.inspection.checks import all_checks
from stackcomp.inspection.setting import Setting, chosen_checks
from stackcomp.inspection.thresholds import Thresholds, described, read_thresholds, thresholds_of


def refused(given):
    with pytest.raises(DocumentError) as caught:
        thresholds_of(given)
    return [(problem.pointer, problem.message, problem.way_out) for problem in caught.value.problems]


def test_each_check_has_limits_and_each_limit_a_reason():
    names = [check.name for check in all_checks()]
    assert names == list(Thresholds.model_fields)
    for check in all_checks():
        assert type(Setting().limits(check)) is check.limits, check.name
        for limit, reason in check.limits.reasons().items():
            assert len(reason) > 20, (check.name, limit)
        for text in (check.summary, check.cure, check.source):
            assert text, check.name


def test_what_is_described_can_be_read_back():
    shown = described(Thresholds())
    assert json.loads(json.dumps(shown)) == shown
    assert thresholds_of(shown) == Thresholds()


def test_a_few_limits_are_changed(tmp_path):
    path = tmp_path / "limits.json"
    path.write_text(
        json.dumps(
            {
                "about": "our camera is noisy",
                "negative": {"depth": 0.05, "share": {"value": 0.001, "why": "it has many dead pixels"}},
            }
        )
    )
    read = read_thresholds(path)
    assert (read.negative.depth, read.negative.share) == (0.05, 0.001)
    assert read.negative.gamut == Thresholds().negative.gamut
    assert read.alpha_state == Thresholds().alpha_state


def test_all_mistakes_are_named_at_once():
    found = refused(
        {
            "negativ": {},
            "negative": {"dept": 1, "share": 2, "depth": "deep", "gamut": {"limit": 1}},
            "nonfinite": 0,
        }
    )
    said = {pointer: (message, way_out) for pointer, message, way_out in found}
    assert said["/negativ"][0] == 'there is no check "negativ"'
    assert 'did you mean "negative"' in said["/negativ"][1]
    assert said["/negative/dept"][1].startswith('did you mean "depth"')
    assert "less than or equal to 1" in said["/negative/share"][0]
    assert said["/negative/depth"][0] == '"negative.depth" is "deep", a text'
    assert "is not written" in said["/negative/gamut"][0]
    assert said["/nonfinite"][1] == "give {limit: number, …}"


@pytest.mark.parametrize("value", [-1, 1e999, None, [1], True, "0.05"])
def test_values_out_of_range(value):
    ((pointer, _, _),) = refused({"negative": {"depth": value}})
    assert pointer.startswith("/negative/depth")


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"grain": {"squares": 0}}, '"grain.squares" is 0; it has to be greater than or equal to 1'),
        ({"sharpness": {"edges": 0}}, '"sharpness.edges" is 0; it has to be greater than or equal to 1'),
        ({"black": {"depth": 1e9}}, '"black.depth" is 1000000000.0; it has to be less than or equal to 100'),
        ({"flashes": {"peak": 0}}, '"flashes.peak" is 0; it has to be greater than 0'),
        ({"fringe": {"size": None}}, '"fringe.size" is null; it has to be a valid number'),
        ({"negative": {"pixels": 1.5}}, '"negative.pixels" is 1.5; it has to be a valid integer'),
    ],
)
def test_limits_that_no_check_can_work_with(given, said):
    ((_, message, _),) = refused(given)
    assert message == said


@pytest.mark.parametrize(
    ("content", "said"),
    [("[1]", "not an object"), ("{", "json"), ('{"negative": {"depth": NaN}}', "NaN"), (None, "cannot be read")],
)
def test_a_file_that_cannot_be_read(tmp_path, content, said):
    path = tmp_path / "limits.json"
    if content is not None:
        path.write_text(content)
    with pytest.raises(DocumentError) as caught:
        read_thresholds(path)
    (problem,) = caught.value.problems
    assert said in f"{problem.rule} {problem.message}"
    assert problem.place == str(path)
    assert "variables" not in str(problem)


def test_checks_by_name():
    names = [check.name for check in chosen_checks(["negative", "nonfinite"])]
    assert names == ["nonfinite", "negative"]
    assert "negative" not in [check.name for check in chosen_checks(without=["negative"])]
    with pytest.raises(RequestError, match='no check "negativ"'):
        chosen_checks(["negativ"])
    with pytest.raises(RequestError, match=r'"xx"\n  choose from nonfinite, .*, flashes'):
        chosen_checks(without=["xx"])
    with pytest.raises(RequestError, match="no check is left"):
        chosen_checks(["negative"], ["negative"])
