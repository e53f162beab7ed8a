"""What `stackcomp.measure` shows: docstrings, use as in a notebook, and wrong arguments."""

from __future__ import annotations

import inspect
import json
import pickle
import re
from pathlib import Path

import numpy as np
import pytest
from slow_cases import few_fast

from stackcomp import ArgumentError, Composition, Graph, Image, RequestError, Window, measure
from stackcomp.data.port_types import Depth, Matte
from stackcomp.files.colour import convert

DEMO = Path(__file__).parents[2] / "demo_shot"
AREA = (181, 152, 21, 20)
FUNCTIONS = [name for name in measure.__all__ if inspect.isfunction(getattr(measure, name))]
CLASSES = [name for name in measure.__all__ if inspect.isclass(getattr(measure, name))]


def test_every_public_name_is_a_function_or_a_class():
    assert sorted([*FUNCTIONS, *CLASSES]) == sorted(measure.__all__)
    assert list(measure.__all__) == sorted(measure.__all__)


@pytest.mark.parametrize("name", FUNCTIONS)
def test_functions_say_what_they_take_and_give(name):
    function = getattr(measure, name)
    doc = inspect.getdoc(function)
    for parameter in inspect.signature(function).parameters:
        assert re.search(rf"^    {parameter}: \S", doc, re.MULTILINE) or "those of `" in doc, parameter
    assert "Raises:" in doc or "those of `" in doc
    gives = inspect.signature(function).return_annotation
    summary = doc.partition("\n")[0]
    assert gives == "None" or "Returns:" in doc or not summary.startswith(("Measure", "Find", "Open", "Match"))


@pytest.mark.parametrize("name", CLASSES)
def test_classes_say_what_they_hold(name):
    kind = getattr(measure, name)
    doc = inspect.getdoc(kind)
    fields = [field for field in getattr(kind, "__dataclass_fields__", {}) if not field.startswith("_")]
    for field in fields:
        assert re.search(rf"^    {field}: \S", doc, re.MULTILINE), field
    for method, function in vars(kind).items():
        if not method.startswith("_") and (inspect.isfunction(function) or isinstance(function, property)):
            assert inspect.getdoc(function), method


def test_a_notebook_matches_the_demos_hdri_to_its_plate(tmp_path):
    """The gain is the one that was planted in the HDRI."""
    place = json.loads((DEMO / "place" / "place.json").read_text())
    shot = json.loads((DEMO / "wide" / "shot.json").read_text())
    plate = measure.open_measured(DEMO / "wide" / "chart.exr", encoding="ACEScct")
    hdri = measure.open_measured("place/hdri_chart.exr", root=DEMO)
    match = measure.match_grey(plate, AREA, hdri, place["card_area"], plate_black=shot["black_lift"])
    np.testing.assert_allclose(match.gain, 1 / np.array(place["planted_white_balance"]), rtol=0.005)
    path = tmp_path / "found.json"
    measure.write_findings(path, {"gain": match.gain, "stops": match.stops}, match.as_dict())
    found = json.loads(path.read_text())
    assert found["gain"] == list(match.gain)
    assert found["found"]["stops"] == {"found_with": "gain"}
    graph = Graph(frames="1")
    graph.add("flat", "grey", size=[2, 2], colour=[1, 1, 1])
    graph.add("channel_gain", "gained", image="grey", gain="${gain}")
    gained = Composition(graph, variables=str(path)).render("gained", 1)
    assert gained.to_array()[0, 0, :3] == pytest.approx(match.gain, rel=1e-6)


