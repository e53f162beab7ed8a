"""The reference of kinds: complete, up to date, and true."""

from __future__ import annotations

import functools
import re
import shutil
from html.parser import HTMLParser
from pathlib import Path
from typing import Annotated, ClassVar, Literal

import numpy as np
import pytest
from markdown_it import MarkdownIt
from PIL import Image as Canvas

from stackcomp import KINDS
from stackcomp.data.port_types import PortType
from stackcomp.errors import RequestError
from stackcomp.nodes.base import ColourNode, PageExamples, Port
from stackcomp.nodes.description import describe
from stackcomp.nodes.pixel import pixel
from stackcomp.reference import differences, gather, write_page
from stackcomp.reference.gather import entries

ROOT = Path(__file__).parents[2]
PAGE = ROOT / "graphs" / "KINDS.md"
SOURCES = ("read", "flat", "ramp")


@pytest.fixture(scope="module", autouse=True)
def rendered_once():
    """Examples of a kind are rendered once, though several tests need those of all kinds."""
    patch = pytest.MonkeyPatch()
    render = functools.cache(gather.rendered_examples)
    patch.setattr(gather, "rendered_examples", lambda kind, most: render(kind)[:most])
    yield
    patch.undo()


@pytest.fixture(scope="module")
def html(tmp_path_factory):
    """The page of all built-in kinds, as text."""
    path = tmp_path_factory.mktemp("page") / "kinds.html"
    warnings = []
    assert write_page(path, KINDS, warn=warnings.append) == [path]
    assert warnings == []
    return path.read_text("utf-8")


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_has_an_example(kind):
    assert KINDS[kind].page_examples, (
        f"add page_examples to the class of {kind}: fields of a node whose ports name pictures that "
        "stackcomp/reference/scene.py lists; then run `stackcomp kinds --page graphs/KINDS.md`"
    )


@pytest.mark.parametrize("kind", KINDS)
def test_an_example_shows_that_the_kind_does_something(kind):
    """Every result differs from each of its inputs, and from the other results of the kind, so that it is seen."""
    warnings = []
    (entry,) = entries({kind: KINDS[kind]}, warnings.append)
    assert not warnings
    shown = [example.after.pixels for row in entry.rows for example in row.examples]
    assert len(shown) == len(KINDS[kind].page_examples)
    assert bool(entry.rows[0].before) == (kind not in SOURCES)
    for row in entry.rows:
        for before in (shown.pixels for _, shown in row.before):
            for after in (example.after.pixels for example in row.examples):
                assert (np.abs(before.astype(int) - after) > 8).mean() > 0.002, kind
    for k, first in enumerate(shown):
        for second in shown[k + 1 :]:
            assert (np.abs(first.astype(int) - second) > 4).mean() > 0.001, kind


@pytest.mark.slow
def test_the_page_in_the_repository_is_up_to_date():
    found = differences(PAGE, KINDS)
    assert not found, "run `stackcomp kinds --page graphs/KINDS.md --replace-foreign`:\n" + "\n".join(found)
    files = [PAGE, *(PAGE.parent / "kinds").iterdir()]
    assert sum(file.stat().st_size for file in files) < 2.5e6


@pytest.fixture
def copied(tmp_path):
    """A copy of the page of three kinds."""
    some = {name: KINDS[name] for name in ("over", "exposure", "soft_matte")}
    page = tmp_path / "KINDS.md"
    write_page(page, some)
    assert differences(page, some) == []
    return page, some


@pytest.mark.slow
def test_what_is_out_of_date_is_found(copied):
    page, some = copied
    folder = page.parent / "kinds"
    page.write_text(page.read_text("utf-8").replace("twice", "thrice").replace("stops", "steps"), "utf-8")
    (folder / "over-1.png").unlink()
    shutil.copy(folder / "exposure-1.png", folder / "glow-1.png")
    with Canvas.open(folder / "soft_matte-1.png") as file:
        pixels = np.array(file)
    pixels[80:84, 100:104] ^= 0x40
    Canvas.fromarray(pixels).save(folder / "soft_matte-1.png")
    found = differences(page, some)
    assert [text.split(":")[0] for text in found] == [
        "KINDS.md",
        "kinds/over-1.png is missing",
        "kinds/glow-1.png belongs to no example; delete it",
        "kinds/soft_matte-1.png shows something else",
    ]
    assert "steps" in found[0]
    assert "stops" in found[0]


@pytest.mark.slow
def test_a_kind_more_or_less_is_found(copied):
    page, some = copied
    assert differences(page, {**some, "holdout": KINDS["holdout"]})
    assert differences(page, {"over": KINDS["over"]})


@pytest.mark.slow
def test_what_is_up_to_date_is_not_written_again(copied):
    page, some = copied
    before = {path: path.stat().st_mtime_ns for path in page.parent.rglob("*.*")}
    write_page(page, some)
    assert {path: path.stat().st_mtime_ns for path in page.parent.rglob("*.*")} == before


@pytest.mark.slow
def test_somebody_elses_files_stay(tmp_path):
    some = {"over": KINDS["over"]}
    for name in ("notes.md", "notes.html"):
        (tmp_path / name).write_text("mine")
        with pytest.raises(RequestError, match="which stackcomp did not write"):
            write_page(tmp_path / name, some)
        assert (tmp_path / name).read_text() == "mine"
        write_page(tmp_path / name, some, replace_foreign=True)
        assert "Porter" in (tmp_path / name).read_text("utf-8")
    (tmp_path / "kinds").mkdir()
    (tmp_path / "kinds" / "over-1.png").write_text("mine")
    with pytest.raises(RequestError, match=r"over-1\.png"):
        write_page(tmp_path / "kinds.md", some)
    assert not (tmp_path / "kinds.md").exists()


