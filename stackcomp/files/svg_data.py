"""What path data, lists of points and transforms of SVG files may hold; where they hold something else.

Libraries read on past a mistake, each in another way, so that a curve is lost or another is drawn.

Source: SVG 2 (W3C), sections 9.3.9 (path data) and 10.6 (points); CSS Transforms 1 (W3C), section 8.
"""

from __future__ import annotations

import re

__all__ = ["NUMBER", "path_mistake", "plain_path", "points_mistake", "transform_mistake"]

NUMBER = r"(?>[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)"
_BREAK = r"(?>[\s,]*)"
_ARGUMENTS = {"M": 2, "L": 2, "T": 2, "H": 1, "V": 1, "C": 6, "S": 4, "Q": 4}
_ARC = rf"(?>(?>{_BREAK}{NUMBER}){{3}}(?>{_BREAK}[01]){{2}}(?>{_BREAK}{NUMBER}){{2}})+"
_COMMAND = "|".join(
    [
        *(rf"[{key}{key.lower()}](?>(?>{_BREAK}{NUMBER}){{{n}}})+" for key, n in _ARGUMENTS.items()),
        rf"[Aa]{_ARC}",
        "[Zz]",
    ]
)
_PATH = re.compile(rf"(?>{_BREAK}(?:{_COMMAND}))*{_BREAK}")
_POINTS = re.compile(rf"(?>{_BREAK}{NUMBER})*{_BREAK}")
_COUNTS = {"matrix": (6,), "translate": (1, 2), "scale": (1, 2), "rotate": (1, 3), "skewX": (1,), "skewY": (1,)}
_FUNCTION = re.compile(rf"[\s,]*([a-zA-Z]+)\s*\(((?>{_BREAK}{NUMBER}(?:[a-z]*))*){_BREAK}\)[\s,]*")
#: A smooth quadratic behind a cubic, and a smooth cubic behind a quadratic: they begin straight (SVG 2, 9.3.6).
_UNLIKE = re.compile(r"[CcSs][^A-DF-Za-df-z]*(?=[Tt])|[QqTt][^A-DF-Za-df-z]*(?=[Ss])")


def path_mistake(data: str) -> str:
    """Where path data cannot be read any further; empty where all of them can be."""
    if not re.match(r"\s*([Mm]|$)", data):
        return data.strip()
    match = _PATH.match(data)
    return data[match.end() if match else 0 :].strip()


def points_mistake(text: str) -> str:
    """Where a list of points cannot be read any further; empty where all of it can be."""
    match = _POINTS.match(text)
    return text[match.end() if match else 0 :].strip()


def transform_mistake(text: str) -> str:
    """The first part of a transform that is none; empty where all of it is one."""
    at, text = 0, text.strip()
    while at < len(text):
        match = _FUNCTION.match(text, at)
        if match is None or len(re.findall(NUMBER, match[2])) not in _COUNTS.get(match[1], ()):
            return text[at:]
        at = match.end()
    return ""


def plain_path(data: str) -> str:
    """Path data with a line of no length before a smooth curve that follows one of the other degree.

    svgelements reflects the control point of either degree; SVG that of the same degree alone.
    """
    return _UNLIKE.sub(r"\g<0> l0 0 ", data)
