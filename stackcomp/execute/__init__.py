"""Fourth stage: one frame of a plan, its memory, and the loops it runs."""
