"""Kinds of steps, one a file: each knows its windows, what it needs of its inputs, and how to run.

A step is part of a plan and holds for every frame. It computes in a `base.Frame`, which the execute
stage provides.
"""
