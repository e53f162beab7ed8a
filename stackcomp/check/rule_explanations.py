"""What is behind each rule: what is checked and why, and an example of the way out.

One entry for each rule of `stackcomp.check.rules`, for ``stackcomp rules ID``. The words may change at any time.
"""

from __future__ import annotations

from stackcomp.check.material_explanations import OF_MATERIAL

__all__ = ["EXAMPLES", "EXPLANATIONS"]

#: What is checked, and why, by rule id.
EXPLANATIONS: dict[str, str] = {
    **OF_MATERIAL,
    "page": (
        "Pages for people are HTML in one file, or Markdown with a folder of pictures beside it; the ending of "
        "the name says which."
    ),
    "kind-broken": (
        "Other packages add kinds by entry points of the group stackcomp.kinds. A kind whose package cannot be "
        "imported, or whose class lacks something, is left out; graphs that do not need it are not disturbed."
    ),
    "kind-not-installed": (
        "Kinds of packages have a prefix and a dot, which no built-in kind has. So a graph says whose kind it "
        "needs, also where the package is not installed."
    ),
    "dump": (
        "A dump is a folder with nodes.json and the pictures that it lists, or a folder of such folders, one a "
        "frame. Pages and comparisons of dumps are made from these files alone."
    ),
    "tolerance": (
        "Two limits: a small difference that only a share of the pixels may exceed, and a hard one that no pixel "
        "may. The second finds a single pixel that is far off, the first a faint change of the whole picture."
    ),
    "check-unknown": (
        "Checks of pictures are chosen by name. A name that is written wrong would leave out the check that was "
        "meant, and the pictures would look clean."
    ),
    "check-useless": (
        "Some checks need several frames, others CG and plate. Asked for by name where there are none, a check "
        "would pass without having looked."
    ),
    "frame-rate": (
        "Frames a second say how fast light flashes: the same frames can be harmless at one rate and harmful at "
        "another."
    ),
    "threshold": (
        "A file of thresholds changes limits of checks by name. A name that is written wrong would change nothing "
        "without a word."
    ),
    "batch-running": (
        "A batch holds a lock beside its ledger, so that two batches do not render the same frames and the "
        "ledger has one writer. The lock ends with the process that holds it, however that ends."
    ),
    "cluster": (
        "Before frames are sent to other machines, the scheduler must answer, every worker must have the same "
        "version of stackcomp, and all must see the root folder under the same path."
    ),
    "frames-apart": (
        "A comp begins with the frames that plate and CG have in common, by their numbers. Where CG is numbered "
        "in another way, --cg-shift says by how much."
    ),
    "input-unclear": (
        "A sequence may be named by one of its files, by its folder or with a frame token. Where several "
        "sequences fit, or several nodes of a graph could read a file, nothing is guessed."
    ),
    "shadow-unclear": (
        "A ratio is 1 where there is no shadow, and coverage is 0 there. Which of the two a pass is, is told from "
        "the values of a few frames; where they do not tell, it is asked."
    ),
    "cut": (
        "Clips of a cut are shots, known by their names; their source ranges are frames in the numbering of their "
        "media. A clip without a name or a range, or two clips of other media with one name, cannot be used. "
        "Changes of speed and ranges between two frames are warnings."
    ),
    "delivery": (
        "Movies and contact sheets of a sequence are made from the files of a deliver node that every shot has. "
        "The ending of their path must fit, and a movie needs a frame rate: its own, that of the graph or that of "
        "the plate."
    ),
    "graph-missing": (
        "Each shot of a sequence names a graph, or takes the one that the sequence names. Paths are relative to "
        'the "root" of the sequence file.'
    ),
    "set-parameter": (
        'Under "set" a shot changes parameters of its graph. The name before the last dot is the node, the name '
        "behind it the parameter. The kind of a node cannot be changed."
    ),
    "shot-name": (
        "The name of a shot is the value of the variable shot_name, which paths are made of. So it must be one "
        "that a folder can have on every system."
    ),
    "shot-unknown": "Names of shots are compared with the sequence file letter by letter.",
    "shots": 'A sequence lists its shots under "shots", or takes them from a "cut".',
    "argument": (
        "Public functions check their arguments before they compute anything, so that a wrong one is "
        "reported under its own name instead of failing deep inside. The error is an ArgumentError, which "
        "is also a ValueError."
    ),
    "channel": (
        "A picture is a mapping from channel names to planes. A name that it does not have is a "
        "ChannelError, which is also a KeyError; the message lists the names that it has."
    ),
    "command-line": (
        "Commands, options and the number of arguments are checked before anything is opened. The message "
        "names the option, and the nearest name where one was misspelt."
    ),
    "ending": (
        "The ending of a file decides its format, so a file of findings or of corrections with another "
        "ending would not be understood by the program that reads it."
    ),
    "frame": "A path with a frame token names many files, and a measurement reads one of them.",
    "frames": (
        "A range is written as numbers, ranges and steps with commas between them. Frames come from "
        '--frames, else from the field "frames" of the graph; without either there is nothing to do.'
    ),
    "needs-node": (
        "Deliver nodes have a path and viewing stops of their own. An option that says where or how a "
        "picture is written is therefore about a node named with --node."
    ),
    "no-deliver": (
        "Only deliver nodes write files. A graph without one can be checked (a warning) and its nodes "
        "rendered with --node, but there is nothing to deliver (an error). A name that is given for "
        "delivery must be that of a deliver node."
    ),
    "node-unknown": (
        "Names of nodes in options and arguments are compared with the graph letter by letter; the message "
        "lists the nearest ones."
    ),
    "other-missing": (
        "Comparing needs two pictures. An area of the second one is only used together with that picture."
    ),
    "path": (
        "A path is checked before anything is written: braces are for the frame number alone, and a literal "
        "brace is doubled."
    ),
    "request": (
        "Some options exclude each other, and some are used only together. This is checked before a file is "
        "opened."
    ),
    "rule-unknown": "Rule ids are compared letter by letter; the message lists the nearest ones.",
    "root": (
        "Relative paths of a graph start at --root (the current folder by default). A missing root would "
        "make every file of the graph seem to be missing, so it is reported by itself."
    ),
    "scale": "Previews are made smaller, never larger. 0.5 is half the width and half the height.",
    "set-form": (
        "--set gives one variable a value. The value is JSON, or else text. A name consists of letters, "
        "digits and _, and does not begin with a digit."
    ),
    "target": "A match needs exactly one picture to match to.",
    "three-numbers": "Colours and directions in options are three numbers with commas between them.",
    "to": (
        "A dump and several pictures go into a folder, which is made if it is missing; a schema goes into a "
        "file. The opposite is already there under that name."
    ),
    "variables-form": (
        "A file of variables is a JSON object of names and values. A graph file in its place is usually a "
        "swapped argument."
    ),
    "window": (
        "A window is a corner and a size in pixels of the full-size frame. It must have pixels, and must "
        "cover pixels of the frame or of overscan beyond it; otherwise the picture would be empty."
    ),
    "choice": "Fields with choices take one of a fixed list of words or numbers, letter by letter.",
    "field-missing": "Fields without a default must be given. `stackcomp kinds NAME` lists the fields of a kind.",
    "field-unknown": (
        "A field that no kind reads would be ignored, and a misspelt parameter would silently keep its "
        "default. Every field must therefore be known."
    ),
    "findings": (
        "`--write` adds to a file of findings and keeps its other contents. A file of another form is "
        "refused, so that nothing in it is lost."
    ),
    "json": (
        "The graph and files of variables are JSON (RFC 8259): no comments, no trailing commas, double "
        "quotes. The message gives line and column."
    ),
    "json-repeated-key": (
        "JSON readers keep only one of two equal keys, so one of the two nodes or fields would silently disappear."
    ),
    "kind-unknown": (
        'The field "kind" selects what a node does. Kinds are compared letter by letter; the message lists '
        "the nearest ones."
    ),
    "node": 'Each node is a JSON object with a field "kind".',
    "node-name": (
        "A name is 1 to 200 printable characters, without spaces at its ends, and unique: inputs and "
        "options refer to it."
    ),
    "nodes": 'The field "nodes" is a JSON object: names of nodes and their fields.',
    "type": (
        'Numbers, texts, lists and truth values are not converted into each other, since a text "0" where a '
        "number belongs is more often a mistake than an intention."
    ),
    "upgrade": (
        "Graphs of older format versions are brought up to date when they are read. This one lacks what the "
        "newer form needs, such as unique names."
    ),
    "value": (
        "Parameters have a range and a unit, which `stackcomp kinds NAME` lists. Values outside of the "
        "range have no meaning or would hide a mistake of units."
    ),
    "variable-cycle": "A variable may use others. If it needs its own value in the end, it has none.",
    "variable-in-text": (
        "Inside a longer text, a variable is replaced by its text. Lists, objects and truth values have no "
        "such text; they can only be a whole value."
    ),
    "variable-name": (
        '"${name}" is found by its form, so names consist of letters, digits and _, and do not begin with a digit.'
    ),
    "variable-too-large": (
        "Variables that use each other can grow without limit. There is a limit, so that a small file "
        "cannot fill the memory."
    ),
    "variable-unknown": (
        'Every "${name}" needs a value: from the graph\'s "variables", from --variables, or from --set.'
    ),
    "variable-unused": (
        "A value was given for a variable that the graph does not use, often because its name is misspelt. "
        "The render goes on."
    ),
    "variable-value": (
        "Variables hold JSON data, since they are written into the fields of a graph. NaN, infinity and "
        "null are not values."
    ),
    "version": (
        'The field "stackcomp" is the format version of the graph. It tells the program how to read the '
        "file, and a newer version may mean something that this program does not know."
    ),
    "alpha-unknown": (
        "Whether colour was multiplied by its alpha cannot be seen in the pixels. If the read node declares "
        "that there is no alpha, and an A is chosen all the same, its state must be declared where it is "
        "chosen."
    ),
    "alpha-unsaid": (
        "Whether colour was multiplied by its alpha cannot be seen in the pixels, and the file does not "
        "say. The message says which state is assumed."
    ),
    "bits": "Each still format holds certain numbers of bits for each value.",
    "cdl-file": (
        "A cdl node can take its numbers from a .cc, .ccc or .cdl file. The file is read by check, so that "
        "it is complete before a frame is rendered."
    ),
    "cdl-id": "A file with several corrections is asked for one by its id.",
    "channel-missing": (
        "The channels of a file are read from its header and compared with those that a node takes, letter "
        "by letter."
    ),
    "channel-unusable": (
        "Channels can be stored at a lower resolution than the frame, or in a form without a meaning for "
        "colour. Their pixels do not belong to those of the other channels."
    ),
    "colour-config": (
        "All conversions go through one OpenColorIO config. Names whose meaning differs between releases of "
        "the library are refused, because pictures would change with it."
    ),
    "compression-level": (
        "Zip compression of OpenEXR alone has levels, and only where the installed library lets them be set."
    ),
    "colour-black": (
        "Where brightness is ignored, colours are compared after they are brought to one lightness. Black has no "
        "colour that would be left."
    ),
    "converts-nothing": (
        "The encoding before the conversion is the one after it. Either the node is superfluous, or the "
        "encoding of the file was declared wrongly, and then the picture is wrong."
    ),
    "cycle": "A node that depends on its own result cannot be computed. The message lists the whole path.",
    "dangling": "An input is the name of another node of the graph.",
    "encoding-unknown": (
        "Without the encoding of its numbers, a picture cannot be brought into scene-linear light. It comes "
        'from the field "encoding", or from the header of the file, and must be in the colour config. '
        "Stills and log plates rarely declare it."
    ),
    "file": (
        "The header of every file is read by check, so that a damaged or unreadable one is found before the "
        "render."
    ),
    "file-into-port": (
        "A file with several channels does not say which of them is the matte or depth that a port needs."
    ),
    "file-missing": (
        "Every file that the graph reads must exist at check. The message lists similar names in the folder."
    ),
    "format": (
        "Stills hold colour or one matte of the frame, 0 to 1. Depth, ids, ratios and layers would be cut "
        "off or rounded; OpenEXR holds them."
    ),
    "frame-alpha": (
        "All frames of a sequence are interpreted by one rule. If some were written premultiplied and "
        "others straight, edges would flicker."
    ),
    "frame-channels": (
        "A channel that the graph uses must be in all frames (an error). An A that only some frames have, "
        "and that nobody uses, is a warning."
    ),
    "frame-missing": (
        "All frames that will be rendered must exist. The message lists the missing ones and those that exist."
    ),
    "frame-resolution": (
        "A frame of another size in a sequence is usually a preview render or a file of another shot."
    ),
    "frames-missing": "A path with a frame token names no file without a frame number.",
    "frozen": (
        "The path has no frame token, but lies in a numbered sequence. The picture would stand still; often "
        "the token was forgotten."
    ),
    "has-alpha": "The port computes with R, G and B only, and would leave an alpha behind that no longer fits.",
    "header": (
        "The file can be read, but its header contradicts itself or the format; the message says how it was "
        "interpreted. Other programs may interpret it differently."
    ),
    "grain-none": (
        "A difference_matte counts differences in standard deviations of the plate's grain. Without grain every "
        "difference would be infinitely many."
    ),
    "layer-missing": (
        "A layer is the text before the last dot of a channel name, or the name of a part. It is compared "
        "letter by letter."
    ),
    "layer-unused": 'Channels with full names are independent of "layer", so one of the two fields has no effect.',
    "limits-crossed": (
        "A matte between two limits is empty where the lower one is above the higher one. Keyed limits are looked "
        "at for each frame that will be rendered."
    ),
    "lens-focus": (
        "A thin lens cannot focus closer than its focal length. Almost always one of the two numbers is in "
        "the wrong unit."
    ),
    "no-alpha": "Compositing over, and multiplying by alpha, need coverage. Colour without an A channel has none.",
    "not-linear": (
        "Light adds and multiplies correctly in scene-linear encodings only. In log or display encodings "
        "the result looks plausible and is wrong."
    ),
    "output-twice": "The second picture would replace the first. Often the frame token is missing in the path.",
    "overwrites-input": (
        "Files that the graph reads, all frames of its sequences included, are originals. No option allows "
        "them to be overwritten. Links and other spellings of a path are the same file."
    ),
    "planes": (
        "Each type of picture has fixed planes: colour R G B and perhaps A, ids pairs of id and coverage, "
        "and so on."
    ),
    "premultiplied-twice": "Multiplying by alpha twice makes edges dark.",
    "replaces-delivery": (
        "A delivery is finished work. It may be replaced by the same graph for the same shot only, unless "
        "you allow it."
    ),
    "replaces-foreign": (
        "Every file that stackcomp writes has a mark. A file without it was made by someone else, or is damaged."
    ),
    "replaces-other": "A report, a schema and a file of findings replace only their own kind.",
    "resolution": (
        "Pictures are combined pixel by pixel, so their frames must be equal. Nothing is scaled silently."
    ),
    "straight-alpha": (
        "Straight colour in the place of premultiplied colour makes edges too bright. For a port this is an "
        "error; when a picture is only written to look at, a warning."
    ),
    "extra-missing": (
        "Some commands need packages that the program does without elsewhere. They are named in extras, which pip "
        "installs with it."
    ),
    "track-point": "Points have names in the track file. They are compared letter by letter.",
    "two-spaces": "Numbers of two colour spaces mean different light. Nothing is converted silently.",
    "unit": (
        "Depth and focus distance are in metres, focal length in millimetres. A number outside of what "
        'lenses have is usually in another unit (a warning); "unit" belongs to depth only (an error).'
    ),
    "unused": "No deliver node depends on the node. This is not wrong, but often a wire was forgotten.",
    "view": (
        "A still is encoded for a display and a view of the colour config, which are compared letter by letter."
    ),
    "viewing-stops": (
        "They are an exposure for the people who look at a still. OpenEXR files are never changed by them, "
        "and pictures without scene light have no exposure."
    ),
    "working-space": (
        "All nodes compute in the working space. It must be scene-linear, because light adds and multiplies "
        "correctly there only."
    ),
    "wrong-kind": (
        "Each port accepts certain types of picture. Ids and depth are not light, for instance: averaging "
        "them gives values that no object has."
    ),
    "area": "A measurement covers whole pixels of an area, which must have pixels and lie inside of the picture.",
    "black": (
        "Black is measured in an area where both pictures are dark. The message says what speaks against this one."
    ),
    "channel-unknown": "A file with several channels does not say which of them is to be measured.",
    "chart": (
        "The patches are found from the corners of the chart, compared with their published colours, and "
        "fitted. The message says which step failed."
    ),
    "clipped": "Clipped pixels have lost their value, so their mean is too dark.",
    "edge-unclear": (
        "Sharpness is read from the profile of one edge. It needs 8 pixels along the edge, both of its sides, "
        "and a step that stands out of the noise."
    ),
    "grain-unclear": (
        "Grain is measured in squares of 8 × 8 pixels that are not clipped, and of each level the more even ones "
        "are believed. Too few of them, or a plate without grain, give no figure."
    ),
    "lat-long": (
        "A lat-long picture covers 360 by 180 degrees, so it is twice as wide as high. Otherwise each pixel "
        "would have the wrong solid angle."
    ),
    "no-colour": "A gain is measured for R, G and B. The file has no such channels in the layer that is read.",
    "no-light": "A ratio of two means needs light in both areas. Near zero it is noise.",
    "non-finite": "The mean of an area with NaN or infinite pixels is not a number.",
    "normal": "The direction of a surface is a vector; one of length zero has no direction.",
    "reflectance": "The reflectance of a card is the part of light that it returns, above 0 and up to 1.",
    "strength": (
        "The strength that the render used is multiplied by the measured ratio. 0 or a negative one gives "
        "no strength."
    ),
}

