"""Setting plots in their stands: swapped coordinates, borders, overlaps, plots outside."""

from __future__ import annotations

from typing import Final, Literal

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from standmap.land import assign_plots
from standmap.tract.findings import Findings, did_you_mean
from standmap.units import FT_PER_M

FAR_MILES: Final = 1.0
"""A plot farther than this from every stand is no plot of the tract: its coordinates are wrong."""
RECEIVER_ERROR_FT: Final = 165.0
"""How far a recorded stand may lie from the mapped point and still be believed: 50 m, a bad day
for a hand-held receiver under canopy. Common practice, no source."""
FT_PER_MILE: Final = 5280.0
MOSTLY: Final = 0.5
BORDER_FT: Final = 0.1
"""A plot this near a stand lies in it as far as any map can tell. [ft]"""

ObjectArray = npt.NDArray[np.object_]
Wins = Literal["map", "note"]


def place(
    plots: gpd.GeoDataFrame,
    stands: gpd.GeoDataFrame,
    file: str,
    findings: Findings,
    *,
    wins: Wins | None = None,
) -> gpd.GeoDataFrame:
    """Set every plot in its stand, from the map, or from its record where it is not mapped.

    Where map and record disagree, ``wins`` says which is believed. Without it the record is
    believed within a receiver's error of its stand, and the map beyond. Every such plot is warned
    of, with the distance, and entered in the ledger.

    Returns
    -------
    GeoDataFrame
        The plots with ``stand`` settled ("" where set aside) and ``recorded``, the stand of the
        record as typed.
    """
    _check_recorded(plots, stands, file, findings)
    recorded = plots["stand"].to_numpy(dtype=object)
    plots = plots.assign(recorded=recorded)
    if plots.crs is None:
        return plots.set_crs(stands.crs)
    plots, at = _assign(plots, stands, file, findings)
    if at is None:
        return plots
    mapped = plots.geometry.notna().to_numpy(dtype=bool)
    names = at["stand"].to_numpy(dtype=object)
    claims = at["stands"].to_numpy(dtype=object)
    count = at["n_stands"].to_numpy()
    away_ft = _from_recorded_ft(plots, stands, recorded)
    reach_ft = {"note": np.inf, "map": BORDER_FT, None: RECEIVER_ERROR_FT}[wins]
    with np.errstate(invalid="ignore"):
        believed = (away_ft <= reach_ft) & mapped
    rows = plots["source_row"].to_numpy()
    ids = plots["plot"].to_numpy(dtype=object)

    stand = np.where(mapped, names, recorded)
    stand = np.where(believed, recorded, stand)
    moved = believed & (recorded != names)
    _ledger_believed(
        file, findings, rows[moved], claims[moved], recorded[moved], away_ft[moved], wins
    )
    against = mapped & np.isfinite(away_ft) & ~believed & (count == 1)
    _ledger_overruled(
        file, findings, rows[against], names[against], recorded[against], away_ft[against], wins
    )
    two = mapped & (count > 1) & ~believed
    findings.rows(
        "error",
        file,
        "the plot falls in two stands that overlap",
        [
            f"It is in {c.replace(';', ' and ')}. Redraw their border, or name the stand in a "
            "stand column."
            for c in claims[two]
        ],
        rows=rows[two],
        column="plot",
        values=ids[two],
    )
    outside = mapped & (count == 0) & ~believed
    _outside(file, findings, rows, ids, outside, at["nearest_ft"].to_numpy(), at["nearest"])
    return plots.assign(stand=np.where(outside | two, "", stand))


def _check_recorded(
    plots: gpd.GeoDataFrame, stands: gpd.GeoDataFrame, file: str, findings: Findings
) -> None:
    known = list(stands["stand"])
    recorded = plots["stand"]
    lost = ((recorded != "") & ~recorded.isin(known)).to_numpy(dtype=bool)
    values = recorded.to_numpy(dtype=object)[lost]
    hints = {v: did_you_mean(str(v), known, all_known="Stands") for v in dict.fromkeys(values)}
    findings.rows(
        "error",
        file,
        "there is no such stand on the map",
        [hints[v] for v in values],
        rows=plots["source_row"].to_numpy()[lost],
        column="stand",
        values=values,
    )
    homeless = (plots.geometry.isna() & (recorded == "")).to_numpy(dtype=bool)
    if plots.crs is None:
        findings.rows(
            "error",
            file,
            "the plot has no stand",
            "Type the stand it was taken in.",
            rows=plots["source_row"].to_numpy()[homeless],
            column="stand",
        )


