"""Colour conversions, against the Academy's figures, colour-science, and the definition of sRGB."""

import pickle
import warnings

import numpy as np
import pytest

from stackcomp.data.port_types import Encoding
from stackcomp.errors import RequestError
from stackcomp.files import colour, colour_tags
from stackcomp.kernels import strips

REC709 = "Linear Rec.709 (sRGB)"
SRGB = "sRGB Encoded Rec.709 (sRGB)"


@pytest.fixture(scope="module")
def science():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour as science
    return science


def planes(*rgb):
    return [np.full((2, 3), value, np.float32) for value in rgb]


def pixel(result):
    return [float(plane[0, 0]) for plane in result]


@pytest.mark.parametrize(
    ("name", "canonical", "family"),
    [
        ("ACEScg", "ACEScg", "scene-linear"),
        ("acescg", "ACEScg", "scene-linear"),
        ("lin_ap1_scene", "ACEScg", "scene-linear"),
        ("scene_linear", "ACEScg", "scene-linear"),
        ("ACEScct", "ACEScct", "log"),
        ("ARRI LogC4", "ARRI LogC4", "log"),
        ("srgb_tx", SRGB, "display"),
        ("sRGB - Display", "sRGB - Display", "display"),
        ("Rec.2100-PQ - Display", "Rec.2100-PQ - Display", "display"),
        ("raw", "Raw", "data"),
    ],
)
def test_encodings_by_name_alias_and_role(name, canonical, family):
    assert colour.encoding(name) == Encoding(canonical, family)


def test_an_unknown_encoding_lists_the_nearest_names():
    with pytest.raises(
        colour.UnknownEncoding, match=r'there is no colour space "ACESgc" in .* did you mean "ACEScg"'
    ):
        colour.encoding("ACESgc")
    with pytest.raises(ValueError, match='there is no colour space ""'):
        colour.encoding("")


@pytest.mark.parametrize(
    ("name", "meant"),
    [
        ("slog3", ["S-Log3 S-Gamut3", "S-Log3 Venice S-Gamut3.Cine"]),
        ("V-Log", ["V-Log V-Gamut"]),
        ("LogC", ["ARRI LogC3 (EI800)", "ARRI LogC4"]),
        ("sRGB", ["sRGB - Display", "sRGB Encoded Rec.709 (sRGB)", "`stackcomp encodings sRGB` lists them"]),
        ("rec709", ["Linear Rec.709 (sRGB)", "`stackcomp encodings rec709` lists them"]),
        ("linear", ["Linear Rec.709 (sRGB)", "more contain it"]),
        ("Linear sRGB", ["Linear Rec.709 (sRGB)"]),
    ],
)
def test_an_unknown_encoding_lists_the_names_that_contain_it(name, meant):
    with pytest.raises(colour.UnknownEncoding) as error:
        colour.encoding(name)
    assert all(word in str(error.value) for word in meant)
    assert "`stackcomp encodings" in str(error.value)


def test_an_encoding_of_another_built_in_config_is_named_with_that_config():
    with pytest.raises(colour.UnknownEncoding, match=rf'{colour.DEFAULT_CONFIG} has "S-Log3 S-Gamut3"'):
        colour.encoding("S-Log3", "cg-config-v2.2.0_aces-v1.3_ocio-v2.4")
    with pytest.raises(
        colour.UnknownEncoding, match=r'has "D-Log D-Gamut".*"colour_config" can select that config'
    ):
        colour.encoding("D-Log")


OWN_CONFIG = """ocio_profile_version: 2
roles: {default: lin, scene_linear: lin}
displays: {Screen: [!<View> {name: Plain, colorspace: gamma}]}
colorspaces:
  - !<ColorSpace> {name: lin}
  - !<ColorSpace>
    name: gain
    to_scene_reference: !<MatrixTransform> {matrix: [2,0,0,0,0,3,0,0,0,0,4,0,0,0,0,1]}
  - !<ColorSpace>
    name: lifted
    to_scene_reference: !<MatrixTransform> {offset: [0.5, 0, 0, 0]}
  - !<ColorSpace>
    name: gamma
    from_scene_reference: !<ExponentTransform> {value: 2}
"""


