"""Each command checks a graph once, however many frames and nodes it renders."""

import numpy as np
import pytest

from stackcomp import Graph, Image, composition
from stackcomp.check.check_graph import check_graph


@pytest.fixture
def checks(monkeypatch):
    """How often a graph was checked."""
    calls = []

    def counted(*args, **options):
        calls.append(options.get("frames"))
        return check_graph(*args, **options)

    monkeypatch.setattr(composition, "check_graph", counted)
    return calls


@pytest.fixture
def lantern(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for frame in (1, 2, 3):
        pixels = np.full((8, 12, 3), 0.18 * frame, np.float32)
        Image.from_array(pixels).save(f"plate{frame:04d}.exr")
    graph = Graph(frames="1-3")
    graph.add("read", "plate", path="plate{frame:04d}.exr")
    graph.add("exposure", "brighter", image="plate", stops=1)
    graph.add("deliver", "out", image="brighter", path="out/{frame:04d}.exr")
    graph.save("lantern.json")
    return "lantern.json"


@pytest.mark.parametrize(
    "words",
    [
        ["check"],
        ["render"],
        ["render", "--node", "brighter"],
        ["render", "--node", "brighter", "--node", "out", "--node", "plate"],
        ["render", "--scale", "0.5"],
        ["render", "--window", "0,0,4,4", "--node", "plate"],
        ["dump", "--frame", "2", "--to", "dumped"],
        ["dump", "--frames", "1-3", "--to", "dumped"],
    ],
    ids=" ".join,
)
def test_a_command_checks_once(run, lantern, checks, words):
    done = run(words[0], lantern, *words[1:])
    assert done.exit_code == 0, done.stderr
    assert len(checks) == 1


AREA = ("--area", "1,1,6,5")
BOTH = ("--plate-area", "1,1,6,5", "--other", "plate0002.exr", "--other-area", "1,1,6,5")


@pytest.mark.parametrize(
    ("words", "files"),
    [
        (["measure", "plate0001.exr", *AREA], 1),
        (["measure", "plate0001.exr", "--channel", "R", "--as", "matte", *AREA], 1),
        (["match", "grey", "--plate", "plate0001.exr", *BOTH], 2),
        (["match", "light", "--plate", "plate0001.exr", *BOTH], 2),
    ],
    ids=lambda value: " ".join(value[:2]) if isinstance(value, list) else None,
)
def test_each_measured_file_is_checked_once(run, lantern, checks, words, files):
    done = run(*words)
    assert done.exit_code == 0, done.stderr
    assert len(checks) == files
