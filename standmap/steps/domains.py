"""Any part of a stand: its own plots' figures where there are enough, else the stand's."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from standmap.cruise import DomainEstimates, EstimateTable, StandEstimates, estimate_domains
from standmap.errors import Problem
from standmap.land import STREAM_BUFFER, set_back, slope_table, terrain_table
from standmap.steps.land import Land
from standmap.steps.sampling import MEASURES
from standmap.steps.tables import acres_by_stand, measure_columns
from standmap.tract import Tract

OWN: Final = "own plots"
STAND: Final = "stand"
BOTH: Final = "own plots and stand"
ALL_BUFFERS: Final = f"{STREAM_BUFFER}s, all classes"
POINT_FT: Final = 1.0
"""Radius within which the slope under a plot's centre is read. [ft]"""

BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Domains:
    """Estimates of parts of the tract.

    Attributes
    ----------
    table : DataFrame
        A row for each domain (``stand`` blank) and for each stand in it: ``kind`` ("harvest
        unit", "stream buffer", "exclusion", "slope", "polygon"), ``domain``, ``stand``, ``acres``,
        ``plots`` (inside it, of that stand), ``source`` ("own plots", "stand"; of a whole domain
        also "own plots and stand"), and every measure per acre, its sampling error and total.
    min_plots : int
        Plots from which on a part stands by its own.
    totals : EstimateTable or None
        The totals of each domain, in order, all attributes; None without domains.
    problems : tuple of Problem
        Warnings.
    """

    table: pd.DataFrame
    min_plots: int
    totals: EstimateTable | None
    problems: tuple[Problem, ...]


@dataclass(frozen=True, slots=True)
class _Parts:
    """Domains of one kind: acres by stand, and which plots lie in each."""

    kind: str
    acres: pd.DataFrame
    inside: BoolArray


def estimate_parts(tract: Tract, found: StandEstimates, land: Land) -> Domains:
    """Estimate harvest units, buffers, exclusions, steep ground and the user's own polygons.

    Units, slopes and polygons are taken on net acres. What must stay is taken as the tract file
    says: ground that is bare of timber is left out.

    Parameters
    ----------
    tract : Tract
        Its plots settled.
    found : StandEstimates
        The stands.
    land : Land
        The ground laid out.
    """
    settings = tract.settings.domains
    located = tract.plots.set_index("plot").loc[found.sample.plots]
    points = located.geometry.to_numpy()
    # Pieces come in degrees; points are laid over them where metres are metres.
    pieces = land.pieces.to_crs(tract.crs)
    net = pieces[pieces["reason"] == ""]
    names = list(found.stands)
    problems: list[Problem] = []
    kinds = [
        _by_label("harvest unit", net[net["unit"] != ""], ["unit"], names, points),
        _all_buffers(pieces, names, points),
        _must_stay(tract, pieces, names, points),
        _polygons(tract, net, names, points),
    ]
    if settings.slope_pct is not None:
        steep, problem = _steep(tract, net, names, located, settings.slope_pct)
        kinds.append(steep)
        problems += problem
    kinds = [k for k in kinds if len(k.acres)]
    if not kinds:
        return Domains(
            table=pd.DataFrame(),
            min_plots=settings.min_plots,
            totals=None,
            problems=tuple(problems),
        )
    every = pd.concat([k.acres for k in kinds])
    labels = every.index.to_numpy(dtype=object)
    kind = np.repeat([k.kind for k in kinds], [len(k.acres) for k in kinds])
    acres = every.set_axis(pd.RangeIndex(len(every)))
    inside = np.concatenate([k.inside for k in kinds])
    made = estimate_domains(found, acres, inside, min_plots=settings.min_plots)
    return Domains(
        table=_table(made, labels, kind),
        min_plots=settings.min_plots,
        totals=made.totals,
        problems=tuple(problems),
    )


