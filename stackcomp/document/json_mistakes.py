"""What is wrong with a text that is nearly JSON, in words for people who write it by hand.

Python's reader stops at the first mistake and says what it had expected. Here the text is looked through for what
other languages allow and JSON does not (comments, trailing commas, single quotes), and for keys that stand twice.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass, field

__all__ = ["Mistake", "explain", "repeated_keys"]

_NEEDS_NO_COMMENT = 'JSON has no comments; use "about" for notes, at the top or at a node'
_LEXEME = re.compile(
    r"""
      (?P<text>    "(?:[^"\\\n]|\\.)*" )
    | (?P<open>    "(?:[^"\\\n]|\\.)* )
    | (?P<comment> //[^\n]* | /\*.*?(?:\*/|\Z) | \#[^\n]* )
    | (?P<single>  '(?:[^'\\\n]|\\.)*'? )
    | (?P<curly>   [“”„‟«»‘’][^“”„‟«»‘’\n]*[“”„‟«»‘’]? )
    | (?P<sign>    [{}\[\],:] )
    | (?P<word>    [^\s{}\[\],:"'#/“”„‟«»‘’]+ | / )
    """,
    re.VERBOSE | re.DOTALL,
)


@dataclass(frozen=True)
class Mistake:
    """One mistake: what it is, and what to do about it."""

    message: str
    way_out: str


@dataclass
class _Looked:
    """What a walk through a text found; places are offsets."""

    comments: list[tuple[int, str]] = field(default_factory=list)
    trailing: list[int] = field(default_factory=list)
    single: list[int] = field(default_factory=list)
    curly: list[int] = field(default_factory=list)
    keys: list[tuple[int, str, int]] = field(default_factory=list)  # number of the object, key, offset
    unclosed: list[tuple[str, int]] = field(default_factory=list)
    wrong_pair: tuple[str, str, int, int] | None = None
    opens: list[int] = field(default_factory=list)


def _look(text: str) -> _Looked:
    found = _Looked()
    stack: list[tuple[str, int, int]] = []
    objects = 0
    before: tuple[str, int] = ("", 0)
    for lexeme in _LEXEME.finditer(text):
        kind, said, at = str(lexeme.lastgroup), lexeme[0], lexeme.start()
        if kind == "comment":
            found.comments.append((at, said[:2] if said[0] == "/" else "#"))
            continue
        if kind == "open":
            found.opens.append(at)
        elif kind == "single":
            found.single.append(at)
        elif kind == "curly":
            found.curly.append(at)
        elif said in ("{", "["):
            objects += 1
            stack.append((said, at, objects))
        elif said in ("}", "]"):
            if before[0] == ",":
                found.trailing.append(before[1])
            if stack:
                opened, where, _ = stack.pop()
                if opened + said not in ("{}", "[]") and found.wrong_pair is None:
                    found.wrong_pair = (opened, said, where, at)
        elif said == ":" and before[0].startswith('"') and stack and stack[-1][0] == "{":
            found.keys.append((stack[-1][2], before[0], before[1]))
        before = (said, at)
    found.unclosed = [(said, at) for said, at, _ in stack]
    return found


def _line(text: str, at: int) -> int:
    return text.count("\n", 0, at) + 1


def _place(text: str, at: int) -> str:
    return f"line {_line(text, at)}, column {at - text.rfind(chr(10), 0, at)}"


def _places(text: str, offsets: list[int]) -> str:
    """The first place exactly, and the lines of the others."""
    more = list(dict.fromkeys(_line(text, at) for at in offsets[1:]))
    if not more:
        return _place(text, offsets[0])
    listed = ", ".join(map(str, more[:10])) + (" …" if len(more) > 10 else "")
    return f"{_place(text, offsets[0])}, and more in line{'s' if len(more) > 1 else ''} {listed}"


def repeated_keys(text: str) -> Iterator[tuple[str, list[int]]]:
    """Keys that stand more than once in one object, with the lines in which they stand. The text is JSON."""
    places: dict[tuple[int, str], list[int]] = {}
    for number, key, at in _look(text).keys:
        places.setdefault((number, json.loads(key, strict=False)), []).append(_line(text, at))
    for (_, key), lines in places.items():
        if len(lines) > 1:
            yield key, lines


def explain(text: str, error: json.JSONDecodeError) -> list[Mistake]:
    """The mistakes of a text that Python's reader refused, at least one.

    The way out is empty where it is to write another file altogether.
    """
    if not text.strip():
        return [Mistake("the file is empty", "")]
    found = _look(text)
    own = list(_of_other_languages(text, found, error.pos))
    if own:
        return own
    message, way_out = _expected(text, found, error)
    return [Mistake(f"the file is not JSON: {message}", way_out)]


def _of_other_languages(text: str, found: _Looked, at: int) -> Iterator[Mistake]:
    """All of them, if the reader stumbled over one of them; if not, the walk may have lost its way."""
    ends = [offset for offset, _ in found.comments] + found.single + found.curly
    trailing = [(comma, _next(text, comma + 1)) for comma in found.trailing]
    if at not in ends and not any(comma <= at <= end for comma, end in trailing):
        return
    if found.comments:
        kinds = " and ".join(f'"{kind}"' for kind in dict.fromkeys(kind for _, kind in found.comments))
        plural = len(found.comments) > 1
        seen = f"comments begin with {kinds}" if plural else f"a comment begins with {kinds}"
        places = _places(text, [offset for offset, _ in found.comments])
        yield Mistake(f"the file is not JSON: {seen} at {places}", _NEEDS_NO_COMMENT)
    if found.trailing:
        places = _places(text, found.trailing)
        yield Mistake(f"the file is not JSON: a comma stands behind the last item at {places}",
                      "remove it: commas stand between items only")  # fmt: skip
    if found.single:
        places = _places(text, found.single)
        yield Mistake(f"the file is not JSON: a single quote at {places}", 'use double quotes: "text"')
    if found.curly:
        places = _places(text, found.curly)
        yield Mistake(f"the file is not JSON: a typographic quote at {places}", 'use plain double quotes: "text"')


def _next(text: str, at: int) -> int:
    """Where the next sign stands behind an offset, comments left out."""
    rest = re.compile(r"(?:\s+|//[^\n]*|/\*.*?\*/|#[^\n]*)*", re.DOTALL).match(text, at)
    return rest.end() if rest else at


def _expected(text: str, found: _Looked, error: json.JSONDecodeError) -> tuple[str, str]:
    """What Python's reader means, with the way out."""
    at, where = error.pos, f"at {_place(text, error.pos)}"
    rest = text[at:]
    word = re.match(r"[^\s{}\[\],:\"]+", rest)
    if error.msg.startswith("Unterminated string"):
        return f'a text without closing " begins {where}', 'close it with "'
    if error.msg.startswith("Invalid control character"):
        begins = [offset for offset in found.opens if offset < at]
        begun = f" (the text begins at {_place(text, begins[-1])})" if begins else ""
        return f"a line break or tab inside a text {where}{begun}", 'is a closing " missing? A tab is written \\t'
    if error.msg.startswith("Invalid \\"):
        return f"a \\ inside a text {where}", 'write "/" between folders, or "\\\\" for a \\'
    if error.msg.startswith("Extra data"):
        return f"more follows the end of the object {where}", "a file holds one object; is there a } too many?"
    if not rest.strip():
        opened = found.unclosed[-1] if found.unclosed else ("{", 0)
        closing = {"{": "}", "[": "]"}[opened[0]]
        return f"it ends too early, {where}", f"close the {opened[0]} of {_place(text, opened[1])} with {closing}"
    if found.wrong_pair is not None and found.wrong_pair[3] == at:
        opened_by, closed_by, opened_at, _ = found.wrong_pair
        seen = f"{closed_by} {where} does not close the {opened_by} of {_place(text, opened_at)}"
        return seen, f"close it with {'}' if opened_by == '{' else ']'}"
    if error.msg.startswith("Expecting ',' delimiter"):
        if word is not None and at > 0 and (text[at - 1].isalnum() or text[at - 1] == "."):
            return f"a number is written in another way {where}", "write it like 12, 0.5, -3 or 1e-3"
        return f"a comma is missing before {rest[:1]} {where}", "put a comma between the items"
    if error.msg.startswith("Expecting ':' delimiter"):
        return f"a colon is missing before {rest[:1]} {where}", 'write "key": value'
    if error.msg.startswith("Expecting property name"):
        if word is not None:
            return f"the key {word[0][:40]} is not in double quotes {where}", f'write "{word[0][:40]}"'
        return f"a key is missing before {rest[:1]} {where}", 'write "key": value, with one comma between items'
    if word is not None and not text[:at].strip():
        return f"it begins with {word[0][:40]} {where}", ""
    if word is not None:
        return f"{word[0][:40]} is not a value {where}", _instead_of(word[0][:40])
    return f"a value is missing before {rest[:1]} {where}", "write a value, or remove the comma or colon"


def _instead_of(word: str) -> str:
    plain = {"True": "true", "False": "false", "None": "null", "yes": "true", "no": "false"}.get(word)
    if plain is not None:
        return f"write {plain}"
    if re.match(r"[-+.]*\.?\d", word):
        return "write a number like 12, 0.5, -3 or 1e-3"
    return f'a text stands in double quotes: "{word}"'
