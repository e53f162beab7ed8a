"""Array maths only: no graph, no files, no types.

Functions here take and return plain arrays over windows that the caller has laid out. They never change an
input. Loops are compiled by numba without the interpreter lock and are spread over strips of rows by
`strips.over_strips`.
"""
