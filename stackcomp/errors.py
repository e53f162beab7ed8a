"""Everything stackcomp raises, in one tree.

    StackcompError                  catch this to catch all of them
    ├── RequestError                a mistake of the caller; a ValueError too (exit code 2)
    │   ├── ArgumentError           an argument from Python
    │   └── ChannelError            a picture has no such channel; a KeyError too
    ├── GraphError                  the graph is wrong (exit code 2)
    │   ├── DocumentError           the JSON, a field, a variable: holds every Problem found
    │   └── CheckError              wires, types, files: holds every Problem found
    ├── WorkError                   the work failed while running (exit code 1)
    │   ├── FileError               a file that cannot be read or written
    │   └── RenderError             a node that failed at a frame
    └── BugError                    a bug in stackcomp itself; says how to report it (exit code 1)

A `Problem` is one finding, worded so that a person can act on it: which node and which port or field, the
rule, the value seen, and the way out.
"""

from __future__ import annotations

import difflib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Literal

__all__ = [
    "ArgumentError",
    "BadValueError",
    "BugError",
    "ChannelError",
    "CheckError",
    "DocumentError",
    "FileError",
    "GraphError",
    "Problem",
    "RenderError",
    "RequestError",
    "StackcompError",
    "StackcompWarning",
    "WorkError",
    "cut",
    "did_you_mean",
    "kind_of",
    "pointer_to",
    "shown",
    "unknown_node",
]

Severity = Literal["error", "warning"]

#: Characters of a message that a representation for programmers shows.
_LONGEST_REPR = 240


@dataclass(frozen=True, repr=False)
class Problem:
    """One finding about a graph.

    Attributes:
        rule: short stable identifier, such as ``"straight-into-premultiplied"``.
        message: what is wrong, with the value seen.
        way_out: what to do about it; may be empty.
        node: name of the node, or empty for the document as a whole.
        field: port or parameter, or empty; with dots where it lies deeper, as in ``channels.R``.
        place: file the graph came from, or empty.
        severity: ``"error"`` stops a render, ``"warning"`` does not.
        pointer_override: the JSON pointer, where ``node`` and ``field`` do not give it (names with dots).
    """

    rule: str
    message: str
    way_out: str = ""
    node: str = ""
    field: str = ""
    place: str = ""
    severity: Severity = "error"
    pointer_override: str = ""

    @property
    def pointer(self) -> str:
        """JSON pointer (RFC 6901) of the field at fault."""
        if self.pointer_override:
            return self.pointer_override
        parts = [*(("nodes", self.node) if self.node else ()), *(self.field.split(".") if self.field else ())]
        return pointer_to(parts)

    def __str__(self) -> str:
        subject = f'node "{self.node}": ' if self.node else ""
        where = " ".join(part for part in (self.place, self.pointer) if part)
        tail = " — ".join(part for part in (where, self.way_out) if part)
        return f"{subject}{self.message}" + (f"\n  {tail}" if tail else "")

    def __repr__(self) -> str:
        at = " ".join(part for part in (self.place, self.pointer) if part)
        way_out = f" — {self.way_out}" if self.way_out else ""
        subject = f'node "{self.node}": ' if self.node else ""
        summary = cut(f"{subject}{self.message}{way_out}", _LONGEST_REPR)
        return f"<Problem {self.severity} {self.rule}{f' at {cut(at, _LONGEST_REPR)}' if at else ''}: {summary}>"

    def as_dict(self) -> dict[str, str]:
        """The finding as plain text fields, for ``--json``."""
        fields = asdict(self)
        del fields["pointer_override"]
        return {**fields, "pointer": self.pointer}


def unknown_node(name: str, known: Sequence[str], *, option: str = "", place: str = "") -> Problem:
    """The finding that a graph has no node of that name; ``option`` is what named it."""
    message = f'there is no node "{name}"' if name else "an empty text is not the name of a node"
    near = did_you_mean(name, known) if name else ""
    if not near and name and known:
        near = f"its nodes are {', '.join(known[:12])}{' …' if len(known) > 12 else ''}"
    near = near or "give the name of a node"
    return Problem("node-unknown", f"{option}: {message}" if option else message, near, place=place)


def pointer_to(parts: Iterable[object]) -> str:
    """JSON pointer (RFC 6901) of a place, given key by key."""
    return "".join("/" + str(part).replace("~", "~0").replace("/", "~1") for part in parts)


class StackcompError(Exception):
    """Base of everything raised on purpose."""


class _ProblemsError(StackcompError):
    """Base of errors that hold findings. ``problems`` has every one, in document order."""

    def __init__(self, problems: Problem | Iterable[Problem]) -> None:
        self.problems: list[Problem] = [problems] if isinstance(problems, Problem) else list(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))

    def __reduce__(self) -> tuple[type[_ProblemsError], tuple[list[Problem]]]:
        return type(self), (self.problems,)

    def __repr__(self) -> str:
        count = len(self.problems)
        total = f"{count} problem{'' if count == 1 else 's'}"
        return f"<{type(self).__name__}, {total}{f': {self.problems[0]!r}' if self.problems else ''}>"


class RequestError(_ProblemsError, ValueError):
    """A mistake of the caller: an argument from Python, an option of a command. Also a ValueError.

    Args:
        what: name of the argument or option; or the problems themselves.
        message: what is wrong with it, with the value seen.
        way_out: what to give instead.
    """

    def __init__(self, what: str | Problem | Iterable[Problem], message: str = "", way_out: str = "") -> None:
        super().__init__(Problem("argument", f"{what}: {message}", way_out) if isinstance(what, str) else what)


