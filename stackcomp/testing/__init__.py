"""For tests of one's own graphs and kinds.

    import pytest
    from stackcomp.testing import LAWS, Example

    EXAMPLE = Example("boatyard.patina", {"image": "cg", "depth": 0.4})

    @pytest.mark.parametrize("law", LAWS)
    def test_law(law):
        law(EXAMPLE)

Graphs are tested with the fixture ``compare_render`` of the pytest plugin, see `stackcomp.testing.renders`.
"""

from stackcomp.testing.example import Example
from stackcomp.testing.law_pictures import FRAME, law_picture
from stackcomp.testing.laws import LAWS

__all__ = ["FRAME", "LAWS", "Example", "law_picture"]