def test_families_of_a_config_without_encodings_follow_linearity(tmp_path):
    path = tmp_path / "own.ocio"
    path.write_text(OWN_CONFIG)
    own = str(path)
    families = {name: colour.encoding(name, own).family for name in ("lin", "gain", "lifted", "gamma")}
    assert families == {
        "lin": "scene-linear",
        "gain": "scene-linear",
        "lifted": "display",
        "gamma": "display",
    }
    assert pixel(colour.convert(planes(0.5, 0.25, 1), "lin", "gamma", own)) == [0.25, 0.0625, 1]
    assert pixel(colour.display_view(planes(0.5, 0.25, 1), "lin", config=own)) == [0.25, 0.0625, 1]
    conversion = colour.is_matrix("gain", "lifted", own)
    assert np.allclose(conversion.matrix, np.diag([2, 3, 4]))
    assert np.allclose(conversion.offset, [-0.5, 0, 0])
    assert colour.is_matrix("lin", "gamma", own) is None
    path.write_text("not a config")
    with pytest.raises(colour.UnknownEncoding, match="cannot be read"):
        colour.config(own)


@pytest.mark.parametrize("name", ["default", "ocio://default", "studio-config-latest", "ocio://cg-config-latest"])
def test_config_names_of_changing_meaning_are_refused(name):
    with pytest.raises(colour.UnknownEncoding, match="give a full name"):
        colour.config(name)


def test_configs():
    assert colour.config("ocio://" + colour.DEFAULT_CONFIG) is colour.config()
    with pytest.raises(colour.UnknownEncoding, match="neither a built-in one nor a file — did you mean"):
        colour.config("studio-config-v2.2.0_aces-v1.3_ocio-v2.5")


# Figures of aces-dev (matrices) applied to (.5, .4, .3), as OpenColorIO's own configs give them.
@pytest.mark.parametrize(
    ("dst", "expected"),
    [
        ("ACES2065-1", (0.453158318, 0.394926025, 0.299297345)),
        (REC709, (0.578830986, 0.388029190, 0.282302431)),
    ],
)
def test_acescg_to_other_linear_spaces(dst, expected):
    assert pixel(colour.convert(planes(0.5, 0.4, 0.3), "ACEScg", dst)) == pytest.approx(expected, abs=1e-7)


def test_matrices_are_those_of_the_academy():
    # aces-dev: AP0 → AP1 row 1, AP1 → AP0 row 1.
    into = colour.is_matrix("ACES2065-1", "ACEScg").matrix
    assert into[0] == pytest.approx([1.4514393161, -0.2365107469, -0.2149285693], abs=1e-9)
    back = colour.is_matrix("ACEScg", "ACES2065-1").matrix
    assert back[0] == pytest.approx([0.6954522414, 0.1406786965, 0.1638690622], abs=1e-9)
    assert np.allclose(into @ back, np.eye(3), atol=1e-12)


def test_matrices_are_those_of_colour_science(science):
    for name, other in {"ACEScg": "ACEScg", REC709: "sRGB", "Linear P3-D65": "P3-D65"}.items():
        theirs = science.matrix_RGB_to_RGB(
            science.RGB_COLOURSPACES[other], science.RGB_COLOURSPACES["ITU-R BT.2020"], "Bradford"
        )
        # Published primaries are rounded, and so are derived matrices; hence 1e-4.
        assert colour.is_matrix(name, "Linear Rec.2020").matrix == pytest.approx(theirs, abs=1e-4)


def test_matrix_and_conversion_agree():
    rgb = [np.random.default_rng(k).normal(0, 3, (40, 17)).astype(np.float32) for k in range(3)]
    conversion = colour.is_matrix("ACEScg", REC709)
    expected = np.einsum("ij,jyx->iyx", conversion.matrix, np.stack(rgb).astype(np.float64))
    np.testing.assert_allclose(colour.convert(rgb, "ACEScg", REC709), expected, atol=3e-6)
    assert not conversion.offset.any()


