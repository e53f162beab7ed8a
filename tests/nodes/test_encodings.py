"""Encodings from file to display: who says what a picture is in, and how it gets from there to where it goes.

Conversions are held against OpenColorIO without optimisation, called directly.
"""

from __future__ import annotations

import threading
import time
from pathlib import Path

import numpy as np
import OpenImageIO
import PyOpenColorIO
import pytest

from stackcomp import CheckError, Composition, Graph, Image
from stackcomp.check.check_graph import check_graph
from stackcomp.data.port_types import Colour, Encoding
from stackcomp.data.window import Window
from stackcomp.files import colour, colour_tags, exr, stills
from stackcomp.files.colour import DEFAULT_CONFIG
from stackcomp.kernels import strips
from stackcomp.plan.planning import AreaStep, SweepStep, make_plan
from stackcomp.review.dump import dump

SIZE = (8, 6)
REC709 = "Linear Rec.709 (sRGB)"
AP0 = colour_tags.chromaticities_of("ACES2065-1")
#: Display P3 primaries with the white of a film projector: in the config's list of spaces there is none such.
ODD = (0.68, 0.32, 0.265, 0.69, 0.15, 0.06, 0.314, 0.351)


def noise(seed=0, low=0.05, high=0.9):
    return np.random.default_rng(seed).uniform(low, high, (SIZE[1], SIZE[0], 3)).astype(np.float32)


def save(path, pixels, **metadata):
    window = Window.of_size(pixels.shape[1], pixels.shape[0])
    planes = {name: np.ascontiguousarray(pixels[..., k]) for k, name in enumerate("RGBA"[: pixels.shape[2]])}
    exr.write(path, planes, window=window, display=window, pixel_type="float", metadata=metadata)


def by_opencolorio(pixels, *transform):
    """Through a pair of spaces, or a source, display and view."""
    config = PyOpenColorIO.Config.CreateFromBuiltinConfig(DEFAULT_CONFIG)
    if len(transform) == 3:
        source, display, view = transform
        processor = config.getProcessor(PyOpenColorIO.DisplayViewTransform(source, display, view))
    else:
        processor = config.getProcessor(*transform)
    copy = np.array(pixels, np.float32, order="C")
    processor.getOptimizedCPUProcessor(PyOpenColorIO.OPTIMIZATION_NONE).applyRGB(copy)
    return copy


def reading(encoding=None, picked=False, **settings):
    graph = Graph(frames="1", **settings)
    graph.add("read", "file", path="a.exr", encoding=encoding)
    if picked:
        graph.add("pick_channels", "colour", layers="file")
    graph.add("convert_colour", "light", image="colour" if picked else "file")
    return graph


# -- who says what a file is in -----------------------------------------------------------------------------


@pytest.mark.parametrize("picked", [False, True])
@pytest.mark.parametrize(
    ("declared", "header", "expected"),
    [
        ("ACEScct", {}, "ACEScct"),
        ("ACEScct", {"chromaticities": AP0, "colorInteropID": "lin_rec709_scene"}, "ACEScct"),
        (None, {"chromaticities": AP0}, "ACES2065-1"),
        (None, {"colorInteropID": "lin_rec709_scene"}, REC709),
        (None, {"chromaticities": AP0, "colorInteropID": "lin_rec709_scene"}, REC709),
        (None, {"chromaticities": AP0, "colorInteropID": "lin_of_tomorrow"}, "ACES2065-1"),
    ],
)
def test_the_parameter_goes_before_the_header(tmp_path, picked, declared, header, expected):
    pixels = noise()
    save(tmp_path / "a.exr", pixels, **header)
    comp = Composition(reading(declared, picked), root=tmp_path)
    assert comp.check() == []
    got = comp.render("light", 1)
    assert got.type == Colour("none", Encoding("ACEScg", "scene-linear"))
    np.testing.assert_allclose(got.to_array(), by_opencolorio(pixels, expected, "ACEScg"), rtol=3e-6, atol=1e-5)


