"""Rules of one wire: what arrives at a port has a type, an alpha state and an encoding that the port accepts."""

from __future__ import annotations

from dataclasses import dataclass, replace

from stackcomp.check.checked import CheckedNode, Wire
from stackcomp.check.declared import file_behind
from stackcomp.check.state import CheckState
from stackcomp.check.wording import alpha_way_out, as_word, counted, gives, kind_way_out, required, some_of
from stackcomp.data.port_types import Colour, Layers, Matte, PortType, Ratio
from stackcomp.errors import did_you_mean
from stackcomp.nodes.base import Pick, Port
from stackcomp.nodes.pick_channels import PickChannels

__all__ = ["check_wire"]


@dataclass(frozen=True)
class _End:
    """The end of a wire: a port of a node, and what it accepts."""

    node: str
    port: str
    accepts: Port


def check_wire(state: CheckState, node: str, port: str, source: CheckedNode) -> Wire | None:
    """Report what is wrong with the wire into a port.

    Args:
        state: the state of the run; findings are added to it.
        node: name of the node that has the port.
        port: the port.
        source: the node at the other end.

    Returns:
        The wire, as if a wrong alpha state or encoding were right; None where the type itself is wrong.
    """
    end = _End(node, port, state.document.nodes[node].wired_ports()[port])
    type, picks = source.type, None
    if isinstance(type, Layers) and not issubclass(Layers, end.accepts.accepts):
        chosen = _from_file(state, end, source.name, type)
        if chosen is None:
            return None
        type, picks = chosen
    if not isinstance(type, end.accepts.accepts):
        _wrong_kind(state, end, source.name, type)
        return None
    if isinstance(type, Colour):
        type = _colour_state(state, end, source.name, type)
    return Wire(source.name, type, picks)


# -- a file straight into a port -----------------------------------------------------------------------------


def _from_file(
    state: CheckState, end: _End, source: str, layers: Layers
) -> tuple[PortType, tuple[Pick, ...]] | None:
    """Return R G B [A] of a file as colour, or its only channel as a matte; None where it has neither."""
    if Colour in end.accepts.accepts:
        return _colour_of_file(state, end, source, layers)
    if Matte in end.accepts.accepts and len(layers.channels) == 1:
        return Matte(), (Pick("A", layers.channels[0]),)
    message = (
        f'port "{end.port}" requires {required(end.accepts)}, but "{source}" is a file with '
        f"{counted(len(layers.channels), 'channel')} ({some_of(layers.channels)})"
    )
    way_out = f"put a pick_channels node between them that says which to take ({as_word(end.accepts)})"
    state.say(end.node, end.port, "file-into-port", message, way_out)
    return None


def _colour_of_file(
    state: CheckState, end: _End, source: str, layers: Layers
) -> tuple[PortType, tuple[Pick, ...]] | None:
    missing = [channel for channel in "RGB" if channel not in layers.channels]
    if missing:
        alike = [channel for channel in layers.channels if channel.rpartition(".")[2] == missing[0]]
        message = (
            f'port "{end.port}" takes R G B of "{source}", but the file has no {" ".join(missing)}; '
            f"it has {some_of(layers.channels)}"
        )
        way_out = "put a pick_channels node between them that says which channels to take"
        near = did_you_mean(missing[0], alike)
        state.say(end.node, end.port, "channel-missing", message, "; ".join(filter(None, (way_out, near))))
        return None
    if layers.encoding is None:
        way_out = 'give it "encoding": what the camera or renderer wrote; `stackcomp encodings` lists them'
        state.say(source, "encoding", "encoding-unknown", layers.no_encoding, way_out)
        return None
    colour = Colour(layers.alpha, layers.encoding)
    return colour, tuple(Pick(plane, plane) for plane in colour.planes)


# -- a wrong type, alpha state or encoding -------------------------------------------------------------------


def _wrong_kind(state: CheckState, end: _End, source: str, type: PortType) -> None:
    ports = state.document.nodes[end.node].wired_ports()
    mattes = [name for name, port in ports.items() if Matte in port.accepts]
    way_out = "" if Colour in end.accepts.accepts else _other_as(state, source, end.accepts)
    message = f'port "{end.port}" requires {required(end.accepts)}, but "{source}" gives {gives(type)}'
    way_out = way_out or kind_way_out(type, end.accepts, mattes)
    state.say(end.node, end.port, "wrong-kind", message, way_out)


def _colour_state(state: CheckState, end: _End, source: str, given: Colour) -> Colour:
    """Report a wrong alpha state and a wrong encoding; return the type as if both were right."""
    accepts, type = end.accepts, given
    if accepts.alpha is not None and type.alpha not in accepts.alpha:
        rule, way_out = alpha_way_out(type.alpha, accepts)
        way_out = _alpha_of_graph(state, source, accepts, rule) or way_out
        message = f'port "{end.port}" requires {required(accepts)}, but "{source}" gives {given}'
        state.say(end.node, end.port, rule, message, way_out)
        type = replace(type, alpha="premultiplied" if "premultiplied" in accepts.alpha else accepts.alpha[0])
    if accepts.linear and not type.encoding.linear:
        message = f'port "{end.port}" requires scene-linear light, but "{source}" gives {given}'
        state.say(end.node, end.port, "not-linear", message, "put a convert_colour node between them")
        type = replace(type, encoding=state.mended)
    return type


def _alpha_of_graph(state: CheckState, source: str, accepts: Port, rule: str) -> str:
    """Return the way out to missing alpha where the graph shows what to change; else an empty text."""
    if rule != "no-alpha":
        return ""
    if Ratio in accepts.accepts:
        return _other_as(state, source, accepts)
    file = file_behind(source, state.done)
    layers = state.done[file].type if file else None
    if isinstance(layers, Layers) and layers.unused_alpha and "A" in layers.channels:
        return f'its file has an A, but "alpha" of node "{file}" is "none": remove that setting to use it'
    return ""


def _other_as(state: CheckState, source: str, accepts: Port) -> str:
    """Return which "as" of a pick_channels node would fit the port; an empty text where none would."""
    node = state.document.nodes.get(source)
    type_name = next((type.name for type in accepts.accepts if type is not Colour), "")
    alone = state.graph.out_degree(source) == 1  # No other node uses what it gives now.
    if not isinstance(node, PickChannels) or source in state.given or not type_name or not alone:
        return ""
    return f'set "as" of node "{source}" to "{type_name}", or feed another node'
