"""``stackcomp rules``."""

import json

from stackcomp.check.rule_explanations import EXAMPLES, EXPLANATIONS
from stackcomp.check.rules import RULES


def test_every_rule_is_listed_with_its_severity_and_meaning(run):
    listed = run("rules").stdout
    joined = " ".join(listed.split())
    for rule in RULES.values():
        assert f" {rule.id} {rule.severity} " in joined


def test_one_is_explained(run):
    done = run("rules", "dangling")
    assert done.exit_code == 0
    for text in ("dangling (error)", RULES["dangling"].meaning, RULES["dangling"].way_out):
        assert text in done.stdout


def test_as_json(run):
    assert [rule["id"] for rule in json.loads(run("rules", "--json").stdout)["rules"]] == list(RULES)
    one = json.loads(run("rules", "cycle", "--json").stdout)
    assert one.pop("explanation") == EXPLANATIONS["cycle"]
    assert one.pop("example") == EXAMPLES["cycle"]
    assert one == RULES["cycle"].as_dict()


def test_a_misspelt_rule_is_answered_with_what_was_meant(run):
    done = run("rules", "danglng")
    assert done.exit_code == 2
    assert 'there is no rule "danglng"' in done.stderr
    assert 'did you mean "dangling"' in done.stderr


def test_the_help_of_check_names_it(run):
    assert "stackcomp rules" in run("check", "--help").stdout