@pytest.mark.parametrize("picked", [False, True])
@pytest.mark.parametrize(
    ("header", "message"),
    [
        ({}, "colour space"),
        (
            {"chromaticities": ODD},
            "its chromaticities (0.68 0.32 0.265 0.69 0.15 0.06 0.314 0.351) are of a space that is not known",
        ),
        ({"colorInteropID": "lin_of_tomorrow"}, 'its colorInteropID "lin_of_tomorrow" is not known'),
        ({"colorInteropID": "lin_of_tomorrow", "chromaticities": ODD}, "is not known and its chromaticities"),
    ],
)
def test_else_the_check_asks(tmp_path, picked, header, message):
    save(tmp_path / "a.exr", noise(), **header)
    (problem,) = Composition(reading(picked=picked), root=tmp_path).check()
    assert (problem.rule, problem.severity, problem.field) == ("encoding-unknown", "error", "encoding")
    assert message in problem.message
    assert '"encoding"' in problem.way_out
    problems = Composition(reading("ACEScg", picked), root=tmp_path).check()
    assert [problem.rule for problem in problems] == ["converts-nothing"]  # a warning


def test_a_header_that_the_config_cannot_follow(tmp_path):
    own = "ocio_profile_version: 2\nroles: {default: lin, scene_linear: lin}\ncolorspaces:\n"
    (tmp_path / "own.ocio").write_text(own + "  - !<ColorSpace> {name: lin, encoding: scene-linear}\n")
    save(tmp_path / "a.exr", noise(), chromaticities=AP0)
    graph = reading(colour_config="own.ocio", working_space="lin")
    (problem,) = Composition(graph, root=tmp_path).check()
    assert 'its header says "ACES2065-1", which' in problem.message
    assert "own.ocio does not have" in problem.message


def test_a_still_says_nothing_so_the_check_asks(tmp_path):
    stills.write(tmp_path / "a.png", noise())
    graph = Graph(frames="1")
    graph.add("read", "file", path="a.png")
    graph.add("convert_colour", "light", image="file")
    (problem,) = Composition(graph, root=tmp_path).check()
    assert problem.rule == "encoding-unknown"


def test_an_open_picture_that_is_silent(material):
    # Of the OpenEXR project. The format's text takes silence for ITU-R BT.709, but few renderers mean that by it.
    graph = Graph(frames="1")
    graph.add("read", "file", path=str(material / "openexr-images" / "Chromaticities" / "Rec709.exr"))
    graph.add("convert_colour", "light", image="file")
    (problem,) = Composition(graph).check()
    assert problem.rule == "encoding-unknown"


def test_the_demo_says_what_it_is_in():
    graph = Graph(frames="1003", working_space="ACEScg")
    graph.add("read", "file", path="demo_shot/wide/cg.{frame:04d}.exr")
    graph.add("convert_colour", "light", image="file")
    comp = Composition(graph, root=Path(__file__).parents[2])
    assert [problem.rule for problem in comp.check()] == ["converts-nothing"]
    graph.set("light", to="ACES2065-1")
    graph.add("read", "plate", path="demo_shot/wide/plate.{frame:04d}.exr")
    graph.add("convert_colour", "light_of_plate", image="plate")
    (problem,) = Composition(graph, root=Path(__file__).parents[2]).check()
    assert (problem.rule, problem.node) == ("encoding-unknown", "plate")


@pytest.mark.parametrize(
    ("wrong", "near"), [("AcesCGG", "ACEScg"), ("ACESct", "ACEScct"), ("ARRI LogC 4", "ARRI LogC4")]
)
def test_near_miss_names(tmp_path, wrong, near):
    save(tmp_path / "a.exr", noise())
    for graph in (reading(wrong), reading("ACEScg", working_space=wrong)):
        problems = Composition(graph, root=tmp_path).check()
        assert any(f'did you mean "{near}"' in str(problem) for problem in problems)
    with pytest.raises(CheckError, match=f'did you mean "{near}"'):
        Composition(reading(wrong), root=tmp_path).render("light", 1)


