"""The page in a headless browser: what the probe shows against the files, keys, both states, and how it looks."""

from __future__ import annotations

import io
import json
import re

import numpy as np
import OpenEXR
import pytest
from PIL import Image as Canvas

from stackcomp.data.image import Image
from stackcomp.data.port_types import Colour, Encoding
from stackcomp.files.viewable import viewable
from stackcomp.review.proof_page import write_page

pytestmark = pytest.mark.browser


def true_values(path):
    """The planes of a file, and the corner of its data window, as the OpenEXR library reads them."""
    with OpenEXR.File(str(path), separate_channels=True) as file:
        part = file.parts[0]
        corner = part.header["dataWindow"][0]
        return {name: channel.pixels.copy() for name, channel in part.channels.items()}, corner


def number(text):
    words = {"not a number": np.nan, "+infinite": np.inf, "-infinite": -np.inf}
    return np.float32(words[text] if text in words else float(text))


def same(shown, expected):
    """Whether text is a float and no other; a zero keeps its sign."""
    value = number(shown)
    return np.array_equal(value.view(np.uint32), np.float32(expected).view(np.uint32)) or (
        np.isnan(value) and np.isnan(expected)
    )


def assert_probe(seen, path, x, y, channels="RGB"):
    planes, (left, top) = true_values(path)
    shown = seen.values()
    for name in channels:
        assert same(shown[name], planes[name][y - top, x - left]), (name, x, y, shown)


def pixels(seen):
    """What stands on the screen where the picture is, ``(height, width, 3)``."""
    with Canvas.open(io.BytesIO(seen.page.locator("#canvas").screenshot())) as shown:
        return np.asarray(shown.convert("RGB"))


# -- the probe -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("corner", "frame"),
    [
        ((0, 0), (0, 0, 60, 40)),
        ((-9, -7), (0, 0, 42, 26)),  # overscan
        ((12, 5), (0, 0, 90, 60)),  # a crop
        ((-40, -30), (-64, -48, 64, 48)),  # a frame that does not begin at 0
    ],
)
def test_the_probe_shows_the_values_of_the_file(dump_maker, make_noise, tmp_path, see, corner, frame):
    planes = {name: make_noise(40, 60, seed) for seed, name in enumerate("RGB")}
    planes["R"][0, 0], planes["G"][0, 0], planes["B"][0, 0] = np.nan, -np.inf, -0.0
    planes["R"][39, 59], planes["G"][39, 59] = 1e-42, 3.4e38
    folder = dump_maker().add("plate", planes, corner=corner, frame=frame).write()
    seen = see(write_page(tmp_path / "page.html", [folder]))
    seen.open("plate")
    for column, row in ((0, 0), (59, 39), (31, 17), (59, 0)):
        x, y = corner[0] + column, corner[1] + row
        seen.go_to(x, y)
        assert_probe(seen, folder / "picture-0.exr", x, y)
        inside = frame[0] <= x < frame[2] and frame[1] <= y < frame[3]
        assert seen.remarks == ([] if inside else ["outside the frame"])
    seen.go_to(corner[0] - 1, corner[1])
    assert seen.values() == {}
    assert seen.remarks[-1] == "outside the data window: nothing is there"


def test_the_pointer_leads_the_probe(dump_maker, make_noise, tmp_path, see):
    planes = {name: make_noise(200, 300, seed) for seed, name in enumerate("RGB")}
    folder = dump_maker().add("plate", planes, corner=(-20, -10), frame=(-20, -10, 280, 190)).write()
    seen = see(write_page(tmp_path / "page.html", [folder]))
    seen.open("plate")
    box = seen.page.locator("#canvas").bounding_box()
    middle = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    seen.press("o")
    seen.page.mouse.move(middle[0] + 37, middle[1] - 22)
    assert abs(seen.place["x"] - (130 + 37)) <= 1
    assert abs(seen.place["y"] - (90 - 22)) <= 1
    assert_probe(seen, folder / "picture-0.exr", **seen.place)
    seen.press("+", "+", "+")  # 4 to 1, about the pixel of the probe
    assert seen.page.locator("#zoom-label").text_content() == "4 : 1"
    seen.page.mouse.move(middle[0] + 37 - 80, middle[1] - 22 + 40)
    assert abs(seen.place["x"] - (130 + 37 - 20)) <= 1
    assert abs(seen.place["y"] - (90 - 22 + 10)) <= 1
    assert_probe(seen, folder / "picture-0.exr", **seen.place)


