"""One frame: windows, memory, numbers that are not finite, failures."""

import tracemalloc
import warnings

import numpy as np
import pytest

import stackcomp
from stackcomp import Composition, Graph, Image, Window
from stackcomp.errors import FileError, RenderError

ACESCG = stackcomp.Encoding("ACEScg", "scene-linear")


def picture(width, height, value=0.5, planes="RGBA", origin=(0, 0), display=None):
    window = Window.of_size(width, height).shift(*origin)
    alpha = "premultiplied" if "A" in planes else "none"
    return Image(
        {name: np.full((height, width), value, np.float32) for name in planes},
        window,
        display or window,
        stackcomp.Colour(alpha, ACESCG),
    )


def chain(length, width, height):
    graph = Graph(frames="1")
    graph.add("flat", "backdrop", size=[width, height])
    graph.add("flat", "source", size=[width, height])
    last = "backdrop"
    for k in range(length // 2):
        graph.add("exposure", f"e{k}", image=last, stops=0.1 * (-1) ** k)
        last = graph.add("over", f"o{k}", source="source", backdrop=f"e{k}")
    return Composition(graph), last


@pytest.mark.parametrize(("length", "fused"), [(20, True), (20, False), (60, False)])
def test_memory_is_inputs_and_four_frames_at_most(length, fused):
    """Planes are counted as numpy hands them out, whatever the number of nodes."""
    width, height = 640, 360
    frame = width * height * 4 * 4
    small, last = chain(length, 8, 8)
    given = {"backdrop": picture(8, 8), "source": picture(8, 8)}
    for result in small.results([last], 1, replace=given, fused=fused):
        del result  # compiles the loops, and leaves no large plane in anybody's pool
    comp, last = chain(length, width, height)
    given = {"backdrop": picture(width, height), "source": picture(width, height, 0.25)}
    tracemalloc.start()
    try:
        for result in comp.results([last], 1, replace=given, fused=fused):
            del result
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert frame * 0.9 < peak < 4 * frame


def test_a_result_in_the_callers_hands_is_not_used_again():
    comp, last = chain(4, 32, 16)
    first = comp.render(last, 1, replace={"backdrop": picture(32, 16), "source": picture(32, 16, 0.25)})
    kept = {name: plane.copy() for name, plane in first.planes.items()}
    for value in (0.1, 0.9):
        comp.render(last, 1, replace={"backdrop": picture(32, 16, value), "source": picture(32, 16, value)})
    for name, plane in kept.items():
        np.testing.assert_array_equal(first[name], plane)


def test_windows_join_and_pixels_outside_are_nothing():
    """A source that sticks out to the left of its frame over a backdrop with a hole to the right."""
    graph = Graph(frames="1")
    graph.add("flat", "source", size=[10, 6])
    graph.add("flat", "backdrop", size=[10, 6])
    graph.add("over", "out", source="source", backdrop="backdrop")
    frame = Window.of_size(10, 6)
    source = picture(6, 4, 0.5, origin=(-3, 1), display=frame)
    backdrop = picture(5, 6, 1.0, origin=(2, 0), display=frame)
    image = Composition(graph).render("out", 1, replace={"source": source, "backdrop": backdrop})
    assert image.window == Window(-3, 0, 7, 6)
    assert image.display == frame
    expected = np.zeros((6, 10))
    expected[:, 5:] = 1
    expected[1:5, :6] = 0.5 + expected[1:5, :6] * 0.5
    np.testing.assert_array_equal(image["R"], expected)


def test_an_offset_without_alpha_stays_inside_its_window():
    graph = Graph(frames="1")
    graph.add("flat", "small", size=[10, 6])
    graph.add("flat", "large", size=[10, 6])
    graph.add("cdl", "lifted", image="small", offset=0.25)
    graph.add("flat", "half", as_="matte", coverage=0.5, size=[10, 6])
    graph.add("restore", "out", source="lifted", backdrop="large", matte="half")
    frame = Window.of_size(10, 6)
    given = {"small": picture(4, 3, 0.5, "RGB", (1, 1), frame), "large": picture(10, 6, 0.0, "RGB")}
    image = Composition(graph).render("out", 1, replace=given)
    expected = np.zeros((6, 10))
    expected[1:4, 1:5] = 0.375
    np.testing.assert_allclose(image["G"], expected, rtol=1e-6)


def test_area_nodes_do_not_spread_what_is_not_finite():
    graph = Graph(frames="1")
    graph.add("flat", "plate", size=[20, 20])
    graph.add("glow", "shine", image="plate", radius=3, threshold=0)
    plate = picture(20, 20, 0.5)
    plate["R"][10, 10] = np.nan
    plate["G"][3, 3] = np.inf
    with pytest.warns(stackcomp.StackcompWarning, match='2 values of "plate" that are not finite'):
        image = Composition(graph).render("shine", 1, replace={"plate": plate})
    assert all(np.isfinite(plane).all() for plane in image.planes.values())


def test_a_failure_names_node_and_frame(monkeypatch):
    comp, last = chain(4, 8, 8)
    monkeypatch.setattr(
        "stackcomp.nodes.flat.Flat.produce", lambda *a: (_ for _ in ()).throw(FileError("x.exr", "gone"))
    )
    with pytest.raises(RenderError, match=r'node "(backdrop|source)", frame 7: x.exr: gone') as caught:
        comp.render(last, 7)
    assert isinstance(caught.value.__cause__, FileError)


def test_an_empty_window_gives_an_empty_picture():
    comp, last = chain(4, 8, 8)
    (result,) = comp.executor([last]).results(1, window=Window(20, 20, 30, 30))
    image = result.image
    assert image.window.empty
    assert image["R"].size == 0


def test_alpha_that_passes_through_is_shared_not_copied():
    graph = Graph(frames="1")
    graph.add("flat", "cg", size=[8, 8])
    graph.add("exposure", "brighter", image="cg", stops=1)
    cg = picture(8, 8)
    image = Composition(graph).render("brighter", 1, replace={"cg": cg})
    assert np.shares_memory(image["A"], cg["A"])


def test_keys_are_taken_at_their_frame():
    graph = Graph(frames="1-3")
    graph.add("flat", "plate", size=[4, 4], colour=1)
    graph.add("exposure", "e", image="plate", stops={"keys": [[1, 0], [3, 2]], "between": "linear"})
    comp = Composition(graph)
    assert [float(comp.render("e", frame)["R"][0, 0]) for frame in (1, 2, 3)] == [1, 2, 4]


def test_one_thread_and_many_give_the_same_bytes():
    comp, last = chain(6, 67, 131)
    rng = np.random.default_rng(5)
    given = {name: Image.from_array(rng.random((131, 67, 4)), encoding=ACESCG) for name in ("backdrop", "source")}
    try:
        stackcomp.set_threads(1)
        alone = comp.render(last, 1, replace=given)
        stackcomp.set_threads(5)
        together = comp.render(last, 1, replace=given)
    finally:
        stackcomp.set_threads(None)
    for name in "RGBA":
        assert alone[name].tobytes() == together[name].tobytes()


def test_no_warning_where_there_is_nothing_to_warn_of():
    comp, last = chain(2, 8, 8)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        comp.render(last, 1)


@pytest.mark.parametrize(
    ("frame", "options"),
    [
        ("1", {}),
        (1.5, {}),
        (1, {"scale": 0}),
        (1, {"scale": "half"}),
        (1, {"window": 3}),
        (1, {"window": "1,2"}),
        (1, {"warn": 3}),
    ],
)
def test_an_executor_refuses_arguments_that_make_no_sense(frame, options):
    comp, last = chain(2, 8, 8)
    with pytest.raises(stackcomp.ArgumentError):
        comp.executor([last]).results(frame, **options)


def test_executors_and_results_are_public():
    comp, last = chain(2, 8, 8)
    executor = comp.executor([last])
    assert isinstance(executor, stackcomp.Executor)
    (result,) = executor.results(1, window="2,2,4,4")
    assert isinstance(result, stackcomp.Result)
    assert result.image.window == Window(2, 2, 6, 6)
