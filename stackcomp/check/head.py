"""Rules of a graph's head: its colour config, its working space, its frames."""

from __future__ import annotations

from pathlib import Path

from stackcomp.check.bugs import bugs_of
from stackcomp.check.mended import MendedEncoding
from stackcomp.check.state import CheckState
from stackcomp.files import colour
from stackcomp.nodes.base import Context, SourceNode

__all__ = ["check_head", "nodes_without_frames"]


def check_head(state: CheckState) -> Context | None:
    """Report errors of the colour config and the working space.

    Returns:
        What rules of nodes need, with a stand-in for a working space that has an error; None where the config
        has no scene-linear space to stand in.
    """
    head = state.document.head
    try:
        config = _config(head.colour_config, state.root)
        colour.config(config)
    except colour.UnknownEncoding as error:
        state.say("", "colour_config", "colour-config", str(error))
        return None
    try:
        space = colour.encoding(head.working_space, config)
    except colour.UnknownEncoding as error:
        state.say("", "working_space", "encoding-unknown", str(error))
    else:
        if space.linear:
            return Context(space, config, state.root, state.frames)
        way_out = "comps are made in scene-linear light; choose a scene-linear space such as ACEScg"
        state.say("", "working_space", "working-space", f'"working_space" is {space}', way_out)
    try:
        # A role that configs have for scene-linear light.
        stand_in = colour.encoding("scene_linear", config)
    except colour.UnknownEncoding:
        return None
    return Context(MendedEncoding(stand_in.name, "scene-linear"), config, state.root, state.frames)


def _config(name: str, root: Path) -> str:
    """Return the config of a graph: the name of a built-in one, or the path of a file."""
    file = root / name
    return str(file) if name and file.is_file() else name


def nodes_without_frames(state: CheckState) -> set[str]:
    """Report that frames are missing where nodes read one file for each, and return the names of these nodes."""
    if state.frames:
        return set()
    names = {name for name in state.only - set(state.given) if _reads_sequence(name, state)}
    if names:
        first = next(name for name in state.document.nodes if name in names)
        message = f'the graph has no frames, but node "{first}" reads one file for each frame'
        way_out = 'write "frames": "1001-1008" into the graph, or ask for frames'
        state.say("", "frames", "frames-missing", message, way_out)
    return names


def _reads_sequence(name: str, state: CheckState) -> bool:
    node = state.document.nodes[name]
    if not isinstance(node, SourceNode):
        return False
    with bugs_of(name, node):
        return node.files(1, state.root) != node.files(2, state.root)
