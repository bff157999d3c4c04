"""Roads, skid trails and landings near water: how far they must keep off, and where they do not."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Final, Literal, get_args

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from pyproj import CRS

from standmap.errors import DomainError
from standmap.land._overlay import Geometries
from standmap.land.acres import M_PER_FT, to_local
from standmap.land.rule_lookup import fixed_width, road_setbacks
from standmap.land.rules import Binding, BufferRule, Distance, StreamRule
from standmap.units import FT_PER_M

RoadKind = Literal["road", "skid trail", "landing"]
ROAD_KINDS: Final[tuple[RoadKind, ...]] = get_args(RoadKind)

CROSSING_REACH: Final = 1.5
"""A way may lie within this many setbacks of a mapped crossing: it has to come to the water there,
and a way that meets it at 45 degrees is 1.4 times as long in the setback as one that meets it
square. Common practice, no source."""

CROSSING_NEAR_FT: Final = 50.0
"""A way that meets water no farther than this from a mapped crossing uses it. Common practice, no
source. [ft]"""

SHORT_FT: Final = 1.0
"""Less of a way than this inside a setback is drawing, not road. [ft]"""

ROAD_CHECK_COLUMNS: Final = (
    *("name", "kind", "length_ft", "inside_ft", "at_crossings_ft", "too_near_ft"),
    *("crossings", "unmapped_crossings", "nearest_ft"),
)
"""What is told of each way and landing; the words of `RoadCheck` say what they hold."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RoadRule:
    """How far one kind of way keeps from water.

    Attributes
    ----------
    kind : {"road", "skid trail", "landing"}
        What keeps off.
    starts_at : {"water", "zone"}
        Whether the distance starts at the water's bank or at the outer edge of its streamside zone.
    rule : StreamRule
        The distance as a width, with its source.
    """

    kind: RoadKind
    starts_at: Literal["water", "zone"]
    rule: StreamRule

    @property
    def words(self) -> str:
        """The distance in words.

        Examples
        --------
        >>> road_rules("TX")["landing"].words
        '50 ft beyond the streamside zone'
        """
        row = self.rule.rows[-1]
        if self.starts_at == "zone":
            return (
                f"{row.width_ft:g} ft beyond the streamside zone"
                if row.width_ft > 0
                else "outside the streamside zone"
            )
        return f"{row.width_words} from the bank"


def road_rules(jurisdiction: str) -> dict[RoadKind, RoadRule]:
    """Return the published setbacks of a place that a map can be checked against.

    Parameters
    ----------
    jurisdiction : str
        As in ``standmap/data/road_setbacks_published.csv``, in any case.

    Returns
    -------
    dict
        By kind of way; a kind for which the place prints no distance is left out.

    Raises
    ------
    DomainError
        If no setback is known of the place; the places known are named.

    Examples
    --------
    >>> sorted(road_rules("NC")), road_rules("NC")["road"].words
    (['landing', 'road', 'skid trail'], 'outside the streamside zone')
    """
    every = road_setbacks()
    usable = every[every["applies_to"].fillna("") != ""]
    here = usable[usable["jurisdiction"].str.casefold() == jurisdiction.strip().casefold()]
    if here.empty:
        places = sorted(usable["jurisdiction"].unique())
        near = get_close_matches(jurisdiction.casefold(), [p.casefold() for p in places], n=1)
        hint = f" Did you mean {near[0].upper()!r}?" if near else ""
        raise DomainError(
            f"no setback of roads or landings is known of {jurisdiction!r}.{hint} Known: "
            f"{', '.join(repr(p) for p in places)}."
        )
    found: dict[RoadKind, RoadRule] = {}
    for kind in ROAD_KINDS:
        mine = here[[kind in str(said).split(";") for said in here["applies_to"]]]
        if len(mine):
            found[kind] = RoadRule(
                kind=kind,
                starts_at="zone" if mine["starts_at"].iloc[0] == "zone" else "water",
                rule=StreamRule(
                    jurisdiction=str(mine["jurisdiction"].iloc[0]),
                    water_class="any",
                    limits="soil",
                    option="",
                    rows=tuple(_row(record) for record in mine.to_dict("records")),
                ),
            )
    return found


