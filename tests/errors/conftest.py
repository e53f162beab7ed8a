"""Small files that the graphs beside this one read; a few hundred bytes each."""

import json
from dataclasses import replace

import numpy as np
import pytest

from stackcomp.data.window import Window
from stackcomp.files import exr, stills
from stackcomp.files.camera_file import write_camera
from stackcomp.files.id_hash import id_of
from stackcomp.files.lens_file import write_lens
from stackcomp.files.track_file import track_text
from stackcomp.kernels.pinhole import Camera

_FRAME = Window.of_size(16, 9)
# SMPTE and Academy figures of ACEScg, by which a file tells that it is in that space.
_ACESCG = (0.713, 0.293, 0.165, 0.830, 0.128, 0.044, 0.32168, 0.33767)


def _write_objects(folder):
    """Files with ids: with a manifest, without one, one of no use; as 16-bit floats; without a rank."""
    ids = {name: f"{id_of(name):08x}" for name in ("lamp", "lamp_glass", "bench")}
    key, colour = "cryptomatte/3ae39a5/", dict.fromkeys("RGBA", np.full(_FRAME.shape, 0.25, np.float32))
    bits = np.full(_FRAME.shape, np.uint32(id_of("lamp")).view(np.float32))
    planes = {**colour, "CryptoObject00.r": bits, "CryptoObject00.g": np.ones(_FRAME.shape, np.float32)}
    said = {
        "objects": {key + "manifest": json.dumps(ids)},
        "nameless": {},
        "torn": {key + "manifest": json.dumps(ids)[:-3]},
        "elsewhere": {key + "manif_file": "../names.json"},
        "beside": {key + "manif_file": "names.json"},
        "halves": {key + "manifest": json.dumps(ids)},
    }
    for name, header in said.items():
        header |= {"chromaticities": _ACESCG, key + "name": "CryptoObject", key + "hash": "MurmurHash3_32"}
        types = "half" if name == "halves" else "float"
        exr.write(folder / f"{name}.exr", planes, window=_FRAME, display=_FRAME, pixel_type=types, metadata=header)
    later = {name.replace("00", "01"): plane for name, plane in planes.items()}
    exr.write(folder / "gap.exr", later, window=_FRAME, display=_FRAME, pixel_type="float", metadata=header)


def _write_tracks(folder):
    """Tracks of four corners: with one that is lost for two frames, of a larger plate, and of a row of points."""
    folder.mkdir()
    corners = {"a": (3, 2), "b": (12, 2), "c": (13, 7), "d": (2, 7)}

    def write(name, points, lost=(), size=(16, 9)):
        places = {
            point: {frame: None if (point, frame) in lost else (x, y, 0.01) for frame in range(1001, 1005)}
            for point, (x, y) in points.items()
        }
        (folder / name).write_text(track_text(size, 1001, places))

    write("corners.json", corners)
    write("hidden.json", corners, lost={("b", 1002), ("b", 1003)})
    write("large.json", corners, size=(32, 18))
    write("row.json", {"a": (3, 2), "b": (8, 2), "c": (13, 2)})


def _write_cameras(folder):
    """A camera half a metre above the bench, at all frames and at two of them."""
    cameras = {}
    for frame in range(1001, 1005):
        to_world = [[1, 0, 0, 0.01 * (frame - 1001)], [0, 0, 1, 0], [0, -1, 0, 0.5], [0, 0, 0, 1]]
        cameras[frame] = Camera(np.array(to_world, np.float64), 35, (36.0, 20.25))
    write_camera(folder / "camera.json", cameras)
    write_camera(folder / "short_camera.json", {frame: cameras[frame] for frame in (1001, 1002)})
    tall = {frame: replace(camera, gate=(36.0, 24.0)) for frame, camera in cameras.items()}
    write_camera(folder / "tall_gate.json", tall)


