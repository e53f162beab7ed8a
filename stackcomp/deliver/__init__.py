"""Fifth stage: what a written file says of its origin, and pictures written from Python."""
