"""Kinds of nodes: one a file, what they are made of (`base`), and the list of them (`kinds`).

What a kind of one's own is made of is public, and listed here.
"""

from stackcomp.data.numbers import Number
from stackcomp.nodes.base import (
    Adjustable,
    AreaNode,
    ColourNode,
    Context,
    Job,
    Node,
    Pick,
    PixelNode,
    Port,
    SinkNode,
    SourceNode,
    ViewNode,
    colour_of,
)
from stackcomp.nodes.pixel import PixelFunction, exp2, log2, pixel, power, root

__all__ = [
    "Adjustable",
    "AreaNode",
    "ColourNode",
    "Context",
    "Job",
    "Node",
    "Number",
    "Pick",
    "PixelFunction",
    "PixelNode",
    "Port",
    "SinkNode",
    "SourceNode",
    "ViewNode",
    "colour_of",
    "exp2",
    "log2",
    "pixel",
    "power",
    "root",
]
