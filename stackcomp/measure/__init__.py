"""Measuring pictures, and matching one picture to another.

    from stackcomp import measure

    plate = measure.open_measured("chart.exr", encoding="ACEScct")
    hdri = measure.open_measured("place/hdri_chart.exr")
    measure.area_statistics(plate, "181,152,21,20").channels["R"].mean
    match = measure.match_grey(plate, "181,152,21,20", hdri, "207,184,18,20", plate_black=0.002)
    measure.write_findings("found.json", {"gain": list(match.gain)}, match.as_dict())

`open_measured` opens colour as scene-linear light, `open_channel` depth or a matte. An area is text (``"x,y,w,h"``
or ``"x,y;x,y;x,y …"``), a `Window`, four numbers, a list of points or an `Area`, always in pixels of the frame,
from its top-left corner. Results are dataclasses with ``doubts``, sentences about what may be wrong, and
``as_dict()``, their numbers as JSON data. Mistakes in arguments raise `stackcomp.RequestError`, damaged files
`stackcomp.FileError`.
"""

from stackcomp.measure.area import Area, AreaError, parse_polygon, parse_rectangle, whole
from stackcomp.measure.black import (
    BlackError,
    BlackLevel,
    BlackMatch,
    CoveredDarkest,
    Part,
    black_of_areas,
    darkest_covered,
    darkest_region,
    match_black,
)
from stackcomp.measure.channel import MeasuredChannel, open_channel
from stackcomp.measure.chart_fit import ChartFit
from stackcomp.measure.chart_gradient import Gradient
from stackcomp.measure.chart_match import Chart, ChartMatch, match_chart
from stackcomp.measure.chart_patches import Patches
from stackcomp.measure.chart_picture import chart_picture
from stackcomp.measure.chart_suspects import Suspects
from stackcomp.measure.depth import DepthStatistics, depth_statistics
from stackcomp.measure.edge import EdgeError
from stackcomp.measure.findings import write_findings
from stackcomp.measure.grain import GrainMatch, match_grain
from stackcomp.measure.grain_squares import GrainError
from stackcomp.measure.grey import GreyMatch, match_grey
from stackcomp.measure.ids import IdAreas, ObjectArea, ObjectShare, measure_ids
from stackcomp.measure.irradiance import Irradiance, direction
from stackcomp.measure.level import Level, PatchError
from stackcomp.measure.light import LightMatch, match_light, match_light_from_hdri
from stackcomp.measure.matte import MatteStatistics, matte_statistics
from stackcomp.measure.picture import Measured, open_measured, open_picture
from stackcomp.measure.plate_grain import PlateGrain, measure_grain
from stackcomp.measure.sharpness import EdgeWidths, SharpnessMatch, match_sharpness
from stackcomp.measure.statistics import ChannelStatistics, Statistics, area_statistics

__all__ = [
    "Area",
    "AreaError",
    "BlackError",
    "BlackLevel",
    "BlackMatch",
    "ChannelStatistics",
    "Chart",
    "ChartFit",
    "ChartMatch",
    "CoveredDarkest",
    "DepthStatistics",
    "EdgeError",
    "EdgeWidths",
    "Gradient",
    "GrainError",
    "GrainMatch",
    "GreyMatch",
    "IdAreas",
    "Irradiance",
    "Level",
    "LightMatch",
    "MatteStatistics",
    "Measured",
    "MeasuredChannel",
    "ObjectArea",
    "ObjectShare",
    "Part",
    "PatchError",
    "Patches",
    "PlateGrain",
    "SharpnessMatch",
    "Statistics",
    "Suspects",
    "area_statistics",
    "black_of_areas",
    "chart_picture",
    "darkest_covered",
    "darkest_region",
    "depth_statistics",
    "direction",
    "match_black",
    "match_chart",
    "match_grain",
    "match_grey",
    "match_light",
    "match_light_from_hdri",
    "match_sharpness",
    "matte_statistics",
    "measure_grain",
    "measure_ids",
    "open_channel",
    "open_measured",
    "open_picture",
    "parse_polygon",
    "parse_rectangle",
    "whole",
    "write_findings",
]
