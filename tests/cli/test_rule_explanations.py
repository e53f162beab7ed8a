"""The explanations behind ``stackcomp rules ID``, and that cases of mistakes agree with the table of rules."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from stackcomp.check.rule_explanations import EXAMPLES, EXPLANATIONS
from stackcomp.check.rules import RULES
from stackcomp.nodes.kinds import KINDS

CASES = sorted((Path(__file__).parents[1] / "errors").glob("*.txt"))
FIRST_LINE = re.compile(r"^(error|warning) ([a-z0-9-]+)$", re.MULTILINE)


def test_every_rule_has_an_explanation_and_nothing_else_has():
    assert set(EXPLANATIONS) == set(RULES)
    assert set(EXAMPLES) <= set(RULES)


@pytest.mark.parametrize("id", RULES)
def test_one_is_explained_with_its_way_out_and_example(run, id):
    done = run("rules", id)
    assert done.exit_code == 0
    words = " ".join(done.stdout.split())
    rule = RULES[id]
    for text in (f"{id} ({rule.severity})", rule.meaning, EXPLANATIONS[id], f"Way out: {rule.way_out}"):
        assert " ".join(text.split()) in words
    assert EXAMPLES.get(id, "") in done.stdout
    assert max(map(len, done.stdout.splitlines())) <= 115


@pytest.mark.parametrize("id", RULES)
def test_an_explanation_is_whole_sentences_and_more_than_the_meaning(id):
    text = EXPLANATIONS[id]
    assert text.endswith(".")
    assert text[0].isupper() or text[0] in '"-`'
    assert text != RULES[id].meaning
    assert "  " not in text


@pytest.mark.parametrize("id", EXAMPLES)
def test_examples_can_be_written_like_that(shot, run, id):
    example = EXAMPLES[id].split("     ")[0]
    if example.startswith("stackcomp "):
        done = run(*example.split()[1:])
        assert "command-line" not in done.stderr
        assert "there is no" not in done.stderr.replace("there is no file", "").replace("there is no node", "")
        return
    data = json.loads(example if example.startswith("{") else "{" + example + "}")
    for fields in data.values():
        if isinstance(fields, dict) and "kind" in fields:
            kind = KINDS[fields["kind"]]
            known = {field.alias or name for name, field in kind.model_fields.items()}
            assert set(fields) <= known


@pytest.mark.parametrize("case", CASES, ids=lambda path: path.stem)
def test_cases_of_mistakes_name_listed_rules_with_their_severity(case):
    named = FIRST_LINE.findall(case.read_text(encoding="utf-8"))
    assert named
    for severity, rule in named:
        assert rule in RULES
        assert severity in RULES[rule].severity.split(" or ")