#: One line as it is right, in a graph or on the command line; after spaces a remark. For rules where it helps.
EXAMPLES: dict[str, str] = {
    "frames": "stackcomp render graph.json --frames 1001-1008,1012",
    "set-form": "stackcomp render graph.json --set gamma=1.2",
    "needs-node": "stackcomp render graph.json --node final --to out/look.{frame:04d}.png",
    "window": "stackcomp render graph.json --window 640,360,320,180",
    "scale": "stackcomp render graph.json --scale 0.5",
    "variables-form": '{"shot": "demo_shot/wide", "gamma": 1.3}',
    "nodes": '"nodes": {"plate": {"kind": "read", "path": "plate.{frame:04d}.exr"}}',
    "version": '{"stackcomp": 1, "nodes": {}}',
    "variable-unknown": '"variables": {"shot": "demo_shot/wide"}',
    "variable-in-text": '"gain": "${gain}"     with a list in "gain"; not "gain": "x${gain}"',
    "variable-cycle": '"variables": {"a": "${b}", "b": "${a}"}     has no value; write "b": "wide"',
    "dangling": '"final": {"kind": "over", "source": "cg", "backdrop": "plate"}     needs nodes "cg" and "plate"',
    "cycle": '"a": {"kind": "exposure", "image": "b"}, "b": {"kind": "exposure", "image": "a"}',
    "frames-missing": '"frames": "1001-1008"',
    "output-twice": '"path": "out/final.{frame:04d}.exr"',
    "frozen": '"path": "plate.{frame:04d}.exr"     instead of "path": "plate.1001.exr"',
    "straight-alpha": '"cg_over": {"kind": "premultiply", "image": "cg"}',
    "not-linear": '"plate": {"kind": "convert_colour", "image": "plate_log"}',
    "two-spaces": '"plate": {"kind": "convert_colour", "image": "plate_log"}',
    "encoding-unknown": '"plate_log": {"kind": "read", "path": "plate.{frame:04d}.exr", "encoding": "ACEScct"}',
    "file-into-port": '"depth": {"kind": "pick_channels", "layers": "cg", "as": "depth", "layer": "depth"}',
    "wrong-kind": '"shadow": {"kind": "pick_channels", "layers": "cg", "as": "ratio", "layer": "shadow"}',
    "has-alpha": '"rgb": {"kind": "pick_channels", "layers": "cg", "as": "colour", "alpha": "none"}',
    "unit": '"depth": {"kind": "pick_channels", "layers": "cg", "as": "depth", "layer": "depth", "unit": "cm"}',
    "lens-focus": '"focal_length": 35, "focus_distance": 1.14     millimetres, metres',
    "replaces-foreign": "stackcomp render graph.json --replace-foreign",
    "working-space": '"working_space": "ACEScg"',
}
