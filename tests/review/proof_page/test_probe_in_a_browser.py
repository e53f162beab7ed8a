"""The probe's numbers are those of the files, which the OpenEXR package wrote and reads here."""

from __future__ import annotations

import re

import numpy as np
import pytest
from made_dumps import Made, colour, random_colour, truth, write_dump
from proof_browser import number, opened

from stackcomp.review.proof_page import write_page

pytestmark = pytest.mark.browser

ODD = (np.nan, np.inf, -np.inf, -0.0, 1e-45, 3.4028235e38, -1.5, 1 / 3, 16777217, 1e-5, 123456.79, 65519)


def _overscan() -> Made:
    planes = random_colour(96, 64, seed=1, channels="RGBA")
    planes["R"][10, : len(ODD)] = np.array(ODD, np.float32)
    return Made("overscan", planes, colour("premultiplied"), corner=(-16, -8), frame=(0, 0, 64, 48))


def _cropped() -> Made:
    return Made("cropped", random_colour(20, 12, seed=2), corner=(30, 9), frame=(0, 0, 64, 48))


def _halves() -> Made:
    planes = {name: plane.astype(np.float16) for name, plane in random_colour(64, 48, seed=3).items()}
    # Every kind of half float: negative, below the normal ones, largest, not finite.
    bits = np.array([0xBC00, 0x8000, 0x0001, 0x83FF, 0x7BFF, 0xFBFF, 0x7C00, 0xFC00, 0x7E00, 0x0400], np.uint16)
    planes["R"][0, : len(bits)] = bits.view(np.float16)
    return Made("halves", planes)


def _ids() -> Made:
    random = np.random.default_rng(4)
    # Among them bits that are NaN, signalling NaN and infinite as floats: any arithmetic would change them.
    known = np.array([0, 1, 0x7F800001, 0x7FC00000, 0x7F800000, 0xFFFFFFFF, 0x80000000, 0xDEADBEEF], np.uint32)
    planes = {}
    for rank in range(2):
        planes[f"id{rank}"] = random.choice(known, (48, 64))
        planes[f"cover{rank}"] = random.random((48, 64), np.float32)
    return Made("ids", planes, {"name": "ids", "text": "ids"}, more={"manifest": {"glass <b>": 0xDEADBEEF}})


def _depth() -> Made:
    z = np.random.default_rng(5).uniform(0.2, 90, (48, 64)).astype(np.float32)
    z[3, 3] = 0
    return Made("depth", {"Z": z}, {"name": "depth", "text": "depth", "along": "axis"})


def _motion() -> Made:
    random = np.random.default_rng(6)
    planes = {name: random.normal(0, 20, (48, 64)).astype(np.float32) for name in ("dx", "dy")}
    return Made("motion", planes, {"name": "motion", "text": "motion"})


