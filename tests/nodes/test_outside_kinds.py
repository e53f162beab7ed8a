"""Kinds of other packages: what is found, what is left out and why; the example of DEVELOPERS.md, installed."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import textwrap
from importlib.metadata import Distribution, EntryPoint
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal

import jsonschema
import numpy as np
import pytest
from pydantic import ConfigDict

import stackcomp
from stackcomp import DocumentError, Graph
from stackcomp.batch.fingerprint import NodeHashes
from stackcomp.batch.work import Work
from stackcomp.nodes import AreaNode, ColourNode, Node, Number, PixelFunction, outside_kinds, outside_text, pixel
from stackcomp.nodes.kinds import BUILT_IN
from stackcomp.nodes.outside_kinds import BrokenKind, Kinds
from stackcomp.testing import LAWS

ROOT = Path(__file__).parents[2]


@pixel
def _patina(r, g, b, depth):
    return r * (1 - depth), g, b * (1 - depth)


class Patina(ColourNode):
    """Turns brass green."""

    function: ClassVar[PixelFunction] = _patina

    kind: Literal["boatyard.patina"] = "boatyard.patina"
    depth: Annotated[float, Number("how far it has come", low=0, high=1)] = 0.5

    def numbers(self, types, context):
        return (self.depth,)


class NoKind:
    """Something else."""


class Undocumented(Patina):
    pass


class OtherWord(Patina):
    """Says another word."""

    kind: Literal["boatyard.other"] = "boatyard.other"


class NoFamily(Node):
    """Derives from the base alone."""

    kind: Literal["boatyard.patina"] = "boatyard.patina"


class Loose(Patina):
    """Takes any field."""

    model_config = ConfigDict(extra="allow")


class OtherAbout(Patina):
    """Uses the note as a number."""

    about: int = 3


class NoResult(AreaNode):
    """Says nothing of its result."""

    kind: Literal["boatyard.patina"] = "boatyard.patina"


class NoMaths(ColourNode):
    """Computes nothing."""

    kind: Literal["boatyard.patina"] = "boatyard.patina"


class Late(Patina):
    """Says what stands nowhere."""

    late: Missing = 1  # noqa: F821


class Package(Distribution):
    def __init__(self, name: str, version: str) -> None:
        self._name, self._version = name, version

    @property
    def metadata(self) -> Any:
        return {"Name": self._name, "Version": self._version}

    def read_text(self, filename):
        return None

    def locate_file(self, path):
        raise NotImplementedError


def entry(word: str, value: str, package: str = "boatyard-kinds", version: str = "1.0") -> EntryPoint:
    made = EntryPoint(word, value, outside_kinds.GROUP)
    return made._for(Package(package, version))


def kinds(monkeypatch, *entries: EntryPoint) -> Kinds:
    monkeypatch.setattr(outside_kinds, "_entry_points", lambda: entries)
    return Kinds(BUILT_IN)


HERE = __name__


def test_a_kind_of_a_package_is_a_kind(monkeypatch):
    sys.modules.setdefault(HERE, sys.modules[__name__])
    found = kinds(monkeypatch, entry("boatyard.patina", f"{HERE}:Patina"))
    assert found["boatyard.patina"] is Patina
    assert list(found) == [*BUILT_IN, "boatyard.patina"]
    assert len(found) == len(BUILT_IN) + 1
    assert str(found.origin("boatyard.patina")) == "boatyard-kinds 1.0"
    assert found.origin("over") is None
    assert found.broken == ()
    assert str(kinds(monkeypatch, EntryPoint("boatyard.patina", "x:Y", "")).origin("boatyard.patina")) == NAMELESS


NAMELESS = "a package without a name"


def test_no_package_is_imported_for_built_in_kinds(monkeypatch):
    def never():
        raise AssertionError("entry points are read")

    monkeypatch.setattr(outside_kinds, "_entry_points", never)
    found = Kinds(BUILT_IN)
    assert found["over"] is BUILT_IN["over"]
    assert "over" in found
    assert found.origin("over") is None
    assert found.state("over") == ""


def test_entry_points_are_read_once(monkeypatch):
    calls = []
    monkeypatch.setattr(outside_kinds, "_entry_points", lambda: calls.append(1) or ())
    found = Kinds(BUILT_IN)
    for _ in range(3):
        assert len(found) == len(BUILT_IN)
        assert found.why_not("boatyard.patina").rule == "kind-not-installed"
    assert calls == [1]


@pytest.mark.parametrize(
    ("word", "value", "reason"),
    [
        ("boatyard.patina", "boatyard_gone:Patina", "ModuleNotFoundError: No module named 'boatyard_gone'"),
        ("boatyard.patina", f"{HERE}:Gone", "AttributeError"),
        ("boatyard.patina", f"{HERE}:NoKind", "is not a class that derives from stackcomp.nodes.Node"),
        ("boatyard.patina", f"{HERE}:HERE", "is not a class that derives from stackcomp.nodes.Node"),
        ("boatyard.patina", f"{HERE}:Undocumented", "has no docstring"),
        ("boatyard.patina", f"{HERE}:OtherWord", 'needs the field kind: Literal["boatyard.patina"]'),
        ("boatyard.patina", f"{HERE}:NoFamily", "derives from none of SourceNode"),
        ("boatyard.patina", f"{HERE}:Loose", "changes extra of the model_config"),
        ("boatyard.patina", f"{HERE}:OtherAbout", 'changes the field "about"'),
        ("boatyard.patina", f"{HERE}:NoMaths", "has no pixel function"),
        (
            "boatyard.patina",
            f"{HERE}:NoResult",
            "its result; does not say its needs; does not say its compute",
        ),
        ("boatyard.patina", HERE, "does not name a class as module:Class"),
        ("boatyard.patina", "", "does not name a class as module:Class"),
        (
            "boatyard.patina",
            f"{HERE}:Late",
            "cannot be used: PydanticUndefinedAnnotation: name 'Missing' is not def",
        ),
        ("patina", f"{HERE}:Patina", "its name needs a prefix and a dot"),
        ("over", f"{HERE}:Patina", "its name needs a prefix and a dot"),
        ("Boatyard.Patina", f"{HERE}:Patina", "each word of its name must begin with a to z"),
    ],
)
def test_what_cannot_be_used_is_left_out_and_said(monkeypatch, word, value, reason):
    found = kinds(monkeypatch, entry(word, value))
    assert list(found) == list(BUILT_IN)
    (broken,) = found.broken
    assert isinstance(broken, BrokenKind)
    assert reason in broken.reason
    assert str(broken.problem).startswith(f'kind "{word}" of boatyard-kinds 1.0: ')
    assert found["over"] is BUILT_IN["over"]


@pytest.mark.parametrize(
    ("word", "proposed"),
    [
        ("Boatyard.Patina", "boatyard.patina"),
        ("boatyard.grün", "boatyard.grun"),
        ("boat yard.2nd-patina", "boat_yard.nd_patina"),
        ("patina", "boatyard_kinds.patina"),
        (".patina", "boatyard_kinds.patina"),
        ("patina.", "boatyard_kinds.patina"),
        ("緑青.緑", "boatyard_kinds.kind"),
        ("over", "boatyard_kinds.over"),
    ],
)
def test_a_name_that_is_none_gets_one_that_is(monkeypatch, word, proposed):
    (broken,) = kinds(monkeypatch, entry(word, f"{HERE}:Patina")).broken
    assert broken.way_out.startswith(f'call it "{proposed}" or the like')
    assert outside_kinds._WORD.fullmatch(proposed)
    # A name that no graph can use is no answer to a misspelt one.
    assert word not in kinds(monkeypatch, entry(word, f"{HERE}:Patina")).why_not("patinas").way_out


def test_what_a_package_prints_is_no_part_of_an_answer(monkeypatch, tmp_path, capsys):
    (tmp_path / "x_prints.py").write_text("print('hello')\n")
    monkeypatch.syspath_prepend(tmp_path)
    assert kinds(monkeypatch, entry("x.k", "x_prints:K")).broken
    assert capsys.readouterr() == ("", "hello\n")


def test_two_packages_with_one_name(monkeypatch):
    value = f"{HERE}:Patina"
    two = [entry("boatyard.patina", value), entry("boatyard.patina", value, "other-kinds", "2.0")]
    found = kinds(monkeypatch, *two)
    assert "boatyard.patina" not in found
    assert found.broken[0].reason == "boatyard-kinds 1.0 and other-kinds 2.0 both name it"
    # The same package found twice on the path is one.
    assert "boatyard.patina" in kinds(monkeypatch, two[0], two[0])
    twice = kinds(monkeypatch, two[0], entry("boatyard.patina", f"{HERE}:NoMaths"))
    assert twice.broken[0].reason == f"it is named twice, as {HERE}:NoMaths and {HERE}:Patina"


def test_a_graph_says_what_it_needs(monkeypatch):
    graph = '{"stackcomp": 1, "nodes": {"aged": {"kind": "boatyard.patina", "image": "x"}}}'
    from stackcomp.document import model

    def problem(*entries):
        monkeypatch.setattr(model, "KINDS", kinds(monkeypatch, *entries))
        with pytest.raises(DocumentError) as caught:
            Graph.from_json(graph).document({})
        (found,) = caught.value.problems
        assert (found.node, found.pointer) == ("aged", "/nodes/aged/kind")
        return found

    missing = problem()
    assert missing.rule == "kind-not-installed"
    assert missing.way_out == 'install the package whose kinds begin with "boatyard."'
    other = problem(entry("boatyard.patine", f"{HERE}:Gone"))
    assert other.rule == "kind-not-installed"
    assert other.way_out == (
        'did you mean "boatyard.patine"? kinds that begin with "boatyard." come from boatyard-kinds 1.0: '
        "install a version that has it"
    )
    assert problem(entry("boatyard.rust", f"{HERE}:Gone")).way_out.startswith('kinds that begin with "boatyard."')
    assert problem(entry("boatyard.patina", f"{HERE}:Gone")).rule == "kind-broken"


def test_a_word_without_its_prefix(monkeypatch):
    found = kinds(monkeypatch, entry("boatyard.patina", f"{HERE}:Patina"))
    assert found.why_not("Patina").way_out == 'did you mean "boatyard.patina"?'
    assert found.why_not("ovr").way_out == 'did you mean "over"?'
    assert kinds(monkeypatch).why_not("patina").rule == "kind-unknown"
    assert found.why_not(3).rule == "kind-unknown"
    # No package was imported for the sake of a mistyped word.
    assert found._loaded == {}


def aged(monkeypatch, found: Kinds) -> tuple[Graph, stackcomp.Composition]:
    """A graph with a kind of a package."""
    from stackcomp.batch import fingerprint
    from stackcomp.deliver import provenance
    from stackcomp.document import model

    for module in (fingerprint, provenance, model):
        monkeypatch.setattr(module, "KINDS", found)
    graph = Graph(frames="1")
    graph.add("flat", "wall", size=[4, 4])
    graph.add("boatyard.patina", "aged", image="wall")
    graph.add("deliver", "out", image="aged", path="o.exr")
    return graph, stackcomp.Composition(graph)


def node_hashes(monkeypatch, found: Kinds) -> dict[str, str]:
    graph, composition = aged(monkeypatch, found)
    return NodeHashes(Work("", graph, composition, (1,), {})).at(1)


def test_another_version_of_the_package_makes_frames_due(monkeypatch):
    def hashes(version):
        found = kinds(monkeypatch, entry("boatyard.patina", f"{HERE}:Patina", version=version))
        return node_hashes(monkeypatch, found)

    before, after = hashes("1.0"), hashes("1.1")
    assert {node for node in before if before[node] != after[node]} == {"aged"}


def test_another_text_of_the_package_makes_frames_due(monkeypatch, tmp_path):
    """While somebody writes a kind, its version stays."""
    folder = tmp_path / "x_boatyard"
    folder.mkdir()
    source = Path(__file__).read_text()
    begin, end = source.index("@pixel"), source.index("class NoKind")
    imports = (
        "from typing import Annotated, ClassVar, Literal\n"
        "from stackcomp.nodes import ColourNode, Number, PixelFunction, pixel\n"
    )
    (folder / "kinds.py").write_text(imports + source[begin:end])
    (folder / "__init__.py").write_text("")
    (folder / "maths.py").write_text("SHADE = 1\n")
    monkeypatch.syspath_prepend(tmp_path)

    def hashes():
        outside_text.text_hash.cache_clear()
        return node_hashes(monkeypatch, kinds(monkeypatch, entry("boatyard.patina", "x_boatyard.kinds:Patina")))

    before = hashes()
    assert hashes() == before
    (folder / "maths.py").write_text("SHADE = 2\n")
    after = hashes()
    assert {node for node in before if before[node] != after[node]} == {"aged"}
    # What lies beside the package is not part of it.
    (tmp_path / "other.py").write_text("")
    assert hashes() == after


def test_files_say_which_packages_made_them(monkeypatch):
    def noted(version):
        _, made = aged(
            monkeypatch, kinds(monkeypatch, entry("boatyard.patina", f"{HERE}:Patina", version=version))
        )
        return provenance.notes_for(made.document, Path("."), "out", 1)

    from stackcomp.deliver import provenance

    first, second = noted("1.0"), noted("1.1")
    assert (first["stackcomp/packages"], second["stackcomp/packages"]) == (
        "boatyard-kinds 1.0",
        "boatyard-kinds 1.1",
    )
    assert first["stackcomp/graph"] != second["stackcomp/graph"]
    plain = Graph(frames="1")
    plain.add("flat", "wall", size=[4, 4])
    plain.add("deliver", "out", image="wall", path="o.exr")
    assert "stackcomp/packages" not in provenance.notes_for(plain.document(), Path("."), "out", 1)


# -- the example of DEVELOPERS.md ------------------------------------------------------------------------------


def blocks() -> dict[str, str]:
    text = (ROOT / "DEVELOPERS.md").read_text()
    section = re.search(r"^## Kinds of your own\n([\s\S]*?)^## ", text, re.MULTILINE)[1]
    found = [textwrap.dedent(block).strip("\n") + "\n" for block in re.findall(
        r"(?:^ {4}.*\n(?:\n+(?= {4}))?)+", section, re.MULTILINE)]  # fmt: skip
    project, module, tests = found
    return {"pyproject.toml": project, "boatyard_kinds/__init__.py": module, "test_patina.py": tests}


@pytest.fixture(scope="module")
def installed(tmp_path_factory):
    """The package, installed into a folder, and what runs Python with it."""
    folder = tmp_path_factory.mktemp("boatyard")
    source, target = folder / "source", folder / "target"
    for name, content in blocks().items():
        (source / name).parent.mkdir(parents=True, exist_ok=True)
        (source / name).write_text(content)
    subprocess.run(
        [sys.executable, "-m", "pip", "install", "--quiet", "--no-index", "--no-deps", "--no-build-isolation",
         "--no-cache-dir", "--target", target, source],
        check=True, capture_output=True,
    )  # fmt: skip
    assert (target / "boatyard_kinds" / "__init__.py").is_file()

    def run(*words: str, **more: Any) -> subprocess.CompletedProcess[str]:
        environment = {**os.environ, "PYTHONPATH": str(target), "STACKCOMP_CACHE": str(folder / "cache")}
        return subprocess.run(
            [sys.executable, "-m", *words], cwd=folder, env=environment, capture_output=True, text=True, **more
        )

    (folder / "graph.json").write_text(
        json.dumps(
            {
                "stackcomp": 1,
                "frames": "1-2",
                "nodes": {
                    "wall": {"kind": "flat", "size": [16, 9], "colour": [0.8, 0.6, 0.2]},
                    "aged": {"kind": "boatyard.patina", "image": "wall", "depth": 0.25},
                    "out": {"kind": "deliver", "image": "aged", "path": "out/aged.{frame:04d}.exr"},
                },
            }
        )
    )
    return run, folder, target


@pytest.mark.slow
def test_it_is_listed_and_told_about(installed):
    run, _, _ = installed
    listed = run("stackcomp", "kinds")
    assert listed.returncode == 0, listed.stderr
    assert "boatyard.patina" in listed.stdout
    assert "(boatyard-kinds 1.0)" in " ".join(listed.stdout.split())
    told = json.loads(run("stackcomp", "kinds", "boatyard.patina", "--json").stdout)
    assert told["package"] == "boatyard-kinds 1.0"
    every = json.loads(run("stackcomp", "kinds", "--json").stdout)
    assert {kind["kind"]: kind["package"] for kind in every["kinds"] if kind["package"]} == {
        "boatyard.patina": "boatyard-kinds 1.0"
    }
    assert every["broken"] == []


@pytest.mark.slow
def test_its_nodes_fit_the_schema(installed):
    run, folder, _ = installed
    schema = json.loads(run("stackcomp", "schema").stdout)
    validator = jsonschema.Draft202012Validator(schema)
    graph = json.loads((folder / "graph.json").read_text())
    validator.validate(graph)
    graph["nodes"]["aged"]["depht"] = 0.5
    assert not validator.is_valid(graph)


@pytest.mark.slow
def test_it_renders_and_a_batch_has_it_in_its_processes(installed):
    run, folder, target = installed
    assert run("stackcomp", "check", "graph.json").returncode == 0
    done = run("stackcomp", "batch", "graph.json", "--workers", "2", "--root", ".")
    assert done.returncode == 0, done.stderr
    from stackcomp.files import exr

    read = exr.read(folder / "out" / "aged.0002.exr", ["R"])
    assert read.header.metadata["stackcomp/packages"] == "boatyard-kinds 1.0"
    red = read.planes["R"]
    light = 0.27 * 0.8 + 0.67 * 0.6 + 0.06 * 0.2
    np.testing.assert_allclose(red, 0.8 * 0.75 + 0.35 * light * 0.25, rtol=1e-3)

    def listed() -> str:
        return run("stackcomp", "batch", "graph.json", "--list", "--root", ".").stdout

    assert "2 frames: 2 up to date, 0 to render" in listed()
    module = target / "boatyard_kinds" / "__init__.py"
    text = module.read_text()
    module.write_text(text.replace("0.35 * light", "0.5 * light"))
    try:
        assert "2 frames: 0 up to date, 2 to render" in listed()
    finally:
        module.write_text(text)


@pytest.mark.slow
def test_its_laws_hold(installed):
    run, _, _ = installed
    tested = run("pytest", "-q", "-p", "no:cacheprovider", "source/test_patina.py")
    assert tested.returncode == 0, tested.stdout
    assert f"{len(LAWS)} passed" in tested.stdout


@pytest.mark.slow
def test_a_changed_function_is_compiled_again(installed):
    """Loops are kept on disk by what they compute, not by the name of the kind."""
    run, folder, target = installed
    module = target / "boatyard_kinds" / "__init__.py"
    text = module.read_text()
    words = ("stackcomp", "render", "graph.json", "--frames", "1", "--node", "aged", "--to", "look.exr")
    from stackcomp.files import exr

    def red() -> float:
        done = run(*words)
        assert done.returncode == 0, done.stderr
        return float(exr.read(folder / "look.exr", ["R"]).planes["R"][0, 0])

    before = red()
    module.write_text(text.replace("0.35 * light", "0.5 * light"))
    try:
        changed = red()
    finally:
        module.write_text(text)
    light = 0.27 * 0.8 + 0.67 * 0.6 + 0.06 * 0.2
    assert changed - before == pytest.approx(0.15 * light * 0.25, rel=1e-3)
    assert red() == before


@pytest.mark.slow
def test_a_broken_package_disturbs_no_other_graph(installed):
    run, folder, target = installed
    module = target / "boatyard_kinds" / "__init__.py"
    text = module.read_text()
    plain = {"stackcomp": 1, "frames": "1", "nodes": {"wall": {"kind": "flat", "size": [4, 4]}}}
    (folder / "plain.json").write_text(json.dumps(plain))
    module.write_text("import nothing_of_that_name\n")
    try:
        assert run("stackcomp", "--help").returncode == 0
        rendered = run("stackcomp", "render", "plain.json", "--frames", "1", "--node", "wall", "--to", "w.png")
        assert rendered.returncode == 0
        listed = run("stackcomp", "kinds")
        assert listed.returncode == 0
        said = " ".join(listed.stderr.split())
        assert 'kind "boatyard.patina" of boatyard-kinds 1.0: boatyard_kinds:Patina: ModuleNotFoundError' in said
        checked = run("stackcomp", "check", "graph.json")
        assert checked.returncode == 2
        assert "No module named 'nothing_of_that_name'" in checked.stdout
    finally:
        module.write_text(text)
