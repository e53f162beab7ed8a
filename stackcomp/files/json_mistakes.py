"""What is wrong with a text that is nearly JSON, in words for people who write it by hand.

Python's reader stops at the first mistake; its place is taken from it, but not its words, which change from
version to version. The text is searched for what other languages allow and JSON does not (comments, trailing
commas, single quotes), and for keys that stand twice.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Literal

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
class _Walk:
    """What a walk through a text collects; places are offsets."""

    comments: list[tuple[int, str]] = field(default_factory=list)
    trailing: list[int] = field(default_factory=list)
    single: list[int] = field(default_factory=list)
    curly: list[int] = field(default_factory=list)
    keys: list[tuple[int, str, int]] = field(default_factory=list)  # number of the object, key, offset
    unclosed: list[tuple[str, int]] = field(default_factory=list)
    wrong_pair: tuple[str, str, int, int] | None = None


def _walk(text: str) -> _Walk:
    walk = _Walk()
    stack: list[tuple[str, int, int]] = []
    objects = 0
    before: tuple[str, int] = ("", 0)
    for lexeme in _LEXEME.finditer(text):
        kind, sign, at = str(lexeme.lastgroup), lexeme[0], lexeme.start()
        if kind == "comment":
            walk.comments.append((at, sign[:2] if sign[0] == "/" else "#"))
            continue
        if kind == "single":
            walk.single.append(at)
        elif kind == "curly":
            walk.curly.append(at)
        elif sign in ("{", "["):
            objects += 1
            stack.append((sign, at, objects))
        elif sign in ("}", "]"):
            if before[0] == ",":
                walk.trailing.append(before[1])
            if stack:
                opened, where, _ = stack.pop()
                if opened + sign not in ("{}", "[]") and walk.wrong_pair is None:
                    walk.wrong_pair = (opened, sign, where, at)
        elif sign == ":" and before[0].startswith('"') and stack and stack[-1][0] == "{":
            walk.keys.append((stack[-1][2], before[0], before[1]))
        before = (sign, at)
    walk.unclosed = [(sign, at) for sign, at, _ in stack]
    return walk


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
    for number, key, at in _walk(text).keys:
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
    walk = _walk(text)
    own = list(_of_other_languages(text, walk, error.pos))
    if own:
        return own
    message, way_out = _expected(text, walk, error)
    return [Mistake(f"the file is not JSON: {message}", way_out)]


def _of_other_languages(text: str, walk: _Walk, at: int) -> Iterator[Mistake]:
    """All of them, if the reader stopped at one of them; otherwise the walk may have misread something else."""
    ends = [offset for offset, _ in walk.comments] + walk.single + walk.curly
    trailing = [(comma, _next(text, comma + 1)) for comma in walk.trailing]
    if at not in ends and not any(comma <= at <= end for comma, end in trailing):
        return
    if walk.comments:
        kinds = " and ".join(f'"{kind}"' for kind in dict.fromkeys(kind for _, kind in walk.comments))
        plural = len(walk.comments) > 1
        beginning = f"comments begin with {kinds}" if plural else f"a comment begins with {kinds}"
        places = _places(text, [offset for offset, _ in walk.comments])
        yield Mistake(f"the file is not JSON: {beginning} at {places}", _NEEDS_NO_COMMENT)
    if walk.trailing:
        places = _places(text, walk.trailing)
        yield Mistake(f"the file is not JSON: a comma stands behind the last item at {places}",
                      "remove it: commas stand between items only")  # fmt: skip
    if walk.single:
        places = _places(text, walk.single)
        yield Mistake(f"the file is not JSON: a single quote at {places}", 'use double quotes: "text"')
    if walk.curly:
        places = _places(text, walk.curly)
        yield Mistake(f"the file is not JSON: a typographic quote at {places}", 'use plain double quotes: "text"')


def _next(text: str, at: int) -> int:
    """Where the next sign stands behind an offset, comments left out."""
    rest = re.compile(r"(?:\s+|//[^\n]*|/\*.*?\*/|#[^\n]*)*", re.DOTALL).match(text, at)
    return rest.end() if rest else at


def _expected(text: str, walk: _Walk, error: json.JSONDecodeError) -> tuple[str, str]:
    """What is wrong at the place where Python's reader stopped, with the way out.

    The place alone is Python's; its words change from version to version, so what could have stood there is worked
    out from the text before it.
    """
    at = error.pos
    awaited, begins = _awaited(text, at)
    if awaited == "text":
        return _in_text(text, begins)
    where, rest = f"at {_place(text, at)}", text[at:]
    word = re.match(r"[^\s{}\[\],:\"]+", rest)
    if awaited == "end":
        return f"more follows the end of the object {where}", "a file holds one object; is there a } too many?"
    if not rest.strip():
        opened = walk.unclosed[-1] if walk.unclosed else ("{", 0)
        closing = {"{": "}", "[": "]"}[opened[0]]
        return f"it ends too early, {where}", f"close the {opened[0]} of {_place(text, opened[1])} with {closing}"
    if walk.wrong_pair is not None and walk.wrong_pair[3] == at:
        opened_by, closed_by, opened_at, _ = walk.wrong_pair
        mismatch = f"{closed_by} {where} does not close the {opened_by} of {_place(text, opened_at)}"
        return mismatch, f"close it with {'}' if opened_by == '{' else ']'}"
    if awaited == "comma":
        if word is not None and at > 0 and (text[at - 1].isalnum() or text[at - 1] == "."):
            return f"a number is written in another way {where}", "write it like 12, 0.5, -3 or 1e-3"
        return f"a comma is missing before {rest[:1]} {where}", "put a comma between the items"
    if awaited == "colon":
        return f"a colon is missing before {rest[:1]} {where}", 'write "key": value'
    if awaited == "key":
        if word is not None:
            return f"the key {word[0][:40]} is not in double quotes {where}", f'write "{word[0][:40]}"'
        return f"a key is missing before {rest[:1]} {where}", 'write "key": value, with one comma between items'
    if word is not None and not text[:at].strip():
        return f"it begins with {word[0][:40]} {where}", ""
    if word is not None:
        return f"{word[0][:40]} is not a value {where}", _instead_of(word[0][:40])
    return f"a value is missing before {rest[:1]} {where}", "write a value, or remove the comma or colon"


_Awaited = Literal["value", "key", "colon", "comma", "end", "text"]


def _awaited(text: str, at: int) -> tuple[_Awaited, int]:
    """What JSON wants at an offset, where everything before it is JSON; ``text`` for the inside of a text.

    The second is where that text begins.
    """
    stack: list[str] = []
    awaited: _Awaited = "value"
    for lexeme in _LEXEME.finditer(text):
        kind, sign, begins = str(lexeme.lastgroup), lexeme[0], lexeme.start()
        opens_here = begins == at and kind == "open" and awaited in ("value", "key")
        if opens_here or (begins < at and (at < lexeme.end() or kind == "open") and sign[0] == '"'):
            return "text", begins
        if begins >= at:
            break
        if sign in ("{", "["):
            stack.append(sign)
            awaited = "key" if sign == "{" else "value"
        elif sign == ",":
            awaited = "key" if stack and stack[-1] == "{" else "value"
        elif sign == ":":
            awaited = "value"
        elif awaited == "key" and kind == "text":
            awaited = "colon"
        else:
            if sign in ("}", "]") and stack:
                stack.pop()
            awaited = "comma" if stack else "end"
    return awaited, at


_SOUND_TEXT = re.compile(r'"(?:[^"\\\x00-\x1f]|\\(?:["\\/bfnrt]|u[0-9a-fA-F]{4}))*')


def _in_text(text: str, begins: int) -> tuple[str, str]:
    """What is wrong inside the text that begins at an offset, with the way out."""
    sound = _SOUND_TEXT.match(text, begins)
    at = sound.end() if sound else begins
    if text[at : at + 2] in ("", "\\"):
        return f'a text without closing " begins at {_place(text, begins)}', 'close it with "'
    where = f"at {_place(text, at)}"
    if text[at] == "\\":
        return f"a \\ inside a text {where}", 'write "/" between folders, or "\\\\" for a \\'
    begun = f" (the text begins at {_place(text, begins)})"
    return f"a line break or tab inside a text {where}{begun}", 'is a closing " missing? A tab is written \\t'


def _instead_of(word: str) -> str:
    plain = {"True": "true", "False": "false", "None": "null", "yes": "true", "no": "false"}.get(word)
    if plain is not None:
        return f"write {plain}"
    if re.match(r"[-+.]*\.?\d", word):
        return "write a number like 12, 0.5, -3 or 1e-3"
    return f'a text stands in double quotes: "{word}"'
