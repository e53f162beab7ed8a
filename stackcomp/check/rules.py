"""Every rule that a finding can name, and what it means: for ``stackcomp rules`` and for whoever reads JSON.

Ids and severities are stable from version 1.0 on. Words of messages are not.
"""

# ruff: noqa: E501 - one rule a line

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Literal

__all__ = ["RULES", "Rule"]

Stage = Literal["request", "document", "check", "measure"]
RuleSeverity = Literal["error", "warning", "error or warning"]


@dataclass(frozen=True)
class Rule:
    """A rule.

    Attributes:
        id: as in `Problem.rule`.
        stage: what is looked at: the ``request`` (options and arguments), the ``document`` (the graph file), the
            ``check`` of wires and files, or the ``measure`` of pictures.
        severity: ``"error"`` stops a render, ``"warning"`` does not.
        meaning: what is wrong, in one sentence.
        way_out: what to do about it.
    """

    id: str
    stage: Stage
    severity: RuleSeverity
    meaning: str
    way_out: str

    def as_dict(self) -> dict[str, str]:
        """As JSON data."""
        return asdict(self)


def _rules(stage: Stage, text: str) -> list[Rule]:
    rules = []
    for line in filter(None, (line.strip() for line in text.splitlines())):
        id, severity, meaning, way_out = (part.strip() for part in line.split("|"))
        words: RuleSeverity = {"e": "error", "w": "warning", "ew": "error or warning"}[severity]  # type: ignore[assignment]
        rules.append(Rule(id, stage, words, meaning, way_out))
    return rules


# id | e: error, w: warning, ew: both | meaning | way out
_REQUEST = """
argument         | e | An argument from Python makes no sense. | Give what the message names.
batch-running    | e | Another batch is at work on the same output. | Wait for its end, or stop it.
camera-file      | e | A camera file is missing or cannot be read. | Correct the path or the file.
camera-frames    | e | A camera file has no such frame. | Add the frame, or render frames that it has.
camera-gate      | w | The gate of a camera has another shape than the picture. | Write the gate that the frame shows.
camera-plane     | e | A camera sees nothing of a plane: it stands in the plane, or has it behind it. | Give a plane before the camera.
camera-prim      | e | A USD file has several cameras, or none of that path. | Name one with --prim.
camera-usd       | e | A USD file cannot be read as was asked. | Follow the message.
channel          | e | A picture has no channel of that name. | Use one of the names in the message.
check-unknown    | e | There is no check of that name, or none is left. | stackcomp inspect --list shows them all.
check-useless    | e | A check has nothing to look at in what is named. | Name a sequence for checks of sequences, a graph with over for pairs.
cluster          | e | A cluster does not answer, or its workers do not fit. | Start it, with the same version on all machines.
command-line     | e | The command line cannot be understood. | See the command with --help.
dump             | e | A folder holds no dump, or its report cannot be read. | Name a folder that stackcomp dump wrote.
ending           | e | A file that would be written has the wrong ending. | Use the ending in the message.
extra-missing    | e | A command needs a package that is not installed. | Install the extra that the message names.
frame            | e | A sequence is measured, but no frame is named. | Name a frame.
frame-rate       | e | A frame rate cannot be read. | Write frames a second, such as 24 or 24000/1001.
frames           | e | No frames are given, or the range of frames cannot be read. | Write a range such as 1001-1008.
frames-apart     | e | Plate and CG have no frame in common. | Name files of one shot, or give --cg-shift.
input-unclear    | e | It is not clear which file is meant, or which node reads it. | Give one of the paths in the message.
needs-node       | e | An output is named, but not the node whose picture it is. | Name the node with --node.
no-deliver       | ew | There is no deliver node, so nothing would be written. | Add a deliver node, or name a node to render.
node-unknown     | e | The graph has no node of that name. | Use one of the names in the message.
other-missing    | e | An area of another picture is named, but not the picture. | Name the picture, or leave out the area.
page             | e | A page cannot be written under that name, or from what was named. | Use an ending that the message names.
path             | e | A path cannot be used. | Give the name of a file.
request          | e | Options contradict each other, or one is missing. | Follow the message.
root             | e | The folder at which relative paths start does not exist. | Name an existing folder.
rule-unknown     | e | There is no rule of that name. | stackcomp rules lists them all.
scale            | e | The scale is out of range. | Give a number above 0 and up to 1.
set-form         | e | A value for a variable is not written as NAME=VALUE. | Write --set NAME=VALUE.
shadow-unclear   | e | A shadow pass may be a ratio or coverage. | Say which with --shadow.
shot-unknown     | e | The sequence has no shot of that name. | Use one of the names in the message.
target           | e | What a match is made to is missing, or given twice. | Name one plate or reference.
three-numbers    | e | An option needs three numbers. | Write three numbers with commas between them.
threshold        | e | A limit of a check is not known, or its value is out of range. | See stackcomp inspect --show-thresholds.
to               | e | The output folder is a file. | Name a folder.
tolerance        | e | A tolerance cannot be understood, or is out of range. | Write it as small=0.001,share=0.01,hard=0.1.
track-start      | e | A point to track cannot be read, lies outside, or has nothing to find it by. | Give a point with detail around it, as name=x,y.
variables-form   | e | A file of variables does not hold a JSON object. | Write {"name": value}.
window           | e | The window is empty, cannot be read, or lies outside of the frame. | Give x,y,width,height inside the frame.
"""

