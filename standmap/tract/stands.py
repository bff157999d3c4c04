"""The stands and the other polygon layers: read, mended, named, measured."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from pyproj import CRS

from standmap.land import (
    OVERLAP_ACRES,
    SLIVER_WIDTH_FT,
    find_gaps,
    geodesic_acres,
    give_slivers,
    local_crs,
    mend_overlaps,
    mend_polygons,
    survey_grid,
)
from standmap.tract.columns import Column, find_columns
from standmap.tract.findings import Findings, some
from standmap.tract.land_settings import UnitsTable
from standmap.tract.settings import StandsTable, TractTable
from standmap.tract.sources import Sources
from standmap.tract.tables import as_number, as_text
from standmap.tract.vectors import open_layer, parse_crs

Mend = dict[str, Any]
"""One change to an outline, as `mend_polygons` returns it."""

DEED_DIFFERENCE: Final = 0.02
"""Share by which mapped and deed acres may differ before it is remarked on. Common practice, no
source: a deed is a survey or an old estimate, a stand map is neither."""
SMALLEST_TRACT_ACRES: Final = 0.5
LARGEST_TRACT_ACRES: Final = 5_000_000.0
"""Beyond these a wrong coordinate system is likelier than such a tract."""


MEND_COLUMNS: Final = ("stand", "row", "action", "what", "acres_before", "acres_after")


@dataclass(frozen=True, slots=True, kw_only=True)
class StandsRead:
    """The stands, and how their acres came about.

    Attributes
    ----------
    stands : GeoDataFrame
        ``stand``, ``stratum``, ``gross_acres``, ``covariate`` and ``deed_acres`` (only where the
        tract file names their columns), ``source_row``, geometry, in their own local projection.
    grid : CRS
        The map grid that acres are compared on.
    mends : DataFrame
        Every change to an outline: ``stand, row, action, what, acres_before, acres_after``.
    """

    stands: gpd.GeoDataFrame
    grid: CRS
    mends: pd.DataFrame


def read_stands(table: StandsTable, tract: TractTable, sources: Sources) -> StandsRead | None:
    """Read the stands; None where the layer could not be read."""
    findings, file = sources.findings, table.file
    layer = _read_polygons(table, sources, "[stands]")
    if layer is None:
        return None
    mapped = {}
    if "id" in table.model_fields_set and table.id is not None:
        mapped["stand"] = table.id
    if "stratum" in table.model_fields_set and table.stratum is not None:
        mapped["stratum"] = table.stratum
    if table.covariate is not None:
        mapped["covariate"] = table.covariate
    if table.deed_acres is not None:
        mapped["deed_acres"] = table.deed_acres
    header = [str(c) for c in layer.columns if c not in ("geometry", "source_row")]
    wanted = [Column("stand", required=True, number=False), Column("stratum", number=False)]
    wanted += [Column(name) for name in ("covariate", "deed_acres") if name in mapped]
    found = find_columns(header, wanted, mapped, file=file, findings=findings)
    if "stand" not in found:
        return None
    stands = gpd.GeoDataFrame(
        {
            "stand": as_text(layer[found["stand"].header]).to_numpy(dtype=object),
            "stratum": "",
            "source_row": layer["source_row"].to_numpy(),
        },
        geometry=layer.geometry.to_numpy(),
        crs=layer.crs,
    )
    if "stratum" in found:
        stands["stratum"] = as_text(layer[found["stratum"].header]).to_numpy(dtype=object)
    elif "stratum" not in mapped:
        why = "no stratum column: all stands are one stratum, and stand in for each other"
        findings.ledger.add(file, action="noted", why=why)
    if "covariate" in found:
        name = found["covariate"].header
        stands["covariate"] = pd.to_numeric(layer[name], errors="coerce").to_numpy(dtype=float)
    if "deed_acres" in found:
        stands["deed_acres"] = _deeds(layer, found["deed_acres"].header, file, findings)
    stands = _named(stands, "stand", file, findings)
    mends: list[Mend] = []
    stands = mend_layer(stands, "stand", file, findings, sliver_ft=table.sliver_ft, record=mends)
    if len(stands) == 0:
        findings.error(file, "no stand has both a name and an outline", "Mend the layer in a GIS.")
        return None
    grid = _grid(tract.grid, stands, sources)
    stands = stands.to_crs(local_crs(stands))
    if "covariate" in stands:
        stands["covariate"] = _mean_of_parts(stands, file, findings)
    if "deed_acres" in stands:  # a stand in parts has the acres of all its deeds
        deeds = stands.groupby("stand")["deed_acres"].agg(lambda parts: parts.sum(skipna=False))
    stands = join_parts(stands, "stand", file, findings, same="stratum")
    if "deed_acres" in stands:
        stands["deed_acres"] = stands["stand"].map(deeds)
    stands = _settle_overlaps(stands, file, findings, max_acres=table.overlap_acres, record=mends)
    if table.give_slivers:
        stands = _give_slivers(stands, file, findings, table.sliver_ft, mends)
    stands["gross_acres"] = geodesic_acres(stands)
    _remark_gaps(stands, file, findings, table.sliver_ft)
    _remark_acres(stands, file, findings, tract.deed_acres, sources.tract_file)
    own = [name for name in ("covariate", "deed_acres") if name in stands]
    return StandsRead(
        stands=stands[["stand", "stratum", "gross_acres", *own, "geometry", "source_row"]],
        grid=grid,
        mends=pd.DataFrame(mends).rename(columns={"id": "stand"}).reindex(columns=MEND_COLUMNS),
    )


def _grid(named: str | None, stands: gpd.GeoDataFrame, sources: Sources) -> CRS:
    """Return the grid that acres are compared on, or report that the one named will not do."""
    findings, file = sources.findings, sources.tract_file
    crs = None if named is None else parse_crs(named, file, findings, column="tract.grid")
    if crs is not None and not crs.is_projected:
        findings.error(
            file,
            f"{crs.name} is in degrees, so nothing has acres on it",
            'Name a projected one, such as your state plane zone: "EPSG:2264".',
            column="tract.grid",
            value=named,
        )
        crs = None
    return survey_grid(stands, crs)


def _deeds(
    layer: gpd.GeoDataFrame, header: str, file: str, findings: Findings
) -> npt.NDArray[np.float64]:
    """Return the acres of each polygon's deed, NaN where blank."""
    acres, wrong = as_number(layer[header])
    wrong = wrong | (acres <= 0) | np.isinf(acres)
    findings.rows(
        "error",
        file,
        "not the acres of a deed",
        "Type a number above 0, or blank the cell where no deed is known.",
        rows=layer["source_row"].to_numpy()[wrong],
        column=header,
        values=layer[header].to_numpy(dtype=object)[wrong],
    )
    return acres


