"""From a folder of files to a graph that runs: what `stackcomp begin` does."""

from stackcomp.begin.new_graph import Begun, begin
from stackcomp.begin.report import Item, Report
from stackcomp.begin.wishes import Wishes

__all__ = ["Begun", "Item", "Report", "Wishes", "begin"]