_DOCUMENT = """
choice           | e | A field holds a word that is not one of its choices. | Use one of the words in the message.
cut              | ew | The cut of a sequence cannot be used as it is. | Correct it, or export it again.
delivery         | e | A movie or contact sheet of a sequence cannot be made as it is written. | Follow the message.
field-missing    | e | A field that must be given is missing. | Add it.
field-unknown    | e | There is no such field. | Correct the name, or remove it.
findings         | e | A file of measured variables holds something else. | Write to another file.
graph-missing    | e | A shot has no graph, or its graph file does not exist. | Correct the path.
json             | e | The file is not JSON. | Correct the place in the message.
json-repeated-key | e | One object holds the same key twice. | Keep one of them.
kind-broken      | e | A package names a kind that cannot be used. | Mend the package, or install another version.
kind-not-installed| e | A kind belongs to a package that is not installed. | Install the package.
kind-unknown     | e | There is no kind of that name. | stackcomp kinds lists them all.
node             | e | A node is not a JSON object. | Write {"kind": …}.
node-name        | e | The name of a node is empty, too long, or taken. | Choose another name.
nodes            | e | The graph has no nodes, or they are not a JSON object. | Write "nodes": {"name": {"kind": …}}.
set-parameter    | e | A changed parameter of a shot is not written as "node.parameter". | Write "node.parameter": value.
shot-name        | e | The name of a shot is taken, or cannot be the name of a folder. | Choose another name.
shots            | e | The sequence has no shots. | Add one.
type             | e | A field holds the wrong type of value. | Give the type in the message.
upgrade          | e | A graph of an older version cannot be brought up to date. | Correct it by hand.
value            | e | A value is out of range or does not fit. | Give a value as the message says.
variable-cycle   | e | Variables refer to each other in a cycle. | Give one of them a value.
variable-in-text | e | A list or number stands inside a text. | Use the variable as the whole value.
variable-name    | e | A name cannot be that of a variable. | Use letters, digits and _.
variable-too-large | e | Filled-in variables become too large. | Use shorter values.
variable-unknown | e | A variable has no value. | Give it one in the graph, in a file, or with --set.
variable-unused  | w | A variable is given a value, but not used. | Correct its name, or leave it out.
variable-value   | e | The value of a variable is not JSON data. | Give a text, a number, a list or an object.
version          | e | The format version of the graph is missing or not known. | Write "stackcomp": 1, or update stackcomp.
"""

