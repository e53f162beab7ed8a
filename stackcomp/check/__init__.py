"""Second stage: rules of wires and of files, and every mistake found before a pixel is read."""
