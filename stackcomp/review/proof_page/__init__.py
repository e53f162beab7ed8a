"""The proof page: a graph as one HTML file, with every node's picture, true values, numbers and documentation.

    from stackcomp.review.proof_page import write_page

    write_page("proof/page.html", [Path("proof/1001"), Path("proof/1002")])

From dumps to the page: `read` (dumps) → `layers` (what of a picture is looked at together) → `readings`
(statistics, histograms) → `ladder` (what fits) → `pack` and `viewing` (bytes) → `board` (the drawing, from
`ranks`, `ordering`, `columns` and `routes`) → `html` (one file). `js/` holds the page's own program, one idea a
file.
"""

from stackcomp.review.proof_page.page import MOST_BYTES, write_page

__all__ = ["MOST_BYTES", "write_page"]