def test_half_is_said_and_rounded_as_the_standard_rounds(dump_maker, make_noise, tmp_path, see):
    planes = {name: make_noise(270, 480, seed) for seed, name in enumerate("RGB")}
    folder = dump_maker().add("plate", planes, frame=(0, 0, 480, 270)).write()
    seen = see(write_page(tmp_path / "page.html", [folder], most_bytes=1_700_000))
    seen.open("plate")
    seen.go_to(241, 131)
    for name, plane in planes.items():
        assert same(seen.values()[name], np.float32(np.float16(plane[131, 241])))
    assert seen.remarks == ["rounded to half"]


def test_on_a_grid_the_probe_shows_the_nearest_pixel_that_is_kept(dump_maker, make_noise, tmp_path, see):
    planes = {name: make_noise(270, 480, seed) for seed, name in enumerate("RGB")}
    planes["G"][::8, ::8] = np.nan
    folder = dump_maker().add("plate", planes, corner=(-30, -20), frame=(0, 0, 420, 230)).write()
    seen = see(write_page(tmp_path / "page.html", [folder], most_bytes=950_000))
    seen.open("plate")
    stored, (left, top) = true_values(folder / "picture-0.exr")
    for x, y in ((211, 116), (206, 110), (-29, 117), (449, 249)):
        seen.go_to(x, y)
        remarks = " ".join(seen.remarks)
        told = re.search(r"of pixel (−?\d+), (−?\d+), the nearest of those kept \(every (\d+)(?:nd|th)\)", remarks)
        if told is None:
            at_x, at_y = x, y
        else:
            at_x, at_y, step = (int(text.replace("−", "-")) for text in told.groups())
            assert abs(at_x - x) <= step
            assert abs(at_y - y) <= step
            assert (at_x - left) % step == (at_y - top) % step == 0
        for name in "RGB":
            assert same(seen.values()[name], stored[name][at_y - top, at_x - left])
    assert told is not None


def test_ids_are_shown_exactly_with_their_names(dump_maker, tmp_path, see):
    ids = np.zeros((30, 50), np.uint32)
    ids[10:, :] = 0xDF22D155
    ids[20:, 25:] = 0xFFFFFFFF  # as a float it is not a number
    dump = dump_maker().add("objects", {"id0": ids, "cover0": np.full(ids.shape, 0.5, np.float32)}, "ids")
    dump.nodes[0] |= {"id_channels": ["id0"], "manifest": {"lantern <base>": 0xDF22D155}}
    seen = see(write_page(tmp_path / "page.html", [dump.write()]))
    seen.open("objects")
    found = {}
    for y in (5, 15, 25):
        seen.go_to(40, y)
        name = seen.page.locator("#probe .value small").all_text_contents()
        found[y] = (seen.values()["id0"], *name)
    assert found == {5: ("0x00000000", "nothing"), 15: ("0xdf22d155", "lantern <base>"), 25: ("0xffffffff",)}
    rows = seen.page.locator("#reading-values tbody tr").all_text_contents()
    assert rows[0].startswith("lantern <base>0xdf22d155750375")


def test_a_layer_is_chosen_and_its_ids_are_ids(dump_maker, make_noise, tmp_path, see):
    shape = 24, 32
    beauty = {name: make_noise(*shape, seed) for seed, name in enumerate("RGBA")}
    planes = {
        **beauty,
        "depth.Z": np.full(shape, 1.25, np.float32),
        "Object00.r": np.full(shape, 0x7F800001, np.uint32).view(np.float32),
        "Object00.g": np.ones(shape, np.float32),
        "shadow.R": make_noise(*shape, 7),
        "shadow.G": make_noise(*shape, 8),
        "shadow.B": make_noise(*shape, 9),
    }
    dump = dump_maker().add("cg", planes, "layers", id_channels=["Object00.r"])
    seen = see(write_page(tmp_path / "page.html", [dump.write()]))
    seen.open("cg")
    seen.go_to(7, 9)
    titles = seen.page.locator("#layer option").all_text_contents()
    assert titles[0] == "main picture"
    shown = {}
    for title in titles:
        seen.page.select_option("#layer", label=title)
        seen.settled()
        shown[title] = seen.values()
    assert shown["Object00"] == {"r": "0x7f800001", "g": "1"}
    assert shown["depth"] == {"Z": "1.25"}
    assert same(shown["shadow"]["G"], planes["shadow.G"][9, 7])
    assert same(shown["main picture"]["A"], planes["A"][9, 7])


