"""Files: OpenEXR, stills, colour spaces, frame numbers in names, and pictures for people to look at."""
