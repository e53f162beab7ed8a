"""Pages at their edges: empty windows, windows that differ, frames of one state only, other screens, the focus."""

from __future__ import annotations

import io

import numpy as np
import pytest
from made_dumps import Made, colour, random_colour, truth, write_dump
from PIL import Image as Canvas
from proof_browser import number, opened

from stackcomp.review.proof_page import write_page

pytestmark = pytest.mark.browser

FRAME = (0, 0, 64, 36)


def grey(level: float, size=(64, 36)) -> dict[str, np.ndarray]:
    return {name: np.full(size[::-1], level, np.float32) for name in "RGB"}


def made(name: str, level: float = 0.25, size=(64, 36), **more) -> Made:
    return Made(name, grey(level, size), **{"frame": FRAME, **more})


@pytest.fixture
def page_of(tmp_path):
    def write(nodes, **more):
        write_dump(tmp_path / "dump", nodes)
        return write_page(tmp_path / "page.html", [tmp_path / "dump"], **more)

    return write


def held_against(driven, other: str, mode: str) -> None:
    driven.page.select_option("#against", label=other)
    driven.page.locator(f'#modes input[value="{mode}"]').check()
    driven.drawn()


def on_screen(driven, x: int, y: int) -> tuple[int, int, int]:
    """The colour of a pixel of the stage, counted from its upper left corner."""
    stage = driven.page.locator("#stage").bounding_box()
    clip = {"x": stage["x"] + x, "y": stage["y"] + y, "width": 1, "height": 1}
    return Canvas.open(io.BytesIO(driven.page.screenshot(clip=clip))).convert("RGB").getpixel((0, 0))


def test_an_empty_window_has_no_pixel(browser, page_of):
    """OpenEXR has no empty windows: the file has one pixel of 0, and the report says that there is none."""
    empty = {"data_window": {"x": 4632, "y": -24, "width": 0, "height": 0}}
    nodes = [made("gone", 0, (1, 1), more=empty), made("there", 0.5)]
    with opened(browser, page_of(nodes)) as driven:
        driven.open_node("gone")
        driven.point_at(0, 0)
        assert driven.values() == {}
        assert driven.remarks() == "outside the data window: nothing is there"
        assert "empty" in driven.page.locator("#reading-values").inner_text()
        assert "data window\tempty" in driven.page.locator("#reading-state").inner_text()
        held_against(driven, "there", "difference")
        assert driven.page.locator("#stage-note").inner_text().startswith("largest difference 0.5 in R, at 0, 0")


@pytest.mark.parametrize("opened_first", ["whole", "cut"])
def test_a_difference_beyond_one_of_the_windows(browser, page_of, opened_first):
    """What only one of two pictures has differs from nothing: in the picture, in words, and under the pointer."""
    nodes = [made("whole"), made("cut", size=(32, 36))]
    other = "cut" if opened_first == "whole" else "whole"
    with opened(browser, page_of(nodes)) as driven:
        driven.open_node(opened_first)
        held_against(driven, other, "difference")
        words = driven.page.locator("#stage-note").inner_text().replace("\u2009", "")
        assert words == f"largest difference 0.25 in R, at 32, 0; {32 * 36 * 3} of {64 * 36 * 3} values differ"
        driven.point_at(40, 10)
        assert abs(number(driven.values(2)["R"])) == 0.25
        driven.point_at(10, 10)
        assert driven.values(2)["R"] == "0"


def test_windows_that_do_not_meet_are_compared_with_nothing(browser, page_of):
    nodes = [made("left", size=(8, 8)), made("right", 0.125, (8, 8), corner=(40, 20))]
    with opened(browser, page_of(nodes)) as driven:
        driven.open_node("left")
        held_against(driven, "right", "difference")
        words = driven.page.locator("#stage-note").inner_text()
        assert words == "largest difference 0.25 in R, at 0, 0; 384 of 384 values differ"