def _by_label(
    kind: str,
    pieces: gpd.GeoDataFrame,
    by: list[str],
    names: Sequence[str],
    points: npt.NDArray[np.object_],
) -> _Parts:
    """Make a domain of the pieces of each label."""
    if pieces.empty:
        return _Parts(kind, pd.DataFrame(columns=list(names)), np.zeros((0, len(points)), bool))
    acres = acres_by_stand(pieces, names, by)
    keys = list(acres.index)
    label = pd.MultiIndex.from_frame(pieces[by]) if len(by) > 1 else pd.Index(pieces[by[0]])
    at = pd.Index(acres.index).get_indexer(label)
    inside = np.zeros((len(keys), len(points)), dtype=bool)
    plot, piece = shapely.STRtree(pieces.geometry.to_numpy()).query(points, predicate="intersects")
    inside[at[piece], plot] = True
    acres.index = pd.Index([_label(key) for key in keys], dtype=object)
    return _Parts(kind, acres, inside)


def _label(key: object) -> str:
    return ", ".join(str(k) for k in key if k) if isinstance(key, tuple) else str(key)


def _must_stay(
    tract: Tract, pieces: gpd.GeoDataFrame, names: Sequence[str], points: npt.NDArray[np.object_]
) -> _Parts:
    """Make domains of what must stay and holds timber: buffers by class, exclusions by reason."""
    kept = pieces[(pieces["reason"] != "") & ~pieces["reason"].isin(tract.bare)]
    return _by_label("must stay", kept, ["reason", "class"], names, points)


def _all_buffers(
    pieces: gpd.GeoDataFrame, names: Sequence[str], points: npt.NDArray[np.object_]
) -> _Parts:
    """Make one domain of the buffers of every class, which has plots where a class has too few."""
    kept = pieces[pieces["reason"] == STREAM_BUFFER]
    whole = _by_label("must stay", kept.assign(all=ALL_BUFFERS), ["all"], names, points)
    if len(kept["class"].drop_duplicates()) < 2:  # that class is the same domain
        return _Parts("must stay", whole.acres.iloc[:0], whole.inside[:0])
    return whole


def _polygons(
    tract: Tract, net: gpd.GeoDataFrame, names: Sequence[str], points: npt.NDArray[np.object_]
) -> _Parts:
    """Make domains of the user's polygons, on net acres."""
    none = _Parts("polygon", pd.DataFrame(columns=list(names)), np.zeros((0, len(points)), bool))
    if tract.domains is None or net.empty:
        return none
    shapes, pieces = tract.domains.geometry.to_numpy(), net.geometry.to_numpy()
    piece, at = shapely.STRtree(shapes).query(pieces, predicate="intersects")
    whole = shapely.area(pieces[piece])
    share = shapely.area(shapely.intersection(pieces[piece], shapes[at])) / whole
    cut = pd.DataFrame(
        {
            "domain": tract.domains["domain"].to_numpy(dtype=object)[at],
            "stand": net["stand"].to_numpy(dtype=object)[piece],
            # Acres of the piece were measured on the ellipsoid; its share is a matter of the plane.
            "acres": net["acres"].to_numpy(dtype=float)[piece] * share,
        }
    )
    cut = cut[cut["acres"] > 0]
    if cut.empty:
        return none
    acres = acres_by_stand(cut, names, ["domain"])
    keys = tract.domains["domain"].to_numpy(dtype=object)
    in_net = _any_within(points, pieces)
    inside = np.zeros((len(acres), len(points)), dtype=bool)
    plot, at = shapely.STRtree(shapes).query(points, predicate="intersects")
    row = pd.Index(acres.index).get_indexer(pd.Index(keys[at]))
    inside[row[row >= 0], plot[row >= 0]] = True
    return _Parts("polygon", acres, inside & in_net)


def _any_within(points: npt.NDArray[np.object_], shapes: npt.NDArray[np.object_]) -> BoolArray:
    out = np.zeros(len(points), dtype=bool)
    out[shapely.STRtree(shapes).query(points, predicate="intersects")[0]] = True
    return out


