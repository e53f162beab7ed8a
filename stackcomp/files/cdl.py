"""Colour corrections of the ASC Color Decision List, version 1.2: ``.cc``, ``.ccc`` and ``.cdl`` files.

One correction is a ``ColorCorrection`` with slope, offset and power in its ``SOPNode`` and saturation in its
``SatNode``; either may be missing and then changes nothing. A ``.cc`` file is one of them, a ``.ccc`` file a
collection, a ``.cdl`` file a list of decisions that hold one each. Other elements are ignored. ``SATNode``,
``ASC_SAT`` and ``ASC_SOP`` are read as well, because files with them exist (OpenColorIO 2.6 skips the last two
with a warning). Namespace prefixes are allowed.

A file with a DOCTYPE is refused: corrections do not need one, and attacks on XML readers depend on it.
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
from stackcomp.data.services import service
from stackcomp.errors import ArgumentError, FileError, cut, did_you_mean
from stackcomp.files.atomic import whole_file
from stackcomp.files.file_state import file_state
from stackcomp.files.mark import Mark, in_xml

__all__ = ["ENDINGS", "Correction", "choose", "read_corrections", "write_corrections"]

ENDINGS = (".cc", ".ccc", ".cdl")
#: Largest size of a file in bytes; files of corrections have some kilobytes.
_LARGEST = 16 * 2**20
_NAMESPACE = "urn:ASC:CDL:v1.01"
_NUMBER = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?")
_ROOTS = ("ColorCorrection", "ColorCorrectionCollection", "ColorDecisionList")
_SOP = ("SOPNode", "ASC_SOP")
_SATURATION = ("SatNode", "SATNode", "ASC_SAT")
_MARK = Mark("corrections")

Three = tuple[float, float, float]


@dataclass(frozen=True)
class Correction:
    """One colour correction of the ASC CDL: ``out = (in · slope + offset) ^ power``, then saturation.

    Attributes:
        slope: factors of R, G and B, from 0.
        offset: added to R, G and B.
        power: exponents of R, G and B, above 0.
        saturation: from 0; 1 changes nothing.
        id: identifier in a file; may be empty.
        description: text for people; may be empty.

    Raises:
        ArgumentError: a value of a wrong type, or a number too large for a float.
    """

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
            raise ArgumentError("saturation", f"{cut(repr(self.saturation), 60)} is not a number", "such as 1.0")
        for name in ("id", "description"):
            if not isinstance(value := getattr(self, name), str):
                raise ArgumentError(
                    name, f"{cut(repr(value), 60)} is not a text", "give a str, which may be empty"
                )


def _is_number(value: object) -> bool:
    if not isinstance(value, Real) or isinstance(value, bool):
        return False
    try:
        float(value)
    except OverflowError:
        return False
    return True


@dataclass
class _Element:
    tag: str
    line: int
    attributes: dict[str, str]
    children: list[_Element] = field(default_factory=list)
    text: str = ""


def read_corrections(path: str | Path) -> list[Correction]:
    """Read all corrections of a file, in order. The first element decides the type of the file, not its suffix.

    Raises:
        FileError: no such file; not XML, or with a DOCTYPE; no correction in it; a correction that does not
            conform to the standard. The message names the line.
        ArgumentError: not a path.
    """
    path = arguments.file_path(path)
    root = _tree(path)
    if root.tag not in _ROOTS:
        _wrong(path, root.line, f"<{root.tag}> is not a colour correction", did_you_mean(root.tag, _ROOTS))
    corrections = [_correction(path, element) for element in _corrections_in(root)]
    if not corrections:
        _wrong(path, root.line, f"<{root.tag}> has no ColorCorrection", "write the file again")
    return corrections


def choose(corrections: Sequence[Correction], wanted: str | int | None, path: str | Path) -> Correction:
    """Return one correction of a file.

    Args:
        corrections: those of the file.
        wanted: its id, or its position in the file, counted from 0; None if the file has only one.
        path: the file, for the message.

    Raises:
        FileError: there is no such correction, or there are several and none was chosen.
    """
    names = [correction.id for correction in corrections if correction.id]
    if wanted is None:
        if len(corrections) == 1:
            return corrections[0]
        listed = ", ".join(f'"{name}"' for name in names[:12]) + (" …" if len(names) > 12 else "")
        raise FileError(path, f"it has {len(corrections)} corrections, and none was chosen",
                        f'choose one by "id": {listed or "its position, counted from 0"}')  # fmt: skip
    if isinstance(wanted, int):
        if 0 <= wanted < len(corrections):
            return corrections[wanted]
        last = len(corrections) - 1
        raise FileError(path, f"it has no correction at position {wanted}", f"positions are 0 to {last}")
    matching = [correction for correction in corrections if correction.id == wanted]
    if not matching:
        way_out = did_you_mean(wanted, names) or "choose a correction by its position, counted from 0"
        raise FileError(path, f'it has no correction with the id "{wanted}"', way_out)
    if len(set(matching)) > 1:
        raise FileError(path, f'{len(matching)} of its corrections have the id "{wanted}"',
                        "choose a correction by its position, counted from 0")  # fmt: skip
    return matching[0]


def write_corrections(path: str | Path, corrections: Sequence[Correction], *, replace: bool = False) -> None:
    """Write a file of corrections atomically; its suffix decides its type.

    Numbers are written so that reading gives the same bits.

    Args:
        path: ends in ``.cc`` for one correction, ``.ccc`` or ``.cdl`` for any number.
        corrections: the corrections.
        replace: also replace an existing file that this program did not write, or that was edited since.

    Raises:
        FileError: another suffix; no correction, or several for ``.cc``; a repeated id; numbers outside the limits
            of the standard; a character that XML does not allow; an existing file that may not be replaced; a file
            that cannot be written.
        ArgumentError: not a path, not a list of corrections, or ``replace`` is not a bool.
    """
    path = arguments.file_path(path)
    given, corrections = corrections, arguments.listed_members(corrections) or []
    if not corrections and not isinstance(given, list | tuple):
        message = f"{cut(repr(given), 60)} is not a list of corrections"
        raise ArgumentError("corrections", message, "give [Correction(…)]")
    for item in corrections:
        if not isinstance(item, Correction):
            raise ArgumentError(
                "corrections", f"{cut(repr(item), 60)} is not a Correction", "give [Correction(…)]"
            )
    if not isinstance(replace, bool):
        raise ArgumentError("replace", f"{cut(repr(replace), 60)} is not a bool", "give True or False")
    ending = path.suffix.lower()
    if ending not in ENDINGS:
        raise FileError(path, f'"{ending}" is not a suffix of correction files', f"use {', '.join(ENDINGS)}")
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
            if not all(map(_xml_allows, text)):
                raise FileError(path, f"{text!r} contains a character that XML does not allow", "leave it out")
    head = f' xmlns="{_NAMESPACE}"'
    blocks = [_lines(correction) for correction in corrections]
    if ending == ".cc":
        lines = _lines(corrections[0], head)
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
    service("check_replaceable")(path, _MARK, replace)
    with whole_file(path) as unfinished:
        unfinished.write_bytes(in_xml(text.encode(), _MARK))


def _xml_allows(character: str) -> bool:
    """Whether XML 1.0 allows a character (its production 2, "Char")."""
    if character < " ":
        return character in "\t\n\r"
    return not ("\ud800" <= character <= "\udfff" or character in "\ufffe\uffff")


def _lines(correction: Correction, head: str = "") -> list[str]:
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
    if file_state(path).size > _LARGEST:
        raise FileError(path, "it is too large for a file of colour corrections", "name another file")
    try:
        data = path.read_bytes()
    except OSError as error:
        raise FileError(path, f"cannot be read: {error.strerror or error}", "check the disk") from error
    top = _Element("", 0, {})
    stack = [top]
    for kind, text, line, attributes in _events(path, data):
        if kind == "start":
            element = _Element(text.rpartition(":")[2], line, attributes)
            stack[-1].children.append(element)
            stack.append(element)
        elif kind == "end":
            stack.pop()
        else:
            stack[-1].text += text
    return top.children[0]


def _events(path: Path, data: bytes) -> list[tuple[str, str, int, dict[str, str]]]:
    """Parse XML into events: kind, tag or text, line, attributes.

    The handlers only collect, so that an error in our own code is never reported as a damaged file.
    """
    parser = expat.ParserCreate()
    events: list[tuple[str, str, int, dict[str, str]]] = []

    def start(tag: str, attributes: dict[str, str]) -> None:
        events.append(("start", tag, parser.CurrentLineNumber, attributes))

    def end(tag: str) -> None:
        events.append(("end", tag, 0, {}))

    def characters(text: str) -> None:
        events.append(("text", text, 0, {}))

    def doctype(*arguments: object) -> None:
        _wrong(path, parser.CurrentLineNumber, "it has a DOCTYPE, which colour corrections do not need",
               "delete that part of the file if you trust the rest")  # fmt: skip

    parser.StartElementHandler = start
    parser.EndElementHandler = end
    parser.CharacterDataHandler = characters
    parser.StartDoctypeDeclHandler = doctype
    parser.buffer_text = True
    try:
        parser.Parse(data, True)
    except expat.ExpatError as error:
        _wrong(path, error.lineno, f"it is not XML: {expat.ErrorString(error.code)}", "write the file again")
    except (LookupError, ValueError) as error:  # an unknown encoding, or one of several bytes per character
        _wrong(path, parser.CurrentLineNumber, f"its text encoding cannot be read: {error}", "write it as UTF-8")
    return events


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
        fields[name.lower()] = _three(path, _required(path, sop, name))
    correction = Correction(
        **fields,
        saturation=_numbers(path, _required(path, saturation, "Saturation"), 1)[0] if saturation else 1.0,
        id=element.attributes.get("id", ""),
        description=_description(sop) or _description(element),
    )
    _check_limits(path, element.line, correction)
    return correction


def _description(element: _Element | None) -> str:
    texts = [child.text.strip() for child in element.children if child.tag == "Description"] if element else []
    return "\n".join(text for text in texts if text)


def _only(path: Path, element: _Element, tags: Sequence[str]) -> _Element | None:
    matches = [child for child in element.children if child.tag in tags]
    if len(matches) > 1:
        _wrong(path, matches[1].line, f"a second <{matches[1].tag}> in one correction", "keep one of them")
    return matches[0] if matches else None


def _required(path: Path, element: _Element, tag: str) -> _Element:
    child = _only(path, element, [tag])
    if child is None:
        _wrong(path, element.line, f"<{element.tag}> has no {tag}", "the standard requires one")
    return child


def _three(path: Path, element: _Element) -> Three:
    r, g, b = _numbers(path, element, 3)
    return r, g, b


def _numbers(path: Path, element: _Element, count: int) -> list[float]:
    words = element.text.split()
    numbers = [float(word) for word in words if _NUMBER.fullmatch(word)]
    if len(words) != count or len(numbers) != count or not all(map(math.isfinite, numbers)):
        expected = "one number" if count == 1 else f"{count} numbers separated by spaces"
        text = " ".join(words)
        shown = text if len(text) <= 40 else text[:39] + "…"
        message = f'<{element.tag}> contains "{shown}", not {expected}'
        _wrong(path, element.line, message, "write numbers as in 1.05")
    return numbers


def _check_limits(path: Path, line: int | None, correction: Correction) -> None:
    """Check the limits of the standard; offsets have none."""
    which = f' of "{correction.id}"' if correction.id else ""
    for name, values, low, rule in (
        ("slope", correction.slope, 0.0, "numbers of 0 or more"),
        ("offset", correction.offset, -math.inf, "finite numbers"),
        ("power", correction.power, math.ulp(0.0), "numbers above 0"),
        ("saturation", (correction.saturation,), 0.0, "a number of 0 or more"),
    ):
        if not all(math.isfinite(value) and value >= low for value in values):
            shown = " ".join(f"{float(value):g}" for value in values)
            _wrong(path, line, f"the {name}{which} is {shown}", f"the standard requires {rule}")
