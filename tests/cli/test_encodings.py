"""``stackcomp encodings``."""

from __future__ import annotations

import json

import PyOpenColorIO
import pytest

from stackcomp.files.colour import DEFAULT_CONFIG


def _names(run, *arguments):
    return [space["name"] for space in json.loads(run("encodings", *arguments, "--json").stdout)["encodings"]]


def test_every_colour_space_of_the_config_under_its_family(run):
    config = PyOpenColorIO.Config.CreateFromBuiltinConfig(DEFAULT_CONFIG)
    every = config.getColorSpaceNames(PyOpenColorIO.SEARCH_REFERENCE_SPACE_ALL, PyOpenColorIO.COLORSPACE_ALL)
    assert sorted(_names(run)) == sorted(every)
    shown = run("encodings").stdout
    assert all(name in shown for name in every)
    heads = [line for line in shown.splitlines()[:-1] if line and not line.startswith(" ")]
    assert heads == ["scene-linear", "log", "display", "data"]
    assert shown.endswith(f"{len(every)} of {len(every)} colour spaces in {DEFAULT_CONFIG}\n")
    assert not any(line.endswith(" ") for line in shown.splitlines())


@pytest.mark.parametrize("word", ["S-Log3", "slog3", "S_LOG3", "s log 3"])
def test_case_spaces_and_dashes_do_not_matter(run, word):
    assert _names(run, word) == [
        "S-Log3 S-Gamut3", "S-Log3 S-Gamut3.Cine", "S-Log3 Venice S-Gamut3", "S-Log3 Venice S-Gamut3.Cine"
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("word", "first"),
    [
        ("V-Log", "V-Log V-Gamut"),
        ("LogC", "ARRI LogC3 (EI800)"),
        ("lin_srgb", "Linear Rec.709 (sRGB)"),  # an alias
        ("scene_linear", "ACEScg"),  # a role
        ("sony", "Linear S-Gamut3"),  # where the config sorts it in
        ("BT.2020", "Linear Rec.2020"),
        ("linear", "Linear Rec.709 (sRGB)"),  # no camera's, first
    ],
)
def test_what_is_found(run, word, first):
    assert _names(run, word)[0] == first


def test_aliases_are_shown_where_a_word_is_given(run):
    assert "lin_ap1" in run("encodings", "acescg").stdout


def test_another_config(run, tmp_path):
    assert "S-Log3 S-Gamut3" not in _names(run, "--colour-config", "cg-config-v2.2.0_aces-v1.3_ocio-v2.4")
    own = tmp_path / "own.ocio"
    own.write_text(
        "ocio_profile_version: 2\nroles: {default: lin, scene_linear: lin}\ndisplays: {Screen: [!<View> "
        "{name: Plain, colorspace: lin}]}\ncolorspaces:\n  - !<ColorSpace> {name: lin}\n"
    )
    assert _names(run, "--colour-config", own) == ["lin"]


def test_nothing_found_is_answered_with_what_is_near_or_in_another_config(run):
    done = run("encodings", "ACESgc")
    assert done.exit_code == 2
    assert 'did you mean "ACEScg"' in done.stderr
    elsewhere = run("encodings", "D-Log")
    assert elsewhere.exit_code == 2
    assert 'the built-in config studio-config-v4.0.0_aces-v2.0_ocio-v2.5 has "D-Log D-Gamut"' in elsewhere.stderr


def test_displays_and_their_views(run):
    shown = run("encodings", "--displays").stdout
    assert shown.startswith("sRGB - Display")
    assert "Un-tone-mapped" in shown
    found = json.loads(run("encodings", "--displays", "rec 709", "--json").stdout)
    # Two more have views that are limited to it.
    assert next(iter(found["displays"])) == "Rec.1886 Rec.709 - Display"
    assert "sRGB - Display" not in found["displays"]
    assert run("encodings", "--displays", "projector").exit_code == 2