def _write_lenses(folder):
    """A lens, one of another shape of picture, one with a coefficient of another model; s and t in halves."""
    folder.mkdir()
    lens = {"model": "brown", "size": [32, 18], "focal": [32, 32], "centre": [16, 9], "coefficients": {"k1": -0.2}}
    write_lens(folder / "lens.json", lens)
    write_lens(folder / "tall.json", {**lens, "size": [32, 24], "centre": [16, 12]})
    mixed = {"stackcomp_lens": 1, **lens, "coefficients": {"k1": -0.2, "k4": 0.1}}
    (folder / "mixed.json").write_text(json.dumps(mixed))
    planes = dict.fromkeys("RG", np.full(_FRAME.shape, 0.5, np.float32))
    exr.write(folder / "st.exr", planes, window=_FRAME, display=_FRAME, pixel_type="half")


def _write_shapes(folder):
    """Files of shapes: for a frame of 64×48, with a mistake, for a frame of another shape; SVG with text in it."""
    folder.mkdir()
    shape = {"name": "cord", "points": [[10, 10], [50, 12], [30, 40]]}
    for name, width, shapes in (
        ("half", 32, [shape]),
        ("broken", 64, [shape, {**shape, "mode": "minus"}]),
        ("wide", 128, [shape]),
    ):
        sizes = {"stackcomp_shapes": 1, "width": width, "height": 24 if name == "half" else 48}
        (folder / f"{name}.json").write_text(json.dumps({**sizes, "shapes": shapes}))
    drawing = (
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 64 48"><path id="cord" d="M4 4h9v30z"/>'
        '<g id="lamp"><circle cx="40" cy="20" r="9" clip-path="url(#c)"/><text id="word">lamp</text></g></svg>'
    )
    (folder / "drawing.svg").write_text(drawing)
    (folder / "cord.1001.svg").write_text(drawing)
    (folder / "plate.svg").write_text("<html><body/></html>")


def _write_grain(folder):
    """Grain files: as they should be, of another space, and with a mistake."""
    folder.mkdir()
    near = {name: [[1.0]] for name in "RGB"}
    good = {"stackcomp_grain": 1, "space": "ACEScg", "floor": [0.001] * 3, "slope": [1e-5] * 3}
    good["autocorrelation"] = near
    changes = {"plate": {}, "rec709": {"space": "Linear Rec.709 (sRGB)"}, "broken": {"slope": [1e-5, -1e-5, 0]}}
    for name, change in changes.items():
        (folder / f"{name}.json").write_text(json.dumps({**good, **change}))


@pytest.fixture(scope="session")
def inputs(tmp_path_factory):
    folder = tmp_path_factory.mktemp("inputs")

    def write(name: str, channels: str, frame: Window = _FRAME, tagged: bool = True) -> None:
        planes = {channel: np.full(frame.shape, 0.25, np.float32) for channel in channels.split()}
        metadata = {"chromaticities": _ACESCG} if tagged else {}
        exr.write(folder / name, planes, window=frame, display=frame, pixel_type="float", metadata=metadata)

    for frame in range(1001, 1005):
        write(f"plate.{frame}.exr", "R G B")
        write(f"cg.{frame}.exr", "R G B A shadow.R shadow.G shadow.B depth.Z")
    write("gaps.1001.exr", "R G B")
    write("gaps.1003.exr", "R G B")
    write("small.exr", "R G B", Window.of_size(8, 9))
    write("untagged.exr", "R G B A", tagged=False)
    write("matte.exr", "Y")
    write("ids.exr", "R G B object00.R object00.G object00.B object00.A")
    _write_objects(folder / "bench" / "ids")
    _write_cameras(folder / "bench")
    _write_tracks(folder / "bench" / "tracks")
    _write_shapes(folder / "bench" / "shapes")
    _write_grain(folder / "bench" / "grain")
    _write_lenses(folder / "bench" / "lenses")
    stills.write(folder / "straight.png", np.full((9, 16, 4), 0.5, np.float32), 8)
    (folder / "notes.txt").write_text("bring the lantern")
    (folder / "broken.exr").write_bytes((folder / "small.exr").read_bytes()[:60])
    return folder
