"""Texts of kinds as HTML, and values as text."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from typing import Any

from markupsafe import Markup, escape

from stackcomp.nodes.description import ParameterText

__all__ = ["as_html", "default_words", "node_json", "one_line", "value_words"]

_MARKS = re.compile(r"`([^`]+)`|\*([^*\s][^*]*)\*")


def as_html(text: str) -> Markup:
    """Return a kind's text as HTML: paragraphs, lists with hyphens, code between backquotes, stress by stars."""
    parts = []
    for paragraph in text.split("\n\n"):
        head, *items = re.split(r"(?:^|\n)- ", paragraph)
        if head.strip():
            parts.append(Markup("<p>{}</p>").format(one_line(head)))
        if items:
            listed = Markup("").join(Markup("<li>{}</li>").format(one_line(item)) for item in items)
            parts.append(Markup("<ul>{}</ul>").format(listed))
    return Markup("\n").join(parts)


def one_line(text: str) -> Markup:
    """Return a text without line breaks, its marks as HTML."""
    done, at = Markup(""), 0
    text = " ".join(text.split())
    for match in _MARKS.finditer(text):
        tag, inner = ("code", match[1]) if match[1] else ("em", match[2])
        done += escape(text[at : match.start()]) + Markup(f"<{tag}>{{}}</{tag}>").format(inner)
        at = match.end()
    return done + escape(text[at:])


def value_words(item: ParameterText) -> str:
    """Return what may be written, in words, with a sign where it may change over frames."""
    return f"{item.values} *" if item.keyed else item.values


def default_words(item: ParameterText) -> str:
    """Return the value that is used when a parameter is left out."""
    if item.required:
        return "must be given"
    if item.default is None or item.default == "":
        return "—"
    return _shown(item.default)


def _shown(value: Any) -> str:
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, list):
        return f"[{', '.join(_shown(part) for part in value)}]"
    return value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)


def node_json(node: Mapping[str, Any]) -> str:
    """Return a node as a graph holds it, in one line."""
    return json.dumps(node, ensure_ascii=False)