def own_setback(kind: RoadKind, distance_ft: float, *, source: str) -> RoadRule:
    """Return a setback of the user's own: on the flat, from the bank.

    Parameters
    ----------
    kind : {"road", "skid trail", "landing"}
        What keeps off.
    distance_ft : float
        How far. [ft]
    source : str
        Where the user set it.
    """
    return RoadRule(
        kind=kind, starts_at="water", rule=fixed_width("any", distance_ft, source=source)
    )


def _row(record: Mapping[object, object]) -> BufferRule:
    """Return one published row as a width."""

    def text(name: str) -> str:
        value = record[name]
        return "" if value is None or value != value else str(value)

    def number(name: str, blank: float) -> float:
        return float(text(name)) if text(name) else blank

    distance: Distance = "slope" if text("distance") == "slope" else ""
    binding: Binding = "regulatory" if text("binding") == "regulatory" else "voluntary"
    return BufferRule(
        jurisdiction=text("jurisdiction"),
        water_classes=("any",),
        limits="soil",
        width_ft=number("distance_ft", 0.0),
        width_ft_per_pct=number("distance_ft_per_pct", 0.0),
        slope_above_pct=number("slope_above_pct", 0.0),
        slope_from_pct=number("slope_from_pct", 0.0),
        slope_to_pct=number("slope_to_pct", np.inf),
        distance=distance,
        binding=binding,
        source=text("source"),
        year=text("year"),
        evidence=text("evidence"),
        caution=text("caution"),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class RoadCheck:
    """Ways and landings held against their setbacks.

    Attributes
    ----------
    table : DataFrame
        One row per way or landing, ``ROAD_CHECK_COLUMNS``: ``name``, ``kind``, ``length_ft`` (NaN
        for a landing), ``inside_ft`` (of the way, inside its setback), ``at_crossings_ft`` (of
        those, at mapped crossings), ``too_near_ft`` (the rest; for a landing, how far it must
        move), ``crossings`` and ``unmapped_crossings`` (where it meets water), ``nearest_ft`` (to
        water).
    ground : GeoDataFrame
        ``name``, ``kind`` and the stretch, or the landing, that lies too near.
    """

    table: pd.DataFrame
    ground: gpd.GeoDataFrame


def check_roads(
    ways: gpd.GeoDataFrame,
    keep_off: Mapping[str, tuple[shapely.Geometry, float]],
    water: gpd.GeoSeries,
    crossings: gpd.GeoSeries | None,
    *,
    crs: CRS,
) -> RoadCheck:
    """Hold every way and landing against the ground it must keep off.

    Parameters
    ----------
    ways : GeoDataFrame
        ``name``, ``kind``; lines, and points or polygons of landings.
    keep_off : mapping
        Kind to the ground it keeps off, in ``crs``, and the greatest setback in it [ft]. A kind
        that is missing is not checked.
    water : GeoSeries
        Lines and polygons of water.
    crossings : GeoSeries or None
        Where ways may cross.
    crs : CRS
        Plane to work in, in metres.

    Examples
    --------
    A road runs 30 ft beside a creek for 500 ft, where it must keep 50 ft off:

    >>> ft = 0.3048
    >>> plane = CRS.from_epsg(32617)
    >>> creek = gpd.GeoSeries([shapely.LineString([(0, 0), (1000 * ft, 0)])], crs=plane)
    >>> road = shapely.LineString([(200 * ft, 30 * ft), (700 * ft, 30 * ft)])
    >>> ways = gpd.GeoDataFrame({"name": ["spur"], "kind": ["road"]}, geometry=[road], crs=plane)
    >>> kept = {"road": (creek.buffer(50 * ft).item(), 50.0)}
    >>> found = check_roads(ways, kept, creek, None, crs=plane).table.iloc[0]
    >>> round(found["too_near_ft"]), round(found["nearest_ft"])
    (500, 30)
    """
    local = np.asarray(to_local(ways.geometry, crs).to_numpy(), dtype=object)
    wet = shapely.union_all(np.asarray(to_local(water, crs).to_numpy(), dtype=object))
    fords = (
        shapely.GeometryCollection()
        if crossings is None
        else shapely.union_all(np.asarray(to_local(crossings, crs).to_numpy(), dtype=object))
    )
    rows, stretches = [], []
    for (name, kind), shape in zip(ways[["name", "kind"]].to_numpy(), local, strict=True):
        ground, widest = keep_off.get(str(kind), (shapely.Polygon(), 0.0))
        point = shapely.get_dimensions(shape) != 1
        row, bad = _landing(shape, ground) if point else _way(shape, ground, widest, wet, fords)
        near = float(shapely.distance(shape, wet)) * FT_PER_M if not wet.is_empty else np.nan
        rows.append({"name": str(name), "kind": str(kind), **row, "nearest_ft": near})
        stretches.append(bad)
    table = pd.DataFrame(rows, columns=list(ROAD_CHECK_COLUMNS))
    made: NDArray[np.object_] = np.empty(len(stretches), dtype=object)
    made[:] = stretches
    there = ~shapely.is_empty(made)
    layer = gpd.GeoDataFrame(table.loc[there, ["name", "kind"]], geometry=made[there], crs=crs)
    return RoadCheck(table=table, ground=layer.to_crs(ways.crs).reset_index(drop=True))


def _landing(
    shape: shapely.Geometry, ground: shapely.Geometry
) -> tuple[dict[str, float], shapely.Geometry]:
    """Return how far a landing must move: out of the ground from its innermost corner."""
    short = 0.0
    inside = shapely.intersection(shape, ground)
    if not inside.is_empty:
        corners = shapely.points(shapely.get_coordinates(inside))
        short = float(shapely.distance(corners, shapely.boundary(ground)).max()) * FT_PER_M
    row = {
        "length_ft": np.nan,
        "inside_ft": np.nan,
        "at_crossings_ft": np.nan,
        "too_near_ft": short,
        "crossings": 0,
        "unmapped_crossings": 0,
    }
    return row, shape if short > 0 else shapely.Point()


def _way(
    shape: shapely.Geometry,
    ground: shapely.Geometry,
    widest_ft: float,
    wet: shapely.Geometry,
    fords: shapely.Geometry,
) -> tuple[dict[str, float], shapely.Geometry]:
    """Return how much of a way lies too near, and where it meets water."""
    inside = shapely.intersection(shape, ground)
    excused = shapely.buffer(fords, CROSSING_REACH * widest_ft * M_PER_FT)
    bad = shapely.difference(inside, excused)
    met = _meetings(shape, wet)
    mapped = shapely.distance(met, fords) <= CROSSING_NEAR_FT * M_PER_FT
    length, near = float(inside.length) * FT_PER_M, float(bad.length) * FT_PER_M
    near = near if near >= SHORT_FT else 0.0
    row = {
        "length_ft": float(shape.length) * FT_PER_M,
        "inside_ft": length,
        "at_crossings_ft": length - near,
        "too_near_ft": near,
        "crossings": len(met),
        "unmapped_crossings": int((~mapped).sum()),
    }
    return row, bad if near > 0 else shapely.LineString()


def _meetings(shape: shapely.Geometry, wet: shapely.Geometry) -> Geometries:
    """Return a point for each place where a way meets water."""
    parts = shapely.get_parts(shapely.intersection(shape, wet))
    return np.asarray(shapely.centroid(parts[~shapely.is_empty(parts)]))