# -- the config ---------------------------------------------------------------------------------------------


def test_the_config_is_a_full_name_or_a_path(tmp_path):
    assert DEFAULT_CONFIG.startswith("studio-config-v")
    assert colour.encoding("ARRI LogC4").family == "log"  # camera logs come with a studio config
    own = (
        "ocio_profile_version: 2\nroles: {default: lin, scene_linear: lin}\ncolorspaces:\n"
        "  - !<ColorSpace> {name: lin, encoding: scene-linear}\n"
        "  - !<ColorSpace>\n    name: film\n    encoding: log\n"
        "    to_scene_reference: !<ExponentTransform> {value: 2}\n"
    )
    (tmp_path / "own.ocio").write_text(own)
    save(tmp_path / "a.exr", noise())
    graph = reading("film", colour_config="own.ocio", working_space="lin")
    got = Composition(graph, root=tmp_path).render("light", 1)
    np.testing.assert_allclose(got.to_array(), noise() ** 2, rtol=1e-6)
    for name in ("default", "studio-config-latest"):
        (problem,) = Composition(reading("ACEScg", colour_config=name), root=tmp_path).check()
        assert problem.rule == "colour-config"


# -- log to light, light to display ---------------------------------------------------------------------------


@pytest.mark.parametrize("camera", ["ACEScct", "ARRI LogC4", "S-Log3 S-Gamut3", "Log3G10 REDWideGamutRGB"])
def test_camera_log_plates_become_light(tmp_path, camera):
    assert colour.encoding(camera).family == "log"
    pixels = noise(low=0.1, high=0.7)
    save(tmp_path / "a.exr", pixels)
    got = Composition(reading(camera), root=tmp_path).render("light", 1)
    np.testing.assert_allclose(got.to_array(), by_opencolorio(pixels, camera, "ACEScg"), rtol=5e-6, atol=1e-5)


@pytest.mark.parametrize("source", ["ACEScct", "ACEScg", "ACES2065-1"])
def test_stills_and_dumps_are_encoded_for_a_display(tmp_path, source):
    pixels = noise(3, 0.1, 0.5)
    save(tmp_path / "a.exr", pixels)
    graph = Graph(frames="1")
    graph.add("read", "file", path="a.exr", encoding=source)
    graph.add("exposure" if source != "ACEScct" else "cdl", "it", image="file")
    graph.add("deliver", "out", image="it", path="o.png", bits=16)
    comp = Composition(graph, root=tmp_path)
    config = PyOpenColorIO.Config.CreateFromBuiltinConfig(DEFAULT_CONFIG)
    display = config.getDefaultDisplay()
    expected = np.clip(by_opencolorio(pixels, source, display, config.getDefaultView(display)), 0, 1)
    comp.deliver()
    delivered = OpenImageIO.ImageBuf(str(tmp_path / "o.png")).get_pixels("float")
    np.testing.assert_allclose(delivered, expected, atol=1e-5)
    dump(comp, 1, tmp_path / "d")
    dumped = OpenImageIO.ImageBuf(str(tmp_path / "d" / "it.png")).get_pixels("float")
    np.testing.assert_allclose(dumped[..., :3], expected, atol=1 / 255)


# -- how conversions run ------------------------------------------------------------------------------------


def chain(target, last="exposure"):
    graph = Graph(frames="1")
    graph.add("flat", "p", size=list(SIZE))
    graph.add("exposure", "before", image="p", stops=0.5)
    graph.add("convert_colour", "converted", image="before", to=target)
    graph.add(last, "after", image="converted")
    return graph


def plan_of(graph):
    checked, problems = check_graph(graph.document(), Path("."), wanted=["after"])
    assert checked is not None, problems
    return make_plan(checked, ["after"])


