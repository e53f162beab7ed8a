"""A picture from Python into a file, written as a deliver node writes it.

A name is taken as it stands: braces mean nothing, but a frame token is refused, since a picture does not know its
frame. What may be replaced is asked of `stackcomp.check.originals`.
"""

from __future__ import annotations

import re
import warnings
from pathlib import Path
from typing import TYPE_CHECKING, Any

from stackcomp.check.originals import Writing, refusals
from stackcomp.data.arguments import file_path, stops
from stackcomp.data.image import Image
from stackcomp.data.port_types import Colour, Encoding, Layers, Matte
from stackcomp.errors import ArgumentError, BadValueError, FileError, Problem, StackcompWarning, cut, did_you_mean
from stackcomp.files.mark import ATTRIBUTE, Mark
from stackcomp.version import __version__

if TYPE_CHECKING:
    from stackcomp.nodes.deliver import Deliver

__all__ = ["save_image"]

_STILLS = (".png", ".tif", ".tiff", ".jpg", ".jpeg")
_TOKEN = re.compile(r"\{frame[^}]*\}|%0\d+d")
#: Header attributes that are kept for every picture; the others describe the file that it was read from.
_PASSED_ON = ("timeCode", "framesPerSecond", "pixelAspectRatio")
_MARK = Mark("picture")
#: Options that may be None.
_OPEN = ("display", "view")
_COLOUR_TAGS = ("chromaticities", "colorInteropID")


def save_image(
    image: Image,
    path: Any,
    *,
    pixel_type: Any,
    viewing_stops: Any,
    colour_config: Any,
    replace: Any,
    **options: Any,
) -> Path:
    """See `Image.save`."""
    from stackcomp.files import colour
    from stackcomp.nodes.base import Context, Job

    target = file_path(path)
    ending = target.suffix.lower()
    if ending != ".exr" and ending not in _STILLS:
        choices = [".exr", *_STILLS]
        raise FileError(target, f'files that end in "{ending}" are not supported',
                        did_you_mean(ending, choices) or "choose from " + ", ".join(choices))  # fmt: skip
    if token := _TOKEN.search(str(target)):
        raise FileError(
            target, f'it holds "{token[0]}", but a picture has no frame number', "name the file itself"
        )
    config = colour.DEFAULT_CONFIG if colour_config is None else colour_config
    if not isinstance(config, str):
        message = f"{cut(repr(config), 60)} is not the name of a colour config"
        raise ArgumentError("colour_config", message, "leave it out for the default one")
    try:
        colour.config(config)
    except colour.UnknownEncoding as error:
        raise ArgumentError("colour_config", str(error), "leave it out for the default one") from None
    sink = _sink(ending, pixel_type=pixel_type, viewing_stops=stops("viewing_stops", viewing_stops), **options)
    context = Context(Encoding("ACEScg", "scene-linear"), config, Path(), (1,))

    def warn(message: str) -> None:
        warnings.warn(f"{target}: {message}", StackcompWarning, stacklevel=4)

    _fits(image, target, ending, pixel_type)
    for problem in sink.look({"image": image.type}, {"image": image.display}, context):
        if problem.severity == "warning":
            warn(problem.message)
        elif problem.rule == "straight-alpha":
            way_out = "multiply R, G and B by A and say so, or write .png or .tif, which hold straight alpha"
            raise FileError(target, problem.message, way_out)
        else:
            raise FileError(target, problem.message, problem.way_out)
    if not isinstance(replace, bool):
        raise ArgumentError(
            "replace", f"{cut(repr(replace), 60)} is neither True nor False", "leave it out, or say True"
        )
    allow = "replace=True lets it be replaced"
    for problem in refusals([Writing(target, _MARK)], [], replace_foreign=replace, allow=allow):
        raise FileError(target, problem.message, problem.way_out)
    sink.write_file(target, image, Job(1, 1.0, context, warn), _notes(image))
    return target


def _sink(ending: str, **fields: Any) -> Deliver:
    """A deliver node with these options, checked by the rules of graphs."""
    from stackcomp.document.plain import plain
    from stackcomp.files.validate import field_names, validate
    from stackcomp.nodes.deliver import Deliver

    given = {}
    for name, value in fields.items():
        if value is None and name in _OPEN:
            continue
        try:
            given[name] = plain(value)
        except BadValueError as error:
            raise ArgumentError(name, error.message, error.way_out) from None
    raw = {"kind": "deliver", "image": "image", "path": f"picture{ending}", **given}
    sink, problems = validate(Deliver, raw, "", "a picture", field_names(Deliver))
    if sink is None:
        ways_out = "the docstring of Image.save lists what it takes"
        raise ArgumentError(Problem("argument", p.message, p.way_out or ways_out) for p in problems)
    return sink


def _fits(image: Image, target: Path, ending: str, pixel_type: str) -> None:
    corners = [n for w in (image.window, image.display) for n in (w.x0, w.y0, w.x1, w.y1)]
    if any(abs(n) >= 2**31 for n in corners):
        raise FileError(target, "its windows are beyond 32 bits, the range of OpenEXR", "move it nearer to 0, 0")
    if ending != ".exr" and not isinstance(image.type, Colour | Matte):
        raise FileError(target, f"a still cannot hold {image.type}", "write it as .exr")
    if ending == ".exr" and isinstance(image.type, Layers) and pixel_type != "float":
        raise FileError(
            target, "layers may hold ids, whose bits half would lose", 'write them with pixel_type="float"'
        )


def _notes(image: Image) -> dict[str, Any]:
    """Attributes for the header of an OpenEXR file."""
    from stackcomp.files import colour_tags

    ours = {"stackcomp/version": __version__, "stackcomp/type": str(image.type), ATTRIBUTE: _MARK}
    if not isinstance(image.type, Layers):
        return {name: image.metadata[name] for name in _PASSED_ON if name in image.metadata} | ours
    # The header of a file of layers, such as the names of its ids, is needed to read it.
    kept = {name: value for name, value in image.metadata.items() if not name.startswith("stackcomp/")}
    if (encoding := image.type.encoding) is not None:
        # The tags of its header may be those of another encoding.
        kept = {name: value for name, value in kept.items() if name not in _COLOUR_TAGS}
        numbers = colour_tags.chromaticities_of(encoding) if encoding.linear else None
        identifier = colour_tags.interop_id_of(encoding)
        kept |= {} if numbers is None else {"chromaticities": numbers}
        kept |= {} if identifier is None else {"colorInteropID": identifier}
    return kept | ours
