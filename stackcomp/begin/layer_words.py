"""What a layer of a CG render is, by its name. Renderers and studios name them differently.

The lists are common practice, no source. Case does not matter, and words are told apart at signs and capitals:
``shadow_catcher``, ``ShadowCatcher`` and ``SHADOW CATCHER`` are alike.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

__all__ = ["Role", "role_of", "sorted_out"]

Role = Literal[
    "beauty", "shadow", "emission", "depth", "ids", "normals", "position", "motion", "occlusion",
    "coordinates", "matte", "component", "unknown",
]  # fmt: skip


@dataclass(frozen=True)
class _Words:
    """Names of a role: whole names, of which the first is the plainest, and words that are enough within one."""

    role: Role
    whole: str
    within: str = ""


_ROLES = (
    _Words("shadow", "shadow shadows shadowcatcher shadowpass shadowmatte matteshadow shadowratio",
           "shadow shadows"),
    _Words(
        "emission",
        "emission emissive emit emitted emissions lights lamps lamp glow glows selfillumination selfillum "
        "incandescence",
        "emission emissive emit emitted glow incandescence selfillumination",
    ),
    _Words("depth", "depth z zdepth depthz zbuffer deep", "depth zdepth"),
    _Words("normals", "n normal normals nn", "normal normals"),
    _Words("position", "p pos position pworld pref worldposition", "position pworld pref"),
    _Words("motion", "motion velocity vector motionvector motionvectors mv speed forward backward",
           "motion velocity"),
    _Words("occlusion", "ao occlusion ambientocclusion", "occlusion ao"),
    _Words("coordinates", "uv st uvs texcoord uvw", "uv texcoord"),
    _Words("ids", "id ids objectid materialid assetid crypto cryptomatte", "crypto cryptomatte id"),
    _Words("matte", "matte mask mattes masks holdout rgbmatte", "matte mask mattes masks holdout"),
    _Words("beauty", "beauty rgba rgb combined color colour main c master composite", "beauty combined"),
    _Words("component", "", "diffuse diff specular spec reflection reflect refraction transmission sss subsurface "
           "albedo gi direct indirect coat sheen volume background sky lighting raw environment"),
)  # fmt: skip
_NOT_A_SHADOW = frozenset(("unshadowed", "noshadow", "no"))
_WORD = re.compile(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+")


def role_of(layer: str) -> tuple[Role, int]:
    """The role of a layer by its name, and how plain that is: 0 for the plainest, 1 for a synonym, 2 for a word.

    Args:
        layer: full name, with dots where it lies deeper; the last part counts, and parts before it where that
            says nothing.
    """
    for segment in reversed(layer.split(".")):
        role, plainness = _of_segment(segment)
        if role != "unknown" and (role != "beauty" or segment == layer):
            return role, plainness
        if role == "beauty":
            inner = role_of(layer.rpartition(".")[0])
            return inner if inner[0] not in ("unknown", "component") else (role, plainness)
    return "unknown", 2


def _of_segment(segment: str) -> tuple[Role, int]:
    words = [word.casefold() for word in _WORD.findall(segment)]
    folded = "".join(words)
    if "shadow" in folded and _NOT_A_SHADOW.intersection(words):
        return "component", 2
    for entry in _ROLES:
        if folded and folded in entry.whole.split():
            return entry.role, 0 if folded == entry.whole.split()[0] else 1
    for entry in _ROLES:
        if set(words) & set(entry.within.split()):
            return entry.role, 2
    return "unknown", 2


def sorted_out(role: Role) -> str:
    """Why a layer of a role is left out of a begun graph."""
    return {
        "depth": "depth: defocus is left out, since focus and lens are not known",
        "ids": "ids of objects or materials",
        "normals": "normals: no node of the usual comp takes them",
        "position": "positions: no node of the usual comp takes them",
        "motion": "motion: the renders are taken to have their motion blur",
        "occlusion": "ambient occlusion: the shadow pass takes its place",
        "coordinates": "texture coordinates: no node of the usual comp takes them",
        "matte": "a matte inside the CG: pick_channels makes it one, where it is wanted",
        "component": "part of the beauty already",
        "beauty": "another beauty",
        "emission": "another layer of emission",
        "shadow": "another shadow pass",
    }.get(role, "its name says nothing")