def test_is_matrix():
    same = colour.is_matrix("ACEScg", "lin_ap1")
    assert np.array_equal(same.matrix, np.eye(3))
    assert colour.is_matrix("ACEScg", "ACEScct") is None
    assert colour.is_matrix("ACEScg", "sRGB - Display") is None


def test_acescct(science):
    # aces-dev: the break lies at .0078125 ↔ .155251141552511; .18 → .4135884025 (colour-science).
    grey = colour.convert(planes(0.0078125, 0.18, 0.5), "ACEScg", "ACEScct")
    assert pixel(grey)[:2] == pytest.approx([0.155251141552511, 0.4135884025], abs=2e-7)
    values = np.geomspace(1e-6, 6e4, 200).astype(np.float32)[None]
    got = colour.convert([values, values, values], "ACEScg", "ACEScct")[0]
    assert np.abs(got - science.models.log_encoding_ACEScct(values.astype(np.float64))).max() < 4e-7


def test_srgb(science):
    # IEC 61966-2-1; values computed with colour-science.
    values = planes(0.0031308, 0.18, 0.5)
    assert pixel(colour.convert(values, REC709, SRGB)) == pytest.approx([0.04045, 0.461356, 0.735357], abs=2e-6)
    assert pixel(colour.convert(planes(0.5, 0.5, 0.5), SRGB, REC709))[0] == pytest.approx(0.214041, abs=1e-6)
    ramp = np.linspace(0, 1, 300, dtype=np.float32)[None]
    got = colour.convert([ramp, ramp, ramp], REC709, SRGB)[0]
    assert np.abs(got - science.models.eotf_inverse_sRGB(ramp.astype(np.float64))).max() < 2e-6


def test_round_trips():
    rgb = [np.random.default_rng(k).random((30, 20), np.float32) for k in range(3)]
    for other in ("ACEScct", SRGB, "ARRI LogC4", "ACES2065-1"):
        back = colour.convert(colour.convert(rgb, "ACEScg", other), other, "ACEScg")
        np.testing.assert_allclose(back, rgb, atol=2e-5, err_msg=other)


def test_inputs_are_not_modified_and_strips_have_no_effect():
    rgb = [np.random.default_rng(k).random((300, 7), np.float32) for k in range(3)]
    before = [plane.copy() for plane in rgb]
    try:
        strips.set_threads(1)
        one = colour.convert(rgb, "ACEScg", "ACEScct")
        strips.set_threads(3)
        many = colour.convert(rgb, "ACEScg", "ACEScct")
    finally:
        strips.set_threads(None)
    np.testing.assert_array_equal(one, many)
    np.testing.assert_array_equal(rgb, before)
    same = colour.convert(rgb, "ACEScg", "ACEScg")
    assert not any(np.shares_memory(a, b) for a, b in zip(same, rgb, strict=True))


def test_non_finite_pixels_stay_where_they_are():
    rgb = planes(0.5, 0.4, 0.3)
    rgb[0][1, 1] = np.nan
    out = np.stack(colour.convert(rgb, "ACEScg", REC709))
    assert np.isnan(out[:, 1, 1]).all()
    out[:, 1, 1] = 0
    assert np.isfinite(out).all()


def test_data_is_not_converted():
    with pytest.raises(colour.UnknownEncoding, match='"Raw" is data, not colour'):
        colour.convert(planes(1, 1, 1), "Raw", "ACEScg")
    with pytest.raises(colour.UnknownEncoding, match="it has no view"):
        colour.display_view(planes(1, 1, 1), "Raw")


def test_only_three_planes_of_one_shape():
    with pytest.raises(ValueError, match="three float32 planes of one shape"):
        colour.convert(planes(1, 1), "ACEScg", REC709)
    with pytest.raises(ValueError, match="float64"):
        colour.convert([plane.astype(np.float64) for plane in planes(1, 1, 1)], "ACEScg", REC709)


