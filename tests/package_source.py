"""The source of the package, read and parsed once for all tests that look at it."""

from __future__ import annotations

import ast
import functools
from collections.abc import Iterator
from pathlib import Path

#: Where a statement holds others.
_BLOCKS = ("body", "orelse", "finalbody", "handlers", "cases")


@functools.cache
def texts(package: Path) -> dict[str, str]:
    """The text of every module below a package by its dotted name."""
    found = {}
    for path in package.rglob("*.py"):
        parts = [package.name, *path.relative_to(package).with_suffix("").parts]
        found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path.read_text("utf-8")
    return found


@functools.cache
def modules(package: Path) -> dict[str, ast.Module]:
    """The syntax tree of every module below a package by its dotted name."""
    return {name: ast.parse(text) for name, text in texts(package).items()}


def statements(tree: ast.AST) -> Iterator[ast.AST]:
    """All statements of a module, at any depth: a tenth of its tree."""
    left = [tree]
    while left:
        one = left.pop()
        yield one
        for block in _BLOCKS:
            left += getattr(one, block, None) or ()