def _assign(
    plots: gpd.GeoDataFrame, stands: gpd.GeoDataFrame, file: str, findings: Findings
) -> tuple[gpd.GeoDataFrame, pd.DataFrame | None]:
    """Bring plots to the stands' CRS and find their stands; swapped coordinates are put right."""
    here = plots.to_crs(stands.crs)
    at = assign_plots(_finite(here), stands)
    mapped = plots.geometry.notna().to_numpy(dtype=bool)
    lost = mapped & (at["n_stands"].to_numpy() == 0)
    if lost.any():
        x, y = plots.geometry.x.to_numpy(), plots.geometry.y.to_numpy()
        turned = gpd.GeoSeries.from_xy(y, x, crs=plots.crs).to_crs(stands.crs)
        turned[~lost] = None
        swapped = lost & (assign_plots(_finite(turned), stands)["n_stands"].to_numpy() > 0)
        if swapped.any():
            _ledger_swapped(plots, swapped, file, findings)
            points = here.geometry.to_numpy()
            points[swapped] = turned.to_numpy()[swapped]
            here = here.set_geometry(gpd.GeoSeries(points, index=here.index, crs=stands.crs))
            at = assign_plots(_finite(here), stands)
    if mapped.any() and (at["n_stands"].to_numpy()[mapped] == 0).all():
        _none_inside(plots, stands, at, file, findings)
        return here, None
    return here, at


def _finite(layer: gpd.GeoDataFrame | gpd.GeoSeries) -> gpd.GeoSeries:
    """Return the points, those that could not be projected as missing."""
    points = layer.geometry.to_numpy().copy()
    points[~np.isfinite(shapely.get_x(points))] = None
    return gpd.GeoSeries(points, index=layer.index, crs=layer.crs)


def _ledger_swapped(
    plots: gpd.GeoDataFrame, swapped: npt.NDArray[np.bool_], file: str, findings: Findings
) -> None:
    rows = plots["source_row"].to_numpy()[swapped]
    points = plots.geometry[swapped]
    findings.ledger.add_rows(
        file,
        rows=rows,
        column="x, y",
        action="repaired",
        old=[f"{p.x:.10g}, {p.y:.10g}" for p in points],
        new=[f"{p.y:.10g}, {p.x:.10g}" for p in points],
        why="x and y swapped: as read the plot is in no stand, the other way round it is in one",
    )
    findings.warn(
        file,
        f"x and y are swapped on {len(rows)} of {len(plots)} plots",
        "They were turned round, which puts them in the stands; correct the file, or map "
        "x and y the other way round in [plots].",
        row=int(rows[0]),
        column="x, y",
        value=f"{points.iloc[0].x:.6g}, {points.iloc[0].y:.6g}",
    )


