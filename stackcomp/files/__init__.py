"""Files: OpenEXR, stills, colour spaces, frame numbers in file names, and viewable pictures."""
