"""Third stage: what is computed, in which order, and what in one loop."""