def _none_inside(
    plots: gpd.GeoDataFrame,
    stands: gpd.GeoDataFrame,
    at: pd.DataFrame,
    file: str,
    findings: Findings,
) -> None:
    """Say that no plot falls in any stand, and which coordinate system would put them there."""
    nearest = np.nanmin(np.r_[np.inf, at["nearest_ft"].to_numpy()]) / FT_PER_MILE
    raw = _finite(plots)
    better = []
    lon = stands.to_crs("EPSG:4326").total_bounds[[0, 2]].mean()
    zone = int((lon + 180) // 6) + 1
    for code in (4326, 26900 + zone, 32600 + zone, 3857, 5070):
        tried = raw.set_crs(f"EPSG:{code}", allow_override=True).to_crs(stands.crs)
        inside = assign_plots(_finite(tried), stands)["n_stands"].to_numpy() > 0
        if inside.mean() > MOSTLY:
            better.append(f"EPSG:{code}")
    mend = (
        f'With crs = "{better[0]}" in [plots] they would.'
        if better
        else "Check the coordinate systems of the plots and of the stands."
    )
    distance = f"{nearest:,.1f} miles" if np.isfinite(nearest) else "out of this world"
    findings.error(
        file,
        f"none of the {len(plots)} plots falls in a stand; the nearest is {distance} away",
        mend,
        column="plots.crs",
        value=plots.crs.name,
    )


def _from_recorded_ft(
    plots: gpd.GeoDataFrame, stands: gpd.GeoDataFrame, recorded: ObjectArray
) -> npt.NDArray[np.float64]:
    """Return how far each plot lies from the stand it names; 0 inside, NaN where it names none."""
    shapes = dict(zip(stands["stand"], stands.geometry, strict=True))
    named = np.array([shapes.get(name) for name in recorded], dtype=object)
    return np.asarray(shapely.distance(plots.geometry.to_numpy(), named) * FT_PER_M)


def _ledger_believed(
    file: str,
    findings: Findings,
    rows: npt.NDArray[np.int64],
    mapped: ObjectArray,
    recorded: ObjectArray,
    away_ft: npt.NDArray[np.float64],
    wins: Wins | None,
) -> None:
    """Enter the plots whose record was believed against the map, and warn of those it lies off."""
    within = away_ft <= BORDER_FT
    why = np.where(
        within,
        "the map does not tell in which stand it lies, and the record does",
        'the record wins, as the tract file says (stand_wins = "note")'
        if wins == "note"
        else "the recorded stand is within a receiver's error of the point, and is believed",
    )
    old = [f"map: {name.replace(';', ' and ') or 'outside every stand'}" for name in mapped]
    findings.ledger.add_rows(
        file,
        rows=rows,
        column="stand",
        action="changed",
        old=old,
        new=list(recorded),
        why=why.tolist(),
    )
    mend = (
        "The record wins, as stand_wins says. Check both."
        if wins == "note"
        else f"Within {RECEIVER_ERROR_FT:g} ft the record is believed. Check both, or say which "
        'wins: stand_wins = "map" or "note" in [plots].'
    )
    off = ~within
    findings.rows(
        "warning",
        file,
        "the plot's coordinates fall outside the stand its record names",
        [
            f"By the map it is in {name.replace(';', ' and ')}, {ft:,.0f} ft from {stand}. {mend}"
            if name
            else f"By the map it is in no stand, {ft:,.0f} ft from {stand}. {mend}"
            for name, ft, stand in zip(mapped[off], away_ft[off], recorded[off], strict=True)
        ],
        rows=rows[off],
        column="stand",
        values=recorded[off],
    )


def _ledger_overruled(
    file: str,
    findings: Findings,
    rows: npt.NDArray[np.int64],
    mapped: ObjectArray,
    recorded: ObjectArray,
    away_ft: npt.NDArray[np.float64],
    wins: Wins | None,
) -> None:
    """Enter and warn of the plots whose record was overruled by the map."""
    why = (
        'the map wins, as the tract file says (stand_wins = "map")'
        if wins == "map"
        else "the point lies too far from the stand of its record, and the map is believed"
    )
    findings.ledger.add_rows(
        file,
        rows=rows,
        column="stand",
        action="changed",
        old=[f"record: {name}" for name in recorded],
        new=list(mapped),
        why=why,
    )
    mend = (
        "The map wins, as stand_wins says. Check both."
        if wins == "map"
        else "The map is believed. Correct the record or the coordinates, or say which wins: "
        'stand_wins = "map" or "note" in [plots].'
    )
    findings.rows(
        "warning",
        file,
        "the plot's record names one stand and its coordinates fall in another",
        [
            f"By the map it is in {name}, {ft:,.0f} ft from {stand}. {mend}"
            for name, ft, stand in zip(mapped, away_ft, recorded, strict=True)
        ],
        rows=rows,
        column="stand",
        values=recorded,
    )


def _outside(
    file: str,
    findings: Findings,
    rows: npt.NDArray[np.int64],
    ids: ObjectArray,
    outside: npt.NDArray[np.bool_],
    nearest_ft: npt.NDArray[np.float64],
    nearest: pd.Series,
) -> None:
    """Set aside plots outside every stand; those far away are wrong, not outside."""
    far = outside & ~(nearest_ft <= FAR_MILES * FT_PER_MILE)
    findings.rows(
        "error",
        file,
        f"the plot is more than {FAR_MILES:g} mile from every stand",
        "Correct its coordinates, or take it and its trees out of the files.",
        rows=rows[far],
        column="plot",
        values=ids[far],
    )
    near = outside & ~far
    mends = [
        f"It and its trees are set aside; {name} is {ft:,.0f} ft away. If it belongs there, "
        "correct the point or name the stand in a stand column."
        for name, ft in zip(nearest.to_numpy()[near], nearest_ft[near], strict=True)
    ]
    what = "the plot is outside every stand"
    findings.rows("warning", file, what, mends, rows=rows[near], column="plot", values=ids[near])
    findings.ledger.add_rows(
        file, rows=rows[near], column="plot", old=list(ids[near]), action="set aside", why=what
    )
