"""The reference of all kinds of node: a page with pictures of what each does, made from the kinds' own classes.

``drawing``, ``bench``, ``lantern`` and ``scene`` draw the material; ``pictures`` renders the examples that kinds
give in ``page_examples``; ``gather`` puts text and pictures together; ``html`` and ``markdown`` lay them out;
``page`` writes them.
"""

from stackcomp.reference.page import differences, write_page

__all__ = ["differences", "write_page"]
