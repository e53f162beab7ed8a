"""Points of a plate, followed over its frames.

tracker    all points over all frames, both ways from the frame in which they were given
point      a point: its pattern, and where it was last seen
finding    a point in another picture, and whether it is sure
sight      a picture as tracking sees it: one plane, log or as made for a display, and its noise
light      how the values of a plate stand for light
coarse     where a point may be: optical flow, and a search for its pattern (OpenCV)
likeness   whether what was found is the pattern, or something in front of it
plate      the frames of a plate, read from files
smoothing  tracks with less noise
summary    what became of each point, for people and programs
drawing    a frame with the tracks drawn on it
writing    the files
"""
