"""Half files in and out of loops: the same pixels as converting first, and the same words about them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pytest

from stackcomp import Composition, Graph, RenderError, Window, set_threads
from stackcomp.data.image import Held
from stackcomp.execute import frame as frame_module
from stackcomp.files import exr
from stackcomp.plan.program import Program

FRAME = Window.of_size(45, 33)
CROP = Window(3, 2, 40, 31)
GRADE = {"slope": [1.2, 0.8, 1.1], "offset": [0.05, 0, -0.1], "power": [0.8, 1.5, 1], "saturation": 1.3}

#: Kinds in each shape that reads a file: fields that are node names are inputs.
KINDS: list[tuple[str, dict[str, Any]]] = [
    ("exposure", {"image": "cg", "stops": 0.7}),
    ("exposure", {"image": "plate", "stops": 0.7, "within": "matte", "amount": 0.5}),
    ("channel_gain", {"image": "plate", "gain": [2, 0.5, 1.5]}),
    ("colour_matrix", {"image": "cg", "matrix": [1.2, -0.1, 0, 0.1, 0.8, 0, 0.3, 0, 1]}),
    ("cdl", {"image": "cg", **GRADE}),
    ("cdl", {"image": "straight", "clamp": True, **GRADE}),
    ("cdl", {"image": "plate", "within": "matte", **GRADE}),
    ("match_black", {"image": "cg", "black": [0.1, 0.05, 0.02], "within": "matte"}),
    ("convert_colour", {"image": "cg", "to": "ACEScct"}),
    ("convert_colour", {"image": "straight", "to": "sRGB - Display"}),
    ("convert_colour", {"image": "log"}),
    ("convert_colour", {"image": "cg", "to": "ACEScc"}),
    ("premultiply", {"image": "straight"}),
    ("unpremultiply", {"image": "cg"}),
    ("over", {"source": "cg", "backdrop": "plate"}),
    ("porter_duff", {"source": "cg", "backdrop": "plate", "mode": "xor"}),
    ("blend", {"source": "cg", "backdrop": "plate", "mode": "soft-light"}),
    ("multiply_shadow", {"backdrop": "plate", "shadow": "ratio", "gamma": 1.4, "tint": 0.1, "black": 0.01}),
    ("multiply_shadow", {"backdrop": "plate", "shadow": "cg", "density": 0.8}),
    ("holdout", {"image": "cg", "matte": "matte"}),
    ("restore", {"source": "plate", "backdrop": "cg", "matte": "matte"}),
    ("join_mattes", {"first": "matte", "second": "matte", "mode": "difference"}),
    ("invert_matte", {"matte": "matte"}),
    ("soft_matte", {"matte": "matte", "grow": 1}),
    ("glow", {"image": "cg", "radius": 1, "falloff": "gaussian"}),
    ("defocus", {"image": "plate", "radius": 2}),
    ("place", {"image": "cg", "turn": 20, "pivot": [20, 15]}),
]
every = pytest.mark.parametrize(
    ("kind", "fields"), KINDS, ids=[" ".join([kind, *map(str, fields.values())])[:40] for kind, fields in KINDS]
)


def planes_of(seed: int, names: str, window: Window = CROP) -> dict[str, np.ndarray]:
    """Numbers that a half holds, some of them negative, large or denormal."""
    draw = np.random.default_rng(seed)
    planes = {name: draw.random(window.shape, dtype=np.float32) * 2 for name in names}
    for name, plane in planes.items():
        odd = draw.random(plane.shape) < 0.03
        plane[odd] = draw.choice([-0.25, 40000, 3e-7, 0, 1], int(odd.sum()))
        if name == "A":
            planes[name] = np.clip(plane, 0, 1)
    return {name: plane.astype(np.float16).astype(np.float32) for name, plane in planes.items()}


@pytest.fixture(scope="module")
def folders(tmp_path_factory):
    """The same pictures as half files and as float files."""
    made = {}
    for pixel_type in ("half", "float"):
        folder = made[pixel_type] = tmp_path_factory.mktemp(pixel_type)
        for seed, (name, channels) in enumerate({"cg": "RGBA", "plate": "RGB", "matte": "A"}.items()):
            window = FRAME if name == "plate" else CROP
            planes = planes_of(seed, channels, window)
            exr.write(folder / f"{name}.exr", planes, window=window, display=FRAME, pixel_type=pixel_type)
    return made


def graph_of(kind: str, fields: Mapping[str, Any]) -> Graph:
    graph = Graph(frames="1")
    graph.add("read", "cg", path="cg.exr", encoding="ACEScg")
    graph.add("read", "plate", path="plate.exr", encoding="ACEScg")
    graph.add("read", "log", path="plate.exr", encoding="ACEScct")
    graph.add("read", "straight", path="cg.exr", encoding="ACEScg", alpha="straight")
    graph.add("read", "mattes", path="matte.exr")
    graph.add("pick_channels", "matte", layers="mattes", as_="matte")
    graph.add("pick_channels", "ratio", layers="plate", as_="ratio")
    graph.add(kind, "it", **fields)
    return graph


def render(folder, kind, fields, **options):
    return Composition(graph_of(kind, fields), root=folder).render("it", 1, **options)


def assert_same(got, expected):
    assert got.window == expected.window
    assert got.channels == expected.channels
    for name in expected:
        assert got[name].dtype == expected[name].dtype == np.float32
        assert got[name].tobytes() == expected[name].tobytes(), name


@every
def test_half_files_give_what_float_files_give(folders, kind, fields):
    expected = render(folders["float"], kind, fields)
    assert_same(render(folders["half"], kind, fields), expected)
    tile = (7, 5, 21, 17)
    assert_same(
        render(folders["half"], kind, fields, window=tile), expected.over(expected.window & Window(7, 5, 28, 22))
    )
    assert_same(
        render(folders["half"], kind, fields, scale=0.5), render(folders["float"], kind, fields, scale=0.5)
    )
    try:
        set_threads(1)
        assert_same(render(folders["half"], kind, fields), expected)
    finally:
        set_threads(None)


@every
def test_half_deliveries_are_float_results_rounded(folders, tmp_path, kind, fields):
    graph = graph_of(kind, fields)
    straight = kind == "unpremultiply" or "straight" in fields.values()
    if straight and kind != "premultiply":
        pytest.skip("OpenEXR holds premultiplied colour")
    graph.add("deliver", "out", image="it", path=str(tmp_path / "out.exr"))
    comp = Composition(graph, root=folders["half"])
    said: list[str] = []
    (path,) = comp.deliver([1], warn=lambda node, text: said.append(text))
    float_result = render(folders["float"], kind, fields)
    beyond = 0
    planes = exr.read(path).planes
    for name, plane in float_result.items():
        over = np.isfinite(plane) & (np.abs(plane) > 65504)
        beyond += int(over.sum())
        clamped = np.where(over, np.copysign(np.float32(65504), plane), plane)
        with np.errstate(over="ignore"):
            np.testing.assert_array_equal(
                planes[name], clamped.astype(np.float16).astype(np.float32), err_msg=name
            )
    told = [text.split(" beyond")[0] for text in said if "clamped" in text]
    assert told == ([f"{beyond} values"] if beyond else [])


@pytest.fixture
def programs(monkeypatch):
    """Programs that are run, in order."""
    found: list[Program] = []
    compiled = frame_module.compiled

    def noting(program):
        found.append(program)
        return compiled(program)

    monkeypatch.setattr(frame_module, "compiled", noting)
    return found


def test_halves_are_neither_widened_before_the_loop_nor_narrowed_behind_it(folders, tmp_path, programs):
    graph = graph_of("over", {"source": "cg", "backdrop": "plate"})
    graph.add("deliver", "out", image="it", path=str(tmp_path / "out.exr"))
    Composition(graph, root=folders["half"]).deliver([1])
    (program,) = programs
    assert program.half_inputs == (True,) * 7
    assert set(program.half_outputs) == {True}
    assert len(program.watched) == 7


def test_a_picture_that_is_wanted_as_floats_too_is_made_as_floats(folders, tmp_path, programs):
    graph = graph_of("over", {"source": "cg", "backdrop": "plate"})
    graph.add("deliver", "half", image="it", path=str(tmp_path / "half.exr"))
    graph.add("deliver", "float", image="it", path=str(tmp_path / "float.exr"), pixel_type="float")
    graph.add("deliver", "still", image="it", path=str(tmp_path / "still.png"))
    Composition(graph, root=folders["half"]).deliver([1])
    assert set(programs[0].half_outputs) == {False}
    half, exact = (exr.read(tmp_path / f"{name}.exr").planes for name in ("half", "float"))
    for name in exact:
        np.testing.assert_array_equal(half[name], exact[name].astype(np.float16))
    assert any((half[name] != exact[name]).any() for name in exact)


def test_nobody_gets_16_bit_planes_in_their_hands(folders):
    comp = Composition(graph_of("exposure", {"image": "cg", "stops": 1}), root=folders["half"])
    for result in comp.results(["cg", "plate", "ratio", "matte", "it"], 1):
        assert not isinstance(result.image, Held)
        assert {plane.dtype for plane in result.image.planes.values()} == {np.dtype(np.float32)}


class TestPixelsThatAreNotFinite:
    """Found by the loop that reads them; what nobody reads is not looked at."""

    @pytest.fixture(params=["half", "float"])
    def folder(self, request, tmp_path):
        planes = planes_of(4, "RGBA", FRAME)
        planes["R"][20, 30] = np.nan
        planes["R"][21, 30:33] = np.inf
        planes["A"][5, 6] = np.nan
        exr.write(tmp_path / "cg.exr", planes, window=FRAME, display=FRAME, pixel_type=request.param)
        return tmp_path

    def comp(self, folder, policy, kind="exposure", **fields) -> Composition:
        graph = Graph(frames="1")
        graph.add("read", "cg", path="cg.exr", encoding="ACEScg", non_finite=policy)
        graph.add(kind, "it", image="cg", **(fields or {"stops": 1}))
        return Composition(graph, root=folder)

    @staticmethod
    def heard(comp, **options):
        said: list[tuple[str, str]] = []
        (result,) = comp.results(["it"], 1, warn=lambda node, text: said.append((node, text)), **options)
        return result.image, said

    @pytest.mark.parametrize("fused", [True, False])
    def test_they_are_repaired_also_where_alpha_only_passes_through(self, folder, fused):
        image, said = self.heard(self.comp(folder, "repair"), fused=fused)
        assert said == [("cg", "values that are not finite were repaired: 4 in R, 1 in A")]
        assert all(np.isfinite(plane).all() for plane in image.planes.values())
        _, said_again = self.heard(self.comp(folder, "repair", "glow", radius=1))
        assert said_again == said

    @pytest.mark.parametrize("fused", [True, False])
    def test_alpha_alone(self, tmp_path, fused):
        planes = planes_of(4, "RGBA", FRAME)
        planes["A"][5, 6] = np.nan
        exr.write(tmp_path / "cg.exr", planes, window=FRAME, display=FRAME)
        image, said = self.heard(self.comp(tmp_path, "repair"), fused=fused)
        assert said == [("cg", "values that are not finite were repaired: 1 in A")]
        assert np.isfinite(image["A"]).all()

    def test_alpha_that_passes_through_nodes_inside_a_loop_is_looked_at(self, folder):
        graph = self.comp(folder, "repair").graph
        graph.add("flat", "dark", size=[FRAME.width, FRAME.height])
        graph.add("exposure", "again", image="it", stops=1)
        graph.add("over", "both", source="again", backdrop="dark")
        for fused in (True, False):
            said: list[str] = []
            comp = Composition(graph, root=folder)
            (result,) = comp.results(
                ["both"], 1, fused=fused, warn=lambda node, text, said=said: said.append(text)
            )
            assert said == ["values that are not finite were repaired: 4 in R, 1 in A"]
            assert all(np.isfinite(plane).all() for plane in result.image.planes.values())

    def test_they_are_kept(self, folder):
        image, said = self.heard(self.comp(folder, "keep"))
        assert said == [("cg", "values that are not finite were kept: 4 in R, 1 in A")]
        assert np.isnan(image["R"][20, 30])
        assert np.isinf(image["R"][21, 30:33]).all()
        assert np.isnan(image["A"][5, 6])

    def test_they_are_refused(self, folder):
        with pytest.raises(RenderError, match="4 in R, 1 in A"):
            self.comp(folder, "refuse").render("it", 1)

    def test_in_a_part_that_has_none_nothing_is_said(self, folder):
        for policy in ("repair", "keep", "refuse"):
            image, said = self.heard(self.comp(folder, policy), window=(0, 8, 20, 10))
            assert said == []
            assert np.isfinite(image["R"]).all()

    def test_a_part_is_repaired_from_around_it_as_the_whole_is(self, folder):
        whole, _ = self.heard(self.comp(folder, "repair"))
        part, said = self.heard(self.comp(folder, "repair"), window=(30, 20, 2, 2))
        assert said == [("cg", "values that are not finite were repaired: 3 in R")]
        np.testing.assert_array_equal(part["R"], whole.over(Window(30, 20, 32, 22))["R"])

    def test_repaired_halves_are_means_in_float32(self, tmp_path):
        planes = {name: np.full((3, 3), 1, np.float32) for name in "RGB"}
        planes["R"][:] = [[1, 1, 1], [1, np.nan, 1], [1, 1, 1.0009765625]]
        window = Window.of_size(3, 3)
        exr.write(tmp_path / "cg.exr", planes, window=window, display=window)
        image, _ = self.heard(self.comp(tmp_path, "repair", stops=0.0))
        assert image["R"][1, 1] == np.float32((7 + 1.0009765625) / 8)
