"""The land: acres on the ellipsoid, mended polygons, what must stay, harvest units, slope."""

from standmap.land._kernels import gradient_horn1981, relief_shade
from standmap.land.acres import geodesic_acres, local_crs, to_local
from standmap.land.channels import UNVERIFIED_CHANNEL, candidate_channels
from standmap.land.comply import UnitCheck, check_units
from standmap.land.elevation import elevation_at
from standmap.land.ground import REACH_FT, STEP_FT, GroundBuffers, follow_ground
from standmap.land.harvest import CONFLICT_ACRES, unit_table
from standmap.land.measures import acres_apart, compare_acres, survey_grid
from standmap.land.mend import (
    OVERLAP_ACRES,
    SLIVER_WIDTH_FT,
    find_gaps,
    find_overlaps,
    find_slivers,
    mend_overlaps,
    mend_polygons,
)
from standmap.land.near import LOOK_AROUND_FT, water_near, widest_ft
from standmap.land.place import assign_plots
from standmap.land.propose import ProposedUnits, propose_units
from standmap.land.relief import (
    SLOPE_LIMITS_PCT,
    SUN_ALTITUDE,
    SUN_AZIMUTH,
    TerrainBlock,
    terrain_blocks,
    terrain_table,
)
from standmap.land.roads import (
    ROAD_CHECK_COLUMNS,
    ROAD_KINDS,
    SHORT_FT,
    RoadCheck,
    RoadKind,
    RoadRule,
    check_roads,
    own_setback,
    road_rules,
)
from standmap.land.rule_lookup import (
    OWN_WIDTH,
    fixed_width,
    packaged_rules,
    road_setbacks,
    stream_rule,
)
from standmap.land.rule_reading import RULE_COLUMNS, read_rules, rules_from_frame
from standmap.land.rules import (
    CHECK_THE_RULE,
    UNVERIFIED,
    BufferRule,
    Residual,
    StreamRule,
    horizontal_ft,
)
from standmap.land.setbacks import PROPERTY_LINE, STEEP_GROUND, line_strip, steep_ground
from standmap.land.skid import (
    LANDING_REACH_FT,
    SLOPE_PENALTY,
    SLOPE_POWER,
    SkidWay,
    skid_way,
)
from standmap.land.slivers import give_slivers
from standmap.land.stay import (
    STREAM_BUFFER,
    acre_table,
    buffer_streams,
    exclude,
    set_back,
)
from standmap.land.terrain import mean_slope_pct, slope_table

__all__ = [
    "CHECK_THE_RULE",
    "CONFLICT_ACRES",
    "LANDING_REACH_FT",
    "LOOK_AROUND_FT",
    "OVERLAP_ACRES",
    "OWN_WIDTH",
    "PROPERTY_LINE",
    "REACH_FT",
    "ROAD_CHECK_COLUMNS",
    "ROAD_KINDS",
    "RULE_COLUMNS",
    "SHORT_FT",
    "SLIVER_WIDTH_FT",
    "SLOPE_LIMITS_PCT",
    "SLOPE_PENALTY",
    "SLOPE_POWER",
    "STEEP_GROUND",
    "STEP_FT",
    "STREAM_BUFFER",
    "SUN_ALTITUDE",
    "SUN_AZIMUTH",
    "UNVERIFIED",
    "UNVERIFIED_CHANNEL",
    "BufferRule",
    "GroundBuffers",
    "ProposedUnits",
    "Residual",
    "RoadCheck",
    "RoadKind",
    "RoadRule",
    "SkidWay",
    "StreamRule",
    "TerrainBlock",
    "UnitCheck",
    "acre_table",
    "acres_apart",
    "assign_plots",
    "buffer_streams",
    "candidate_channels",
    "check_roads",
    "check_units",
    "compare_acres",
    "elevation_at",
    "exclude",
    "find_gaps",
    "find_overlaps",
    "find_slivers",
    "fixed_width",
    "follow_ground",
    "geodesic_acres",
    "give_slivers",
    "gradient_horn1981",
    "horizontal_ft",
    "line_strip",
    "local_crs",
    "mean_slope_pct",
    "mend_overlaps",
    "mend_polygons",
    "own_setback",
    "packaged_rules",
    "propose_units",
    "read_rules",
    "relief_shade",
    "road_rules",
    "road_setbacks",
    "rules_from_frame",
    "set_back",
    "skid_way",
    "slope_table",
    "steep_ground",
    "stream_rule",
    "survey_grid",
    "terrain_blocks",
    "terrain_table",
    "to_local",
    "unit_table",
    "water_near",
    "widest_ft",
]
