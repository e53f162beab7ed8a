"""Colour corrections of the ASC Color Decision List, version 1.2: ``.cc``, ``.ccc`` and ``.cdl`` files.

One correction is a ``ColorCorrection`` with slope, offset and power in its ``SOPNode`` and saturation in its
``SatNode``; either may be missing and then changes nothing. A ``.cc`` file is one of them, a ``.ccc`` file a
collection, a ``.cdl`` file a list of decisions that hold one each. What else stands in a file is for people and
other programs, and is ignored. ``SATNode``, ``ASC_SAT`` and ``ASC_SOP`` are read as well, since files with them
exist (OpenColorIO 2.6 skips the last two with a warning). Prefixes of a namespace are allowed.

A file with a DOCTYPE is refused: corrections need none, and it is what attacks on XML readers begin with.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from numbers import Real
from pathlib import Path
from typing import NoReturn
from xml.parsers import expat
from xml.sax.saxutils import escape, quoteattr

from stackcomp.data import arguments
from stackcomp.errors import ArgumentError, FileError, cut, did_you_mean
from stackcomp.files.atomic import whole_file
from stackcomp.files.paths import nearby

__all__ = ["ENDINGS", "Correction", "choose", "read_corrections", "write_corrections"]

ENDINGS = (".cc", ".ccc", ".cdl")
#: Files of corrections have some kilobytes; this is far beyond them.
_LARGEST = 16 * 2**20
_NAMESPACE = "urn:ASC:CDL:v1.01"
_NUMBER = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?")
_ROOTS = ("ColorCorrection", "ColorCorrectionCollection", "ColorDecisionList")
_SOP = ("SOPNode", "ASC_SOP")
_SATURATION = ("SatNode", "SATNode", "ASC_SAT")

Three = tuple[float, float, float]


@dataclass(frozen=True)
class Correction:
    """One colour correction: factors, offsets and exponents of R, G, B; saturation; and its name, if any."""

    slope: Three = (1.0, 1.0, 1.0)
    offset: Three = (0.0, 0.0, 0.0)
    power: Three = (1.0, 1.0, 1.0)
    saturation: float = 1.0
    id: str = ""
    description: str = ""

    def __post_init__(self) -> None:
        for name in ("slope", "offset", "power"):
            value = getattr(self, name)
            if not isinstance(value, tuple | list) or len(value) != 3 or not all(map(_is_number, value)):
                raise ArgumentError(
                    name, f"{cut(repr(value), 60)} is not three numbers", "such as (1.0, 1.0, 1.0)"
                )
            object.__setattr__(self, name, tuple(value))
        if not _is_number(self.saturation):
            raise ArgumentError("saturation", f"{cut(repr(self.saturation), 60)} is no number", "such as 1.0")
        for name in ("id", "description"):
            if not isinstance(value := getattr(self, name), str):
                raise ArgumentError(name, f"{cut(repr(value), 60)} is no text", "give a str, which may be empty")


def _is_number(value: object) -> bool:
    return isinstance(value, Real) and not isinstance(value, bool)


@dataclass
class _Element:
    tag: str
    line: int
    attributes: dict[str, str]
    children: list[_Element] = field(default_factory=list)
    text: str = ""


def read_corrections(path: str | Path) -> list[Correction]:
    """All corrections of a file, in order. What the file is, its first element says, not its ending.

    Raises:
        FileError: no such file; not XML, or with a DOCTYPE; no correction in it; a correction that breaks a rule
            of the standard. The line is named.
    """
    path = arguments.file_path(path)
    root = _tree(path)
    if root.tag not in _ROOTS:
        _wrong(path, root.line, f"<{root.tag}> is no colour correction", did_you_mean(root.tag, _ROOTS))
    found = [_correction(path, element) for element in _corrections_in(root)]
    if not found:
        _wrong(path, root.line, f"<{root.tag}> holds no ColorCorrection", "write the file again")
    return found


def choose(corrections: Sequence[Correction], wanted: str | int | None, path: str | Path) -> Correction:
    """One correction of a file.

    Args:
        corrections: those of the file.
        wanted: its id, or its place in the file, counted from 0; None where the file holds only one.
        path: the file, for the message.

    Raises:
        FileError: there is no such correction, or several and none was named.
    """
    names = [correction.id for correction in corrections if correction.id]
    if wanted is None:
        if len(corrections) == 1:
            return corrections[0]
        listed = ", ".join(f'"{name}"' for name in names[:12]) + (" …" if len(names) > 12 else "")
        raise FileError(path, f"it holds {len(corrections)} corrections, and none was named",
                        f'say which by "id": {listed or "its place, counted from 0"}')  # fmt: skip
    if isinstance(wanted, int):
        if 0 <= wanted < len(corrections):
            return corrections[wanted]
        last = len(corrections) - 1
        raise FileError(path, f"it has no correction at place {wanted}", f"places are counted from 0 to {last}")
    matching = [correction for correction in corrections if correction.id == wanted]
    if not matching:
        way_out = did_you_mean(wanted, names) or "name a correction by its place, counted from 0"
        raise FileError(path, f'it has no correction with the id "{wanted}"', way_out)
    if len(set(matching)) > 1:
        raise FileError(path, f'{len(matching)} of its corrections have the id "{wanted}"',
                        "name a correction by its place, counted from 0")  # fmt: skip
    return matching[0]


def write_corrections(path: str | Path, corrections: Sequence[Correction]) -> None:
    """Write a file of corrections; what kind, its ending says. It is whole or it is not there.

    Numbers are written so that they are read again to the bit.

    Args:
        path: ends in ``.cc`` for one correction, ``.ccc`` or ``.cdl`` for any number.
        corrections: what to write.

    Raises:
        FileError: another ending; none, or several for ``.cc``; an id twice; numbers outside the standard's
            limits; a character that XML cannot hold.
        ArgumentError: not a path, or not a list of corrections.
    """
    path = arguments.file_path(path)
    given, corrections = corrections, arguments.listed_members(corrections) or []
    if not corrections and not isinstance(given, list | tuple):
        seen = f"{cut(repr(given), 60)} is no list of corrections"
        raise ArgumentError("corrections", seen, "give [Correction(…)]")
    for item in corrections:
        if not isinstance(item, Correction):
            raise ArgumentError("corrections", f"{cut(repr(item), 60)} is no Correction", "give [Correction(…)]")
    ending = path.suffix.lower()
    if ending not in ENDINGS:
        raise FileError(path, f'"{ending}" is no ending of a file of corrections', f"use {', '.join(ENDINGS)}")
    if not corrections or (ending == ".cc" and len(corrections) != 1):
        way_out = "use .ccc or .cdl for several" if corrections else "give at least one"
        raise FileError(path, f"{len(corrections)} corrections do not make a {ending} file", way_out)
    names = [correction.id for correction in corrections if correction.id]
    for name in names:
        if names.count(name) > 1:
            raise FileError(path, f'two corrections have the id "{name}"', "ids are unique in a file")
    for correction in corrections:
        _check_limits(path, None, correction)
        for text in (correction.id, correction.description):
            if not all(c in "\t\n\r" or (c >= " " and c not in "\ufffe\uffff") for c in text):
                raise FileError(path, f"{text!r} holds a character that XML cannot", "leave it out")
    head = f' xmlns="{_NAMESPACE}"'
    blocks = [_written(correction) for correction in corrections]
    if ending == ".cc":
        lines = _written(corrections[0], head)
    elif ending == ".ccc":
        inner = [f"  {line}" for block in blocks for line in block]
        lines = [f"<ColorCorrectionCollection{head}>", *inner, "</ColorCorrectionCollection>"]
    else:
        inner = [
            line
            for block in blocks
            for line in ("  <ColorDecision>", *(f"    {text}" for text in block), "  </ColorDecision>")
        ]
        lines = [f"<ColorDecisionList{head}>", *inner, "</ColorDecisionList>"]
    text = "\n".join(['<?xml version="1.0" encoding="UTF-8"?>', *lines, ""])
    with whole_file(path) as unfinished:
        unfinished.write_bytes(text.encode())


def _written(correction: Correction, head: str = "") -> list[str]:
    name = f" id={quoteattr(correction.id)}" if correction.id else ""
    described = (
        [f"    <Description>{escape(correction.description)}</Description>"] if correction.description else []
    )
    three = [
        f"    <{tag}>{' '.join(repr(float(value)) for value in values)}</{tag}>"
        for tag, values in (
            ("Slope", correction.slope),
            ("Offset", correction.offset),
            ("Power", correction.power),
        )
    ]
    return [
        f"<ColorCorrection{head}{name}>",
        "  <SOPNode>",
        *described,
        *three,
        "  </SOPNode>",
        "  <SatNode>",
        f"    <Saturation>{float(correction.saturation)!r}</Saturation>",
        "  </SatNode>",
        "</ColorCorrection>",
    ]


def _wrong(path: Path, line: int | None, reason: str, way_out: str = "") -> NoReturn:
    raise FileError(path, reason if line is None else f"line {line}: {reason}", way_out)


def _tree(path: Path) -> _Element:
    try:
        if path.stat().st_size > _LARGEST:
            raise FileError(path, "it is too large for a file of colour corrections", "name another file")
        data = path.read_bytes()
    except OSError as error:
        raise FileError(path, error.strerror or str(error), nearby(path)) from None
    parser = expat.ParserCreate()
    top = _Element("", 0, {})
    stack = [top]

    def start(tag: str, attributes: dict[str, str]) -> None:
        element = _Element(tag.rpartition(":")[2], parser.CurrentLineNumber, attributes)
        stack[-1].children.append(element)
        stack.append(element)

    def end(tag: str) -> None:
        stack.pop()

    def characters(text: str) -> None:
        stack[-1].text += text

    def doctype(*told: object) -> None:
        _wrong(path, parser.CurrentLineNumber, "it has a DOCTYPE, which colour corrections do not need",
               "delete that part of the file, if you trust the rest")  # fmt: skip

    parser.StartElementHandler = start
    parser.EndElementHandler = end
    parser.CharacterDataHandler = characters
    parser.StartDoctypeDeclHandler = doctype
    parser.buffer_text = True
    try:
        parser.Parse(data, True)
    except expat.ExpatError as error:
        _wrong(path, error.lineno, f"it is not XML: {expat.ErrorString(error.code)}", "write the file again")
    except (LookupError, ValueError) as error:
        _wrong(path, parser.CurrentLineNumber, f"its text encoding cannot be read: {error}", "write it as UTF-8")
    return top.children[0]


def _corrections_in(root: _Element) -> list[_Element]:
    if root.tag == "ColorCorrection":
        return [root]
    holders = [root] if root.tag == "ColorCorrectionCollection" else [
        child for child in root.children if child.tag == "ColorDecision"
    ]  # fmt: skip
    return [child for holder in holders for child in holder.children if child.tag == "ColorCorrection"]


def _correction(path: Path, element: _Element) -> Correction:
    sop, saturation = _only(path, element, _SOP), _only(path, element, _SATURATION)
    fields: dict[str, Three] = {}
    for name in ("Slope", "Offset", "Power") if sop is not None else ():
        assert sop is not None
        fields[name.lower()] = _three(path, _needed(path, sop, name))
    found = Correction(
        **fields,
        saturation=_numbers(path, _needed(path, saturation, "Saturation"), 1)[0] if saturation else 1.0,
        id=element.attributes.get("id", ""),
        description=_description(sop) or _description(element),
    )
    _check_limits(path, element.line, found)
    return found


def _description(element: _Element | None) -> str:
    texts = [child.text.strip() for child in element.children if child.tag == "Description"] if element else []
    return "\n".join(text for text in texts if text)


def _only(path: Path, element: _Element, tags: Sequence[str]) -> _Element | None:
    found = [child for child in element.children if child.tag in tags]
    if len(found) > 1:
        _wrong(path, found[1].line, f"a second <{found[1].tag}> in one correction", "keep one of them")
    return found[0] if found else None


def _needed(path: Path, element: _Element, tag: str) -> _Element:
    found = _only(path, element, [tag])
    if found is None:
        _wrong(path, element.line, f"<{element.tag}> holds no {tag}", "the standard wants one there")
    return found


def _three(path: Path, element: _Element) -> Three:
    r, g, b = _numbers(path, element, 3)
    return r, g, b


def _numbers(path: Path, element: _Element, count: int) -> list[float]:
    words = element.text.split()
    numbers = [float(word) for word in words if _NUMBER.fullmatch(word)]
    if len(words) != count or len(numbers) != count or not all(map(math.isfinite, numbers)):
        wanted = "one number" if count == 1 else f"{count} numbers with spaces between them"
        text = " ".join(words)
        shown = text if len(text) <= 40 else text[:39] + "…"
        _wrong(path, element.line, f'<{element.tag}> holds "{shown}", not {wanted}', "write numbers as in 1.05")
    return numbers


def _check_limits(path: Path, line: int | None, correction: Correction) -> None:
    """The standard's limits; offsets have none."""
    which = f' of "{correction.id}"' if correction.id else ""
    for name, values, low, rule in (
        ("slope", correction.slope, 0.0, "numbers from 0"),
        ("offset", correction.offset, -math.inf, "finite numbers"),
        ("power", correction.power, math.ulp(0.0), "numbers above 0"),
        ("saturation", (correction.saturation,), 0.0, "a number from 0"),
    ):
        if not all(math.isfinite(value) and value >= low for value in values):
            shown = " ".join(f"{value:g}" for value in values)
            _wrong(path, line, f"the {name}{which} is {shown}", f"the standard wants {rule}")