def _steep(
    tract: Tract,
    net: gpd.GeoDataFrame,
    names: Sequence[str],
    located: gpd.GeoDataFrame,
    limit_pct: float,
) -> tuple[_Parts, list[Problem]]:
    """Make a domain of the net acres over a slope, with the plots that stand on such ground."""
    none = _Parts("slope", pd.DataFrame(columns=list(names)), np.zeros((0, len(located)), bool))
    path = tract.rasters.get("elevation")
    if path is None:
        return none, [
            Problem(
                severity="warning",
                file=tract.path.name,
                column="domains.slope_pct",
                value=f"{limit_pct:g}",
                what="a slope is named for a domain, and there is no elevation raster",
                mend="Name one in [rasters], or delete slope_pct from [domains].",
            )
        ]
    units = tract.settings.rasters.elevation_units
    ground = net.dissolve("stand", aggfunc={"acres": "sum"})
    over = terrain_table(path, ground, units=units, slope_limits_pct=[limit_pct])
    share = over[f"share_over_{limit_pct:g}_pct"].fillna(0.0) / 100
    label = f"over {limit_pct:g} % slope"
    acres = (ground["acres"] * share).reindex(names).fillna(0.0).to_frame(label).T
    if not acres.to_numpy().any():
        return none, []
    points = located.geometry.to_numpy()
    mapped = ~(shapely.is_missing(points) | shapely.is_empty(points))
    slope = np.full(len(points), np.nan)
    spots = set_back(located[mapped], POINT_FT, crs=tract.crs)
    slope[mapped] = slope_table(path, spots, units=units)["slope_pct"].to_numpy()
    on_net = _any_within(points, net.geometry.to_numpy())
    return _Parts("slope", acres, ((slope > limit_pct) & on_net)[None, :]), []


def _table(
    made: DomainEstimates, labels: npt.NDArray[np.object_], kind: npt.NDArray[np.str_]
) -> pd.DataFrame:
    """Put domains and their stands into one table, each domain before its stands."""
    cells = made.cells
    at = cells["domain"].astype(int).to_numpy()
    parts = cells[["stand", "acres", "plots", "source"]].reset_index(drop=True)
    part_acres = pd.Series(parts["acres"].to_numpy(), index=list(made.per_acre.rows))
    figures = measure_columns(made.per_acre, _times(made.per_acre, part_acres.to_numpy()))
    parts = pd.concat([parts, figures.reset_index(drop=True)], axis=1).assign(_at=at, _first=1)

    grouped = cells.groupby(at)
    acres = grouped["acres"].sum().reindex(range(len(labels)), fill_value=0.0)
    own = (cells["source"] == OWN).groupby(at).agg(["all", "any"]).reindex(range(len(labels)))
    source = np.where(own["all"].eq(True), OWN, np.where(own["any"].eq(True), BOTH, STAND))
    whole = pd.DataFrame(
        {
            "stand": "",
            "acres": acres.to_numpy(),
            "plots": grouped["plots"].sum().reindex(range(len(labels)), fill_value=0).to_numpy(),
            "source": source,
        }
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        means = _times(made.totals, 1 / acres.to_numpy())
    figures = measure_columns(means, made.totals).reset_index(drop=True)
    whole = pd.concat([whole, figures], axis=1).assign(_at=np.arange(len(labels)), _first=0)

    table = pd.concat([whole, parts]).sort_values(["_at", "_first"], kind="stable")
    at = table["_at"].to_numpy()
    table.insert(0, "kind", [_kind(k, d) for k, d in zip(kind[at], labels[at], strict=True)])
    table.insert(1, "domain", labels[at])
    wanted = ["kind", "domain", "stand", "acres", "plots", "source"]
    wanted += [c for m in MEASURES for c in (f"{m}_per_acre", f"{m}_error_pct", f"{m}_total")]
    return table[wanted].reset_index(drop=True)


def _kind(kind: str, label: str) -> str:
    if kind != "must stay":
        return str(kind)
    return STREAM_BUFFER if str(label).startswith(STREAM_BUFFER) else "exclusion"


def _times(table: EstimateTable, factor: npt.NDArray[np.float64]) -> EstimateTable:
    """Return a table of estimates each multiplied by its row's factor."""
    return EstimateTable(
        rows=table.rows,
        attributes=table.attributes,
        estimate=table.estimate * factor[:, None],
        se=table.se * factor[:, None],
        df=table.df,
        n=table.n,
        borrowed=table.borrowed,
        confidence=table.confidence,
    )
