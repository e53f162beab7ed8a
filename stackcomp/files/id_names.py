r"""Names of objects as a person chooses them: exact, with wildcards, or by number.

``*`` stands for any text and ``?`` for one character. All other characters stand for themselves, ``[`` and ``]``
among them. A backslash before ``*``, ``?``, ``#`` or a backslash takes away its meaning. ``#`` with eight
hexadecimal digits is an id by number, such as ``#f19c73fd``.
"""

from __future__ import annotations

import json
import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from difflib import SequenceMatcher
from functools import lru_cache

from stackcomp.errors import did_you_mean
from stackcomp.files.id_hash import HASH, id_of, number_of
from stackcomp.files.id_manifest import Manifest

__all__ = ["ChosenName", "chosen_ids", "chosen_name", "escaped_name", "nearest_names", "written_name"]

_TOKEN = re.compile(r"\\(?P<escaped>[*?#\\])|(?P<stars>\*+)|(?P<mark>\?)|(?P<char>.)", re.DOTALL)
#: How many names are compared in earnest with one that there is not.
_MOST_COMPARED = 200


@dataclass(frozen=True)
class ChosenName:
    """A name as chosen.

    Attributes:
        text: as written.
        exact: the plain name; None of a wildcard or number.
        number: the id; None of names.
        pattern: of a wildcard.
    """

    text: str
    exact: str | None = None
    number: int | None = None
    pattern: re.Pattern[str] | None = field(default=None, compare=False)

    @property
    def bare(self) -> str:
        """The name without what stands for any text, to look for others like it."""
        return self.exact if self.exact is not None else self.text.replace("*", "").replace("?", "")


@lru_cache(maxsize=4096)
def chosen_name(text: str) -> ChosenName:
    """Parse a name; every text is one."""
    number = number_of(text)
    if number is not None:
        return ChosenName(text, number=number)
    plain, wild, parts = "", False, [""]
    for token in _TOKEN.finditer(text):
        stars, mark = token["stars"], token["mark"]
        wild = wild or bool(stars or mark)
        if stars:
            parts.append("")
        else:
            char = token["escaped"] or token["char"] or ""
            plain += char
            parts[-1] += "." if mark else re.escape(char)
    if not wild:
        return ChosenName(text, exact=plain)
    # Each part is found where it first fits, and never elsewhere: so no pattern takes long.
    inner = "".join(f"(?>.*?{part})" for part in parts[1:-1] if part)
    pattern = parts[0] if len(parts) == 1 else f"{parts[0]}{inner}.*{parts[-1]}"
    return ChosenName(text, pattern=re.compile(pattern, re.DOTALL))


def escaped_name(name: str) -> str:
    """The text that chooses exactly this name."""
    text = re.sub(r"\\(?=[*?#\\])|[*?]", lambda found: "\\" + found[0], name)
    return "\\" + text if number_of(text) is not None else text


def written_name(name: str) -> str:
    """The name as it stands between the quotes of a graph file, where it chooses exactly this one."""
    return json.dumps(escaped_name(name), ensure_ascii=False)[1:-1]


def chosen_ids(
    names: Sequence[ChosenName], manifest: Manifest | None, hash_name: str = HASH
) -> dict[str, set[int]]:
    """Ids by the text that chooses them; an empty set where there is no such object.

    A name that the manifest has gets the id there, any other its hash: it may stand in a picture whose manifest
    forgot it. Wildcards choose from the manifest, and nothing without one.

    Args:
        names: as chosen.
        manifest: of the picture, if there is one.
        hash_name: how names become ids; only that of the specification can be computed.
    """
    found: dict[str, set[int]] = {}
    for name in names:
        if name.number is not None:
            found[name.text] = {name.number}
        elif name.exact is not None:
            listed = None if manifest is None else manifest.ids.get(name.exact)
            hashed = {id_of(name.exact)} if hash_name == HASH else set()
            found[name.text] = hashed if listed is None else {listed}
        else:
            assert name.pattern is not None
            matching = name.pattern.fullmatch
            held = manifest.ids.items() if manifest is not None else ()
            found[name.text] = {bits for other, bits in held if matching(other)}
    return found


def nearest_names(wrong: str, names: Collection[str]) -> str:
    """A sentence with the names nearest to one that there is not, as a graph file has them.

    It is quick for tens of thousands of names.
    """
    if len(names) <= _MOST_COMPARED:
        return did_you_mean(wrong, [written_name(name) for name in names])
    matcher = SequenceMatcher(autojunk=False)
    matcher.set_seq2(wrong.casefold())
    likeness = []
    for name in names:
        matcher.set_seq1(name.casefold())
        if matcher.real_quick_ratio() > 0.5:
            likeness.append((matcher.quick_ratio(), name))
    likeness.sort(reverse=True)
    return did_you_mean(wrong, [written_name(name) for _, name in likeness[:_MOST_COMPARED]])
