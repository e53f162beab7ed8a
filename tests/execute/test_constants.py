"""What is the same at every frame is computed once for all frames that are delivered."""

import numpy as np
import pytest

import stackcomp
from stackcomp.nodes import read as read_module
from stackcomp.nodes.glow import Glow
from stackcomp.nodes.soft_matte import SoftMatte

FRAMES = [1, 2, 3, 4]


def picture(value, shape=(12, 20)):
    rows, columns = np.indices(shape)
    plane = (value + 0.01 * rows + 0.02 * columns).astype(np.float32)
    return stackcomp.Image.from_array(np.stack([plane, plane, plane, np.ones_like(plane)], axis=-1))


@pytest.fixture
def graph(tmp_path):
    """A plate of four frames, a still, and a matte of that still softened."""
    for frame in FRAMES:
        picture(frame / 10).save(tmp_path / f"plate.{frame}.exr")
    picture(0.5).save(tmp_path / "still.exr")
    graph = stackcomp.Graph(frames="1-4")
    plate = graph.add("read", "plate", path="plate.{frame}.exr", encoding="ACEScg")
    still = graph.add("read", "still", path="still.exr", encoding="ACEScg")
    matte = graph.add("pick_channels", "matte", layers=still, as_="matte", channels={"A": "G"})
    soft = graph.add("soft_matte", "soft", matte=matte, feather=3)
    lit = graph.add("exposure", "lit", image=plate, stops=1, within=soft)
    shone = graph.add("glow", "shone", image=still, radius=4, strength=0.3)
    both = graph.add("blend", "both", source=shone, backdrop=lit, mode="screen")
    graph.add("deliver", "out", image=both, path="out.{frame}.exr", pixel_type="float")
    return graph


def delivered(graph, root, **options):
    stackcomp.Composition(graph, root=root).deliver(**options)
    return [(root / f"out.{frame}.exr").read_bytes() for frame in FRAMES]


def one_by_one(graph, root):
    """The same frames, each from a composition of its own, so that nothing is kept."""
    for frame in FRAMES:
        stackcomp.Composition(graph, root=root).deliver(frames=[frame])
    return [(root / f"out.{frame}.exr").read_bytes() for frame in FRAMES]


@pytest.fixture
def counted(monkeypatch):
    """How often files were decoded, and area nodes computed."""
    counts = {"still.exr": 0, "soft": 0, "glow": 0}
    planes, soft, glow = read_module.planes, SoftMatte.compute, Glow.compute

    def count_planes(path, *rest):
        if path.name in counts:
            counts[path.name] += 1
        return planes(path, *rest)

    def count_soft(self, *rest):
        counts["soft"] += 1
        return soft(self, *rest)

    def count_glow(self, *rest):
        counts["glow"] += 1
        return glow(self, *rest)

    monkeypatch.setattr(read_module, "planes", count_planes)
    monkeypatch.setattr(SoftMatte, "compute", count_soft)
    monkeypatch.setattr(Glow, "compute", count_glow)
    return counts


@pytest.mark.parametrize("overlap", [True, False])
def test_stills_and_what_is_made_of_them_are_computed_once(graph, tmp_path, counted, overlap):
    together = delivered(graph, tmp_path, overlap=overlap)
    assert counted == {"still.exr": 1, "soft": 1, "glow": 1}
    assert together == one_by_one(graph, tmp_path)


def test_a_number_that_changes_over_time_is_computed_at_every_frame(graph, tmp_path, counted):
    graph.set("soft", feather={"keys": [[1, 1], [4, 6]]})
    together = delivered(graph, tmp_path)
    assert counted == {"still.exr": 1, "soft": 4, "glow": 1}
    assert together == one_by_one(graph, tmp_path)


def test_a_kind_that_looks_at_the_frame_is_computed_at_every_frame(graph, tmp_path, monkeypatch):
    compute, seen = Glow.compute, []

    def by_frame(self, wanted, images, job, type):
        seen.append(job.frame)
        return compute(self, wanted, images, job, type)

    monkeypatch.setattr(Glow, "compute", by_frame)
    delivered(graph, tmp_path)
    assert seen == FRAMES


def test_a_still_that_is_replaced_between_frames_is_read_again(graph, tmp_path):
    def replace(frame, node):
        if frame == 2:
            picture(0.9).save(tmp_path / "still.exr")

    stackcomp.Composition(graph, root=tmp_path).deliver(overlap=False, finished=replace)
    now = [(tmp_path / f"out.{frame}.exr").read_bytes() for frame in FRAMES]
    assert now[2:] == one_by_one(graph, tmp_path)[2:]
    assert now[1] != (tmp_path / "out.2.exr").read_bytes()


def test_a_moved_still_is_computed_where_each_frame_needs_it(graph, tmp_path):
    keys = {"keys": [[1, [1, 0, 0, 0, 1, 0, 0, 0, 1]], [4, [1, 0, 9, 0, 1, 5, 0, 0, 1]]], "between": "linear"}
    graph.add("clean_patch", "patched", backdrop="both", patch="shone", homography=keys,
              outline=[[2, 2], [9, 2], [9, 9], [2, 9]])  # fmt: skip
    graph.set("out", image="patched")
    assert delivered(graph, tmp_path) == one_by_one(graph, tmp_path)


def test_what_is_said_of_a_still_is_said_at_every_frame(graph, tmp_path):
    image = picture(0.5)
    broken = image["G"].copy()
    broken[3, 3] = np.nan
    (tmp_path / "still.exr").unlink()
    image.with_planes(G=broken).save(tmp_path / "still.exr")
    said = []
    stackcomp.Composition(graph, root=tmp_path).deliver(warn=lambda node, message: said.append((node, message)))
    assert len(said) >= 4
    assert len(said) % 4 == 0