def test_display_views():
    # Without tone mapping, a view is the plain encoding of the display (IEC 61966-2-1).
    plain = colour.display_view(planes(0.18, 0.18, 0.18), REC709, "sRGB - Display", "Un-tone-mapped")
    assert pixel(plain) == pytest.approx([0.461356] * 3, abs=2e-6)
    # The default one rolls off: far above white there is still room below 1.
    bright = pixel(colour.display_view(planes(4, 4, 4), "ACEScg"))
    assert all(0.9 < value < 1 for value in bright)
    with pytest.raises(
        colour.UnknownEncoding, match=r'no display "sRGB Display" in .* — did you mean "sRGB - Display"'
    ):
        colour.display_view(planes(1, 1, 1), "ACEScg", "sRGB Display")
    with pytest.raises(colour.UnknownEncoding, match='display "sRGB - Display" has no view "Plain"'):
        colour.display_view(planes(1, 1, 1), "ACEScg", view="Plain")


def test_chromaticities_equal_published_ones(science):
    import OpenEXR

    spaces = {
        "ACES2065-1": ("ACES2065-1", "lin_ap0_scene"),
        "ACEScg": ("ACEScg", "lin_ap1_scene"),
        REC709: ("sRGB", "lin_rec709_scene"),
        "Linear P3-D65": ("P3-D65", "lin_p3d65_scene"),
        "Linear Rec.2020": ("ITU-R BT.2020", "lin_rec2020_scene"),
        "Linear AdobeRGB": ("Adobe RGB (1998)", "lin_adobergb_scene"),
    }
    for name, (other, identifier) in spaces.items():
        numbers = colour_tags.chromaticities_of(Encoding(name, "scene-linear"))
        theirs = science.RGB_COLOURSPACES[other]
        assert numbers == pytest.approx([*theirs.primaries.ravel(), *theirs.whitepoint], abs=1e-9)
        assert colour_tags.from_chromaticities(np.float32(numbers)) == name  # as a header holds them
        assert colour_tags.interop_id_of(name) == identifier
        assert colour_tags.from_interop_id(identifier) == name
        if hasattr(OpenEXR, "colorInteropIDToChromaticities"):
            assert numbers == pytest.approx(OpenEXR.colorInteropIDToChromaticities(identifier), abs=1e-6)
        assert colour.encoding(name) == Encoding(name, "scene-linear")
    assert colour_tags.chromaticities_of("ACEScct") is None
    assert colour_tags.from_chromaticities([0.5] * 8) is None
    assert colour_tags.from_chromaticities([0.64, 0.33]) is None


def test_interop_ids_are_those_of_the_newer_configs():
    newer = [entry for entry in colour._built_in() if entry.startswith("studio-config-v5")]
    if not newer:
        pytest.skip("this OpenColorIO has no config with interop ids")
    loaded = colour.config(newer[0])
    for identifier, name in colour_tags._INTEROP_IDS.items():
        assert loaded.getColorSpace(name).getInteropID() == identifier
        assert colour.encoding(name).name == name
        assert colour_tags.interop_id_of(name) == identifier


@pytest.mark.parametrize(
    "call",
    [
        lambda: colour.encoding("ACESgc"),
        lambda: colour.encoding("half \ud800"),
        lambda: colour.encoding("a\0b"),
        lambda: colour.config("default"),
        lambda: colour.config("a\0b"),
        lambda: colour.config("half \ud800"),
        lambda: colour.display_view(planes(1, 1, 1), "ACEScg", "x"),
    ],
)
def test_unknown_names_are_mistakes_of_the_request(call):
    with pytest.raises(RequestError) as caught:
        call()
    assert isinstance(caught.value, colour.UnknownEncoding)
    assert isinstance(caught.value, ValueError)
    (problem,) = caught.value.problems
    assert (problem.rule, problem.message) == ("encoding-unknown", str(caught.value))
    assert str(pickle.loads(pickle.dumps(caught.value))) == str(caught.value)