def test_outside_a_ratio_counts_as_one(dump_maker, tmp_path, see):
    planes = {name: np.full((10, 12), 0.5, np.float32) for name in "RGB"}
    seen = see(write_page(tmp_path / "p.html", [dump_maker().add("shadow", planes, "ratio").write()]))
    seen.open("shadow")
    seen.go_to(-1, 4)
    assert seen.remarks[-1] == "outside the data window: counts as 1"


# -- the picture ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("stops", [0.0, 2.5, -3.0])
def test_the_picture_is_what_the_program_shows(dump_maker, make_noise, tmp_path, see, stops):
    height, width = 60, 100
    planes = {name: make_noise(height, width, seed) for seed, name in enumerate("RGB")}
    planes = {name: plane * np.float32(0.25) for name, plane in planes.items()}
    folder = dump_maker().add("plate", planes).write()
    seen = see(write_page(tmp_path / "page.html", [folder]))
    seen.open("plate")
    seen.page.evaluate("document.getElementById('stage').focus()")
    seen.press("o", *(["u"] * round(4 * stops) if stops > 0 else ["d"] * round(-4 * stops)))
    shown = pixels(seen)
    top, left = (shown.shape[0] - height + 1) // 2, (shown.shape[1] - width + 1) // 2
    image = Image.from_array(np.stack(list(planes.values()), axis=-1))
    image = Image(image.planes, image.window, image.display, Colour("none", Encoding("ACEScg", "scene-linear")))
    expected = viewable(image, stops=stops).astype(int)
    found = shown[top : top + height, left : left + width].astype(int)
    off = np.abs(found - expected)
    assert off.mean() < 0.75
    assert np.percentile(off, 99) <= 4