@pytest.mark.slow
def test_a_notebook_measures_and_matches_the_rest_of_the_demo():
    shot = json.loads((DEMO / "wide" / "shot.json").read_text())
    lift = shot["black_lift"]
    chart = measure.open_measured(DEMO / "wide" / "chart.exr", encoding="ACEScct")
    target = measure.Chart(chart, shot["chart_corners"], lift)
    even = measure.match_chart(target, even=True)
    plain = measure.match_chart(target)
    assert np.nanmean(even.fit.after) < 0.5 < np.nanmean(plain.fit.after)
    assert plain.matrix.shape == (3, 3)
    assert measure.chart_picture(even).ndim == 3
    itself = measure.match_light(chart, AREA, chart, AREA, strength=3)
    assert itself.strength == pytest.approx(3)
    hdri = measure.open_measured("place/hdri.exr", root=DEMO)
    far = measure.match_light_from_hdri(chart, AREA, hdri, measure.direction(162, 10), plate_black=lift)
    assert far.light.value[0] > 0
    plate = measure.open_measured(DEMO / "lamp" / "plate.{frame:04d}.exr", frame=1003, encoding="ACEScct")
    cg = measure.open_measured(DEMO / "lamp" / "cg.{frame:04d}.exr", frame=1003, coverage=True)
    black = measure.match_black(plate, None, cg)
    assert (np.array(black.black) > lift - 4 * np.array(black.plate.standard_error)).all()
    assert black.difference == pytest.approx(np.array(black.black) - black.other.darkest)
    z = measure.open_channel(DEMO / "wide" / "cg.{frame:04d}.exr", layer="depth", frame=1003)
    depth = measure.depth_statistics(z)
    assert 0.1 < depth.median < 10
    matte = measure.open_channel(DEMO / "wide" / "cg.{frame:04d}.exr", channel="A", frame=1003)
    assert 0 < measure.matte_statistics(matte).mean < 1


def test_all_forms_of_an_area_are_the_same_area():
    rng = np.random.default_rng(1)
    picture = measure.Measured.of_light(Image.from_array(rng.random((40, 50, 3))))
    forms = ["5,6,20,10", "5,6;25,6;25,16;5,16", (5, 6, 20, 10), [5.0, 6, 20, 10], np.array([5, 6, 20, 10]),
             Window(5, 6, 25, 16), [(5, 6), (25, 6), (25, 16), (5, 16)],
             np.array([[5, 6], [25, 6], [25, 16], [5, 16]]), measure.parse_rectangle("5,6,20,10")]  # fmt: skip
    means = [measure.area_statistics(picture, form).channels["G"].mean for form in forms]
    assert means == [means[0]] * len(forms)
    assert measure.area_statistics(picture).pixels == 2000


def test_a_rendered_picture_is_measured_without_a_file():
    graph = Graph(frames="1")
    graph.add("flat", "grey", size=[8, 6], colour=[0.1, 0.2, 0.3])
    picture = measure.Measured.of_light(Composition(graph).render("grey", 1))
    figures = measure.area_statistics(picture)
    assert [figures.channels[name].mean for name in "RGB"] == pytest.approx([0.1, 0.2, 0.3])
    log = convert([np.full((4, 4), 0.2, np.float32)] * 3, "ACEScg", "ACEScct")
    with pytest.raises(ArgumentError, match="not scene-linear"):
        measure.Measured.of_light(Image.from_array(np.stack(log, axis=-1), encoding="ACEScct"))


GREY = measure.Measured.of_light(Image.from_array(np.full((20, 30, 3), 0.18)))
DEPTH = Image.from_array(np.ones((4, 4)), type=Depth())
MATTE = Image.from_array(np.ones((4, 4)), type=Matte())
CORNERS = ((1, 1), (20, 1), (20, 15), (1, 15))
IDS = str(DEMO / "wide" / "cg.1003.exr")
FILE = DEMO / "wide" / "chart.exr"
ODD = {"none": None, "number": 7, "text": "x", "list": [], "mapping": {}, "object": object(), "bytes": b"x",
       "array": np.zeros((2, 2)), "nan": float("nan"), "mixed": (1, 2, "x"), "truth": True, "huge": 10**400,
       "huge point": (10**400, 1), "huge area": (1, 1, 10**400, 1)}  # fmt: skip


def _chart(**changes):
    return measure.Chart(**{"picture": GREY, "corners": CORNERS, **changes})


