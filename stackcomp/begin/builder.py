"""The usual comp as a graph, from what is known of its files."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from stackcomp.begin.cg import CG
from stackcomp.begin.encodings import Told
from stackcomp.begin.layers import Layer
from stackcomp.begin.material import Material
from stackcomp.begin.mattes import MatteChannel
from stackcomp.begin.names import Names, stem_of
from stackcomp.begin.shot_folder import ShotFolder, written
from stackcomp.data.frames import format_frames
from stackcomp.data.port_types import Encoding
from stackcomp.document.graph import Graph

__all__ = ["Builder", "Picture", "Pictures", "WithMatte"]

#: Names of nodes that are not made from names of files.
_OWN = (
    "plate_log", "plate_file", "plate", "clean_log", "clean_file", "clean", "cg", "beauty", "shadow", "lights",
    "mended", "shaded", "light", "premultiplied", "held_out", "lifted", "combined", "shine", "finished", "out",
    "still",
)  # fmt: skip
#: Half-light radius of the glow, as a share of the frame's width, and its strength: modest, a matter of taste.
_GLOW_RADIUS, _GLOW_STRENGTH = 0.027, 0.06


@dataclass(frozen=True)
class Picture:
    """A plate or a clean plate: its file, the layer of its colours, and their encoding."""

    material: Material
    layer: Layer
    told: Told


@dataclass(frozen=True)
class WithMatte:
    """A file with a matte and its channel."""

    material: Material
    channel: MatteChannel


@dataclass(frozen=True, eq=False)
class Pictures:
    """All that goes into the graph.

    Attributes:
        plate, clean: pictures; no clean plate when None.
        cg: the file of the CG.
        cg_told: its encoding.
        layers: what its layers are.
        mattes, holdouts: files with mattes.
        frames: frames of the graph.
    """

    plate: Picture
    clean: Picture | None
    cg: Material
    cg_told: Told
    layers: CG
    mattes: Sequence[WithMatte]
    holdouts: Sequence[WithMatte]
    frames: Sequence[int]


class Builder:
    """Builds the graph.

    Attributes:
        graph: the graph.
        nodes: role and file → names of its nodes, for the report.
    """

    def __init__(
        self, pictures: Pictures, working_space: Encoding, colour_config: str, folder: ShotFolder, out: str
    ) -> None:
        self.pictures, self.working_space, self.folder = pictures, working_space, folder
        variables: dict[str, Any] = {"shot": folder.value} if folder.folder else {}
        variables |= {"out": written(out), "black": 0, "viewing_stops": 0}
        if pictures.clean is not None:
            variables |= {"patch_outline": [[0, 0], [0, 0], [0, 0]], "patch_homography": _to_the_plate(pictures)}
        self.graph = Graph(
            working_space=working_space.name,
            about="CG over the plate",
            frames=format_frames(pictures.frames),
            variables=variables,
            colour_config=colour_config,
        )
        self.names = Names(*_OWN)
        self.nodes: dict[str, tuple[str, ...]] = {}

    def build(self) -> Graph:
        """Build all of it, in the order in which light is laid on light."""
        pictures, add = self.pictures, self.graph.add
        plate_read = self._read_picture(pictures.plate, "plate", "Camera plate")
        clean_read = self._read_picture(pictures.clean, "clean", "Clean plate") if pictures.clean else ""
        cg = self._read(pictures.cg, "cg", pictures.cg_told, "CG with its layers", alpha=self._alpha_of_cg())
        holdouts = [self._matte_file(file, "Coverage in front: cuts the CG out") for file in pictures.holdouts]
        mattes = [
            self._matte_file(file, "Coverage in front: the plate is restored there") for file in pictures.mattes
        ]

        plate = self._to_working_space(plate_read, "plate", pictures.plate.told)
        clean = self._to_working_space(clean_read, "clean", pictures.clean.told) if pictures.clean else ""
        beauty = self._beauty(cg)
        shadow, lights = self._shadow(cg), self._lights(cg)

        if pictures.clean:
            add("clean_patch", "mended", backdrop=plate, patch=clean, homography="${patch_homography}",
                outline="${patch_outline}", feather=6,
                about="Covers what should not be in the plate, inside of patch_outline")  # fmt: skip
            plate = "mended"
        if shadow:
            plate = add("multiply_shadow", "shaded", backdrop=plate, shadow=shadow, black="${black}")
        for matte in holdouts:
            beauty = self._held_out(beauty, matte)
            lights = self._held_out(lights, matte) if lights else ""
        add("match_black", "lifted", image=beauty, black="${black}",
            about="Lifts the CG to the plate's black; 0 changes nothing")  # fmt: skip
        comp = add("over", "combined", source="lifted", backdrop=plate)
        for matte, file in zip(mattes, pictures.mattes, strict=True):
            name = self.names.take(f"restored_{stem_of(file.material.path)}")
            comp = add("restore", name, source=plate, backdrop=comp, matte=matte)
        if lights:
            width = pictures.cg.header.display.width
            radius = max(1, round(_GLOW_RADIUS * width))
            add("glow", "shine", image=lights, radius=radius, strength=_GLOW_STRENGTH, output="alone",
                about="Glow of the CG's own light; radius and strength are a first guess")  # fmt: skip
            comp = add("over", "finished", source="shine", backdrop=comp)
        self._deliver(comp)
        return self.graph

    # -- files ---------------------------------------------------------------------------------------------------

    def _read(self, material: Material, name: str, told: Told | None, about: str, **fields: Any) -> str:
        encoding = told.encoding.name if told is not None and not told.by_header else None
        fields |= {"encoding": encoding, "shift": material.shift or None, "about": about}
        return self.graph.add("read", name, path=self.folder.path(material.path), **fields)

    def _read_picture(self, picture: Picture, name: str, about: str) -> str:
        """The node with the file's colours, without alpha."""
        plain = picture.layer.plain and not picture.layer.name
        converts = picture.told.encoding != self.working_space
        kind = "log" if picture.told.encoding.family == "log" else "file"
        read_name = f"{name}_{kind}" if converts or not plain else name
        has_alpha = "A" in picture.material.header.channels
        read = self._read(picture.material, read_name, picture.told, about, alpha="none" if has_alpha else None)
        if plain:
            return read
        picked = f"{name}_picked" if converts else name
        planes = {plane: channel for plane, channel in picture.layer.planes.items() if plane != "A"}
        return self.graph.add("pick_channels", picked, layers=read, as_="colour", alpha="none", channels=planes)

    def _to_working_space(self, node: str, name: str, told: Told) -> str:
        if told.encoding == self.working_space:
            return node
        return self.graph.add("convert_colour", name, image=node)

    def _matte_file(self, file: WithMatte, about: str) -> str:
        name = self.names.take(stem_of(file.material.path))
        self.nodes[file.material.path] = (name,)
        if file.channel.alone:
            return self._read(file.material, name, None, about)
        read = self.names.take(f"{name}_file")
        self._read(file.material, read, None, about)
        return self.graph.add(
            "pick_channels", name, layers=read, as_="matte", channels={"A": file.channel.channel}
        )

    # -- layers of the CG ----------------------------------------------------------------------------------------

    def _alpha_of_cg(self) -> str | None:
        """What the read node is told: nothing where it takes the state for what it is by itself."""
        state, header = self.pictures.layers.state, self.pictures.cg.header
        by_itself = header.alpha if header.alpha != "none" else "premultiplied"
        return None if state == by_itself and not header.doubts else state

    def _beauty(self, cg: str) -> str:
        layers, told = self.pictures.layers, self.pictures.cg_told
        planes = {c: layers.beauty.planes[c] for c in "RGB"} | {"A": layers.alpha}
        node: str = self.graph.add("pick_channels", "beauty", layers=cg, as_="colour", alpha=layers.state,
                                   channels=planes)  # fmt: skip
        if told.encoding != self.working_space:
            node = self.graph.add("convert_colour", "light", image=node)
        if layers.state == "straight":
            node = self.graph.add("premultiply", "premultiplied", image=node)
        return node

    def _shadow(self, cg: str) -> str:
        if self.pictures.layers.shadow is None:
            return ""
        layer, passed = self.pictures.layers.shadow
        if passed.style == "ratio":
            plain = all(channel == f"{layer.name}.{plane}" for plane, channel in passed.channels.items())
            by = {"layer": layer.name} if plain else {"channels": passed.channels}
            return self.graph.add("pick_channels", "shadow", layers=cg, as_="ratio", **by)
        space = None if passed.coloured else self.working_space.name
        node: str = self.graph.add("pick_channels", "shadow", layers=cg, as_="colour", alpha="premultiplied",
                                   encoding=space, channels=passed.channels,
                                   about="Black, with the shadow's coverage as alpha")  # fmt: skip
        if passed.coloured and self.pictures.cg_told.encoding != self.working_space:
            node = self.graph.add("convert_colour", self.names.take("shadow_light"), image=node)
        return node

    def _lights(self, cg: str) -> str:
        layer = self.pictures.layers.emission
        if layer is None:
            return ""
        planes: Mapping[str, Any] = {c: layer.planes[c] for c in "RGB"} | {"A": 0}
        converts = self.pictures.cg_told.encoding != self.working_space
        name = self.names.take("lights_picked") if converts else "lights"
        node: str = self.graph.add("pick_channels", name, layers=cg, as_="colour", alpha="premultiplied",
                                   channels=planes, about="The CG's own light, without coverage")  # fmt: skip
        return self.graph.add("convert_colour", "lights", image=node) if converts else node

    def _held_out(self, node: str, matte: str) -> str:
        name = self.names.take(f"{node}_behind_{matte}"[:120])
        return self.graph.add("holdout", name, image=node, matte=matte)

    # -- files that are written ----------------------------------------------------------------------------------

    def _deliver(self, comp: str) -> None:
        token = "{frame:04d}"
        self.graph.add("deliver", "out", image=comp, path=self.folder.output(f"comp.{token}.exr"))
        self.graph.add("deliver", "still", image=comp, path=self.folder.output(f"comp.{token}.png"),
                       viewing_stops="${viewing_stops}",
                       about="To look at; the stops brighten this file alone")  # fmt: skip


def _to_the_plate(pictures: Pictures) -> list[float]:
    """The homography that lays the frame of the clean plate on that of the plate."""
    assert pictures.clean is not None
    here, there = pictures.clean.material.header.display, pictures.plate.material.header.display
    across, down = there.width / here.width, there.height / here.height
    numbers = [across, 0, there.x0 - across * here.x0, 0, down, there.y0 - down * here.y0, 0, 0, 1]
    return [int(number) if number == int(number) else number for number in numbers]
