"""Opening a file for measuring: whatever it is called."""

import numpy as np
import pytest

from stackcomp import RequestError, Window
from stackcomp.files import colour_tags, exr
from stackcomp.measure.picture import header_encoding, open_measured

FRAME = Window.of_size(4, 3)


def write(path):
    planes = {name: np.full(FRAME.shape, 0.18, np.float32) for name in "RGB"}
    chromaticities = colour_tags.chromaticities_of("ACEScg")
    exr.write(path, planes, window=FRAME, display=FRAME, metadata={"chromaticities": chromaticities})


def test_a_brace_in_a_name_is_explained_and_can_be_written(tmp_path):
    write(tmp_path / "take{2}.exr")
    with pytest.raises(RequestError, match=r'contains "\{2\}".*\n.*double a brace that is part of the name'):
        open_measured("take{2}.exr", root=tmp_path)
    assert open_measured("take{{2}}.exr", root=tmp_path).light["G"][0, 0] == np.float16(0.18)


def test_the_header_counts_whatever_the_file_is_called(tmp_path):
    write(tmp_path / "a.exr")
    (tmp_path / "a.exr").rename(tmp_path / "a.tif")
    found = header_encoding(tmp_path / "a.tif")
    assert found is not None
    assert found.name == "ACEScg"
    (tmp_path / "b.exr").write_bytes(b"\x89PNG\r\n\x1a\n")
    assert header_encoding(tmp_path / "b.exr") is None
