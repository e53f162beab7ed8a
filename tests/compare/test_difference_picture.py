"""Pictures of differences, in memory and as files."""

from __future__ import annotations

import numpy as np
import pytest
from compare_pictures import write

from stackcomp import Ids, Image, Layers, Matte, RequestError, Window
from stackcomp.check.originals import Reading
from stackcomp.compare import DifferenceFiles, compare_files, difference_picture, open_file, write_difference
from stackcomp.files import stills

SIZE = (12, 20)


def noise(seed=0, channels=4):
    return Image.from_array(np.random.default_rng(seed).random((*SIZE, channels), np.float32))


def changed(image, channel, y, x, value):
    plane = image[channel].copy()
    plane[y, x] = value
    return image.with_planes(**{channel: plane})


def test_the_picture_of_a_difference():
    """Against scikit-image's absolute difference, where values are 0 to 1."""
    from skimage.util import compare_images

    a, b = noise(5, 3), noise(6, 3)
    shown = difference_picture(a, b)
    assert shown.shape == (*SIZE, 3)
    theirs = np.max([compare_images(*(np.float64(i[c]) for i in (a, b)), method="diff") for c in "RGB"], axis=0)
    expected = np.rint(np.clip(np.log(theirs / 1e-5) / np.log(1e5), 0, 1) * 255)
    assert np.abs(shown[..., 0] - expected).max() <= 1
    assert not difference_picture(a, a).any()


def test_the_picture_shows_what_is_not_finite_and_what_one_alone_has():
    image = noise()
    shown = difference_picture(changed(image, "R", 2, 3, np.nan), image)
    assert shown[2, 3].tolist() == [255, 0, 255]
    empty = Image.from_array(np.zeros(SIZE), type=Matte())
    assert difference_picture(empty, empty.over(Window(0, 0, 10, 12)))[0, 15].tolist() == [0, 90, 200]


def test_values_by_hand():
    black = Image.from_array(np.zeros((1, 7)), type=Matte())
    other = black.with_planes(A=np.float32([[0, 1e-6, 1e-5, 1e-3, 0.1, 1, 50]]))
    # By the logarithm: 1e-3 lies two of five decades above 1e-5; 50 differs by 1 from 0, relative to itself.
    assert difference_picture(black, other)[0, :, 0].tolist() == [0, 0, 0, 102, 204, 255, 255]


def test_ids_that_differ_are_white():
    ids = np.full(SIZE, 7, np.uint32)
    window = Window.of_size(SIZE[1], SIZE[0])
    image = Image({"id0": ids, "cover0": np.ones(SIZE, np.float32)}, window, window, Ids(1))
    off = ids.copy()
    off[3, 4] += 1
    shown = difference_picture(image, image.with_planes(id0=off))
    assert shown[3, 4].tolist() == [255, 255, 255]
    assert np.count_nonzero(shown) == 3


def test_ids_in_float_planes_of_a_file_that_differ_are_white():
    bits = np.full(SIZE, 0x3F123456, np.uint32)
    metadata = {"cryptomatte/abcdef0/name": "object"}
    type = Layers(("object00.R",), metadata=metadata)
    window = Window.of_size(SIZE[1], SIZE[0])
    image = Image({"object00.R": bits.view(np.float32)}, window, window, type)
    off = bits.copy()
    off[3, 4] ^= 1
    shown = difference_picture(image, image.with_planes({"object00.R": off.view(np.float32)}))
    assert shown[3, 4].tolist() == [255, 255, 255]
    assert np.count_nonzero(shown) == 3


def test_a_frame_that_no_picture_can_show(tmp_path):
    """A header may state any frame around a few pixels; the files themselves can be compared."""
    a, b = (write(tmp_path / f"{seed}.exr", seed=seed, display=Window.of_size(30000, 30000)) for seed in (1, 2))
    assert compare_files(a, b).worst is not None
    with pytest.raises(RequestError, match="the window around both is 30000×30000") as caught:
        difference_picture(open_file(a), open_file(b))
    assert caught.value.problems[0].way_out == "compare without a picture"


def test_a_file_and_its_picture_give_the_same(tmp_path):
    a, b = (open_file(write(tmp_path / f"{seed}.exr", seed=seed)) for seed in (1, 2))
    assert np.array_equal(difference_picture(a, b), difference_picture(a.all_channels(), b.all_channels()))


def test_a_foreign_file_is_not_replaced_by_a_picture(tmp_path):
    a = open_file(write(tmp_path / "a.exr")).all_channels()
    path = tmp_path / "difference.png"
    path.write_bytes(b"somebody's")
    with pytest.raises(RequestError, match=r"difference\.png"):
        write_difference(path, a, a)
    assert path.read_bytes() == b"somebody's"
    write_difference(path, a, a, replace_foreign=True)
    write_difference(path, a, a)


def test_what_is_compared_is_never_written_over(tmp_path):
    path = tmp_path / "difference.a.png"
    stills.write(path, np.zeros((4, 4)))
    before = path.read_bytes()
    with pytest.raises(RequestError, match="what is compared"):
        DifferenceFiles(tmp_path, ["a"], [(str(path), False)], replace_foreign=True)
    image = noise()
    with pytest.raises(RequestError, match="what is compared"):
        write_difference(
            path, image, image, replace_foreign=True, readings=[Reading(str(path), "what is compared")]
        )
    assert path.read_bytes() == before


def test_pictures_that_are_no_longer_true_are_removed(tmp_path):
    a, b = (write(tmp_path / f"{seed}.exr", seed=seed) for seed in (1, 2))
    files = DifferenceFiles(tmp_path / "look", ["x", "y"], [(str(a), False)])
    path = files.different("x", a, b)
    files.equal("y")
    assert path.is_file()
    files.equal("x")
    assert not path.exists()
    # A picture of somebody else is left alone.
    path.write_bytes(b"somebody's")
    files.equal("x")
    assert path.read_bytes() == b"somebody's"
