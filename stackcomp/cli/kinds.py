"""``stackcomp kinds``: the kinds of node."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from typing import TYPE_CHECKING, Annotated, Any

import typer

from stackcomp.cli.endings import DONE, announce, guarded, print_json, say, visible
from stackcomp.cli.options import AsJson, Debug, ReplaceForeign
from stackcomp.cli.tables import table

if TYPE_CHECKING:
    from stackcomp.nodes.base import Node
    from stackcomp.nodes.description import KindText, ParameterText

__all__ = ["kinds"]


@guarded
def kinds(
    name: Annotated[str | None, typer.Argument(metavar="NAME", help="Describe this kind in full.")] = None,
    page: Annotated[
        str | None,
        typer.Option(metavar="FILE", help="Write a page with pictures: .html, or .md with a folder of pictures."),
    ] = None,
    replace_foreign: ReplaceForeign = False,
    as_json: AsJson = False,
    debug: Debug = False,
) -> int:
    """List the kinds of node, tell everything about one, or write a page about all."""
    from stackcomp.errors import RequestError
    from stackcomp.nodes.description import describe
    from stackcomp.nodes.kinds import KINDS

    if page is not None and (name is None or name in KINDS):
        chosen = KINDS if name is None else {name: KINDS[name]}
        return _write_page(page, chosen, as_json=as_json, replace_foreign=replace_foreign)
    if name is None:
        if as_json:
            broken = [problem.as_dict() for problem in (kind.problem for kind in KINDS.broken)]
            print_json({"kinds": [describe(kind).as_dict() for kind in KINDS.values()], "broken": broken})
            return DONE
        table([(word, _summary(describe(kind))) for word, kind in KINDS.items()])
        for kind in KINDS.broken:
            announce(str(kind.problem), style="yellow")
        return DONE
    if name not in KINDS:
        raise RequestError(KINDS.why_not(name))
    text = describe(KINDS[name])
    if as_json:
        print_json(text.as_dict())
    else:
        _page(text)
    return DONE


def _write_page(page: str, kinds: Mapping[str, type[Node]], *, as_json: bool, replace_foreign: bool) -> int:
    from stackcomp.reference import write_page

    warnings: list[str] = []
    files = write_page(page, kinds, replace_foreign=replace_foreign, warn=warnings.append)
    for warning in warnings:
        announce(warning, style="yellow")
    if as_json:
        print_json({"page": str(files[0]), "files": [str(file) for file in files], "warnings": warnings})
    else:
        say(str(files[0]))
    return DONE


def _text(text: str) -> None:
    """Print paragraphs and lists in the width of the terminal, at most 100 characters."""
    from rich.console import Console
    from rich.padding import Padding
    from rich.text import Text

    console = Console(highlight=False, markup=False, emoji=False)
    for paragraph in text.split("\n\n"):
        items = re.split(r"\n(?=- )", paragraph)
        for item in items:
            line = Text(visible(" ".join(item.split())))
            hang = Padding(line, (0, 0, 0, 2)) if item.startswith("- ") else line
            console.print(hang, width=min(console.width, 100))
        console.print()


def _summary(text: KindText) -> str:
    return f"{text.summary} ({text.package})" if text.package else text.summary


def _page(text: KindText) -> None:
    say(f"{text.kind}\n", style="bold")
    if text.package:
        _text(f"Of the package {text.package}.")
    _text(text.text)
    extra = " Its change can be limited with `within` and `amount`." if text.adjustable else ""
    _text(f"It {text.works_on}.{extra}")
    if text.ports:
        say("Inputs", style="bold")
        table([(port.name, port.takes, _port_note(port.doc, port.required)) for port in text.ports], 2)
        say("")
    if text.parameters:
        say("Parameters", style="bold")
        table([(item.name, _values(item), item.doc) for item in text.parameters], 2)
        say("")
    if any(item.keyed for item in text.parameters):
        _text(f"* may change over frames: {_KEYED}")
    if text.source:
        say("Source of the maths", style="bold")
        _text(text.source)
    say("Example", style="bold")
    say(f'  "{text.kind}_1": {json.dumps(text.example, ensure_ascii=False)}')


_KEYED = '{"keys": [[1001, 0.2], [1012, 0.6]], "between": "smooth"}, or "linear", or "hold"'


def _port_note(doc: str, required: bool) -> str:
    return doc if required else f"{doc} (optional)".strip()


def _values(item: ParameterText) -> str:
    values = f"{item.values} *" if item.keyed else item.values
    if item.required:
        return f"{values}; must be given"
    return values if item.default in (None, "") else f"{values}; default {_shown(item.default)}"


def _shown(default: Any) -> str:
    if isinstance(default, float):
        return f"{default:g}"
    if isinstance(default, list):
        return f"[{', '.join(_shown(part) for part in default)}]"
    return default if isinstance(default, str) else json.dumps(default, ensure_ascii=False)
