"""Kinds of nodes: one a file, what they are made of (`base`), and the list of them (`kinds`)."""