class Tags(HTMLParser):
    """What a page holds: tags with their attributes, and its text."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.text = [], []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data):
        self.text.append(data)

    def all(self, name):
        return [attributes for tag, attributes in self.tags if tag == name]


@pytest.mark.slow
def test_the_page_says_all_there_is_to_say(html):
    read = Tags(html)
    text = " ".join("".join(read.text).split())
    for name, kind in KINDS.items():
        told = describe(kind)
        assert told.source.replace("`", "") in text, name
        assert " ".join(told.summary.replace("`", "").replace("*", "").split()) in text, name
        for item in (*told.ports, *told.parameters):
            assert item.name in text, name
            assert " ".join(item.doc.replace("`", "").split()) in text, item.name
    assert {attributes.get("id") for attributes in read.all("section")} >= set(KINDS)
    assert [link["href"] for link in read.all("a")][1 : len(KINDS) + 1] == [f"#{name}" for name in KINDS]


@pytest.mark.slow
def test_the_page_needs_nothing_but_itself(html):
    read = Tags(html)
    assert not {"link", "iframe", "object", "embed"} & {tag for tag, _ in read.tags}
    assert all(attributes["src"].startswith("data:image/png;base64,") for attributes in read.all("img"))
    assert all(attributes["alt"] for attributes in read.all("img"))
    assert not any("src" in attributes for attributes in read.all("script"))
    assert all(attributes["href"].startswith("#") for attributes in read.all("a"))
    assert not re.search(r"url\(|@import|https?://", html)
    (policy,) = [item["content"] for item in read.all("meta") if item.get("http-equiv")]
    assert policy.startswith("default-src 'none'; img-src data:; style-src 'sha256-")
    assert "unsafe" not in policy
    assert not any("style" in attributes or "onclick" in attributes for _, attributes in read.tags)


@pixel
def _twice(r, g, b):
    return r * 2, g * 2, b * 2


class Foreign(ColourNode):
    """Doubles <script>alert(1)</script> & "all"."""

    source_of_maths: ClassVar[str] = "<b>nobody</b>"
    function = _twice

    kind: Literal["foreign"] = "foreign"
    image: Annotated[str, Port(doc="<img src=x> | a cell")]

    def result(self, types: dict[str, PortType], context):
        return types["image"]


@pytest.mark.slow
def test_a_kind_of_an_outside_package_without_examples(tmp_path):
    for name in ("page.html", "page.md"):
        write_page(tmp_path / name, {"foreign": Foreign})
    html = (tmp_path / "page.html").read_text("utf-8")
    read = Tags(html)
    assert len(read.all("script")) == 1
    assert not read.all("img")
    assert "<script>alert(1)</script>" in "".join(read.text)
    assert "gives no example" in html
    assert not (tmp_path / "page").exists()
    # A reader of Markdown sees signs, and no tags.
    markdown = (tmp_path / "page.md").read_text("utf-8")
    _, _, markdown = markdown.partition("-->\n")
    rendered = MarkdownIt("commonmark").enable("table").render(markdown)
    assert "<td>&lt;img src=x&gt; | a cell</td>" in rendered
    assert "Doubles &lt;script&gt;alert(1)&lt;/script&gt; &amp; " in rendered
    assert "maths: &lt;b&gt;nobody&lt;/b&gt;" in rendered
    assert not re.search(r"<(script|img|b)\b", rendered)


@pytest.mark.slow
def test_links_of_the_markdown_lead_to_its_headings(tmp_path):
    """A heading's anchor has the letters, digits, _ and - of its text in lower case, as on code hosts."""

    class Dotted(Foreign):
        """Doubles."""

        kind: Literal["boatyard.twice_2"] = "boatyard.twice_2"

    write_page(tmp_path / "page.md", {"foreign": Foreign, "boatyard.twice_2": Dotted})
    markdown = (tmp_path / "page.md").read_text("utf-8")
    anchors = {re.sub(r"[^\w -]", "", heading.lower()) for heading in re.findall(r"^## (.*)$", markdown, re.M)}
    links = re.findall(r"\]\(#([^)]*)\)", markdown)
    assert links == ["foreign", "boatyardtwice_2"]
    assert set(links) <= anchors


@pytest.mark.parametrize(
    ("example", "said"),
    [
        ({"image": "harbour"}, 'there is no picture "harbour"'),
        ({"image": "cord"}, "requires colour"),
        ({"image": "comp", "stop": 3}, 'did you mean "stops"'),
    ],
)
def test_an_example_that_cannot_be_rendered_is_said(tmp_path, example, said):
    class Wrong(KINDS["exposure"]):
        """Wrong."""

        page_examples: ClassVar[PageExamples] = (example,)

    warnings = []
    write_page(tmp_path / "page.html", {"exposure": Wrong}, warn=warnings.append)
    (warning,) = warnings
    assert warning.startswith("page_examples of exposure")
    assert said in warning
    assert (tmp_path / "page.html").is_file()


def test_the_command(run, tmp_path):
    page = tmp_path / "glow.html"
    assert run("kinds", "glow", "--page", page).stdout == f"{page}\n"
    assert page.read_text("utf-8").count('<section class="kind"') == 1
    done = run("kinds", "--page", tmp_path / "kinds.txt")
    assert done.exit_code == 2
    assert "does not end in .html or .md" in done.stderr
    assert run("kinds", "glou", "--page", page).exit_code == 2
    (tmp_path / "glow.md").write_text("mine")
    assert run("kinds", "glow", "--page", tmp_path / "glow.md").exit_code == 2
