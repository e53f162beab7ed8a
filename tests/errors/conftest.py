"""Small files that the graphs beside this one read; a few hundred bytes each."""

import numpy as np
import pytest

from stackcomp.data.window import Window
from stackcomp.files import exr, stills

_FRAME = Window.of_size(16, 9)
# SMPTE and Academy figures of ACEScg, by which a file tells that it is in that space.
_ACESCG = (0.713, 0.293, 0.165, 0.830, 0.128, 0.044, 0.32168, 0.33767)


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
    stills.write(folder / "straight.png", np.full((9, 16, 4), 0.5, np.float32), 8)
    (folder / "notes.txt").write_text("bring the lantern")
    (folder / "broken.exr").write_bytes((folder / "small.exr").read_bytes()[:60])
    return folder
