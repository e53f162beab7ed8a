"""Imports go down: the picture of the layers in DEVELOPERS.md is what holds.

Late imports count, and those for types alone: what a module names, it depends on.
"""

import ast
import re
from itertools import pairwise
from pathlib import Path

import networkx as nx
import pytest
from package_source import modules, statements, texts

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "stackcomp"


def layers() -> dict[str, int]:
    """Rooms of the picture in DEVELOPERS.md, each with its height: the lowest row is 0."""
    text = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    picture = re.search(r"^## Layers$[\s\S]*?((?:^    .*\n)+)", text, flags=re.MULTILINE)
    rows = [line.split("|")[0].split() for line in picture[1].splitlines()]
    return {room.rstrip("/"): height for height, row in enumerate(reversed(rows)) for room in row}


def imports(known: dict[str, ast.Module]) -> set[tuple[str, str]]:
    """Pairs of modules of which the first imports the second, anywhere in its text."""
    pairs = set()
    for name, tree in known.items():
        for node in statements(tree):
            if isinstance(node, ast.ImportFrom):
                assert node.level == 0, f"{name}: imports are absolute"
                for alias in node.names:
                    full = f"{node.module}.{alias.name}"
                    pairs.add((name, full if full in known else str(node.module)))
            elif isinstance(node, ast.Import):
                pairs |= {(name, alias.name) for alias in node.names}
    return {(a, b) for a, b in pairs if b in known and a != b}


def room(module: str) -> str:
    """The folder, or the file where it lies in none, that a module belongs to."""
    return module.split(".")[1] if "." in module else module


def going_up(pairs: set[tuple[str, str]], heights: dict[str, int]) -> list[str]:
    """Imports from one room to another that does not lie below it."""
    return sorted(
        f"{a} imports {b}" for a, b in pairs if room(a) != room(b) and heights[room(a)] <= heights[room(b)]
    )


def loops(pairs: set[tuple[str, str]]) -> list[str]:
    """Import cycles between modules."""
    graph = nx.DiGraph(sorted(pairs))
    return [" → ".join([*cycle, cycle[0]]) for cycle in nx.simple_cycles(graph, length_bound=6)] + [
        f"a long cycle among {', '.join(sorted(part)[:6])}"
        for part in nx.strongly_connected_components(graph)
        if len(part) > 6
    ]


@pytest.fixture(scope="module")
def pairs() -> set[tuple[str, str]]:
    return imports(modules(PACKAGE))


@pytest.mark.slow
def test_the_picture_shows_every_room():
    rooms = {room(name) for name in modules(PACKAGE)}
    assert set(layers()) == rooms


def test_imports_go_down(pairs):
    assert going_up(pairs, layers()) == []


def test_there_is_no_import_cycle(pairs):
    assert loops(pairs) == []


def test_modules_are_loaded_by_name_only_where_the_public_names_are(pairs):
    # What import_module loads cannot be seen in the text.
    hidden = [
        name
        for name, tree in modules(PACKAGE).items()
        if "import_module" in texts(PACKAGE)[name]
        and any("import_module" in (getattr(node, "id", ""), getattr(node, "attr", "")) for node in ast.walk(tree))
    ]
    assert hidden == ["stackcomp"]


def test_a_late_import_upwards_is_seen(tmp_path):
    package = tmp_path / "house"
    for name, text in {
        "low/a.py": "def f():\n    from house.high.b import g\n    return g\n",
        "high/b.py": "from house.low import a\n\ndef g(): ...\n",
    }.items():
        (package / name).parent.mkdir(parents=True)
        (package / name).write_text(text)
    pairs = imports(modules(package))
    assert going_up(pairs, {"low": 0, "high": 1}) == ["house.low.a imports house.high.b"]
    assert len(loops(pairs)) == 1
    assert all(len({a, b}) == 2 for a, b in pairwise(sorted({name for pair in pairs for name in pair})))
