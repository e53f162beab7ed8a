"""The table of rules holds every id that the program can give, and no other."""

import ast
import functools
import re
from pathlib import Path

import pytest
from package_source import modules
from package_source import texts as sources

import stackcomp
from stackcomp.check.rules import RULES

PACKAGE = Path(stackcomp.__file__).parent
#: Which argument of these calls is a rule.
CALLS = {"Problem": 0, "PatchError": 0, "_wrong": 0, "_complain": 1, "say": 2}
#: Functions that return a rule first.
RETURNS = ("alpha_way_out", "_refusal", "_between", "_says")
#: What stands in the text of a module that gives a rule: a third of them.
MAY_GIVE = re.compile(rf"\b({'|'.join(CALLS)})\(|\brule\b|\bdef ({'|'.join(RETURNS)})\b")


def texts(node: ast.expr) -> set[str]:
    """Texts that an expression may be: itself, or either branch of a condition."""
    if isinstance(node, ast.IfExp):
        return texts(node.body) | texts(node.orelse)
    return {node.value} if isinstance(node, ast.Constant) and isinstance(node.value, str) else set()


@functools.cache
def given_rules() -> dict[str, str]:
    """Every rule in the source, with the module that gives it."""
    found: dict[str, str] = {}
    for module, text in sources(PACKAGE).items():
        if not MAY_GIVE.search(text):
            continue
        for node in ast.walk(modules(PACKAGE)[module]):
            rules: set[str] = set()
            if isinstance(node, ast.Call):
                name = getattr(node.func, "id", getattr(node.func, "attr", ""))
                index = CALLS.get(name)
                if index is not None and len(node.args) > index:
                    rules = texts(node.args[index])
                rules |= set().union(*(texts(k.value) for k in node.keywords if k.arg == "rule"))
            elif isinstance(node, ast.FunctionDef) and node.name in RETURNS:
                returned = [r.value for r in ast.walk(node) if isinstance(r, ast.Return)]
                rules = set().union(*(texts(r.elts[0]) for r in returned if isinstance(r, ast.Tuple)))
            elif isinstance(node, ast.Assign) and getattr(node.targets[0], "id", "") == "rule":
                rules = texts(node.value)
            elif isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Tuple):
                names = [getattr(target, "id", "") for target in node.targets[0].elts]
                if "rule" in names and isinstance(node.value, ast.Tuple):
                    rules = texts(node.value.elts[names.index("rule")])
            found |= dict.fromkeys(rules - {""}, module)
    return found


def test_every_rule_that_is_given_is_explained():
    assert {rule: file for rule, file in given_rules().items() if rule not in RULES} == {}


def test_every_rule_that_is_explained_is_given():
    assert sorted(set(RULES) - set(given_rules())) == []


@pytest.mark.parametrize("rule", RULES.values(), ids=RULES)
def test_a_rule_is_said_in_sentences(rule):
    assert rule.id == rule.id.lower()
    for text in (rule.meaning, rule.way_out):
        assert text.endswith(".")
        assert text[0].isupper() or text.startswith("stackcomp ")
        assert len(text) < 90
