"""Which exceptions of a node's own code are mistakes of the user, and which are bugs."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from stackcomp.errors import BugError, StackcompError
from stackcomp.nodes.base import Node
from stackcomp.nodes.kinds import KINDS

__all__ = ["USER_ERRORS", "bugs_of"]

#: What a node's code raises for wrong files and values. Everything else that it raises is a bug.
USER_ERRORS = (StackcompError, OSError)


@contextmanager
def bugs_of(name: str, node: Node) -> Iterator[None]:
    """Run code of a node; what it should not raise becomes a BugError.

    Args:
        name: name of the node, for the message.
        node: the node.

    Raises:
        BugError: the code raised an exception that no graph and no file should cause.
    """
    try:
        yield
    except (*USER_ERRORS, MemoryError, Warning):
        # Warnings are exceptions where the caller asked for that.
        raise
    except (Exception, SystemExit) as error:
        raise BugError("", error, node=name, package=str(KINDS.origin(node.kind) or "")) from error
