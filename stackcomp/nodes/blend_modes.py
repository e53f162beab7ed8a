"""The blend modes of one channel, ``B(Cb, Cs)``, and the formula around them; `blend` explains them."""

from __future__ import annotations

from stackcomp.nodes.pixel import PixelFunction, pixel, root

__all__ = ["MODES"]


@pixel
def _multiply(b, s):  # type: ignore[no-untyped-def]
    return b * s


@pixel
def _screen(b, s):  # type: ignore[no-untyped-def]
    return max(b, s) if b > 1 or s > 1 else b + s - b * s


@pixel
def _hard_light(b, s):  # type: ignore[no-untyped-def]
    (bright,) = _screen(b, 2 * s - 1)
    return 2 * b * s if s <= 0.5 else bright


@pixel
def _overlay(b, s):  # type: ignore[no-untyped-def]
    (mixed,) = _hard_light(s, b)
    return mixed


@pixel
def _darken(b, s):  # type: ignore[no-untyped-def]
    return min(b, s)


@pixel
def _lighten(b, s):  # type: ignore[no-untyped-def]
    return max(b, s)


@pixel
def _color_dodge(b, s):  # type: ignore[no-untyped-def]
    s = min(max(s, 0), 1)
    mixed = b / (1 - s) if s < 1 and b < 1 - s else 1
    return b if b <= 0 or b >= 1 else mixed


@pixel
def _color_burn(b, s):  # type: ignore[no-untyped-def]
    s = min(max(s, 0), 1)
    mixed = 1 - (1 - b) / s if s > 0 and 1 - b < s else 0
    return b if b <= 0 or b >= 1 else mixed


@pixel
def _soft_light(b, s):  # type: ignore[no-untyped-def]
    t = 2 * min(max(s, 0), 1) - 1
    d = ((16 * b - 12) * b + 4) * b if b <= 0.25 else root(b)
    mixed = b + t * (b * (1 - b) if t <= 0 else d - b)
    return b if b <= 0 or b >= 1 else mixed


@pixel
def _difference(b, s):  # type: ignore[no-untyped-def]
    return abs(b - s)


@pixel
def _exclusion(b, s):  # type: ignore[no-untyped-def]
    return abs(b - s) if b > 1 or s > 1 else b + s - 2 * b * s


@pixel
def _normal(sr, sg, sb, sa, br, bg, bb, ba):  # type: ignore[no-untyped-def]
    only_b = 1 - sa
    return sr + br * only_b, sg + bg * only_b, sb + bb * only_b, sa + ba * only_b


def _separable(mode: PixelFunction) -> PixelFunction:
    """The sum of three regions: source only, both by the mode, backdrop only."""

    @pixel
    def blended(sr, sg, sb, sa, br, bg, bb, ba):  # type: ignore[no-untyped-def]
        by_s = sa if sa != 0 else 1
        by_b = ba if ba != 0 else 1
        both = sa * ba
        # A source without coverage has no region to share out, so its light counts whole.
        only_s = 1 - ba if sa != 0 else 1
        only_b = 1 - sa
        (r,) = mode(br / by_b, sr / by_s)
        (g,) = mode(bg / by_b, sg / by_s)
        (b,) = mode(bb / by_b, sb / by_s)
        return (
            sr * only_s + r * both + br * only_b,
            sg * only_s + g * both + bg * only_b,
            sb * only_s + b * both + bb * only_b,
            sa + ba * only_b,
        )

    return blended


MODES: dict[str, PixelFunction] = {
    "normal": _normal,
    "multiply": _separable(_multiply),
    "screen": _separable(_screen),
    "overlay": _separable(_overlay),
    "darken": _separable(_darken),
    "lighten": _separable(_lighten),
    "color-dodge": _separable(_color_dodge),
    "color-burn": _separable(_color_burn),
    "hard-light": _separable(_hard_light),
    "soft-light": _separable(_soft_light),
    "difference": _separable(_difference),
    "exclusion": _separable(_exclusion),
}
