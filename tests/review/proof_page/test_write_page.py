"""The page as a file: what it holds, what it refuses, how large it is, and what no text in it may do."""

from __future__ import annotations

import html.parser
import json
import re
import shutil

import numpy as np
import pytest

from stackcomp.errors import RequestError
from stackcomp.files import mark
from stackcomp.files.mark import Mark
from stackcomp.review.proof_page import MOST_BYTES, write_page
from stackcomp.review.proof_page.html import script
from stackcomp.review.proof_page.ladder import RUNGS, Unit, climbed

ODD_NAMES = (
    "<script>alert(1)</script>",
    "</script><img src=x onerror=alert(1)>",
    "\"quotes' & <b>",
    "שלום עולם",
    "{{ 7 * 7 }} ${x} \\u003c",
    "long " * 40,
)


class Elements(html.parser.HTMLParser):
    """Every element of a page with its attributes, as an HTML parser of the standard library reads it."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[str] = []

    def handle_starttag(self, tag, attrs):
        self.found.append((tag, dict(attrs)))

    def handle_data(self, data):
        self.texts.append(data)


def elements(path):
    parser = Elements()
    parser.feed(path.read_text("utf-8"))
    return parser


def head_of(path):
    return json.loads(re.search(r'id="head">(.*?)</script>', path.read_text("utf-8"))[1])


def rungs_of(path):
    return {name: (cell["rung"], cell["step"]) for name, cell in zip(*_first_cells(path), strict=True)}


def _first_cells(path):
    head = head_of(path)
    return head["nodes"], head["cells"][0][-1]


@pytest.fixture
def small(dump_maker, make_noise):
    dump = dump_maker()
    plate = {name: make_noise(36, 64, seed) for seed, name in enumerate("RGB")}
    dump.add("plate", plate)
    dump.add("key", {**plate, "A": np.ones((36, 64), np.float32)}, "premultiplied")
    dump.add("final", {name: plane * 2 for name, plane in plate.items()}, inputs={"image": "plate"})
    return dump


def test_a_page_is_one_file_with_a_mark(small, tmp_path):
    path = write_page(tmp_path / "out" / "page.html", [small.write()])
    assert path == tmp_path / "out" / "page.html"
    assert mark.read(path) == Mark("page")
    assert path.read_bytes().startswith(b"<!doctype html>\n<!-- stackcomp ")
    assert set(rungs_of(path).values()) == {("exact", 1)}
    assert [p.name for p in path.parent.iterdir()] == ["page.html"]
    assert write_page(path, [small.folder]) == path


def test_nothing_is_loaded_from_anywhere(small, tmp_path):
    path = write_page(tmp_path / "page.html", [small.write()])
    found = elements(path).found
    addresses = [value for _, attributes in found for name, value in attributes.items() if name in ("src", "href")]
    assert addresses
    assert all(address.startswith("data:image/jpeg;base64,") for address in addresses)
    policy = next(a["content"] for tag, a in found if a.get("http-equiv") == "Content-Security-Policy")
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    text = path.read_text("utf-8")
    assert "http://" not in text.replace("http://www.w3.org/2000/svg", "")
    assert "https://" not in text
    assert not [name for _, attributes in found for name in attributes if name == "style" or name.startswith("on")]


def test_names_are_text(dump_maker, make_noise, tmp_path):
    dump = dump_maker()
    before = ""
    for name in ODD_NAMES:
        inputs = {name: before} if before else {}
        dump.add(name, {"A": make_noise(8, 8)}, "matte", inputs=inputs, about=name, kind=name, warnings=[name])
        before = name
    dump.head |= {"about": ODD_NAMES[0], "graph": ODD_NAMES[1]}
    path = write_page(tmp_path / "page.html", [dump.write()])
    parsed = elements(path)
    kinds = [attributes.get("type") for tag, attributes in parsed.found if tag == "script"]
    assert kinds.count(None) == 1
    assert not [a for tag, a in parsed.found if tag in ("b", "img") and ("onerror" in a or a.get("src") == "x")]
    assert head_of(path)["nodes"] == list(ODD_NAMES)
    titles = [a["title"] for tag, a in parsed.found if tag == "b" and "title" in a]
    assert titles == list(ODD_NAMES)


def test_an_incomplete_dump(dump_maker, make_noise, tmp_path):
    dump = dump_maker(failed={"node": "warm", "reason": "not enough memory"})
    dump.add("plate", {name: make_noise(9, 16) for name in "RGB"})
    dump.add("warm", inputs={"image": "plate"}, state="failed")
    dump.add("final", inputs={"image": "warm"})
    cells = _first_cells(write_page(tmp_path / "page.html", [dump.write()]))[1]
    assert [(cell["state"], cell["reason"]) for cell in cells] == [
        ("done", ""),
        ("failed", "not enough memory"),
        ("missing", 'not computed, because "warm" failed before'),
    ]


def test_a_picture_that_is_gone_or_damaged(small, tmp_path):
    folder = small.write()
    (folder / "picture-0.exr").unlink()
    (folder / "picture-1.exr").write_bytes((folder / "picture-1.exr").read_bytes()[:900])
    (folder / "picture-2.png").unlink()
    told = []
    path = write_page(tmp_path / "page.html", [folder], warn=told.append)
    states = {name: cell["state"] for name, cell in zip(*_first_cells(path), strict=True)}
    assert states == {"plate": "missing", "key": "missing", "final": "done"}
    assert len(told) == 2
    assert "picture-0.exr" in told[0]


def test_a_dump_of_an_older_version(small, tmp_path):
    for node in small.nodes:
        for name in ("parameters", "warnings", "about", "input_types", "seconds", "compiled"):
            node.pop(name, None)
    for name in ("scale", "warnings", "failed", "about", "viewing_stops", "program"):
        small.head[name] = None
    path = write_page(tmp_path / "page.html", [small.write()])
    assert head_of(path)["title"] == "bench"


@pytest.mark.parametrize(
    ("where", "value", "message"),
    [
        (("warnings",), 3, "nodes.json, /warnings: 3 cannot be understood"),
        (("nodes", 0, "warnings"), "dim", '/nodes/0/warnings: "dim" cannot be understood'),
        (("nodes", 0, "warnings"), [1], "/nodes/0/warnings: [1] cannot be understood"),
        (("nodes", 0, "input_types"), ["matte"], '/nodes/0/input_types: ["matte"] cannot be understood'),
        (("nodes", 0, "id_channels"), 3, "/nodes/0/id_channels: 3 cannot be understood"),
        (("nodes", 0, "seconds"), "slow", '/nodes/0/seconds: "slow" cannot be understood'),
        (("nodes", 0, "seconds"), -1, "/nodes/0/seconds: -1 cannot be understood"),
        (("nodes", 0, "type", "name"), ["matte"], '/nodes/0/type/name: ["matte"] cannot be understood'),
        (("nodes", 0, "type", "encoding"), "ACEScg", '/nodes/0/type/encoding: "ACEScg" cannot be understood'),
    ],
)
def test_a_report_that_cannot_be_understood(small, tmp_path, where, value, message):
    path = small.write() / "nodes.json"
    report = json.loads(path.read_text())
    inside = report
    for part in where[:-1]:
        inside = inside[part]
    inside[where[-1]] = value
    path.write_text(json.dumps(report))
    with pytest.raises(RequestError) as caught:
        write_page(tmp_path / "page.html", [small.folder])
    assert message in str(caught.value)
    assert "write the dump again" in str(caught.value)
    inside[where[-1]] = None
    path.write_text(json.dumps(report))
    write_page(tmp_path / "page.html", [small.folder])


def test_a_report_that_names_files_elsewhere(small, tmp_path):
    outside = tmp_path / "secret.png"
    folder = small.write()
    shutil.copy(folder / "picture-0.png", outside)
    small.nodes[0]["files"] = {"exr": "../secret.exr", "png": "../secret.png"}
    path = write_page(tmp_path / "page.html", [small.write()])
    assert _first_cells(path)[1][0]["thumb"] is None


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"dumps": []}, "no dump is given"),
        ({"path": "page.txt"}, "does not end in .html"),
        ({"most_bytes": 0}, "most_bytes is 0"),
        ({"dumps": ["nowhere"]}, "nowhere"),
    ],
)
def test_what_is_refused(small, tmp_path, arguments, message):
    given = {"path": "page.html", "dumps": [small.write()], **arguments}
    path = tmp_path / given.pop("path")
    given["dumps"] = [tmp_path / folder for folder in given["dumps"]]
    with pytest.raises(RequestError, match=message):
        write_page(path, **given)
    assert not path.exists()


def test_two_dumps_of_one_frame_are_refused(small, dump_maker, tmp_path):
    other = dump_maker("other").add("plate", {"A": np.ones((4, 4), np.float32)}, "matte").write()
    with pytest.raises(RequestError, match="both of frame 1001"):
        write_page(tmp_path / "page.html", [small.write(), other])


def test_a_file_of_another_program_stays(small, tmp_path):
    path = tmp_path / "page.html"
    path.write_text("<!doctype html>\nmine")
    with pytest.raises(RequestError, match="which stackcomp did not write"):
        write_page(path, [small.write()])
    assert path.read_text() == "<!doctype html>\nmine"
    write_page(path, [small.folder], replace_foreign=True)
    assert mark.read(path) == Mark("page")


# -- how much fits -------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_grain_goes_down_the_ladder(dump_maker, make_noise, tmp_path):
    dump, names = dump_maker(), [f"n{k}" for k in range(8)]
    for k, name in enumerate(names):
        planes = {channel: make_noise(270, 480, 3 * k + c) for c, channel in enumerate("RGB")}
        dump.add(name, planes, inputs={"image": names[k - 1]} if k else {})
    folder = dump.write()
    assert set(rungs_of(write_page(tmp_path / "page.html", [folder])).values()) == {("exact", 1)}
    sizes = []
    for most in (9_000_000, 5_000_000, 3_000_000, 2_000_000, 1_400_000):
        path = write_page(tmp_path / "page.html", [folder], most_bytes=most)
        assert path.stat().st_size <= most
        sizes.append(path.stat().st_size)
        found = rungs_of(path)
        order = [("exact", "half", "grid").index(found[name][0]) * 100 + found[name][1] for name in names]
        assert order[-1] == min(order)
    assert sizes == sorted(sizes, reverse=True)
    assert found["n0"][0] == "grid"


def test_a_limit_that_cannot_be_held_is_said(small, tmp_path):
    told = []
    write_page(tmp_path / "page.html", [small.write()], most_bytes=20_000, warn=told.append)
    assert len(told) == 1
    assert "MB were asked for" in told[0]


def test_ids_are_exact_however_little_fits(dump_maker, tmp_path):
    ids = np.random.default_rng(0).integers(0, 2**32, (270, 480), np.uint32)
    dump = dump_maker().add("objects", {"id0": ids, "cover0": np.ones(ids.shape, np.float32)}, "ids")
    dump.nodes[0]["id_channels"] = ["id0"]
    path = write_page(tmp_path / "page.html", [dump.write()], most_bytes=100_000)
    assert rungs_of(path)["objects"] == ("exact", 1)


def test_what_nodes_share_is_stored_once(dump_maker, make_noise, tmp_path):
    planes = {name: make_noise(120, 200, seed) for seed, name in enumerate("RGB")}
    one = dump_maker("one").add("a", planes)
    two = dump_maker("two").add("a", planes).add("b", planes, inputs={"image": "a"})
    sizes = [write_page(tmp_path / "page.html", [dump.write()]).stat().st_size for dump in (one, two)]
    assert sizes[1] - sizes[0] < 10_000


def test_climbing():
    sizes = (1000, 500, 250, 120, 60, 30, 20, 10)
    units = [Unit("a", sizes, False, 0), Unit("b", sizes, False, 1), Unit("final", sizes, True, 2)]

    def names(most):
        return dict(climbed(units, most))

    assert names(10_000) == {"a": 0, "b": 0, "final": 0}
    assert names(0) == {"a": 7, "b": 7, "final": 7}
    # The final picture takes half of what is left at once; of the others, the later one climbs first.
    assert names(1100) == {"a": 2, "b": 2, "final": 1}
    assert names(300) == {"a": 4, "b": 3, "final": 3}
    assert names(60) == {"a": 6, "b": 6, "final": 6}
    many = [Unit(f"n{k}", sizes, False, k) for k in range(10)]
    at = climbed([*many, Unit("final", sizes, True, 0)], 1500)
    assert at["final"] == 1
    assert sorted(at[unit.key] for unit in many) == [3] * 6 + [4] * 4
    for most in range(0, 3200, 37):
        at = climbed(units, most)
        assert sum(sizes[rung] for rung in at.values()) <= max(most, 30)
    only = Unit("ids", (900, *(None for _ in RUNGS[1:])), False, 0)
    assert climbed([only], 10) == {"ids": 0}


def test_the_limit_is_below_what_was_promised():
    assert MOST_BYTES < 40_000_000


# -- its program ---------------------------------------------------------------------------------------------


def test_the_program_is_one_text_without_imports():
    text = script()
    assert not re.search(r"^\s*(import|export)\b", text, re.MULTILINE)
    names = re.findall(r"^(?:async )?(?:const|let|function|class) (\w+)", text, re.MULTILINE)
    assert len(names) > 100
    assert sorted(names) == sorted(set(names))
    for forbidden in ("innerHTML", "outerHTML", "insertAdjacentHTML", "document.write", "eval(", "new Function"):
        assert forbidden not in text