TAKES = {
    "open_measured path": lambda x: measure.open_measured(x),
    "open_measured frame": lambda x: measure.open_measured(FILE, frame=x, encoding="ACEScct"),
    "open_measured layer": lambda x: measure.open_measured(FILE, layer=x, encoding="ACEScct"),
    "open_measured encoding": lambda x: measure.open_measured(FILE, encoding=x),
    "open_measured working_space": lambda x: measure.open_measured(FILE, encoding="ACEScct", working_space=x),
    "open_measured colour_config": lambda x: measure.open_measured(FILE, encoding="ACEScct", colour_config=x),
    "open_measured root": lambda x: measure.open_measured("chart.exr", encoding="ACEScct", root=x),
    "open_measured names": lambda x: measure.open_measured(FILE, encoding="ACEScct", names=x),
    "open_channel path": lambda x: measure.open_channel(x),
    "open_channel channel": lambda x: measure.open_channel(FILE, channel=x),
    "open_channel layer": lambda x: measure.open_channel(FILE, layer=x, channel="R"),
    "open_channel what": lambda x: measure.open_channel(FILE, channel="R", what=x),
    "open_channel frame": lambda x: measure.open_channel(FILE, channel="R", frame=x),
    "Measured": lambda x: measure.Measured(x, x, 1.0),
    "Measured.of_light": lambda x: measure.Measured.of_light(x),
    "Area corners": lambda x: measure.Area(x, ""),
    "Area text": lambda x: measure.Area(CORNERS, x),
    "parse_rectangle": lambda x: measure.parse_rectangle(x),
    "parse_polygon": lambda x: measure.parse_polygon(x),
    "whole": lambda x: measure.whole(x),
    "area_statistics picture": lambda x: measure.area_statistics(x),
    "area_statistics area": lambda x: measure.area_statistics(GREY, x),
    "depth_statistics picture": lambda x: measure.depth_statistics(x),
    "depth_statistics area": lambda x: measure.depth_statistics(DEPTH, x),
    "depth_statistics unit": lambda x: measure.depth_statistics(DEPTH, unit=x),
    "matte_statistics picture": lambda x: measure.matte_statistics(x),
    "matte_statistics area": lambda x: measure.matte_statistics(MATTE, x),
    "match_grey plate": lambda x: measure.match_grey(x, None, GREY, None),
    "match_grey plate_area": lambda x: measure.match_grey(GREY, x, GREY, None),
    "match_grey other": lambda x: measure.match_grey(GREY, None, x, None),
    "match_grey other_area": lambda x: measure.match_grey(GREY, None, GREY, x),
    "match_grey plate_black": lambda x: measure.match_grey(GREY, None, GREY, None, plate_black=x),
    "match_grey working_space": lambda x: measure.match_grey(GREY, None, GREY, None, working_space=x),
    "match_grey colour_config": lambda x: measure.match_grey(GREY, None, GREY, None, colour_config=x),
    "match_light plate": lambda x: measure.match_light(x, None, GREY, None),
    "match_light strength": lambda x: measure.match_light(GREY, None, GREY, None, strength=x),
    "match_light plate_black": lambda x: measure.match_light(GREY, None, GREY, None, plate_black=x),
    "match_light_from_hdri hdri": lambda x: measure.match_light_from_hdri(GREY, None, x, (0, 0, 1)),
    "match_light_from_hdri normal": lambda x: measure.match_light_from_hdri(GREY, None, GREY, x),
    "match_light_from_hdri reflectance": lambda x: measure.match_light_from_hdri(
        GREY, None, GREY, (0, 0, 1), reflectance=x
    ),
    "direction longitude": lambda x: measure.direction(x, 0),
    "direction latitude": lambda x: measure.direction(0, x),
    "Chart picture": lambda x: _chart(picture=x),
    "Chart corners": lambda x: _chart(corners=x),
    "Chart black": lambda x: _chart(black=x),
    "match_chart other": lambda x: measure.match_chart(x),
    "match_chart plate": lambda x: measure.match_chart(_chart(), x),
    "match_chart white": lambda x: measure.match_chart(_chart(), white=x),
    "match_chart working_space": lambda x: measure.match_chart(_chart(), working_space=x),
    "chart_picture": lambda x: measure.chart_picture(x),
    "match_black plate": lambda x: measure.match_black(x),
    "match_black plate_areas": lambda x: measure.match_black(GREY, x),
    "match_black other": lambda x: measure.match_black(GREY, AREA[2:] * 2, x),
    "match_black other_area": lambda x: measure.match_black(GREY, "1,1,9,9", GREY, x),
    "match_black percentile": lambda x: measure.match_black(GREY, "1,1,9,9", GREY, percentile=x),
    "match_grain plate": lambda x: measure.match_grain(x),
    "match_grain area": lambda x: measure.match_grain(GREY, x),
    "match_grain other": lambda x: measure.match_grain(GREY, None, x),
    "match_grain plate_black": lambda x: measure.match_grain(GREY, plate_black=x),
    "match_sharpness plate": lambda x: measure.match_sharpness(x, None, GREY, None),
    "match_sharpness plate_area": lambda x: measure.match_sharpness(GREY, x, GREY, None),
    "match_sharpness other": lambda x: measure.match_sharpness(GREY, None, x, None),
    "match_sharpness other_area": lambda x: measure.match_sharpness(GREY, None, GREY, x),
    "match_sharpness alpha": lambda x: measure.match_sharpness(GREY, None, GREY, None, alpha=x),
    "measure_grain plates": lambda x: measure.measure_grain(x),
    "measure_grain area": lambda x: measure.measure_grain([GREY], x),
    "measure_grain plate_black": lambda x: measure.measure_grain([GREY], plate_black=x),
    "black_of_areas picture": lambda x: measure.black_of_areas(x, ["1,1,9,9"]),
    "black_of_areas areas": lambda x: measure.black_of_areas(GREY.light, x),
    "darkest_region picture": lambda x: measure.darkest_region(x),
    "darkest_region share": lambda x: measure.darkest_region(GREY.light, share=x),
    "darkest_covered picture": lambda x: measure.darkest_covered(x, None),
    "darkest_covered alpha": lambda x: measure.darkest_covered(GREY.light, x),
    "darkest_covered area": lambda x: measure.darkest_covered(GREY.light, None, area=x),
    "measure_ids path": lambda x: measure.measure_ids(x),
    "measure_ids type": lambda x: measure.measure_ids(IDS, type=x),
    "measure_ids at": lambda x: measure.measure_ids(IDS, at=x),
    "measure_ids frame": lambda x: measure.measure_ids(IDS.replace("1003", "{frame}"), frame=x),
    "write_findings path": lambda x: measure.write_findings(x, {"gain": 1}, {}),
    "write_findings variables": lambda x: measure.write_findings("found.json", x, {}),
    "write_findings record": lambda x: measure.write_findings("found.json", {"gain": 1}, x),
    "write_findings value": lambda x: measure.write_findings("found.json", {"gain": x}, {}),
    "write_findings name": lambda x: measure.write_findings("found.json", {x: 1}, {}),
}