NODES = (_overscan, _cropped, _halves, _ids, _depth, _motion)
PIXELS = {
    "overscan": [
        *((x - 16, 2) for x in range(len(ODD))),
        (-16, -8),
        (79, 55),
        (0, 0),
        (-1, 7),
        (63, 47),
        (64, 20),
    ],
    "cropped": [(30, 9), (49, 20), (40, 14)],
    "halves": [*((x, 0) for x in range(10)), (63, 47), (17, 13)],
    "ids": [(0, 0), (5, 5), (6, 5), (7, 5), (8, 5), (63, 47), (30, 20), (31, 20)],
    "depth": [(3, 3), (0, 0), (63, 0), (40, 40)],
    "motion": [(0, 0), (63, 47), (9, 40)],
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("probe")


@pytest.fixture(scope="module")
def files(folder):
    nodes = [make() for make in NODES]
    write_dump(folder / "dump", nodes)
    write_page(folder / "page.html", [folder / "dump"])
    return {node.name: truth(folder / "dump" / f"node{k}.exr") for k, node in enumerate(nodes)}


@pytest.mark.parametrize("name", PIXELS)
def test_every_number_is_that_of_the_file(browser, folder, files, name):
    file = files[name]
    with opened(browser, folder / "page.html") as driven:
        driven.open_node(name)
        for x, y in PIXELS[name]:
            driven.point_at(x, y)
            told = driven.values()
            assert set(told) == set(file.planes)
            for channel, text in told.items():
                if channel.startswith("id"):
                    assert text == f"0x{file.bits(channel, x, y):08x}", (x, y, channel)
                else:
                    expected, shown = file.at(channel, x, y), np.float32(number(text))
                    assert np.array_equal(shown, expected, equal_nan=True), (x, y, channel, text)
                    assert np.signbit(shown) == np.signbit(expected) or np.isnan(expected), (x, y, channel, text)


def test_ids_are_named_and_depth_is_in_metres(browser, folder, files):
    rows, columns = np.nonzero(files["ids"].planes["id0"].view(np.uint32) == 0xDEADBEEF)
    with opened(browser, folder / "page.html") as driven:
        driven.open_node("ids")
        driven.point_at(int(columns[0]), int(rows[0]))
        assert driven.values()["id0"] == "0xdeadbeef"
        assert driven.units["id0"] == "glass <b>"
        driven.page.keyboard.press("Escape")
        driven.open_node("depth")
        driven.point_at(9, 9)
        driven.values()
        assert driven.units == {"Z": "m"}


def test_outside_the_data_window_there_is_no_number(browser, folder, files):
    with opened(browser, folder / "page.html") as driven:
        driven.open_node("cropped")
        for x, y in ((29, 9), (30, 8), (50, 20), (49, 21), (0, 0)):
            driven.point_at(x, y)
            assert driven.values() == {}
            assert "outside the data window" in driven.remarks()
        driven.point_at(49, 20)
        assert "outside" not in driven.remarks()
        driven.page.keyboard.press("Escape")
        driven.open_node("overscan")
        driven.point_at(-16, 5)
        assert "outside the frame" in driven.remarks()
        assert len(driven.values()) == 4


@pytest.mark.slow
def test_ultra_high_definition(browser, tmp_path):
    planes = {name: plane.astype(np.float16) for name, plane in random_colour(3840, 2160, grain=0).items()}
    write_dump(tmp_path / "dump", [Made("wide", planes)])
    write_page(tmp_path / "page.html", [tmp_path / "dump"])
    file = truth(tmp_path / "dump" / "node0.exr")
    with opened(browser, tmp_path / "page.html") as driven:
        driven.open_node("wide")
        driven.page.locator("#whole").click()
        for x, y in ((0, 0), (3839, 2159), (960, 540), (961, 541), (1919, 0), (0, 1080)):
            driven.point_at(x, y)
            assert driven.remarks() == ""
            for channel, text in driven.values().items():
                assert np.float32(number(text)) == file.at(channel, x, y)


@pytest.mark.parametrize("most", [3_700_000, 2_400_000, 1_700_000, 1_300_000])
def test_a_page_that_is_too_small_says_what_it_kept(browser, tmp_path, most):
    """What is shown is the file's value at the pixel that is told, rounded to half where the page says so."""
    write_dump(tmp_path / "dump", [Made("grainy", random_colour(640, 360, seed=9), corner=(-3, -5))])
    write_page(tmp_path / "page.html", [tmp_path / "dump"], most_bytes=most)
    assert (tmp_path / "page.html").stat().st_size <= most
    file = truth(tmp_path / "dump" / "node0.exr")
    with opened(browser, tmp_path / "page.html") as driven:
        driven.open_node("grainy")
        for x, y in ((-3, -5), (636, 354), (100, 101), (101, 100), (333, 77)):
            driven.point_at(x, y)
            words = driven.remarks()
            moved = re.search(r"of pixel (−?\d+), (−?\d+)", words)
            at = (int(number(moved[1])), int(number(moved[2]))) if moved else (x, y)
            for channel, text in driven.values().items():
                expected = file.at(channel, *at)
                if "half" in words:
                    expected = np.float32(np.float16(expected))
                assert np.float32(number(text)) == expected, (x, y, words)
