"""What is behind the rules about material from elsewhere: tracks, cameras, lenses, shapes, ids, patches.

See `stackcomp.check.rule_explanations`.
"""

from __future__ import annotations

__all__ = ["OF_MATERIAL"]

#: What is checked, and why, by rule id.
OF_MATERIAL: dict[str, str] = {
    "camera-file": (
        "A picture can be placed through a camera that moves. Its file is read by check, so that it is complete "
        "before a frame is rendered."
    ),
    "camera-frames": (
        "Where a camera stood is known at the frames of its file, and nobody guesses others. The frame in which "
        "the still was taken must be one of them."
    ),
    "camera-gate": (
        "Focal length in pixels follows from the widths of the gate and of the frame. A gate of another shape "
        "than the frame often means that the frame is a part of what the camera took; then all places are wrong. "
        "Up to 1 % is rounding."
    ),
    "camera-plane": (
        "From within a plane a camera sees a line of it at most, and nothing of one that lies behind it. Nothing "
        "could be placed on it, so the plane is not the one that was meant."
    ),
    "camera-prim": (
        "A USD file can hold any number of cameras. Where there is one alone it is taken; else --prim names the "
        "path of one, or of a prim above it."
    ),
    "camera-usd": (
        "USD files are read by USD's own library, usd-core, which is installed on request. Frames are time codes, "
        "or time codes divided by --codes-per-frame, a number above 0."
    ),
    "coordinates-bits": (
        "The values s and t are shares of the width and the height of a picture. Half floats between 0.5 and 1 "
        "lie 1/2048 apart, which is 2 pixels of 4096; lossy compression moves places by as much. Nothing can "
        "bring back what lies between."
    ),
    "homography-singular": (
        "Pictures and shapes are placed by a homography, a matrix of nine numbers. If it cannot be inverted, it "
        "maps them to a line or a point."
    ),
    "ids-bits": (
        "An id is a pattern of 32 bits, stored as a float. Half floats and lossy compression change some of the "
        "bits, and each of them makes it the id of another object, or of none."
    ),
    "ids-collide": (
        "An id is a hash of 32 bits. Among tens of thousands of names two may get the same one; no reader can "
        "then tell the two objects apart."
    ),
    "ids-hash": (
        "The specification says that an id is the hash of its name. Where a manifest says otherwise, the file was "
        "made in another way, or the name was changed later."
    ),
    "ids-manifest": (
        "A manifest lists names and ids. Wildcards choose among its names. An exact name can be hashed without "
        "it, but then nobody can say whether there is such an object."
    ),
    "ids-type": (
        "A file may hold several types of ids, such as objects and materials. Its header declares each, and its "
        "layers are called after it with two digits behind. Where a layer or a channel between them is missing, "
        "so are some objects, and coverage would be too small."
    ),
    "lens-board": (
        "The lens is calibrated by the inner corners of a checkerboard, which are looked for in each picture. All "
        "pictures are of one camera, with one lens, focus and size, and show the whole board from several sides."
    ),
    "lens-file": (
        "The distortion of a lens may come from a file, as match lens writes it. It is read by check, so that "
        "it is complete before a frame is rendered."
    ),
    "lens-folds": (
        "The formula of a lens fits where it was measured. Farther out it may stop to grow with the radius, and "
        "map two places of the picture onto one; no lens does that. Pixels beyond that radius show nothing."
    ),
    "lens-lateral": (
        "Lateral chromatic aberration draws red, green and blue in different sizes. Mattes, depth and ids have no "
        "such planes, and follow green."
    ),
    "lens-size": (
        "Focal lengths and centre are pixels of the calibrated picture. They are brought to another resolution by "
        "one factor; a picture of another shape was cropped or squeezed, and nobody knows which part of the lens "
        "it shows. One pixel is rounding."
    ),
    "object-absent": (
        "An object may appear later in a shot. Its matte is empty at frames whose manifest does not have it, so "
        "the name is looked for in the other files of the sequence before it is called wrong."
    ),
    "object-unknown": (
        "A name that no manifest has would give an empty matte at every frame, and whatever depends on it would "
        "be missing in the picture without a word."
    ),
    "overscan-missing": (
        "A lens with barrel distortion shows more than a pinhole does in the same frame. What it shows at the "
        "edges must have been rendered beyond them. Only edges up to which the picture reaches are looked at, "
        "and only where headers tell its data window; a picture that ends within the frame was cropped to what "
        "it holds."
    ),
    "patch-nothing": (
        "An outline beside the patch, one that encloses nothing, or a feather that is wider than the outline "
        "leaves nothing to lay on, and the picture would stay as it is without a word."
    ),
    "shapes-file": (
        "Shapes may stand in a file of their own, or in an SVG file, one for all frames or one a frame. Check "
        "reads them all, so that none is missing when it is their turn."
    ),
    "shapes-flat": (
        "A curve covers what it encloses. Where all its points lie on one line, that is nothing, and more often a "
        "mistake than a wish. A stroke covers what lies within its radius."
    ),
    "shapes-left-out": (
        "Of an SVG file the insides of paths and basic shapes count. Text and pictures have no outline that every "
        "program sees alike; clipping, masks and filters would change what is covered."
    ),
    "grain-file": (
        "A node can take the noise of a plate from a file. The file is read by check, so that it is complete "
        "before a frame is rendered."
    ),
    "grain-space": (
        "Noise is a number of each channel, and a matrix from one space to another mixes channels. So grain of "
        "one space is too much in some channels of another, and too little in others."
    ),
    "shapes-nothing": (
        "Shapes and strokes are taken in order. One that takes away from nothing, or intersects with it, leaves "
        "nothing."
    ),
    "shapes-outside": (
        "What lies outside of the frame at every key covers no pixel of it. Shapes that follow a track are not "
        "judged: it may bring them in."
    ),
    "shapes-size": (
        "A file of shapes says for which size it was drawn, and is scaled to the width of the frame. In a frame "
        "of another shape they would lie at wrong places. Of an SVG file the viewBox says it."
    ),
    "shapes-unknown": (
        "Shapes are chosen by their names, shapes of SVG files also by the ids of groups. A name that is written "
        "wrong would leave a hole in the matte."
    ),
    "track-start": (
        "A point is found again by the square of picture around it, in which something must be seen. Where all "
        "pixels are alike, every place would fit."
    ),
    "track-file": (
        "A node can follow points that were tracked in a plate. Their file is read by check, so that it is "
        "complete before a frame is rendered."
    ),
    "track-fit": (
        "Two points tell how a surface moves and turns, three or more how it lies, unless they are at one place "
        "or on one line."
    ),
    "track-frames": (
        "Positions are known at the frames that were tracked, and nobody guesses others. The frame for which the "
        "still was made must be one of them."
    ),
    "track-lost": (
        "A point that leaves the picture, or is hidden, has no position. Without it the movement would be of "
        'another kind, and the picture could jump; "missing": "fewer" says that this is wanted.'
    ),
    "track-size": (
        "Positions are pixels of the plate that was tracked. In a picture of another size they would lie at "
        "another place."
    ),
}