def _give_slivers(
    stands: gpd.GeoDataFrame, file: str, findings: Findings, width_ft: float, record: list[Mend]
) -> gpd.GeoDataFrame:
    """Give narrow gaps and loose parts to the stand they border longest, as the user asked."""
    mended, mends = give_slivers(stands, "stand", max_width_ft=width_ft)
    _enter(mends, "stand", file, findings)
    record += mends
    return mended


def _mean_of_parts(
    stands: gpd.GeoDataFrame, file: str, findings: Findings
) -> npt.NDArray[np.float64]:
    """Return the covariate with that of a stand in several parts averaged by their acres.

    A part without a figure leaves its stand without one.
    """
    own = stands["covariate"].to_numpy(dtype=float)
    acres = shapely.area(stands.geometry.to_numpy())
    place, names = pd.factorize(stands["stand"])
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = np.bincount(place, weights=own * acres) / np.bincount(place, weights=acres)
    for k in np.unique(place[own != mean[place]]):
        at = np.flatnonzero(place == k)
        if at.size < 2 or np.ptp(own[at]) == 0 or np.isnan(mean[k]):
            continue
        findings.ledger.add_rows(
            file,
            rows=stands["source_row"].to_numpy()[at],
            column="covariate",
            action="changed",
            old=[f"{v:g}" for v in own[at]],
            new=f"{mean[k]:g}",
            why=f"stand {names[k]} is drawn in parts: its covariate is their mean by acres",
        )
    return np.where(stands["stand"].duplicated(keep=False), mean[place], own)


