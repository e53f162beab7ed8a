"""Rules of one node: its inputs share one colour space and one frame, and its own rules hold."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from stackcomp.check.bugs import USER_ERRORS, bugs_of
from stackcomp.check.checked import CheckedNode, Wire
from stackcomp.check.data_windows import data_window
from stackcomp.check.declared import declared_by
from stackcomp.check.mended import MendedEncoding
from stackcomp.check.one_wire import check_wire
from stackcomp.check.state import CheckState, tidy
from stackcomp.data.port_types import Colour, PortType
from stackcomp.data.window import Window
from stackcomp.errors import BugError, FileError, Problem, cut
from stackcomp.nodes.base import Context, Node, SourceNode
from stackcomp.nodes.pick_channels import PickChannels

__all__ = ["check_node"]


def check_node(state: CheckState, name: str, context: Context) -> None:
    """Report what is wrong with a node whose inputs were checked; where it has a type, add it to `done`."""
    node = state.document.nodes[name]
    if name in state.given:
        image = state.given[name]
        state.done[name] = CheckedNode(name, node, image.type, image.display, {})
        state.data_windows[name] = image.window
        return
    wires = {}
    for port, source in node.inputs().items():
        wire = check_wire(state, name, port, state.done[source]) if source in state.done else None
        if wire is not None:
            wires[port] = wire
    wires = _one_space(state, name, wires)
    _one_size(state, name, wires)
    if len(wires) == len(node.inputs()):
        _own_rules(state, name, wires, context)


# -- its inputs ----------------------------------------------------------------------------------------------


def _one_space(state: CheckState, name: str, wires: Mapping[str, Wire]) -> dict[str, Wire]:
    """Report inputs in different colour spaces; return the wires as if all were in one."""
    colours = [(port, wire.source, wire.type) for port, wire in wires.items() if isinstance(wire.type, Colour)]
    differ = False
    for port, source, type in colours[1:]:
        first_port, first_source, first = colours[0]
        if type.encoding != first.encoding:
            differ = True
            message = (
                f'"{first_source}" at port "{first_port}" is in {first.encoding}, but "{source}" '
                f'at port "{port}" is in {type.encoding}'
            )
            state.say(name, port, "two-spaces", message, "put a convert_colour node behind one of them")
    return {port: _mended(wire, state) for port, wire in wires.items()} if differ else dict(wires)


def _mended(wire: Wire, state: CheckState) -> Wire:
    return replace(wire, type=replace(wire.type, encoding=state.mended)) if isinstance(wire.type, Colour) else wire


def _one_size(state: CheckState, name: str, wires: Mapping[str, Wire]) -> None:
    """Report inputs with different frames, but not where an input already has inputs with different frames."""
    ports = state.document.nodes[name].wired_ports()
    sized = [(port, wire.source) for port, wire in wires.items() if not ports[port].any_size]
    if any(source in state.unsized for _, source in sized):
        state.unsized.add(name)
        return
    frames = [state.done[source].display for _, source in sized]
    if len(set(frames)) < 2:
        return
    state.unsized.add(name)
    usual = max(frames, key=frames.count)
    other_port, other = sized[frames.index(usual)]
    for (port, source), frame in zip(sized, frames, strict=True):
        if frame != usual:
            message = (
                f'"{source}" at port "{port}" has a frame of {frame}, '
                f'but "{other}" at port "{other_port}" one of {usual}'
            )
            way_out = "read the file of the right resolution, or bring it to that frame with a place node"
            state.say(name, port, "resolution", message, way_out)


# -- its own rules -------------------------------------------------------------------------------------------


def _own_rules(state: CheckState, name: str, wires: Mapping[str, Wire], context: Context) -> None:
    """Ask the node for its findings, its type and its frame.

    Raises:
        BugError: the node's code raised an exception that no graph and no file should cause.
    """
    node = state.document.nodes[name]
    types = {port: wire.type for port, wire in wires.items()}
    windows = {port: state.done[wire.source].display for port, wire in wires.items()}
    before = len(state.problems)
    try:
        with bugs_of(name, node):
            known = state.data_windows
            data = {port: known[wire.source] for port, wire in wires.items() if wire.source in known}
            own = list(node.look(types, windows, replace(context, data_windows=data)))
            for problem in own:
                _add(state, name, tidy(problem), wires)
            if _has_no_type(node, state.problems[before:]):
                return
            type = node.result(types, context)
            display = node.frame_window(windows, context)
            if not isinstance(type, PortType) or not isinstance(display, Window):
                odd = f"frame_window gives {display!r}, not a Window"
                if not isinstance(type, PortType):
                    odd = f"result gives {type!r}, not a type such as Matte()"
                raise TypeError(cut(odd, 120))
            pixels = data_window(node, types, data, display, context)
    except BugError:
        raise
    except USER_ERRORS as error:
        # Where the node already has a finding, this only follows from it.
        if len(state.problems) == before:
            _failed(state, name, error)
        return
    if isinstance(type, Colour) and any(problem.rule == "encoding-unknown" for problem in state.problems[before:]):
        type = replace(type, encoding=state.mended)
    state.done[name] = CheckedNode(name, node, type, display, wires)
    if pixels is not None:
        state.data_windows[name] = pixels


def _has_no_type(node: Node, own: Sequence[Problem]) -> bool:
    """Whether the node's errors leave its type unknown: of a source, or of colour whose channels are missing."""
    if not any(problem.severity == "error" for problem in own):
        return False
    missing = not {problem.rule for problem in own}.isdisjoint(("channel-missing", "layer-missing", "planes"))
    return isinstance(node, SourceNode) or (isinstance(node, PickChannels) and node.as_ == "colour" and missing)


def _add(state: CheckState, name: str, problem: Problem, wires: Mapping[str, Wire]) -> None:
    """Add a node's finding; where it is about a declared encoding, say which node or file declares it."""
    if problem.rule != "converts-nothing" or "declared" not in problem.message:
        state.add(replace(problem, node=name))
        return
    (wire,) = wires.values()
    encodings = (getattr(wire.type, "encoding", None), state.working_space)
    if any(isinstance(encoding, MendedEncoding) for encoding in encodings):
        return  # The encoding itself has an error: whether the node converts anything is not known.
    origin, declaring = declared_by(wire.source, state.done)
    message = f"{problem.message}, {origin}" if origin else problem.message
    way_out = problem.way_out if origin else "leave this node out"
    if declaring:
        way_out = f'set "encoding" of node "{declaring}" to what the file is really in, or leave this node out'
    state.add(replace(problem, node=name, message=message, way_out=way_out))


def _failed(state: CheckState, name: str, error: Exception) -> None:
    """Report an error of a file or a value, which the node's code raised."""
    field = "path" if "path" in type(state.document.nodes[name]).model_fields else ""
    if isinstance(error, FileError):
        state.say(name, field, "file", f"{error.path}: {error.reason}", error.way_out)
    elif isinstance(error, OSError):
        state.say(name, field, "file", f"cannot be read: {(error.strerror or str(error)).lower()}")
    else:
        state.say(name, "", "value", str(error))