def test_a_matrix_runs_inside_the_sweep():
    for target in ("ACES2065-1", REC709, "Linear Rec.2020"):
        (sweep,) = [step for step in plan_of(chain(target)).steps if isinstance(step, SweepStep)]
        assert {"before", "converted", "after"} <= {value.key.node for value in sweep.values}


def test_a_table_runs_between_sweeps():
    steps = plan_of(chain("ACEScc", "cdl")).steps
    (area,) = [step for step in steps if isinstance(step, AreaStep)]
    assert {key.node for key in area.makes} == {"converted"}
    swept = {value.key.node for step in steps if isinstance(step, SweepStep) for value in step.values}
    assert "converted" not in swept


def test_a_curve_runs_in_the_sweep_that_uses_it():
    (sweep,) = [step for step in plan_of(chain("ACEScct", "cdl")).steps if isinstance(step, SweepStep)]
    assert {value.key.node for value in sweep.values} >= {"converted", "after"}


def test_a_matrix_asks_opencolorio_for_no_pixel(monkeypatch):
    monkeypatch.setattr(colour, "_apply", lambda *_: pytest.fail("a matrix belongs in the sweep"))
    got = Composition(chain(REC709)).render("after", 1, replace={"p": Image.from_array(noise())})
    expected = by_opencolorio(noise() * np.float32(2**0.5), "ACEScg", REC709)
    np.testing.assert_allclose(got.to_array(), expected, rtol=3e-6, atol=3e-7)


def test_one_processor_for_all_frames():
    comp = Composition(chain("ACEScc", "cdl"))
    comp.render("after", 1, replace={"p": Image.from_array(noise())})
    before = colour._cpu.cache_info()
    for frame in (2, 3, 4):
        comp.render("after", frame, replace={"p": Image.from_array(noise(frame))})
    after = colour._cpu.cache_info()
    assert after.misses == before.misses
    assert after.hits >= before.hits + 3


class Listening:
    """A processor that notes what it is given and when it works."""

    def __init__(self, processor):
        self.processor = processor
        self.shapes, self.spans = [], []

    def isNoOp(self):  # noqa: N802 - OpenColorIO's name
        return self.processor.isNoOp()

    def apply(self, description):
        begin = time.perf_counter()
        self.processor.apply(description)
        self.spans.append((begin, time.perf_counter()))
        self.shapes.append((description.getHeight(), description.getWidth()))


def test_the_rest_runs_in_strips_that_cover_all_rows(monkeypatch):
    listening = Listening(colour._cpu("ACEScg", "ACEScct", DEFAULT_CONFIG))
    monkeypatch.setattr(colour, "_cpu", lambda *_: listening)
    planes = [np.random.default_rng(k).random((700, 300), np.float32) for k in range(3)]
    try:
        strips.set_threads(2)
        got = colour.convert(planes, "ACEScg", "ACEScct")
    finally:
        strips.set_threads(None)
    assert len(listening.shapes) > 1
    assert sum(height for height, _ in listening.shapes) == 700
    assert {width for _, width in listening.shapes} == {300}
    np.testing.assert_allclose(
        np.stack(got, -1), by_opencolorio(np.stack(planes, -1), "ACEScg", "ACEScct"), atol=1e-6
    )


def test_the_interpreter_lock_is_released():
    """While OpenColorIO works on one large strip, another thread of Python goes on."""
    listening = Listening(colour._cpu("ARRI LogC4", "ACEScct", DEFAULT_CONFIG))
    planes = [np.random.default_rng(k).random((1500, 1500), np.float32) for k in range(3)]
    description = PyOpenColorIO.PlanarImageDesc(*planes, 1500, 1500)
    worker = threading.Thread(target=listening.apply, args=(description,))
    ticks = []
    worker.start()
    while worker.is_alive():
        ticks.append(time.perf_counter())
        time.sleep(0.0005)
    worker.join()
    ((begin, end),) = listening.spans
    # The first tick may fall before the work took the lock; those well inside cannot.
    margin = (end - begin) / 10
    assert sum(begin + margin < tick < end - margin for tick in ticks) >= 3
