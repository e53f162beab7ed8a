"""id_matte: the coverage of named objects or materials."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Annotated, ClassVar, Literal

from pydantic import Field

from stackcomp.data.port_types import Ids, Layers, Matte, PortType
from stackcomp.data.window import Window
from stackcomp.errors import Problem
from stackcomp.nodes.base import Context, PageExamples, PixelNode, Port
from stackcomp.nodes.named_ids import NAMES_DOC, Names, NamesIds
from stackcomp.nodes.named_ids_check import look_at_names
from stackcomp.nodes.pixel import PixelFunction, pixel


@pixel
def _coverage(m):  # type: ignore[no-untyped-def]
    return m


class IdMatte(NamesIds, PixelNode):
    r"""Coverage of objects or materials that are chosen by name, from the ids of a render.

    It follows the open ID-matte specification (Cryptomatte 1.2.0). ``layers`` is the node that reads the file. Its
    header says which channels are ids and which names there are. The manifest of names may stand in the header or
    in a file beside the picture. Without one, exact names still work, since an id is the hash of its name, and
    wildcards do not. Ids chosen by hand with pick_channels work likewise.

    ``*`` stands for any text and ``?`` for one character: ``"lantern_*"``. A backslash before ``*``, ``?``, ``#``
    or a backslash takes away its meaning, so in JSON ``"bolt\\*"`` is the name ``bolt*``. ``"#341bcfef"`` is an id
    by number, as `stackcomp measure FILE --ids` shows those without a name.

    A name that some frames do not have gives no coverage there; one that no frame has is an error. Coverage of
    all chosen names is added up, and limited to 1. What is negative or not finite counts as 0, with a warning. In
    previews coverage is summed up at full size and then averaged.
    """

    source_of_maths: ClassVar[str] = (
        "the open ID-matte specification, Cryptomatte 1.2.0: ranked pairs of id and coverage"
    )
    function: ClassVar[PixelFunction] = _coverage
    ids_port: ClassVar[str] = "layers"
    is_coverage: ClassVar[bool] = True
    page_examples: ClassVar[PageExamples] = (
        {"about": "Glass and guard, by their names.", "layers": "cg", "names": ["lantern_glass", "lantern_guard"]},
        {"about": "All of the lantern, by a wildcard.", "layers": "cg", "names": ["lantern_*"]},
    )

    kind: Literal["id_matte"] = "id_matte"
    layers: Annotated[str, Port((Layers, Ids), doc="file with ids, or ids chosen from one")]
    names: Annotated[Names, Field(description=NAMES_DOC)]

    def result(self, types: Mapping[str, PortType], context: Context) -> PortType:
        return Matte()

    def look(
        self, types: Mapping[str, PortType], windows: Mapping[str, Window], context: Context
    ) -> Iterator[Problem]:
        yield from look_at_names(self, types["layers"], context)
