"""Files as they come: 3840×2160, 40 channels, a sequence. Slow; run in continuous integration."""

import numpy as np
import pytest

import stackcomp
from stackcomp.files import exr

pytestmark = pytest.mark.slow

WIDTH, HEIGHT = 3840, 2160
LAYERS = (
    "diffuse",
    "specular",
    "emission",
    "shadow",
    "indirect",
    "albedo",
    "normal",
    "position",
    "volume",
    "sheen",
    "coat",
    "caustic",
)


def write_cg(path, rng):
    window = stackcomp.Window.of_size(WIDTH, HEIGHT)
    alpha = np.zeros((HEIGHT, WIDTH), np.float32)
    alpha[500:1700, 1200:2600] = rng.random((1200, 1400), dtype=np.float32)
    planes = {name: (rng.random((HEIGHT, WIDTH), dtype=np.float32) * alpha) for name in "RGB"}
    planes["A"] = alpha
    for layer in LAYERS:
        # Repeated values compress quickly; what they are does not matter here.
        planes.update(
            {f"{layer}.{c}": np.full((HEIGHT, WIDTH), 0.25 * k, np.float32) for k, c in enumerate("RGB", 1)}
        )
    exr.write(path, planes, window=window, display=window, compression="rle")
    return {name: planes[name].astype(np.float16).astype(np.float32) for name in "RGBA"}


def test_forty_channels_at_full_size(tmp_path):
    rng = np.random.default_rng(11)
    cg = write_cg(tmp_path / "cg.1001.exr", rng)
    window = stackcomp.Window.of_size(WIDTH, HEIGHT)
    plate = {name: rng.random((HEIGHT, WIDTH), dtype=np.float32).astype(np.float16) for name in "RGB"}
    exr.write(
        tmp_path / "plate.1001.exr",
        {k: v.astype(np.float32) for k, v in plate.items()},
        window=window,
        display=window,
        compression="none",
    )
    graph = stackcomp.Graph(frames="1001")
    graph.add("read", "plate", path="plate.{frame:04d}.exr", encoding="ACEScg")
    graph.add("read", "cg", path="cg.{frame:04d}.exr", encoding="ACEScg")
    graph.add("pick_channels", "shadow", layers="cg", as_="ratio", layer="shadow")
    graph.add("multiply_shadow", "shaded", backdrop="plate", shadow="shadow")
    graph.add("over", "final", source="cg", backdrop="shaded")
    graph.add(
        "deliver", "out", image="final", path="out/final.{frame:04d}.exr", pixel_type="float", compression="none"
    )
    comp = stackcomp.Composition(graph, root=tmp_path)
    assert comp.check() == []
    comp.deliver()
    found = exr.read(tmp_path / "out/final.1001.exr").planes
    for k, name in enumerate("RGB", 1):
        expected = cg[name] + plate[name].astype(np.float64) * (0.25 * k) * (1 - cg["A"].astype(np.float64))
        assert np.max(np.abs(found[name] - expected)) < 1e-6


def test_two_hundred_frames_keep_their_numbers(tmp_path):
    """Every frame's own files arrive in its own output, and nothing of one frame stays in the next."""
    window = stackcomp.Window.of_size(64, 36)
    frames = range(1001, 1201)
    for frame in frames:
        planes = {c: np.full((36, 64), frame / 2048, np.float32) for c in "RGB"}
        exr.write(tmp_path / f"plate.{frame}.exr", planes, window=window, display=window, pixel_type="float")
    graph = stackcomp.Graph(frames="1001-1200")
    graph.add("read", "plate", path="plate.%04d.exr", encoding="ACEScg")
    graph.add("exposure", "brighter", image="plate", stops={"keys": [[1001, 0], [1200, 1]], "between": "linear"})
    graph.add("deliver", "out", image="brighter", path="out/%04d.exr", pixel_type="float")
    comp = stackcomp.Composition(graph, root=tmp_path)
    assert len(comp.deliver()) == 200
    for frame in frames:
        value = exr.read(tmp_path / f"out/{frame}.exr").planes["G"]
        expected = frame / 2048 * 2 ** ((frame - 1001) / 199)
        np.testing.assert_allclose(value, expected, rtol=1e-6)
