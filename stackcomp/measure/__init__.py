"""Measuring pictures, and finding the numbers that match one to another.

`picture` opens colour in scene-linear light, `channel` depth and mattes; `area` says where; `statistics`, `depth`
and `matte` measure there; each match is a file of its own. What is found is written by `findings` as variables for
graphs. Everything takes and gives pictures, plain numbers and arrays; words on a screen are the business of the
command line.
"""