def test_numbers_that_are_not_finite_have_one_wording(browser, page_of):
    bad = grey(0.25)
    bad["R"][0, 0], bad["G"][0, 0] = np.inf, np.nan
    with opened(browser, page_of([Made("bad", bad), made("good")])) as driven:
        driven.open_node("bad")
        held_against(driven, "good", "difference")
        assert (
            driven.page.locator("#stage-note")
            .inner_text()
            .startswith("largest difference +infinite in R, at 0, 0")
        )
        driven.point_at(0, 0)
        assert driven.values(2) == {"R": "+infinite", "G": "not a number", "B": "0"}


def test_light_beyond_float_is_white_in_one_channel_too(browser, page_of):
    """Light at the end of float32, made brighter, is as bright as can be, and not black."""
    nodes = [Made("lamp", grey(3e38))]
    with opened(browser, page_of(nodes)) as driven:
        driven.open_node("lamp")
        driven.page.locator("#whole").click()
        for way in ("whole", "plane:R"):
            driven.page.locator(f'#channels input[value="{way}"]').check()
            driven.page.locator("#stops").fill("12")
            driven.drawn()
            stage = driven.page.locator("#stage").bounding_box()
            middle = on_screen(driven, stage["width"] // 2 + 90, stage["height"] // 2 + 90)
            assert min(middle) > 200, way


def test_a_frame_of_one_state_only_is_not_called_equal(browser, tmp_path):
    plate = [made("plate")]
    for frame in (1001, 1002):
        write_dump(tmp_path / "new" / str(frame), plate, frame)
    write_dump(tmp_path / "old" / "1001", plate, 1001)
    page = write_page(tmp_path / "page.html", [tmp_path / "new"], before=[tmp_path / "old"])
    with opened(browser, page) as driven:
        assert "before and after are equal" in driven.page.locator("#summary").inner_text()
        driven.page.keyboard.press("n")
        summary = driven.page.locator("#summary").inner_text()
        assert "equal" not in summary
        assert "only after has this frame" in summary


def test_warnings_of_a_frame_stand_at_their_frame(browser, tmp_path):
    def warning(text):
        return {"message": text, "node": None}

    write_dump(tmp_path / "d" / "1", [made("plate")], 1, warnings=[warning("dim"), warning("dusty")])
    write_dump(tmp_path / "d" / "2", [made("plate")], 2, warnings=[warning("wet")])
    with opened(browser, write_page(tmp_path / "page.html", [tmp_path / "d"])) as driven:

        def seen():
            return [one.inner_text() for one in driven.page.locator("#notes .note:visible").all()]

        assert seen() == ["dim", "dusty"]
        driven.page.keyboard.press("n")
        assert seen() == ["wet"]


def test_readings_of_another_node_do_not_stay(browser, tmp_path):
    """A node that a frame lacks has no readings there, and not those of the frame before."""
    write_dump(tmp_path / "d" / "1", [made("plate"), made("cord", kind="exposure")], 1)
    write_dump(tmp_path / "d" / "2", [made("plate")], 2)
    with opened(browser, write_page(tmp_path / "page.html", [tmp_path / "d"])) as driven:
        driven.open_node("cord")
        assert "64 × 36" in driven.page.locator("#reading-state").inner_text()
        driven.page.keyboard.press("n")
        driven.drawn()
        assert driven.page.locator("#stage-note").inner_text() == "This node is not in this frame."
        state = driven.page.locator("#reading-state .inside").inner_text()
        assert state == "This node is not in this frame."
        assert driven.page.locator("#reading-kind .inside").inner_text() == ""


def test_the_surround_follows_the_theme_at_once(browser, page_of):
    with opened(browser, page_of([made("plate")])) as driven:
        driven.open_node("plate")
        light = on_screen(driven, 1, 1)
        driven.page.keyboard.press("t")
        driven.settled()
        assert on_screen(driven, 1, 1) != light


def test_the_probe_follows_the_pointer_onto_another_screen(browser, tmp_path):
    """A window that moves to a screen of other density keeps its size, and the probe its place."""
    nodes = [Made("plate", random_colour(640, 360, seed=5))]
    write_dump(tmp_path / "dump", nodes)
    file = truth(tmp_path / "dump" / "node0.exr")
    with opened(browser, write_page(tmp_path / "page.html", [tmp_path / "dump"])) as driven:
        driven.open_node("plate")
        session = driven.page.context.new_cdp_session(driven.page)
        metrics = {"width": 1280, "height": 900, "mobile": False}
        session.send("Emulation.setDeviceMetricsOverride", {**metrics, "deviceScaleFactor": 2})
        driven.page.wait_for_function("() => devicePixelRatio === 2")
        stage = driven.page.locator("#stage").bounding_box()
        driven.page.keyboard.press("o")
        driven.page.mouse.move(stage["x"] + stage["width"] / 2 + 40, stage["y"] + stage["height"] / 2 + 10)
        size = driven.page.evaluate("() => [canvas.width, canvas.height]")
        assert size == [round(2 * stage["width"]), round(2 * stage["height"])]
        x, y = driven.spot()
        assert (abs(x - (320 + 80)) <= 1, abs(y - (180 + 20)) <= 1) == (True, True)
        assert np.float32(number(driven.values()["R"])) == file.at("R", x, y)


def focus(driven) -> str:
    return driven.page.evaluate(
        "() => document.activeElement.id || document.activeElement.value || document.activeElement.tagName"
    )


def test_the_focus_is_never_lost(browser, page_of):
    """Who works by keyboard goes on where they are: at the same choice, or at the picture."""
    nodes = [
        made("plate"),
        made("graded", 0.5, inputs={"image": "plate"}),
        made("end", inputs={"image": "graded"}),
    ]
    with opened(browser, page_of(nodes)) as driven:
        driven.open_node("graded")
        page = driven.page
        page.locator('#modes input[value="one"]').focus()
        for mode in ("wipe", "difference", "one"):
            page.keyboard.press("ArrowRight")
            driven.drawn()
            assert focus(driven) == mode
        page.locator("#flow .link", has_text="plate").focus()
        page.keyboard.press("Enter")
        driven.drawn()
        assert page.locator("#sheet-name").inner_text() == "plate"
        assert focus(driven) == "stage"
        page.locator("#later").focus()
        page.keyboard.press("Enter")
        page.keyboard.press("Enter")
        driven.drawn()
        assert page.locator("#sheet-name").inner_text() == "end"
        assert focus(driven) == "stage"


def test_what_is_held_is_shown_and_never_held_against_itself(browser, page_of):
    nodes = [made("plate"), made("graded", 0.5, inputs={"image": "plate"})]
    with opened(browser, page_of(nodes)) as driven:
        driven.open_node("plate")
        driven.page.keyboard.press("h")
        driven.drawn()
        chosen = "() => document.querySelector('#against').selectedOptions[0].textContent"
        assert driven.page.evaluate(chosen) == "plate (this one)"
        driven.page.keyboard.press("j")
        driven.page.keyboard.press("v")
        driven.drawn()
        assert driven.page.locator("#stage-note").inner_text() == "left: graded · right: plate"
        driven.page.keyboard.press("k")
        driven.drawn()
        assert driven.page.locator("#stage-note").is_hidden()


def test_a_type_that_the_file_does_not_bear_out(browser, page_of):
    """What is there is shown, plane by plane."""
    types = ("ratio", "motion", "coordinates", "ids", "depth", "matte")
    ramp = np.linspace(0, 1, 64 * 36, dtype=np.float32).reshape(36, 64)
    nodes = [Made(name, {"X": ramp}, {"name": name, "text": name}) for name in types]
    nodes.append(Made("colour", {"X": ramp}, colour("premultiplied")))
    with opened(browser, page_of(nodes)) as driven:
        for name in (*types, "colour"):
            driven.open_node(name)
            driven.point_at(3, 2)
            assert np.float32(number(driven.values()["X"])) == ramp[2, 3]
            driven.page.keyboard.press("Escape")


def test_between_two_states_a_node_is_held_against_its_own_other_state(browser, tmp_path):
    """Even after a node that only one state has, and that was held against a neighbour for want of another."""
    plate = made("plate")
    write_dump(tmp_path / "old", [plate, made("gone", 0.5, inputs={"image": "plate"})])
    write_dump(tmp_path / "new", [plate, made("added", 0.5, inputs={"image": "plate"})])
    page = write_page(tmp_path / "page.html", [tmp_path / "new"], before=[tmp_path / "old"])
    with opened(browser, page) as driven:
        assert "first that differs, removed" in driven.box("gone").get_attribute("aria-label")
        driven.open_node("added")
        driven.page.keyboard.press("v")
        driven.drawn()
        assert "plate" in driven.page.locator("#stage-note").inner_text()
        driven.page.locator("#flow .link", has_text="plate").click()
        driven.drawn()
        assert driven.page.locator("#stage-note").inner_text() == "left: plate, before · right: plate, after"


def test_what_failed_in_both_states_is_not_said_to_differ(browser, tmp_path):
    nodes = [made("plate"), Made("dark", more={"state": "failed"}), Made("end", inputs={"image": "dark"})]
    for state in ("old", "new"):
        write_dump(tmp_path / state, nodes, failed={"node": "dark", "reason": "no light"})
    page = write_page(tmp_path / "page.html", [tmp_path / "new"], before=[tmp_path / "old"])
    with opened(browser, page) as driven:
        assert driven.box("end").locator(".marks").inner_text() == "not compared"


def test_every_neighbour_can_be_seen_and_reached(browser, page_of):
    names = [f"branch {k} with a name of some length" for k in range(40)]
    nodes = [made(name) for name in names]
    nodes.append(made("join", inputs={f"p{k}": name for k, name in enumerate(names)}))
    with opened(browser, page_of(nodes)) as driven:
        driven.open_node("join")
        last = driven.page.locator("#flow .link").last
        driven.page.locator("#flow .link").first.hover()
        driven.page.mouse.wheel(0, 10_000)
        seen = """(one) => { const { left, top, width, height } = one.getBoundingClientRect();
          return document.elementFromPoint(left + width / 2, top + height / 2) === one; }"""
        driven.page.wait_for_function(seen, arg=last.element_handle(), timeout=5000)


def test_the_histogram_is_seen_without_scrolling(browser, page_of):
    with opened(browser, page_of([Made("plate", random_colour(64, 36))])) as driven:
        driven.open_node("plate")
        section = driven.page.locator("#reading-values").bounding_box()
        for lane in driven.page.locator("#reading-values .histogram").all():
            box = lane.bounding_box()
            assert box["y"] + box["height"] <= section["y"] + section["height"]
            assert box["width"] > 60


def test_a_dump_without_nodes(browser, page_of):
    with opened(browser, page_of([])) as driven:
        assert "0 nodes" in driven.page.locator("#summary").inner_text()
        for key in ("j", "k", "ArrowDown", "/", "Enter", "Escape", "?"):
            driven.page.keyboard.press(key)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_hint_in_the_search_can_be_read(browser, page_of, scheme):
    """4.5 : 1 at the least: WCAG 2.2, 1.4.3."""
    with opened(browser, page_of([made("plate")]), color_scheme=scheme) as driven:
        ink, paper = driven.page.evaluate(
            r"""() => { const find = document.getElementById("find");
            return [getComputedStyle(find, "::placeholder").color, getComputedStyle(find).backgroundColor]
              .map((text) => text.match(/\d+/g).map(Number)); }"""
        )
        lights = sorted(luminance(colour) for colour in (ink, paper))
        assert (lights[1] + 0.05) / (lights[0] + 0.05) >= 4.5


def luminance(colour: list[int]) -> float:
    """Relative luminance of sRGB, by the definition in WCAG 2.2."""
    linear = [v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in (c / 255 for c in colour)]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_a_node_opens_at_one_to_one(browser, page_of):
    """However large the picture; whole is a choice, which stays for the next node."""
    sizes = {"plate": (90, 64), "large": (3000, 2000), "small": (8, 4)}
    nodes = [Made(name, grey(0.18, size)) for name, size in sizes.items()]
    with opened(browser, page_of(nodes)) as driven:
        for name in sizes:
            driven.open_node(name)
            driven.drawn()
            assert driven.page.locator("#zoom-label").inner_text() == "1 : 1", name
            driven.page.keyboard.press("Escape")
        driven.open_node("small")
        driven.page.locator("#whole").click()
        driven.page.keyboard.press("Escape")
        driven.open_node("large")
        driven.drawn()
        assert "1 : 1" not in driven.page.locator("#zoom-label").inner_text()
