"""The list of kinds. A new kind is one file beside this one, one line here, and one test file.

Kinds of other packages come in by entry points (`outside_kinds`).
"""

from __future__ import annotations

from stackcomp.nodes.base import Node
from stackcomp.nodes.blend import Blend
from stackcomp.nodes.cdl import Cdl
from stackcomp.nodes.channel_gain import ChannelGain
from stackcomp.nodes.clean_patch import CleanPatch
from stackcomp.nodes.colour_matrix import ColourMatrix
from stackcomp.nodes.colour_matte import ColourMatte
from stackcomp.nodes.contact_shade import ContactShade
from stackcomp.nodes.convert_colour import ConvertColour
from stackcomp.nodes.coordinate_warp import CoordinateWarp
from stackcomp.nodes.defocus import Defocus
from stackcomp.nodes.deliver import Deliver
from stackcomp.nodes.depth_matte import DepthMatte
from stackcomp.nodes.difference_matte import DifferenceMatte
from stackcomp.nodes.exposure import Exposure
from stackcomp.nodes.extend_edges import ExtendEdges
from stackcomp.nodes.flat import Flat
from stackcomp.nodes.glow import Glow
from stackcomp.nodes.holdout import Holdout
from stackcomp.nodes.id_matte import IdMatte
from stackcomp.nodes.invert_matte import InvertMatte
from stackcomp.nodes.join_mattes import JoinMattes
from stackcomp.nodes.lens_warp import LensWarp
from stackcomp.nodes.light_wrap import LightWrap
from stackcomp.nodes.luma_matte import LumaMatte
from stackcomp.nodes.match_black import MatchBlack
from stackcomp.nodes.match_grain import MatchGrain
from stackcomp.nodes.motion_blur import MotionBlur
from stackcomp.nodes.multiply_shadow import MultiplyShadow
from stackcomp.nodes.outside_kinds import Kinds
from stackcomp.nodes.over import Over
from stackcomp.nodes.pick_channels import PickChannels
from stackcomp.nodes.place import Place
from stackcomp.nodes.porter_duff import PorterDuff
from stackcomp.nodes.premultiply import Premultiply
from stackcomp.nodes.ramp import Ramp
from stackcomp.nodes.read import Read
from stackcomp.nodes.restore import Restore
from stackcomp.nodes.shape_matte import ShapeMatte
from stackcomp.nodes.soft_matte import SoftMatte
from stackcomp.nodes.soften import Soften
from stackcomp.nodes.stroke_matte import StrokeMatte
from stackcomp.nodes.unpremultiply import Unpremultiply

__all__ = ["BUILT_IN", "KINDS"]

#: The program's own kinds by their names in a graph, in the order of the reference page.
BUILT_IN: dict[str, type[Node]] = {
    kind.kind_name(): kind
    for kind in (
        # files and made-up pictures
        Read,
        Deliver,
        Flat,
        Ramp,
        # what planes are
        PickChannels,
        Premultiply,
        Unpremultiply,
        # colour
        ConvertColour,
        Exposure,
        ChannelGain,
        ColourMatrix,
        Cdl,
        MatchBlack,
        MatchGrain,
        # layering
        Over,
        PorterDuff,
        Blend,
        MultiplyShadow,
        Holdout,
        Restore,
        ContactShade,
        ExtendEdges,
        # mattes
        LumaMatte,
        ColourMatte,
        DifferenceMatte,
        DepthMatte,
        IdMatte,
        JoinMattes,
        InvertMatte,
        SoftMatte,
        ShapeMatte,
        StrokeMatte,
        # optics and placement
        Glow,
        LightWrap,
        Soften,
        Defocus,
        MotionBlur,
        Place,
        CleanPatch,
        LensWarp,
        CoordinateWarp,
    )
}  # fmt: skip

#: Every kind by its name in a graph: the built-in ones, then those of other packages.
KINDS = Kinds(BUILT_IN)
