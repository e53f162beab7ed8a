"""``stackcomp rules``: what findings mean."""

from __future__ import annotations

import shutil
import textwrap
from typing import Annotated

import typer

from stackcomp.cli.endings import DONE, guarded, print_json, say
from stackcomp.cli.options import AsJson, Debug
from stackcomp.cli.tables import table

__all__ = ["rules"]

_STAGES = {
    "request": "Options and arguments",
    "document": "The graph file",
    "check": "Wires and files",
    "measure": "Measuring and matching",
}


@guarded
def rules(
    id: Annotated[str | None, typer.Argument(metavar="ID", help="Explain this rule.")] = None,
    as_json: AsJson = False,
    debug: Debug = False,
) -> int:
    """List the rules that findings name, or explain one: what is checked, why, and the way out.

    Ids and severities are stable from version 1.0 on; the words of messages and explanations are not.
    """
    from stackcomp.check.rule_explanations import EXAMPLES, EXPLANATIONS
    from stackcomp.check.rules import RULES
    from stackcomp.errors import Problem, RequestError, did_you_mean

    if id is None:
        if as_json:
            print_json({"rules": [rule.as_dict() for rule in RULES.values()]})
            return DONE
        for stage, title in _STAGES.items():
            say(title, style="bold")
            table([(rule.id, rule.severity, rule.meaning) for rule in RULES.values() if rule.stage == stage], 2)
            say("")
        return DONE
    if id not in RULES:
        way_out = did_you_mean(id, list(RULES)) or "`stackcomp rules` lists them all"
        raise RequestError(Problem("rule-unknown", f'there is no rule "{id}"', way_out))
    rule, explanation, example = RULES[id], EXPLANATIONS[id], EXAMPLES.get(id, "")
    if as_json:
        print_json({**rule.as_dict(), "explanation": explanation, "example": example})
        return DONE
    say(f"{rule.id} ({rule.severity})\n", style="bold")
    say(f"{rule.meaning}\n\n{_filled(explanation)}\n")
    say(f"Way out: {rule.way_out}\nFound in: {_STAGES[rule.stage].lower()}.")
    if example:
        say(f"Example: {example}")
    return DONE


def _filled(text: str) -> str:
    """A paragraph in lines of the terminal, but no longer than can be read easily."""
    width = min(shutil.get_terminal_size().columns, 100)
    return textwrap.fill(text, width, break_on_hyphens=False, break_long_words=False)