def read_units(
    table: UnitsTable, sources: Sources, stands: gpd.GeoDataFrame | None
) -> gpd.GeoDataFrame | None:
    """Read the harvest units, in the stands' projection where there are stands."""
    findings, file = sources.findings, table.file
    layer = _read_polygons(table, sources, "[units]")
    if layer is None:
        return None
    mapped = {"unit": table.id} if "id" in table.model_fields_set and table.id else {}
    header = [str(c) for c in layer.columns if c not in ("geometry", "source_row")]
    wanted = (Column("unit", required=True, number=False),)
    found = find_columns(header, wanted, mapped, file=file, findings=findings)
    if "unit" not in found:
        return None
    units = gpd.GeoDataFrame(
        {
            "unit": as_text(layer[found["unit"].header]).to_numpy(dtype=object),
            "source_row": layer["source_row"].to_numpy(),
        },
        geometry=layer.geometry.to_numpy(),
        crs=layer.crs,
    )
    units = _named(units, "unit", file, findings)
    units = mend_layer(units, "unit", file, findings)
    if len(units) == 0:
        return None
    units = units.to_crs(local_crs(units) if stands is None else stands.crs)
    units = join_parts(units, "unit", file, findings)
    units = _settle_overlaps(units, file, findings, kind="unit")
    if stands is not None:
        outside = ~shapely.intersects(
            units.geometry.to_numpy(), shapely.union_all(stands.geometry.to_numpy())
        )
        findings.rows(
            "warning",
            file,
            "the unit lies outside every stand: it has acres and no timber",
            "Check its outline and its coordinate system.",
            rows=units["source_row"].to_numpy()[outside],
            column="unit",
            values=units["unit"].to_numpy()[outside],
        )
    return units[["unit", "geometry", "source_row"]]


def _read_polygons(
    table: StandsTable | UnitsTable, sources: Sources, key: str
) -> gpd.GeoDataFrame | None:
    return open_layer(table.file, table, sources, key=key, kinds=("polygon",))


def _named(layer: gpd.GeoDataFrame, column: str, file: str, findings: Findings) -> gpd.GeoDataFrame:
    """Report polygons that have no name."""
    blank = (layer[column] == "").to_numpy(dtype=bool)
    findings.rows(
        "error",
        file,
        f"the {column} has no name",
        f"Type the {column}'s name on this feature.",
        rows=layer["source_row"].to_numpy()[blank],
        column=column,
    )
    return layer[~blank].reset_index(drop=True)


def mend_layer(
    layer: gpd.GeoDataFrame,
    column: str,
    file: str,
    findings: Findings,
    *,
    sliver_ft: float = SLIVER_WIDTH_FT,
    record: list[Mend] | None = None,
) -> gpd.GeoDataFrame:
    """Repair outlines that can be read one way only; report the rest."""
    if len(layer) == 0:
        return layer
    mended, mends = mend_polygons(layer, column, sliver_width_ft=sliver_ft)
    if record is not None:
        record += [mend for mend in mends if mend["unambiguous"]]
    for mend in mends:
        what, row, name = mend["what"], mend["row"], mend["id"]
        acres = f"{mend['acres_before']:.3f} to {mend['acres_after']:.3f} acres"
        if not mend["unambiguous"]:
            findings.error(
                file, what, "Redraw the outline in a GIS.", row=row, column=column, value=name
            )
            continue
        if mend["action"] == "repaired":
            findings.warn(
                file,
                what,
                f"Repaired ({acres}); look at it in a GIS.",
                row=row,
                column=column,
                value=name,
            )
        elif mend["action"] == "set aside":
            findings.warn(
                file,
                what,
                "The feature is set aside; delete or redraw it.",
                row=row,
                column=column,
                value=name,
            )
        else:
            findings.warn(
                file,
                "the polygon has a sliver",
                f"It is kept: {what}. Look at it in a GIS.",
                row=row,
                column=column,
                value=name,
            )
        _enter([mend], column, file, findings)
    return mended.reset_index(drop=True)


def _enter(mends: list[Mend], column: str, file: str, findings: Findings) -> None:
    """Enter mends in the ledger, with the acres before and after."""
    for mend in mends:
        findings.ledger.add(
            file,
            row=mend["row"],
            column=column,
            action=mend["action"],
            why=mend["what"],
            old=f"{mend['id']}: {mend['acres_before']:.4f} acres",
            new=f"{mend['acres_after']:.4f} acres",
        )


