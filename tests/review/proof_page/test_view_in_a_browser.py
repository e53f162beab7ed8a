"""What is drawn on the stage, pixel by pixel: levels, one to one, and grey as OpenColorIO shows it."""

from __future__ import annotations

import io
import re

import numpy as np
import pytest
from made_dumps import Made, colour, write_dump
from PIL import Image as Canvas
from proof_browser import opened

from stackcomp.review.proof_page import write_page

pytestmark = pytest.mark.browser


SIZE = 64, 48


def _steps() -> dict[str, np.ndarray]:
    """Red rises by columns, green by rows; blue is the same everywhere; two pixels are not finite."""
    height, width = SIZE[1], SIZE[0]
    red = np.tile(np.linspace(0, 1, width, dtype=np.float32), (height, 1))
    green = np.tile(np.linspace(0, 1, height, dtype=np.float32)[:, None], (1, width))
    blue = np.full((height, width), 0.25, np.float32)
    red[20, 30], green[21, 31] = np.nan, np.inf
    return {"R": red, "G": green, "B": blue}


def _nodes() -> list[Made]:
    grey = {name: np.full((SIZE[1], SIZE[0]), 0.18, np.float32) for name in "RGB"}
    shown_as_it_is = colour(encoding={"name": "display", "family": "display"})
    return [Made("steps", _steps(), shown_as_it_is), Made("grey", grey, inputs={"image": "steps"})]


@pytest.fixture(scope="module")
def page_file(tmp_path_factory):
    folder = tmp_path_factory.mktemp("view")
    return write_page(folder / "page.html", [write_dump(folder / "dump", _nodes())])


@pytest.fixture
def driven(browser, page_file):
    with opened(browser, page_file) as driven:
        yield driven


def _screen(driven) -> np.ndarray:
    """What is drawn on the stage, pixel by pixel."""
    driven.drawn()
    seen = np.asarray(Canvas.open(io.BytesIO(driven.page.screenshot())).convert("RGB"))
    left, top, width, height = driven.page.evaluate(
        "() => { const canvas = document.getElementById('canvas'), box = canvas.getBoundingClientRect();"
        " return [Math.round(box.left), Math.round(box.top), canvas.width, canvas.height]; }"
    )
    return seen[top : top + height, left : left + width]


def _corner(screen: np.ndarray) -> tuple[int, int]:
    """Where the first pixel of the frame is at one to one, with the frame's middle in the stage's middle."""
    return (screen.shape[1] + 1) // 2 - SIZE[0] // 2, (screen.shape[0] + 1) // 2 - SIZE[1] // 2


def _pixel(driven, x: int, y: int) -> tuple[int, ...]:
    """The colour on the screen of a pixel of the frame, at one to one and in the middle of the stage."""
    screen = _screen(driven)
    left, top = _corner(screen)
    return tuple(int(v) for v in screen[top + y, left + x])


def _open_at_one(driven, name: str) -> None:
    # The pointer stays away from the stage, so that nothing is marked on it.
    driven.page.mouse.move(1, 1)
    driven.box(name).focus()
    driven.page.keyboard.press("Enter")
    driven.drawn()
    driven.page.keyboard.press("w")
    driven.page.keyboard.press("o")


def test_channels_are_drawn_by_their_numbers(driven):
    """Values of display encoding, shown by themselves, are the levels on the screen."""
    _open_at_one(driven, "steps")
    planes = _steps()
    for x, y in ((0, 0), (63, 47), (10, 40), (50, 3)):
        expected = [round(255 * float(planes[c][y, x])) for c in "RGB"]
        assert np.abs(np.subtract(_pixel(driven, x, y), expected)).max() <= 1
    for channel in "RGB":
        driven.page.keyboard.press("c")
        for x, y in ((63, 47), (10, 40)):
            level = round(255 * float(planes[channel][y, x]))
            assert np.abs(np.subtract(_pixel(driven, x, y), level)).max() <= 1, channel


def test_grey_is_shown_as_the_view_shows_it(driven):
    """18 % grey through the view of the program, at three exposures; the library that makes it is OpenColorIO."""
    import PyOpenColorIO as ocio  # noqa: N813

    config = ocio.Config.CreateFromBuiltinConfig("studio-config-v2.2.0_aces-v1.3_ocio-v2.4")
    display = config.getDefaultDisplay()
    view = ocio.DisplayViewTransform(src="ACEScg", display=display, view=config.getDefaultView(display))
    processor = config.getProcessor(view).getDefaultCPUProcessor()
    _open_at_one(driven, "grey")
    for stops, key in ((0, None), (1, "u"), (-1, "d")):
        for _ in range(abs(stops) * 4 + (4 if stops < 0 else 0)):
            driven.page.keyboard.press(key)
        assert re.sub("−", "-", driven.page.locator("#stops-label").text_content()).lstrip("+") == str(stops)
        expected = np.array(processor.applyRGB([0.18 * 2.0**stops] * 3)) * 255
        assert np.abs(np.subtract(_pixel(driven, 20, 20), expected)).max() <= 2


def test_zoom_is_one_pixel_to_one(driven):
    _open_at_one(driven, "steps")
    driven.page.keyboard.press("q")
    screen = _screen(driven)
    left, top = _corner(screen)
    row = screen[top + 40, left : left + SIZE[0], 0].astype(int)
    expected = np.rint(255 * _steps()["R"][40]).astype(int)
    # The probe may stand in the picture; it is not in this row.
    assert np.abs(row - expected).max() <= 1