_CHECK = """
alpha-unknown    | e | A is chosen from a file whose alpha is declared as none. | Declare its state at pick_channels.
alpha-unsaid     | w | A file has alpha, but does not say in which state. | Declare "alpha" at the read node.
bits             | e | The format has no such number of bits. | Use one of the numbers in the message.
cdl-file         | e | A CDL file is missing or cannot be read. | Correct the path or the file.
cdl-id           | e | A CDL file has no correction of that id. | Use one of its ids.
channel-missing  | e | A file has no channel of that name. | Use one of the names in the message.
channel-unusable | e | A channel that is used is stored in a way that cannot be read. | Save it at full size.
colour-black     | e | A picked colour is black, whose colour cannot be compared. | Pick a brighter pixel.
colour-config    | e | The colour config is missing or cannot be read. | Correct the name or the path.
compression-level | w | A level of compression changes nothing here. | Leave it out.
converts-nothing | w | A conversion changes nothing. | Correct the declared encoding, or remove the node.
coordinates-bits | w | Channels of coordinates are stored in a way that loses bits. | Render them as 32-bit floats with lossless compression.
cycle            | e | Nodes feed each other in a cycle. | Disconnect one of the inputs in the message.
dangling         | e | An input names a node that does not exist. | Correct the name.
encoding-unknown | e | An encoding is missing, or the colour config does not have it. | stackcomp encodings lists them.
file             | e | A file cannot be read. | Correct or replace the file.
file-into-port   | e | A file of several channels feeds a port that takes one. | Put a pick_channels node between them.
file-missing     | e | There is no such file. | Correct the path.
format           | e | The file format cannot hold this type of picture. | Use another format.
frame-alpha      | e | Frames of one sequence differ in the state of their alpha. | Write them in one way.
frame-channels   | ew | Frames of one sequence differ in their channels. | Render them with the same channels.
frame-missing    | e | Frames of a sequence are missing. | Supply them, or render other frames.
frame-resolution | e | Frames of one sequence differ in resolution. | Render them at one resolution.
frames-missing   | e | A sequence is read, but the graph names no frames. | Write "frames" into the graph.
frozen           | w | One file is read at all frames, though others of its sequence exist. | Write the frame token into the path.
grain-file       | e | A grain file is missing or cannot be read. | Correct the path or the file.
grain-none       | e | A difference is counted in grain, and there is none. | Measure the grain of the plate.
grain-space      | e | Grain was measured in another colour space than the picture is in. | Convert the picture, or measure again.
has-alpha        | e | A port that takes colour without alpha gets colour with alpha. | Take R, G and B with pick_channels.
header           | w | A file header contradicts itself or the format. | Write the file again.
homography-singular | e | A homography cannot be inverted at a frame. | Give nine numbers that map four corners to four corners.
ids-bits         | e | Channels of ids are stored in a way that loses bits. | Render ids as 32-bit floats with lossless compression.
ids-collide      | w | Two names have the same id, so both are covered. | Rename one of them and render again.
ids-hash         | w | The id of a name in a manifest is not the hash of the name. | Check which one the picture holds.
ids-manifest     | ew | The names of ids are not known: there is no manifest, or it cannot be used. | Supply it, or name objects in full or by number.
ids-type         | e | A file has no ids of that type or not all of them, or several types and none is chosen. | Use one of the types in the message.
layer-missing    | e | A file has no layer of that name. | Use one of the names in the message.
layer-unused     | w | A layer is named, but no channel is taken from it. | Leave one of them out.
lens-file        | e | A lens file is missing or cannot be read. | Correct the path or the file.
lens-focus       | e | A lens is focused within its focal length, or at a point outside of the frame. | Metres for the focus, millimetres for the lens; pixels of the frame for a point.
lens-folds       | w | The formula of a lens folds back within the frame. | Calibrate up to the corners, or with fewer coefficients.
lens-lateral     | ew | Chromatic aberration is wider than any lens has, or the picture has no R, G and B. | Give pixels of the frame, or leave it out.
lens-size        | e | A lens was calibrated for a picture of another shape. | Use it with pictures of that shape.
limits-crossed   | e | The limits of a matte are crossed at a frame. | Give keys at which they are in order.
no-alpha         | e | A port that needs alpha gets colour without it. | Supply an A channel.
not-linear       | e | A port that needs scene-linear light gets other colour. | Put a convert_colour node between them.
object-absent    | w | A named object is in no frame that is rendered, but in another of the sequence. | Nothing, if it appears later.
object-unknown   | e | A file has no object of that name. | Use one of the names in the message.
output-twice     | e | Two frames or nodes would write the same file. | Give each a path of its own.
overscan-missing | w | CG that will be distorted has too few pixels beyond the frame. | Render it with the overscan in the message.
overwrites-input | e | A file that is read would be written over. | Write to another place.
patch-nothing    | w | An outline or a feather leaves nothing of a patch. | Follow the message.
planes           | e | The planes that are chosen do not make the type. | Choose the planes in the message.
premultiplied-twice | e | Premultiplied colour would be multiplied again. | Connect it directly.
replaces-delivery | e | A delivery of another graph or shot would be replaced. | Write elsewhere, or allow it.
replaces-foreign | e | A file that stackcomp did not write would be replaced. | Write elsewhere, or allow it.
replaces-other   | e | A file that stackcomp wrote for another purpose would be replaced. | Write elsewhere, or allow it.
resolution       | e | Pictures that meet at a node differ in their frames. | Bring them to one frame.
shapes-file      | e | A file of shapes, or an SVG file, is missing or cannot be read. | Correct the path or the file.
shapes-flat      | w | A shape has no area, or a stroke no radius: it covers nothing. | Move a point, or give a radius.
shapes-left-out  | w | An SVG file holds what is no shape, such as text. | Make paths of it, or delete it.
shapes-nothing   | w | The first shape or stroke takes something away where nothing is. | Begin with one that adds.
shapes-outside   | w | A shape or a stroke lies wholly outside of the frame. | Move it into the frame, or delete it.
shapes-size      | ew | Shapes were drawn for a picture of another size. | Draw them over the picture that the graph uses.
shapes-unknown   | e | There is no shape or group of that name. | Use one of the names in the message.
straight-alpha   | ew | Straight colour arrives where premultiplied colour is needed. | Put a premultiply node between them.
track-file       | e | A track file is missing or cannot be read. | Correct the path or the file.
track-fit        | e | The points of a track do not determine a movement. | Choose points that are spread over the surface.
track-frames     | e | A track has no such frame. | Track these frames too.
track-lost       | e | A point of a track is lost at a frame that is rendered. | Track it again there, or follow fewer points.
track-point      | e | A track has no point of that name. | Use one of its names.
track-size       | e | A track was made of a plate of another size. | Track the plate that the graph uses.
two-spaces       | e | Colour in two colour spaces meets at a node. | Convert one of them.
unit             | ew | A unit is not known, or a number speaks for the wrong unit. | Give the unit that the message names.
unused           | w | No deliver node depends on the node. | Connect it, or remove it.
view             | e | The colour config has no such display or view. | Use one of the names in the message.
viewing-stops    | w | Viewing stops change nothing here. | Leave them out.
working-space    | e | The working space is not scene-linear. | Choose a scene-linear space.
wrong-kind       | e | A port gets a type of picture that it does not take. | Feed the type in the message.
"""