def join_parts(
    layer: gpd.GeoDataFrame,
    column: str,
    file: str,
    findings: Findings,
    *,
    same: str | None = None,
) -> gpd.GeoDataFrame:
    """Join features of one name into one; they must agree in the column ``same``."""
    repeated = layer[column].duplicated(keep=False).to_numpy(dtype=bool)
    if not repeated.any():
        return layer
    for name, parts in layer[repeated].groupby(column, sort=False):
        rows = parts["source_row"].to_numpy()
        if same is not None and len(set(parts[same])) > 1:
            findings.error(
                file,
                f"this {column} is drawn in parts of different {same}",
                f"Give its parts one {same}, or different names. Parts: features {some(rows)}.",
                row=int(rows[1]),
                column=same,
                value=name,
            )
            continue
        findings.warn(
            file,
            f"this {column} is drawn in {len(parts)} parts",
            f"They are joined: features {some(rows)}. If they are different {column}s, rename one.",
            row=int(rows[1]),
            column=column,
            value=name,
        )
        findings.ledger.add_rows(
            file,
            rows=rows[1:],
            column=column,
            action="changed",
            old=name,
            new=f"joined to feature {rows[0]}",
            why=f"one {column} drawn in several parts",
        )
    joined = layer.dissolve(column, sort=False, as_index=False)
    return gpd.GeoDataFrame(joined[list(layer.columns)], geometry="geometry", crs=layer.crs)


def _settle_overlaps(
    layer: gpd.GeoDataFrame,
    file: str,
    findings: Findings,
    *,
    kind: str = "stand",
    max_acres: float = OVERLAP_ACRES,
    record: list[Mend] | None = None,
) -> gpd.GeoDataFrame:
    """Mend small overlaps; larger ones are errors, since no acre may count twice."""
    mended, mends, left = mend_overlaps(layer, kind, max_acres=max_acres)
    _enter(mends, kind, file, findings)
    if record is not None:
        record += mends
    if mends:
        findings.warn(
            file,
            f"{len(mends)} small overlaps between {kind}s",
            f"Each was given to one of its two {kind}s; the ledger says which.",
        )
    rows = layer["source_row"].to_numpy()
    for one in left.itertuples():
        findings.error(
            file,
            f"two {kind}s overlap by {one.acres:.2f} acres",
            "Redraw their border in a GIS: no acre may count twice.",
            row=int(rows[one.position_b]),
            column=kind,
            value=f"{one.a} and {one.b}",
        )
    return mended.reset_index(drop=True)


def _remark_gaps(stands: gpd.GeoDataFrame, file: str, findings: Findings, width_ft: float) -> None:
    """Tell of ground between stands that belongs to none."""
    for gap in find_gaps(stands, "stand", max_width_ft=width_ft).itertuples():
        where = f"{gap.acres:.3g} acres between {gap.between}"
        if gap.enclosed:
            findings.ledger.add(
                file,
                column="stand",
                action="noted",
                old=where,
                why="ground enclosed by the stands belongs to none (an inholding, or a gap)",
            )
        else:
            findings.warn(
                file,
                "a narrow gap between stands belongs to none",
                f"It is left out ({gap.width_ft:.2g} ft wide on average). If it is a drawing "
                "error, snap the border in a GIS, or write give_slivers = true in [stands].",
                column="stand",
                value=where,
            )


def _remark_acres(
    stands: gpd.GeoDataFrame,
    file: str,
    findings: Findings,
    deed_acres: float | None,
    tract_file: str,
) -> None:
    acres = float(stands["gross_acres"].sum())
    if not SMALLEST_TRACT_ACRES <= acres <= LARGEST_TRACT_ACRES:
        findings.warn(
            file,
            f"the stands come to {acres:,.4g} acres in all",
            "Check the layer's coordinate system.",
        )
    if deed_acres is None:
        return
    share = acres / deed_acres - 1
    findings.ledger.add(
        tract_file,
        column="tract.deed_acres",
        action="noted",
        old=deed_acres,
        new=acres,
        why="acres in the deed, and acres of the mapped stands on the ellipsoid (used)",
    )
    if abs(share) > DEED_DIFFERENCE:
        findings.warn(
            tract_file,
            f"the mapped stands come to {acres:,.1f} acres, {abs(share):.1%} "
            f"{'more' if share > 0 else 'less'} than the deed",
            "Mapped acres are used. Look for land left off the map, a wrong line, or an old deed; "
            "a boundary is settled by a surveyor.",
            column="tract.deed_acres",
            value=f"{deed_acres:g}",
        )


def text_column(layer: pd.DataFrame, column: str) -> np.ndarray:
    """Return an attribute of a layer as trimmed text."""
    return as_text(layer[column]).to_numpy(dtype=object)