@pytest.mark.parametrize("name", few_fast(TAKES, 25))
def test_odd_arguments_are_refused_in_words_or_taken(name, tmp_path, monkeypatch):
    """No TypeError, IndexError or AttributeError; most values are refused."""
    monkeypatch.chdir(tmp_path)
    refused = 0
    for value in ODD.values():
        if name == "write_findings name" and isinstance(value, list | dict | np.ndarray):
            continue  # not a key of any mapping
        try:
            TAKES[name](value)
        except RequestError as error:
            refused += bool(error.problems) and all(problem.message for problem in error.problems)
    assert refused >= 4


def test_functions_and_arguments_are_all_tried():
    tried = {name.partition(" ")[0].partition(".")[0] for name in TAKES}
    assert set(FUNCTIONS) - {"open_picture"} <= tried


@pytest.mark.parametrize("error", [
    measure.AreaError("no pixel", "make it larger"),
    measure.PatchError("clipped", "12 are clipped", "choose another"),
    measure.BlackError("too small", "name an area"),
    measure.GrainError("no grain", "measure another plate"),
    measure.EdgeError("no edge", "name another area"),
])  # fmt: skip
def test_errors_come_back_from_a_worker(error):
    back = pickle.loads(pickle.dumps(error))
    assert (type(back), str(back), back.problems) == (type(error), str(error), error.problems)
    assert isinstance(back, RequestError)
