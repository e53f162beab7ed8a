"""Flash patterns of known verdict: 8-bit sRGB levels of a part of the screen at 30 frames a second.

Levels and verdicts are those of the open test media of the TRACE RERC, github.com/jbjord/pse-test-media (BSD
3-Clause, copyright 2025, TRACE RERC), described in J. B. Jordan, "Evaluating Conformance of Video Safety Tools for
Photosensitive Epilepsy", HCI International 2025. The verdict is that for ITU-R BT.1702 with a flashing area
somewhat larger than a quarter of the screen. Names are those of its files in ``lum_flash_patterns/rel_lum`` and
``red_flash_patterns/30fps``.
"""

from __future__ import annotations

__all__ = ["GENERAL", "RED", "STEPWISE"]

Colour = tuple[int, int, int]
Level = int | Colour


def _quick(low: Level, high: Level, last: Level) -> list[Level]:
    """6 transitions at once; a 7th where ``last`` differs from ``low``."""
    return [low, high] * 3 + [low] + [last] * 25


def _spaced(low: Level, high: Level, third: int) -> list[Level]:
    """4 flashes of a frame; the last begins ``third`` frames after the end of the one before."""
    return [low, high, *[low] * 9, high, *[low] * 9, high, *[low] * third, high, low, low]


def _square(low: Level, high: Level, second: Level | None = None) -> list[Level]:
    """Rather a square wave; the second pulse may have another level."""
    pulses = [
        (high, 5),
        (low, 5),
        (high if second is None else second, 5),
        (low, 5),
        (high, 4),
        (low, 5),
        (high, 4),
    ]
    return [low, *[level for level, count in pulses for _ in range(count)]]


#: Name → whether it is harmful, and the levels.
GENERAL: dict[str, tuple[bool, list[Level]]] = {
    "f005": (True, _quick(177, 195, 195)),
    "f014": (True, _spaced(158, 178, 8)),
    "f021": (True, _square(64, 109)),
    "f038": (
        True,
        [222, 235, 248, *[222] * 8, 248, 235, *[222] * 7, 235, 248, 235, *[222] * 6, 235, 248, 222, 222],
    ),
    "c001": (False, _quick(64, 109, 64)),
    "c012": (False, _spaced(108, 138, 9)),
    "c028": (
        False,
        [222, *[235] * 5, *[222] * 5, *[235] * 5, *[222] * 5, *[235] * 5, *[222] * 5, *[235] * 3],
    ),
    "c033": (
        False,
        [136, 159, 179, *[136] * 8, 179, 159, *[136] * 8, 159, 179, 159, *[136] * 7, 159, 179, 136, 136],
    ),
    "cr015": (False, [195, 177, *[195] * 9, 177, *[195] * 9, 177, *[195] * 9, 177, 195, 195]),
    "l006": (False, _quick(194, 209, 209)),
    "l012": (False, _spaced(108, 136, 8)),
    "l025": (False, [177, *[194] * 5, *[177] * 5, *[194] * 5, *[177] * 5, *[194] * 4, *[177] * 5, *[194] * 4]),
    "y001": (False, [64, 109, 64, 109, 64, 108, 64, *[109] * 24]),
    "y024": (False, _square(158, 178, 177)),
}

#: Harmless there, where a change is one from a frame to the next; harmful here, where it is one from an extreme to
#: the next (WCAG 2.2: "between adjacent peaks and valleys").
STEPWISE: dict[str, list[Level]] = {
    "l034": [158, 177, 194, *[158] * 8, 194, 177, *[158] * 7, 177, 194, 177, *[158] * 6, 177, 194, 158, 158],
    "y033": [136, 159, 179, *[136] * 8, 177, 158, *[136] * 7, 159, 179, 159, *[136] * 6, 159, 179, 136, 136],
}

_MANY = [(139, 50, 50), (17, 89, 89), *[(149, 34, 68)] * 9, (79, 72, 133)]
_LAST = [(128, 22, 169), *[(158, 5, 81)] * 8, (128, 22, 169), *[(149, 34, 68)] * 3]

#: Of equal luminance, so that only the red counts.
RED: dict[str, tuple[bool, list[Level]]] = {
    "f004_simple": (True, _quick((173, 64, 64), (24, 112, 112), (24, 112, 112))),
    "f017_simple": (True, _spaced((205, 78, 78), (31, 134, 134), 8)),
    "f001_multi": (
        True,
        [
            (109, 22, 48), (56, 50, 96), (101, 34, 34), (9, 63, 63), (115, 3, 57), (92, 13, 123), (101, 34, 34),
            *[(9, 63, 63)] * 25,
        ],
    ),
    "f012_multi": (True, [*_MANY, *[(158, 5, 81)] * 9, *_LAST]),
    "s012_multi": (False, [*_MANY, *[(153, 5, 79)] * 9, *_LAST]),
    "d012_multi": (False, [*_MANY, *[(158, 5, 81)] * 9, *_LAST[:-4], (130, 21, 164), *_LAST[-3:]]),
    "s026_simple": (False, _square((192, 9, 101), (160, 30, 210))),
    "d002_simple": (False, _quick((109, 22, 48), (61, 49, 94), (61, 49, 94))),
    "d016_simple": (False, _spaced((197, 9, 102), (163, 29, 204), 8)),
    "c018_simple": (False, _spaced((220, 55, 104), (119, 109, 197), 9)),
}  # fmt: skip
