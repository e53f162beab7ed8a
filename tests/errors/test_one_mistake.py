"""One mistake a file: each graph of this folder, and beside it the exact messages about it.

A new case is a graph here. Run once with the environment variable STACKCOMP_UPDATE_MESSAGES set: the
messages are written beside the graph, and the run fails. Read them as the person who made the mistake would.
"""

import json
import os
import shutil
from pathlib import Path

import pytest

import stackcomp

_HERE = Path(__file__).parent
_CASES = sorted(_HERE.glob("*.json"))


def _findings(case: Path) -> list[stackcomp.Problem]:
    graph = Path(shutil.copy(case, case.name))
    try:
        comp = stackcomp.load(graph)
    except stackcomp.DocumentError as error:
        return error.problems
    finally:
        # Messages about missing files list the other files of the folder.
        graph.unlink()
    return comp.check()


def _text(problems: list[stackcomp.Problem]) -> str:
    return "".join(f"{problem.severity} {problem.rule}\n{problem}\n" for problem in problems)


@pytest.fixture
def problems(case, inputs, monkeypatch):
    # Paths are relative, so that messages hold no path of this machine.
    monkeypatch.chdir(inputs)
    return _findings(case)


@pytest.mark.parametrize("case", _CASES, ids=lambda path: path.stem)
def test_message(case, problems):
    expected = case.with_suffix(".txt")
    text = _text(problems)
    if os.environ.get("STACKCOMP_UPDATE_MESSAGES"):
        expected.write_text(text, encoding="utf-8")
        pytest.fail(f"{expected.name} was written; read it, then run without STACKCOMP_UPDATE_MESSAGES")
    assert expected.is_file(), f"{case.name} has no {expected.name} beside it"
    assert text == expected.read_text(encoding="utf-8")


@pytest.mark.parametrize("case", _CASES, ids=lambda path: path.stem)
def test_each_finding_is_complete_and_points_into_the_file(case, problems):
    assert problems
    assert len({str(problem) for problem in problems}) == len(problems)
    for problem in problems:
        assert problem.rule
        assert problem.place == case.name
        assert not any(word in problem.message for word in ("Input should", "Value error", "PosixPath", "None"))
        _assert_points_into(case, problem.pointer)


def _assert_points_into(case: Path, pointer: str) -> None:
    """Every step leads somewhere, but perhaps the last: a field that is missing, or given by default."""
    if not pointer:
        return
    here = json.loads(case.read_text(encoding="utf-8"))
    *way, last = [step.replace("~1", "/").replace("~0", "~") for step in pointer.split("/")[1:]]
    for step in way:
        here = here[int(step)] if isinstance(here, list) else here[step]
    assert isinstance(here, dict) or int(last) < len(here)


def test_no_expectation_without_a_graph():
    assert {path.stem for path in _HERE.glob("*.txt")} == {path.stem for path in _CASES}
