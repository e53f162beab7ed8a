"""Array maths only: no graph, no files, no port types.

Functions here take and return plain arrays over windows that the caller defines, and never write to an input.
Loops are compiled by numba, run without the interpreter lock, and are distributed over strips of rows by
`strips.over_strips`.

A ValueError of a kernel is a programming error: nodes and checks validate the values of users first.
"""