class ArgumentError(RequestError):
    """An argument from Python that makes no sense."""


class ChannelError(RequestError, KeyError):
    """A picture has no channel of that name. Also a KeyError."""

    # A KeyError shows its message in quotes.
    __str__ = Exception.__str__


class GraphError(_ProblemsError):
    """The graph is wrong. ``problems`` holds every finding, in document order."""


class DocumentError(GraphError):
    """The graph file cannot be understood."""


class CheckError(GraphError):
    """The graph is understood, but its wires, types or files do not fit."""


class WorkError(StackcompError):
    """Some work failed while running; what was finished before stays whole."""


class FileError(WorkError):
    """A file that cannot be read or written.

    Args:
        path: the file.
        reason: what is wrong with it.
        way_out: what to do; may be empty.
    """

    def __init__(self, path: object, reason: str, way_out: str = "") -> None:
        self.path = str(path)
        self.reason = reason
        self.way_out = way_out
        super().__init__(f"{self.path}: {reason}" + (f" — {way_out}" if way_out else ""))

    def __reduce__(self) -> tuple[type[FileError], tuple[str, str, str]]:
        return type(self), (self.path, self.reason, self.way_out)


class RenderError(WorkError):
    """A node failed at a frame; ``__cause__`` is the reason."""

    def __init__(self, node: str, frame: int, reason: str) -> None:
        self.node = node
        self.frame = frame
        self.reason = reason
        super().__init__(f'node "{node}", frame {frame}: {reason}' if node else f"frame {frame}: {reason}")

    def __reduce__(self) -> tuple[type[RenderError], tuple[str, int, str]]:
        return type(self), (self.node, self.frame, self.reason)


class BugError(StackcompError):
    """A bug in stackcomp itself, or in a package with kinds of its own; not a mistake of the caller.

    ``__cause__`` is what went wrong.

    Args:
        where: what was being done, such as ``stackcomp render``; for a node, ``node`` and ``frame`` say it.
        cause: the exception that should not have happened, or its text.
        node: name of the node that was being computed or checked.
        frame: the frame.
        package: the package of the node's kind, where that is not built in.
    """

    def __init__(
        self,
        where: str,
        cause: BaseException | str,
        *,
        node: str = "",
        frame: int | None = None,
        package: str = "",
    ) -> None:
        self.where, self.node, self.frame, self.package = where, node, frame, package
        self.cause = cause if isinstance(cause, str) else f"{type(cause).__name__}: {cause}"
        self.reason = f"bug in {package or 'stackcomp'}: {self.cause}"
        at = [where, f'node "{node}"' if node else "", "" if frame is None else f"frame {frame}"]
        super().__init__(
            f"{', '.join(part for part in at if part)}: {self.reason}\n"
            "  please report it with the graph file and the traceback, which --debug shows"
        )

    def __reduce__(self) -> tuple[Any, ...]:
        return _bug, (self.where, self.cause, self.node, self.frame, self.package)


def _bug(where: str, cause: str, node: str, frame: int | None, package: str) -> BugError:
    return BugError(where, cause, node=node, frame=frame, package=package)


class StackcompWarning(UserWarning):
    """Something worth knowing that stops nothing: repaired pixels, clamped values."""


class BadValueError(StackcompError, ValueError):
    """A value that does not fit, before its field is known; it becomes a `Problem` there.

    Args:
        message: what is wrong. It begins with a verb (``is``, ``needs``, ``holds``) where it goes on from the
            name of the field.
        way_out: what to do; may be empty.
    """

    def __init__(self, message: str, way_out: str = "") -> None:
        self.message = message
        self.way_out = way_out
        super().__init__(message + (f"; {way_out}" if way_out else ""))

    def __reduce__(self) -> tuple[type[BadValueError], tuple[str, str]]:
        return type(self), (self.message, self.way_out)


def shown(value: Any, *, longest: int = 60) -> str:
    """A value as a graph file would hold it, cut where it is long."""
    try:
        text = json.dumps(value, ensure_ascii=False)
    except (TypeError, ValueError, RecursionError):
        text = " ".join(repr(value).split())
    return text if len(text) <= longest else text[: longest - 1] + "…"


def cut(text: str, longest: int) -> str:
    """A text on one line, cut where it is long."""
    line = " ".join(text.split())
    return line if len(line) <= longest else line[: longest - 1] + "…"


def kind_of(value: Any) -> str:
    """What JSON calls a value, with its article: such as ``a text`` or ``a list``."""
    if isinstance(value, bool):
        return "a truth value"
    words = ((str, "a text"), (int | float, "a number"), (Mapping, "an object"), (list | tuple, "a list"))
    matching = next((word for type, word in words if isinstance(value, type)), "")
    return matching or ("null" if value is None else f"a {type(value).__name__}")


def did_you_mean(wrong: str, choices: Sequence[str], *, most: int = 3) -> str:
    """A sentence with the nearest of ``choices``, or all of them when they are few, or nothing."""
    folded = {choice.casefold(): choice for choice in choices}
    near = difflib.get_close_matches(wrong.casefold(), list(folded), n=most, cutoff=0.6)
    if near:
        return "did you mean " + " or ".join(f'"{folded[name]}"' for name in near) + "?"
    if 0 < len(choices) <= 12:
        return "choose from " + ", ".join(f'"{choice}"' for choice in choices)
    return ""
