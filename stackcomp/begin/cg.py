"""The CG: its beauty, shadow pass and emission, and the state of its alpha."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from stackcomp.begin.alpha import AlphaSeen, alpha_seen
from stackcomp.begin.layer_words import Role
from stackcomp.begin.layers import Layer, layers_of
from stackcomp.begin.material import Material
from stackcomp.begin.samples import Samples, samples_of
from stackcomp.begin.shadow import ShadowPass, shadow_pass
from stackcomp.begin.wishes import Wishes
from stackcomp.errors import Problem, RequestError, did_you_mean
from stackcomp.files.tiff import ALPHA_UNSTATED

__all__ = ["CG", "cg_of"]

_MOST_CHOICES = 8


@dataclass(frozen=True, eq=False)
class CG:
    """What the layers of the CG are.

    Attributes:
        beauty: the layer with the picture.
        alpha: the channel with its alpha.
        state: of that alpha.
        state_reason: why.
        shadow: the shadow pass and what it is, if there is one.
        emission: light that is emitted, if there is any such layer.
        emission_light: its largest value on the sampled frames.
        left: all other layers.
        samples: pixels of a few frames.
        doubts: sentences.
    """

    beauty: Layer
    alpha: str
    state: Literal["premultiplied", "straight"]
    state_reason: str
    shadow: tuple[Layer, ShadowPass] | None
    emission: Layer | None
    emission_light: float
    left: tuple[Layer, ...]
    samples: Samples
    doubts: tuple[str, ...]


def cg_of(material: Material, wishes: Wishes, frames: Sequence[int]) -> CG:
    """Look at headers and a few frames of the CG.

    Raises:
        RequestError: questions that only the artist can answer, all at once.
    """
    header = material.header
    layers = layers_of(header.channels, header.metadata)
    problems: list[Problem] = []
    beauty = _asked(problems, _beauty, material, layers, wishes)
    shadow = None if wishes.shadow == "none" else _asked(problems, _chosen, material, layers, "shadow", wishes)
    emission = _asked(problems, _chosen, material, layers, "emission", wishes)
    alpha = _asked(problems, _alpha, material, layers, beauty) if beauty else None
    if beauty is None or alpha is None:
        raise RequestError(problems)
    wanted = [beauty.planes[c] for c in "RGB"] + [alpha]
    wanted += [channel for layer in (shadow, emission) if layer is not None for channel in layer.channels]
    wanted = [name for name in dict.fromkeys(wanted) if name not in header.unusable]
    samples = samples_of(material, wanted, frames)
    passed = None
    if shadow is not None:
        told = wishes.shadow if wishes.shadow != "none" else None
        passed = shadow_pass(shadow, samples, told)
        if passed.style is None:
            problems.append(_which_style(material, shadow, passed))
    state = _asked(problems, _state, material, wishes, alpha_seen(samples, wanted[:3], alpha))
    if problems or state is None:
        raise RequestError(problems)
    light = 0.0
    if emission is not None and samples.frames:
        light = max(float(stack.max()) for stack in samples.stacked([emission.planes[c] for c in "RGB"]))
    used = [layer for layer in (beauty, shadow, emission) if layer is not None]
    left = tuple(layer for layer in layers if layer not in used and layer.channels != (alpha,))
    return CG(
        beauty,
        alpha,
        state[0],
        state[1],
        (shadow, passed) if shadow is not None and passed is not None else None,
        emission,
        light,
        left,
        samples,
        (state[2],) if state[2] else (),
    )


def _asked(problems: list[Problem], find, *arguments):  # type: ignore[no-untyped-def]
    """What a function finds; its questions are kept, so that all are asked at once."""
    try:
        return find(*arguments)
    except RequestError as error:
        problems += error.problems
        return None


def _named(material: Material, layers: Sequence[Layer], name: str, option: str) -> Layer:
    folded = {layer.name.casefold(): layer for layer in layers}
    if name.casefold() in folded:
        return folded[name.casefold()]
    names = [layer.name for layer in layers if layer.name]
    raise RequestError(
        Problem("layer-missing", f'{option}: {material.path} has no layer "{name}"',
                did_you_mean(name, names) or f"its layers are {', '.join(names[:12]) or 'none'}")
    )  # fmt: skip


def _which(material: Material, what: str, layers: Sequence[Layer], option: str) -> Problem:
    choices = " or ".join(f'{option} "{layer.name}"' for layer in layers[:_MOST_CHOICES])
    message = f"which layer of {material.path} is {what}? {len(layers)} may be"
    return Problem("channel-unknown", f"{material.option}: {message}", f"give {choices}")


def _beauty(material: Material, layers: Sequence[Layer], wishes: Wishes) -> Layer:
    if wishes.beauty_layer is not None:
        layer = _named(material, layers, wishes.beauty_layer, "--beauty-layer")
        if layer.has_colour:
            return layer
        message = f'--beauty-layer: layer "{layer.name}" of {material.path} has no R G B'
        raise RequestError(Problem("no-colour", message, f"it has {', '.join(layer.channels[:12])}"))
    coloured = [layer for layer in layers if layer.has_colour and layer.role in ("beauty", "unknown")]
    for candidates in (
        [layer for layer in coloured if not layer.name],
        [layer for layer in coloured if layer.role == "beauty"],
        coloured,
    ):
        if len(candidates) == 1:
            return candidates[0]
        if candidates:
            raise RequestError(_which(material, "the beauty", candidates, "--beauty-layer"))
    message = f"{material.option}: {material.path} has no picture with R, G and B"
    listed = ", ".join(material.header.channels[:12])
    raise RequestError(
        Problem("no-colour", message, f"it has {listed}; name one with --beauty-layer, if it has one")
    )


def _chosen(material: Material, layers: Sequence[Layer], role: Role, wishes: Wishes) -> Layer | None:
    """The layer of a role with the plainest name; None where there is none or none is wanted."""
    option = f"--{role}-layer"
    name = wishes.shadow_layer if role == "shadow" else wishes.emission_layer
    if name is not None and name.casefold() != "none":
        layer = _named(material, layers, name, option)
        if role == "emission" and not layer.has_colour:
            message = f'{option}: layer "{layer.name}" of {material.path} has no R G B'
            raise RequestError(Problem("no-colour", message, f"it has {', '.join(layer.channels[:12])}"))
        return layer
    if name is not None:
        return None
    found = [layer for layer in layers if layer.role == role and (role == "shadow" or layer.has_colour)]
    plainest = min((layer.plainness for layer in found), default=0)
    best = [layer for layer in found if layer.plainness == plainest]
    if len(best) > 1:
        what = "the shadow pass" if role == "shadow" else "the emission"
        question = _which(material, what, best, option)
        none = "--shadow none" if role == "shadow" else f"{option} none"
        raise RequestError(Problem(question.rule, question.message, f"{question.way_out} or {none}"))
    return best[0] if best else None


def _alpha(material: Material, layers: Sequence[Layer], beauty: Layer) -> str:
    if "A" in beauty.planes:
        return beauty.planes["A"]
    own = next((layer.planes["A"] for layer in layers if not layer.name and "A" in layer.planes), None)
    named = [
        layer.channels[0] for layer in layers if len(layer.channels) == 1 and layer.name.casefold() == "alpha"
    ]
    found = own or (named[0] if named else None)
    if found is not None:
        return found
    raise RequestError(
        Problem("no-alpha", f"{material.option}: {beauty} of {material.path} has no alpha, which over needs",
                "render the CG with alpha")
    )  # fmt: skip


def _state(
    material: Material, wishes: Wishes, seen: AlphaSeen
) -> tuple[Literal["premultiplied", "straight"], str, str]:
    """State of alpha, its reason, and a doubt that may be empty.

    Raises:
        RequestError: the format says one thing, and the pixels may say another.
    """
    header = material.header
    unstated = ALPHA_UNSTATED in header.doubts
    exr = header.format == "OpenEXR"
    by_format: Literal["premultiplied", "straight"] = "straight" if header.alpha == "straight" else "premultiplied"
    if wishes.cg_alpha is not None:
        differs = seen.state in ("premultiplied", "straight") and seen.state != wishes.cg_alpha
        doubt = f"--cg-alpha says {wishes.cg_alpha}, but {seen.reason}" if differs else ""
        return wishes.cg_alpha, "as --cg-alpha says", doubt
    if not exr and not unstated:
        return by_format, f"as its format {header.format} says", ""
    if seen.state == "premultiplied":
        return "premultiplied", seen.reason, ""
    if seen.state == "straight":
        doubt = "OpenEXR files are premultiplied by the standard, and this one is not" if exr else ""
        return "straight", seen.reason, doubt
    if seen.state == "between" and exr:
        return (
            "premultiplied",
            "as OpenEXR files are",
            f"{material.path}: {seen.reason}; look at the edges of the CG",
        )
    if seen.state == "unseen" and exr:
        return "premultiplied", f"as OpenEXR files are: there are {seen.reason}", ""
    raise RequestError(
        Problem("alpha-unknown", f"{material.option}: is the alpha of {material.path} premultiplied or straight? "
                f"{seen.reason[:1].upper()}{seen.reason[1:]}",
                "give --cg-alpha premultiplied or --cg-alpha straight")
    )  # fmt: skip


def _which_style(material: Material, layer: Layer, passed: ShadowPass) -> Problem:
    return Problem(
        "shadow-unclear",
        f'{material.option}: is layer "{layer.name}" a ratio or coverage? {passed.reason[:1].upper()}'
        f"{passed.reason[1:]}",
        "give --shadow ratio where it is 1 without shadow, --shadow coverage where it is 0 without shadow, "
        "or --shadow none",
    )
