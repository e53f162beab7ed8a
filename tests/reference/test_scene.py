"""The drawn scene: the same at every time, of the types that it promises, and true where examples rely on it."""

from __future__ import annotations

import re

import colour
import numpy as np
import OpenImageIO
import pytest

from stackcomp import KINDS, Colour, Layers, Ratio
from stackcomp.files.id_channels import id_channels
from stackcomp.reference import scene as module
from stackcomp.reference.gather import entries
from stackcomp.reference.pictures import shown_image
from stackcomp.reference.scene import scene


def test_its_text_lists_its_pictures():
    assert re.findall(r"^(\w+)  +\S", module.__doc__, re.MULTILINE) == list(scene())


@pytest.mark.slow
def test_drawn_again_it_is_the_same():
    first = {name: image.planes for name, image in scene().items()}
    scene.cache_clear()
    for name, image in scene().items():
        assert all((first[name][plane] == image[plane]).all() for plane in image), name


@pytest.mark.parametrize("name", scene())
def test_every_picture_has_sensible_numbers(name):
    image = scene()[name]
    bits = id_channels(image, image.metadata)
    for plane in (plane for channel, plane in image.items() if channel not in bits):
        assert np.isfinite(plane).all()
        assert (plane >= 0).all()
    if "A" in image:
        assert (image["A"] <= 1).all()
    if isinstance(image.type, Ratio):
        assert all((plane <= 1).all() for plane in image.values())
        assert min(plane.min() for plane in image.values()) < 0.25
    if isinstance(image.type, Colour) and image.type.alpha == "premultiplied" and name != "lamp":
        nothing = image["A"] == 0
        assert all((image[plane][nothing] == 0).all() for plane in "RGB")
        assert ((image["A"] > 0) & (image["A"] < 1)).any()
    assert isinstance(image.type, Layers) or len(np.unique(shown_image(image))) > 1


def test_the_log_plate_is_acescct():
    """By colour-science's function of the curve of Academy S-2016-001."""
    for plane in "RGB":
        expected = colour.models.log_encoding_ACEScct(scene()["plate"][plane].astype(np.float64))
        np.testing.assert_allclose(scene()["plate_log"][plane], expected, atol=1e-6)


def test_the_comp_is_over_by_an_independent_library():
    """OpenImageIO's over, on the drawn lantern and the shadowed set, gives the drawn comp.

    The lantern's edge pixels were drawn with nine samples each, in which lantern and set do not mix; there the
    averaged pictures give another number.
    """
    parts = scene()

    def buffer(array):
        return OpenImageIO.ImageBuf(np.ascontiguousarray(array, np.float32))

    lantern = np.dstack([parts["lantern"][plane] for plane in "RGBA"])
    plate = np.dstack([parts["plate"][plane] * parts["shadow"][plane] for plane in "RGB"] + [np.ones((180, 320))])
    result = OpenImageIO.ImageBufAlgo.over(buffer(lantern), buffer(plate)).get_pixels("float")
    comp = np.dstack([parts["comp"][plane] for plane in "RGB"])
    inside = (parts["cord"]["A"] == 0) & np.isin(parts["lantern"]["A"], (0, 1))
    np.testing.assert_allclose(result[..., :3][inside], comp[inside], atol=2e-2)
    assert np.abs(result[..., :3][inside] - comp[inside]).mean() < 1e-4


def test_a_picture_of_the_page_is_what_an_independent_library_makes():
    """The picture of over on the page: OpenImageIO lays the lantern on the plate, the default view shows it."""
    parts = scene()
    (entry,) = entries({"over": KINDS["over"]}, pytest.fail)
    shown = entry.rows[0].examples[0].after.pixels
    lantern = np.dstack([parts["lantern"][plane] for plane in "RGBA"])
    plate = np.dstack([parts["plate"][plane] for plane in "RGB"] + [np.ones((180, 320), np.float32)])
    laid = OpenImageIO.ImageBufAlgo.over(
        OpenImageIO.ImageBuf(np.ascontiguousarray(lantern, np.float32)),
        OpenImageIO.ImageBuf(np.ascontiguousarray(plate, np.float32)),
    ).get_pixels("float")
    expected = shown_image(parts["plate"].with_planes({name: laid[..., k] for k, name in enumerate("RGB")}))
    assert np.abs(shown.astype(int) - expected).max() <= 1
