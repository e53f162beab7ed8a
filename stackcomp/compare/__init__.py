"""Two pictures, files, sequences or dumps, and how they differ.

    from stackcomp.compare import Tolerance, compare_files

    comparison = compare_files("before/final.1001.exr", "after/final.1001.exr", Tolerance(small=0.001))
    comparison.equal
    print(comparison)

Windows, channels, types and pixels that are not finite are compared first, and have no tolerance; numbers are
compared within a `Tolerance`; ids bit by bit.
"""

from stackcomp.compare.difference import difference_picture, write_difference
from stackcomp.compare.difference_files import DifferenceFiles
from stackcomp.compare.dump_reports import is_dump
from stackcomp.compare.dumps import DumpComparison, NodeComparison, compare_dumps
from stackcomp.compare.files import Opened, compare_files, compare_opened, open_file
from stackcomp.compare.layers import LayerComparison, Places
from stackcomp.compare.pictures import PictureComparison, compare_pictures
from stackcomp.compare.sequences import SequenceComparison, compare_sequences
from stackcomp.compare.tolerance import EXACT, HALF, Tolerance, Tolerances, parse_tolerances

__all__ = [
    "EXACT",
    "HALF",
    "DifferenceFiles",
    "DumpComparison",
    "LayerComparison",
    "NodeComparison",
    "Opened",
    "PictureComparison",
    "Places",
    "SequenceComparison",
    "Tolerance",
    "Tolerances",
    "compare_dumps",
    "compare_files",
    "compare_opened",
    "compare_pictures",
    "compare_sequences",
    "difference_picture",
    "is_dump",
    "open_file",
    "parse_tolerances",
    "write_difference",
]
