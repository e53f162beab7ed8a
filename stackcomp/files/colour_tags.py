"""Header attributes about colour spaces, and the names of those spaces.

Two header attributes of OpenEXR state the RGB colour space: ``chromaticities`` (x and y of red, green,
blue and white) and ``colorInteropID`` (an identifier agreed on by the Color Interop Forum).

Sources: chromaticities from SMPTE ST 2065-1 (AP0), Academy S-2014-004 (AP1), ITU-R BT.709, ITU-R BT.2020,
SMPTE EG 432-1 (P3, with the D65 white), Adobe RGB (1998); identifiers from the Color Interop Forum's
recommendation, as in the configs of OpenColorIO from config version 2.5 on.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from stackcomp.data.port_types import Encoding

__all__ = ["chromaticities_of", "from_chromaticities", "from_header", "from_interop_id", "interop_id_of"]

Chromaticities = tuple[float, float, float, float, float, float, float, float]

_D65 = (0.3127, 0.3290)
_ACES_WHITE = (0.32168, 0.33767)
_CHROMATICITIES: dict[str, Chromaticities] = {
    "ACES2065-1": (0.7347, 0.2653, 0.0, 1.0, 0.0001, -0.0770, *_ACES_WHITE),
    "ACEScg": (0.713, 0.293, 0.165, 0.830, 0.128, 0.044, *_ACES_WHITE),
    "Linear Rec.709 (sRGB)": (0.64, 0.33, 0.30, 0.60, 0.15, 0.06, *_D65),
    "Linear P3-D65": (0.680, 0.320, 0.265, 0.690, 0.150, 0.060, *_D65),
    "Linear Rec.2020": (0.708, 0.292, 0.170, 0.797, 0.131, 0.046, *_D65),
    "Linear AdobeRGB": (0.64, 0.33, 0.21, 0.71, 0.15, 0.06, *_D65),
}
_INTEROP_IDS = {
    "lin_ap0_scene": "ACES2065-1",
    "lin_ap1_scene": "ACEScg",
    "lin_rec709_scene": "Linear Rec.709 (sRGB)",
    "lin_p3d65_scene": "Linear P3-D65",
    "lin_rec2020_scene": "Linear Rec.2020",
    "lin_adobergb_scene": "Linear AdobeRGB",
    "lin_ciexyzd65_scene": "CIE XYZ-D65 - Scene-referred",
    "srgb_rec709_scene": "sRGB Encoded Rec.709 (sRGB)",
    "g18_rec709_scene": "Gamma 1.8 Encoded Rec.709",
    "g22_rec709_scene": "Gamma 2.2 Encoded Rec.709",
    "g24_rec709_scene": "Gamma 2.4 Encoded Rec.709",
    "srgb_p3d65_scene": "sRGB Encoded P3-D65",
    "g22_adobergb_scene": "Gamma 2.2 Encoded AdobeRGB",
    "srgb_ap1_scene": "sRGB Encoded AP1",
    "g22_ap1_scene": "Gamma 2.2 Encoded AP1",
    "srgb_rec709_display": "sRGB - Display",
    "srgb_p3d65_display": "Display P3 - Display",
    "g24_rec709_display": "Rec.1886 Rec.709 - Display",
    "hlg_rec2020_display": "Rec.2100-HLG - Display",
    "pq_rec2020_display": "Rec.2100-PQ - Display",
    "pq_p3d65_display": "ST2084-P3-D65 - Display",
    "data": "Raw",
}


def chromaticities_of(encoding: str | Encoding) -> Chromaticities | None:
    """Return x and y of red, green, blue and white of a scene-linear space; None if unknown."""
    name = encoding if isinstance(encoding, str) else encoding.name
    return _CHROMATICITIES.get(name)


def from_chromaticities(numbers: Sequence[float], *, tolerance: float = 1e-4) -> str | None:
    """Return the name of the scene-linear space with these chromaticities.

    Args:
        numbers: x and y of red, green, blue, white.
        tolerance: largest difference of any number. The two most similar known spaces differ by .01.

    Returns:
        The name, or None if no known space matches.
    """
    if len(numbers) != 8:
        return None
    for name, known in _CHROMATICITIES.items():
        if all(abs(float(a) - b) <= tolerance for a, b in zip(numbers, known, strict=True)):
            return name
    return None


def interop_id_of(encoding: str | Encoding) -> str | None:
    """Return the ``colorInteropID`` of an encoding, or None if it has none."""
    name = encoding if isinstance(encoding, str) else encoding.name
    return next((key for key, known in _INTEROP_IDS.items() if known == name), None)


def from_interop_id(identifier: str) -> str | None:
    """Return the name of the encoding with a ``colorInteropID``, or None if it is unknown."""
    return _INTEROP_IDS.get(identifier)


def from_header(metadata: Mapping[str, Any]) -> str | None:
    """Return the name of the encoding in a header: by its identifier, else its chromaticities; None if unknown."""
    identifier, numbers = metadata.get("colorInteropID"), metadata.get("chromaticities")
    name = None if identifier is None else from_interop_id(str(identifier))
    return from_chromaticities(numbers) if name is None and numbers is not None else name
