"""The land: acres on the ellipsoid, mended polygons, what must stay, harvest units, slope."""

from standmap.land.acres import geodesic_acres, local_crs, to_local
from standmap.land.harvest import CONFLICT_ACRES, unit_table
from standmap.land.mend import (
    OVERLAP_ACRES,
    SLIVER_WIDTH_FT,
    find_gaps,
    find_overlaps,
    find_slivers,
    mend_overlaps,
    mend_polygons,
)
from standmap.land.place import assign_plots
from standmap.land.stay import (
    STREAM_BUFFER,
    acre_table,
    buffer_streams,
    exclude,
    set_back,
)
from standmap.land.terrain import mean_slope_pct, slope_table

__all__ = [
    "CONFLICT_ACRES",
    "OVERLAP_ACRES",
    "SLIVER_WIDTH_FT",
    "STREAM_BUFFER",
    "acre_table",
    "assign_plots",
    "buffer_streams",
    "exclude",
    "find_gaps",
    "find_overlaps",
    "find_slivers",
    "geodesic_acres",
    "local_crs",
    "mean_slope_pct",
    "mend_overlaps",
    "mend_polygons",
    "set_back",
    "slope_table",
    "to_local",
    "unit_table",
]