_MEASURE = """
area             | e | An area is empty or leaves the picture. | Choose an area inside the picture.
black            | e | The black of a picture cannot be measured there. | Choose another area.
channel-unknown  | e | It is not clear which channel is meant. | Name the channel.
chart            | e | The patches of a chart cannot be matched. | Correct the corners, or the order of patches.
clipped          | e | An area holds too many clipped pixels. | Choose an area that is not clipped.
edge-unclear     | e | The width of an edge cannot be measured. | Name an area that one long, sharp edge crosses.
grain-unclear    | e | The grain of a plate cannot be measured. | Name an area with grain.
lat-long         | e | A picture is not a lat-long of the whole sphere. | Give one that is twice as wide as high.
lens-board       | e | A checkerboard cannot be found in a picture, or the pictures do not go together. | Follow the message.
no-colour        | e | A file has no R, G and B. | Name a layer or a file that has.
no-light         | e | An area holds no light to compare. | Choose a lit area.
non-finite       | e | Pixels that are measured are not finite. | Repair them, or choose another area.
normal           | e | A direction is zero. | Give three numbers that are not all 0.
reflectance      | e | A reflectance is out of range. | A grey card has 0.18.
strength         | e | A strength of light is out of range. | Give the render's strength, above 0.
"""

#: All rules by id, in the order of the stages.
RULES: dict[str, Rule] = {
    rule.id: rule
    for stage, text in (("request", _REQUEST), ("document", _DOCUMENT), ("check", _CHECK), ("measure", _MEASURE))
    for rule in _rules(stage, text)  # type: ignore[arg-type]
}