def test_a_viewing_picture_looks_like_the_picture_at_other_exposures(dump_maker, make_noise, tmp_path, see):
    height, width = 270, 480
    across, down = np.meshgrid(np.linspace(-6, 3, width), np.linspace(-1, 1, height))
    grain = 1 + 0.02 * np.random.default_rng(2).standard_normal((3, height, width))
    light = 0.18 * np.exp2(np.stack([across + down, across, across - down])) * grain
    planes = dict(zip("RGB", light.astype(np.float32), strict=True))
    folder = dump_maker().add("plate", planes).write()
    path = write_page(tmp_path / "page.html", [folder], most_bytes=900_000)
    seen = see(path)
    assert "true values of a grid of pixels" in seen.page.locator("#foot").text_content()
    seen.open("plate")
    seen.page.evaluate("document.getElementById('stage').focus()")
    seen.press("o", *["u"] * 8)
    shown = pixels(seen)
    top, left = (shown.shape[0] - height + 1) // 2, (shown.shape[1] - width + 1) // 2
    image = Image.from_array(np.stack(list(planes.values()), axis=-1))
    image = Image(image.planes, image.window, image.display, Colour("none", Encoding("ACEScg", "scene-linear")))
    expected = viewable(image, stops=2).astype(float)
    found = shown[top : top + height, left : left + width].astype(float)
    blocks = (found - expected).reshape(height // 10, 10, width // 10, 10, 3).mean(axis=(1, 3))
    # What a person sees of it: the mean over ten pixels is off by a level or two.
    assert np.abs(blocks).mean() < 1.5
    assert np.abs(blocks).max() < 12


def test_pixels_that_are_not_finite_are_marked_and_the_mark_can_be_taken_off(dump_maker, tmp_path, see):
    plane = np.full((40, 40), 0.5, np.float32)
    plane[10:14, 20:24] = np.nan
    seen = see(write_page(tmp_path / "page.html", [dump_maker().add("m", {"A": plane}, "matte").write()]))
    seen.open("m")
    magenta = [255, 0, 255]
    marked = (pixels(seen) == magenta).all(axis=2)
    zoom = round(np.sqrt(np.count_nonzero(marked) / 16))
    assert np.count_nonzero(marked) == 16 * zoom**2
    seen.press("q")
    assert not (pixels(seen) == magenta).all(axis=2).any()


def test_alpha_over_a_checker(dump_maker, tmp_path, see):
    planes = {name: np.zeros((64, 64), np.float32) for name in "RGBA"}
    seen = see(write_page(tmp_path / "page.html", [dump_maker().add("key", planes, "premultiplied").write()]))
    seen.open("key")
    seen.press("o")
    middle = (pixels(seen).shape[0] + 1) // 2, (pixels(seen).shape[1] + 1) // 2
    there = np.s_[middle[0] - 32 : middle[0] + 32, middle[1] - 32 : middle[1] + 32]
    assert not pixels(seen)[there].any()
    seen.press("y")
    assert len(np.unique(pixels(seen)[there].reshape(-1, 3), axis=0)) == 2


def test_channels_one_by_one(dump_maker, tmp_path, see):
    planes = {
        name: np.full((32, 32), level, np.float32) for name, level in zip("RGBA", (0.2, 0, 0, 0.5), strict=True)
    }
    seen = see(write_page(tmp_path / "page.html", [dump_maker().add("key", planes, "premultiplied").write()]))
    seen.open("key")
    grey = []
    for _ in "RGBA":
        seen.press("c")
        colour = pixels(seen)[pixels(seen).shape[0] // 2 + 9, pixels(seen).shape[1] // 2 + 9]
        assert len(set(colour.tolist())) == 1
        grey.append(int(colour[0]))
    assert grey[0] > 60
    assert grey[1:3] == [0, 0]
    assert grey[3] == 128


# -- comparing -----------------------------------------------------------------------------------------------


def test_wipe_and_difference_of_two_nodes(dump_maker, make_noise, tmp_path, see):
    plate = {name: make_noise(40, 60, seed) for seed, name in enumerate("RGB")}
    other = {name: plane.copy() for name, plane in plate.items()}
    other["G"][33, 44] += np.float32(0.5)
    folder = dump_maker().add("plate", plate).add("graded", other, inputs={"image": "plate"}).write()
    seen = see(write_page(tmp_path / "page.html", [folder]))
    seen.open("graded")
    seen.press("v")
    assert seen.page.locator("#stage-note").text_content() == "left: graded · right: plate"
    seen.go_to(44, 33)
    for row, planes in enumerate((other, plate)):
        assert same(seen.values(row)["G"], planes["G"][33, 44])
    off = float(other["G"][33, 44]) - float(plate["G"][33, 44])
    assert float(seen.values(2)["G"]) == pytest.approx(off, rel=1e-5)
    split = seen.page.locator("#wipe").input_value()
    seen.press(",", ",")
    assert int(seen.page.locator("#wipe").input_value()) == int(split) - 40
    seen.press("v")
    note = seen.page.locator("#stage-note")
    assert re.fullmatch(
        r"largest difference 0\.[45]\d* in G, at 44, 33; 1 of 7\s?200 values differ", note.text_content()
    )
    seen.press("0", ".", ".", ".")
    assert seen.page.locator("#gain-label").text_content() == "+3 stops"
    seen.page.locator("#stage-note button").click()
    assert seen.place == {"x": 44, "y": 33}


def test_viewing_pictures_are_never_subtracted(dump_maker, make_noise, tmp_path, see):
    """Two nodes that differ by a gain: what is shown is the difference of true values, in blocks of their grid."""
    dump, light = (
        dump_maker(),
        {name: make_noise(216, 384, seed) * np.float32(0.05) for seed, name in enumerate("RGB")},
    )
    for k in range(4):
        planes = {name: plane * np.float32(1 + k / 8) for name, plane in light.items()}
        dump.add(f"n{k}", planes, inputs={"image": f"n{k - 1}"} if k else {})
    seen = see(write_page(tmp_path / "page.html", [dump.write()], most_bytes=1_800_000))
    seen.open("n1")
    seen.press("v", "v", "o")
    note = seen.page.locator("#stage-note").text_content()
    step = int(re.search(r"true values of every (\d+)(?:nd|th) pixel", note)[1])
    assert step >= 4
    shown = pixels(seen)
    top, left = (shown.shape[0] - 216 + 1) // 2, (shown.shape[1] - 384 + 1) // 2
    found = shown[top : top + 64, left : left + 128].astype(int)
    for channel, name in enumerate("RGB"):
        before, after = light[name], light[name] * np.float32(1.125)
        off = np.minimum(np.abs(after - before)[:64:step, :128:step], 1)
        expected = np.kron(np.where(off == 0, 0, 255 * off ** (1 / 2.2)), np.ones((step, step)))
        assert np.abs(found[..., channel] - expected).max() <= 1


def test_before_and_after(dump_maker, make_noise, tmp_path, see):
    plate = {name: make_noise(20, 30, seed) for seed, name in enumerate("RGB")}
    bright = {name: plane * 2 for name, plane in plate.items()}
    before, after = dump_maker("before"), dump_maker("after")
    before.add("plate", plate).add("grade", plate, inputs={"image": "plate"}, parameters={"stops": 0.0})
    before.add("old", plate, inputs={"image": "grade"}).add("end", plate, inputs={"image": "old"})
    after.add("plate", plate).add("grade", bright, inputs={"image": "plate"}, parameters={"stops": 1.0})
    after.add("new", bright, inputs={"image": "grade"}).add("end", bright, inputs={"image": "new"})
    seen = see(write_page(tmp_path / "page.html", [after.write()], before=[before.write()]))
    marks = {
        box.locator("b").first.text_content(): box.locator(".mark").all_text_contents()
        for box in seen.page.locator(".box").all()
    }
    assert marks == {
        "plate": ["equal"],
        "grade": ["first that differs", "changed: stops"],
        "old": ["removed"],
        "new": ["added"],
        "end": ["differs", "changed: image"],
    }
    assert "first that differs: grade" in seen.page.locator("#summary").text_content()
    seen.open("grade")
    assert "before: 0" in seen.page.locator("#reading-parameters").text_content()
    seen.press("v")
    assert seen.page.locator("#stage-note").text_content() == "left: grade, before · right: grade, after"
    seen.go_to(3, 4)
    assert same(seen.values(0)["R"], bright["R"][4, 3])
    assert same(seen.values(1)["R"], plate["R"][4, 3])
    seen.press("s")
    assert same(seen.values(0)["R"], plate["R"][4, 3])


def test_frames_are_steps(dump_maker, make_noise, tmp_path, see):
    planes = {frame: make_noise(20, 30, frame) for frame in (1001, 1002, 1003)}
    folders = [
        dump_maker(str(frame), frame).add("m", {"A": plane}, "matte", seconds=frame / 1000).write()
        for frame, plane in planes.items()
    ]
    seen = see(write_page(tmp_path / "page.html", [folders[0].parent]))
    slider = seen.page.locator("#step")
    assert slider.get_attribute("max") == "2"
    thumbs = []
    for frame in planes:
        assert f"frame {frame}" in seen.page.locator("#summary").text_content()
        thumbs.append(seen.page.locator(".box img").get_attribute("src"))
        seen.page.keyboard.press("n")
        seen.page.wait_for_timeout(60)
    assert len(set(thumbs)) == 3
    seen.open("m")
    seen.go_to(4, 4)
    for frame in (1003, 1002, 1001):
        assert same(seen.values()["A"], planes[frame][4, 4])
        seen.press("b")


# -- the whole page ------------------------------------------------------------------------------------------


def test_a_name_is_shown_as_text(dump_maker, make_noise, tmp_path, see):
    names = ["<script>alert(1)</script>", "</script><img src=x onerror=alert(1)>", "שלום", "&lt;b&gt;"]
    dump, before = dump_maker(), ""
    for name in names:
        inputs = {name: before} if before else {}
        dump.add(name, {"A": make_noise(8, 8)}, "matte", inputs=inputs, about=name, warnings=[name])
        dump.nodes[-1]["parameters"] = {name: name}
        before = name
    seen = see(write_page(tmp_path / "page.html", [dump.write()], title=names[0]))
    assert seen.page.title() == f"{names[0]} — proof page"
    assert seen.page.locator("h1").text_content() == names[0]
    assert seen.page.locator(".box .name b").all_text_contents() == names
    for name in names:
        seen.open(name)
        assert seen.page.locator("#sheet-name").text_content() == name
        assert name in seen.page.locator("#reading-parameters").text_content()
        seen.page.keyboard.press("Escape")
    # What would be an alert, or a request for a picture, fails in the fixture.


def test_two_hundred_nodes_with_long_names(dump_maker, tmp_path, see):
    dump = dump_maker()
    plane = {"A": np.full((9, 16), 0.5, np.float32)}
    names = [
        f"step {k} with a name that is much longer than any box is wide, whatever is done" for k in range(200)
    ]
    for k, name in enumerate(names):
        dump.add(name, plane, "matte", inputs={"image": names[k - 1]} if k else {})
    seen = see(write_page(tmp_path / "page.html", [dump.write()]))
    assert seen.page.locator(".box").count() == 200
    assert seen.page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    seen.page.keyboard.press("/")
    seen.page.keyboard.type("step 150 ")
    seen.page.keyboard.press("Enter")
    assert seen.page.evaluate("document.activeElement.id") == "n150"
    seen.page.keyboard.press("Enter")
    seen.settled()
    assert seen.page.locator("#sheet-name").text_content() == names[150]


def test_everything_by_keys(dump_maker, make_noise, tmp_path, see):
    plate = {name: make_noise(40, 60, seed) for seed, name in enumerate("RGB")}
    dump = dump_maker().add("plate", plate).add("left", plate, inputs={"image": "plate"})
    dump.add("right", plate, inputs={"image": "plate"})
    dump.add("end", plate, inputs={"source": "left", "backdrop": "right"})
    seen = see(write_page(tmp_path / "page.html", [dump.write()]))
    page = seen.page

    def focused():
        return page.evaluate("document.activeElement.querySelector('b')?.textContent")

    page.keyboard.press("ArrowDown")
    assert focused() == "plate"
    page.keyboard.press("ArrowDown")
    assert focused() in ("left", "right")
    page.keyboard.press("ArrowRight" if focused() == "left" else "ArrowLeft")
    page.keyboard.press("ArrowDown")
    assert focused() == "end"
    page.keyboard.press("j")
    assert focused() == "end"
    page.keyboard.press("k")
    assert focused() == "right"
    page.keyboard.press("Enter")
    seen.settled()
    assert page.evaluate("document.getElementById('sheet').open")
    assert page.locator("#sheet-name").text_content() == "right"
    seen.press("j")
    assert page.locator("#sheet-name").text_content() == "end"
    seen.press("u", "u")
    assert page.locator("#stops-label").text_content() == "+0.5"
    seen.press("0", "d")
    assert page.locator("#stops-label").text_content() == "−0.25"
    seen.press("h", "k", "v")
    assert page.locator("#stage-note").text_content() == "left: right · right: end"
    seen.press("i")
    assert not page.locator("#readings").is_visible()
    page.keyboard.press("Escape")
    assert focused() == "right"
    page.keyboard.press("?")
    listed = page.locator("#keys-list kbd").all_text_contents()
    assert {"u", "d", "c", "v", "h", "/", "?", "arrows"} <= set(listed)
    page.locator("#single-keys").uncheck()
    page.keyboard.press("Escape")
    page.keyboard.press("t")
    assert page.evaluate("document.documentElement.dataset.theme") is None


@pytest.mark.parametrize(("width", "height"), [(1280, 800), (2560, 1440)])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_it_can_be_read(dump_maker, make_noise, tmp_path, see, width, height, scheme):
    """All text has the contrast of WCAG 2.2, success criterion 1.4.3, to what is behind it: 4.5 to 1."""
    dump = dump_maker(failed={"node": "warm", "reason": "not enough memory"})
    dump.add("plate", {name: make_noise(36, 64) for name in "RGB"}, warnings=["two pixels are not finite"])
    dump.add("warm", inputs={"image": "plate"}, state="failed").add("late", inputs={"image": "warm"})
    seen = see(write_page(tmp_path / "page.html", [dump.write()]), width, height, scheme)
    assert seen.page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    pairs = seen.page.evaluate(_COLOURS)
    seen.open("plate")
    pairs += seen.page.evaluate(_COLOURS)
    assert len(pairs) > 60
    assert seen.page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    readings = seen.page.locator("#readings").bounding_box()
    assert readings["y"] + readings["height"] <= height + 1
    assert seen.page.locator("#canvas").bounding_box()["height"] >= 200
    low = [(text, ratio) for text, ink, paper in pairs if (ratio := contrast(ink, paper)) < 4.5]
    assert low == []


_COLOURS = """() => {
  const found = [];
  const solid = (element) => {
    for (let at = element; at; at = at.parentElement) {
      const paper = getComputedStyle(at).backgroundColor;
      if (!/, 0\\)$/.test(paper)) return paper;
    }
    return "rgb(255, 255, 255)";
  };
  for (const element of document.querySelectorAll("body *")) {
    const text = [...element.childNodes].filter((n) => n.nodeType === 3).map((n) => n.data.trim()).join("");
    const hidden = !element.checkVisibility({ opacityProperty: true }) || element.closest("script, :disabled");
    if (!text || hidden) continue;
    if (element.getBoundingClientRect().width === 0) continue;
    found.push([text, getComputedStyle(element).color, solid(element)]);
  }
  return found;
}"""


def contrast(ink, paper):
    def luminance(colour):
        rgb = [int(value) / 255 for value in re.findall(r"\d+", colour)[:3]]
        linear = [v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in rgb]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    low, high = sorted((luminance(ink), luminance(paper)))
    return (high + 0.05) / (low + 0.05)


def test_the_switch_changes_dark_and_light(dump_maker, tmp_path, see):
    dump = dump_maker().add("m", {"A": np.ones((4, 4), np.float32)}, "matte")
    seen = see(write_page(tmp_path / "page.html", [dump.write()]))
    colour = "getComputedStyle(document.body).backgroundColor"
    light = seen.page.evaluate(colour)
    seen.page.locator("#theme").click()
    assert seen.page.evaluate(colour) != light
    seen.page.keyboard.press("t")
    assert seen.page.evaluate(colour) == light


def test_failures_are_told(dump_maker, make_noise, tmp_path, see):
    dump = dump_maker(failed={"node": "warm", "reason": "not enough memory"})
    dump.add("plate", {name: make_noise(9, 16) for name in "RGB"})
    dump.add("warm", inputs={"image": "plate"}, state="failed").add("late", inputs={"image": "warm"})
    seen = see(write_page(tmp_path / "page.html", [dump.write()]))
    assert "failed at warm" in seen.page.locator("#summary").text_content()
    assert seen.page.locator("#n1 .reason").text_content() == "not enough memory"
    seen.open("late")
    assert seen.page.locator("#stage-note").text_content() == 'not computed, because "warm" failed before'
    assert seen.page.locator("#reading-state .failure").is_visible()


def test_readings_of_a_node(dump_maker, make_noise, tmp_path, see):
    planes = {name: make_noise(40, 60, seed) for seed, name in enumerate("RGB")}
    planes["R"][0, 0] = np.nan
    dump = dump_maker().add("warm", planes, parameters={"stops": 0.5, "amount": 1.0}, seconds=0.0125)
    seen = see(write_page(tmp_path / "page.html", [dump.write()]))
    seen.open("warm")
    rows = {
        row.locator("th").text_content(): row.locator("td").all_text_contents()
        for row in seen.page.locator("#reading-values tbody tr").all()
    }
    assert rows["not a number"] == ["1", "none", "none"]
    finite = planes["R"][np.isfinite(planes["R"])]
    assert float(rows["greatest"][0]) == pytest.approx(finite.max(), rel=1e-4)
    assert float(rows["median"][1]) == pytest.approx(np.median(planes["G"]), rel=1e-2)
    assert "stops0.5" in seen.page.locator("#reading-parameters table").text_content()
    assert "12.5 ms" in seen.page.locator("#reading-state").text_content()
    assert seen.page.locator("#reading-kind h3").text_content() == "Kind: exposure"
    assert "stops" in seen.page.locator("#reading-kind").text_content()
    assert seen.page.locator(".histogram").count() == 3


def test_nothing_of_the_page_is_left_to_the_script(dump_maker, make_noise, tmp_path, browser):
    """The graph, its pictures and its words are there before any script has run."""
    dump = (
        dump_maker()
        .add("plate", {"A": make_noise(9, 16)}, "matte")
        .add("end", {"A": make_noise(9, 16)}, "matte", inputs={"matte": "plate"})
    )
    path = write_page(tmp_path / "page.html", [dump.write()])
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(path.as_uri())
    assert page.locator(".box b").all_text_contents() == ["plate", "end"]
    assert page.locator("svg.narrow path").count() == 2
    assert "matte" in page.locator(".word").text_content()
    assert json.dumps(page.locator(".box img").first.bounding_box())
    context.close()
