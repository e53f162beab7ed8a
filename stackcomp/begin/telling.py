"""The report about a graph that was begun: decisions with their reasons, what is left out, what comes next."""

from __future__ import annotations

from pathlib import Path

from stackcomp.begin.builder import Builder, Picture, Pictures
from stackcomp.begin.cg import CG
from stackcomp.begin.layer_words import sorted_out
from stackcomp.begin.layers import Layer
from stackcomp.begin.material import Material
from stackcomp.begin.report import Item, Report
from stackcomp.begin.samples import listed

__all__ = ["tell"]


def tell(report: Report, builder: Builder) -> None:
    """Put into the report what the graph of a builder is made from, and what the artist does next."""
    pictures, nodes = builder.pictures, builder.graph.nodes
    plate, clean, cg = pictures.plate, pictures.clean, pictures.layers
    names = list(nodes)

    def using(*wanted: str) -> tuple[str, ...]:
        return tuple(name for name in names if name in wanted)

    report.taken.append(_picture_item(plate, "the plate", using("plate_log", "plate_file", "plate")))
    if clean is not None:
        report.taken.append(_picture_item(clean, "the clean plate", using("clean_log", "clean_file", "clean")))
    told = pictures.cg_told
    report.taken.append(
        Item(pictures.cg.path, f"the CG, {_size(pictures.cg)}, {told.encoding}", told.reason, using("cg"))
    )
    beauty = "its own R G B A" if not cg.beauty.name else f'layer "{cg.beauty.name}"'
    report.taken.append(Item(beauty, f"the beauty, {cg.state}", cg.state_reason, using("beauty")))
    if cg.shadow is not None:
        layer, passed = cg.shadow
        kind = "a ratio (1 without shadow)" if passed.style == "ratio" else "coverage (0 without shadow)"
        report.taken.append(
            Item(str(layer), f"the shadow pass, {kind}", f"since {passed.reason}", using("shadow"))
        )
    if cg.emission is not None:
        light = f"its brightest value on {cg.samples.words} is {cg.emission_light:.3g}"
        light += "; the glow changes nothing there" if cg.emission_light <= 0 else ""
        report.taken.append(Item(str(cg.emission), "emitted light, which glows", light, using("lights", "shine")))
    for files, what in ((pictures.holdouts, "a holdout"), (pictures.mattes, "a matte of what stands in front")):
        for file in files:
            channel = f"channel {file.channel.channel}: {file.channel.reason}"
            own = builder.nodes.get(file.material.path, ())
            report.taken.append(Item(file.material.path, what, channel, own))
    _say_left_out(report, cg)
    report.notes[:0] = [f"the graph has {listed(pictures.frames)}"]
    report.notes += [doubt for doubt in (plate.told.doubt, clean.told.doubt if clean else "", told.doubt) if doubt]
    report.notes += cg.doubts
    _say_notes(report, pictures)
    _say_next(report, builder, pictures.cg.root)


def _picture_item(picture: Picture, what: str, nodes: tuple[str, ...]) -> Item:
    material, told = picture.material, picture.told
    return Item(material.path, f"{what}, {_size(material)}, {told.encoding}", told.reason, nodes)


def _size(material: Material) -> str:
    display = material.header.display
    return f"{display.width}×{display.height}"


def _say_left_out(report: Report, cg: CG) -> None:
    declared = [layer for layer in cg.left if layer.declared]
    if declared:
        names = ", ".join(f'"{layer.name}"' for layer in declared)
        reason = "its header declares them (open ID-matte specification)"
        report.left_out.append(Item(f"layer{'s' if len(declared) > 1 else ''} {names}", "ID mattes", reason))
    report.left_out += [_left(layer) for layer in cg.left if not layer.declared and layer.name]


def _left(layer: Layer) -> Item:
    many = f" ({len(layer.channels)} channels)" if len(layer.channels) > 1 else ""
    return Item(f'layer "{layer.name}"{many}', sorted_out(layer.role))


def _say_notes(report: Report, pictures: Pictures) -> None:
    for material, what in ((pictures.plate.material, "plate"), (pictures.cg, "CG")):
        header = material.header
        if header.window & header.display != header.window:
            report.notes.append(
                f"the {what} has overscan: {header.window} around a frame of {header.display}; it is kept"
            )
    shapes = [_pixel_aspect(m) for m in (pictures.plate.material, pictures.cg)]
    if abs(shapes[0] - shapes[1]) > 1e-3:
        report.notes.append(
            f"the pixels of the plate are {shapes[0]:.4g} times as wide as high, those of the CG {shapes[1]:.4g} "
            "times: one of the two headers is wrong, or the CG was rendered for other pixels"
        )
    if pictures.plate.material.header.channels != pictures.plate.layer.channels:
        others = len(pictures.plate.material.header.channels) - 3
        if others > 0:
            report.notes.append(
                f"of the plate R, G and B are used; {others} other channel{'s are' if others > 1 else ' is'} not"
            )


def _pixel_aspect(material: Material) -> float:
    value = material.header.metadata.get("pixelAspectRatio", 1.0)
    return float(value) if isinstance(value, int | float) and value > 0 else 1.0


def _say_next(report: Report, builder: Builder, root: Path) -> None:
    pictures = builder.pictures
    start = "" if str(root) == "." else f' --root "{root}"'
    plate, cg = pictures.plate.material, pictures.cg
    frame = pictures.frames[len(pictures.frames) // 2]
    encoding = "" if pictures.plate.told.by_header else f' --plate-encoding "{pictures.plate.told.encoding.name}"'
    if pictures.clean is not None:
        report.next.append(
            "set patch_outline: corners [x, y] in the clean plate's pixels, around what it covers; as it stands "
            "it covers nothing"
        )
        report.next.append(
            "set patch_homography where the camera moves: nine numbers, from the clean plate's pixels to the "
            "plate's, as keys over frames; as it stands it is right for a camera that is locked"
        )
    at = f" --frame {frame}" if plate.frames is not None or cg.frames is not None else ""
    report.next.append(
        f'measure the plate\'s black: stackcomp match black --plate "{plate.path}"{at}{encoding} '
        f'--other "{cg.path}" --write found.json{start}; then give --variables found.json'
    )
    depths = [layer for layer in pictures.layers.left if layer.role == "depth"]
    if depths:
        report.next.append(
            f'for defocus: pick layer "{depths[0].name}" as depth. In which unit is it (m, cm, mm, ft), and along '
            "the optical axis or along the ray? `stackcomp kinds defocus` tells the rest"
        )
    if pictures.layers.emission is not None:
        report.next.append('set radius and strength of the node "shine" by eye')
