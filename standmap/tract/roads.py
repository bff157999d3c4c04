"""Roads and skid trails of a tract, and how far they and landings keep from water."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

import geopandas as gpd
import numpy as np

from standmap.errors import DomainError
from standmap.land import RoadKind, RoadRule, own_setback, road_rules
from standmap.tract.columns import Column, find_columns
from standmap.tract.findings import toml_key
from standmap.tract.land_settings import RoadSetbacksTable, RoadsTable
from standmap.tract.layers import placed_only, to_stands
from standmap.tract.sources import Sources
from standmap.tract.stands import text_column
from standmap.tract.vectors import open_layer

WAY_KINDS: Final = ("road", "skid trail")
OWN_KEYS: Final[dict[RoadKind, str]] = {
    "road": "road_ft",
    "skid trail": "skid_trail_ft",
    "landing": "landing_ft",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Roads:
    """Roads and the setbacks they are held to.

    Attributes
    ----------
    ways : GeoDataFrame or None
        ``name``, ``kind`` ("road", "skid trail"), lines.
    rules : mapping of str to RoadRule
        By kind, landings too.
    """

    ways: gpd.GeoDataFrame | None = None
    rules: Mapping[RoadKind, RoadRule] = field(default_factory=dict)


def read_roads(
    roads: RoadsTable | None,
    setbacks: RoadSetbacksTable | None,
    sources: Sources,
    stands: gpd.GeoDataFrame | None,
    *,
    ground: bool,
) -> Roads:
    """Read ``[roads]`` and settle ``[road_setbacks]``.

    Parameters
    ----------
    roads, setbacks : tables or None
        Of the tract file.
    sources : Sources
        Where files are found and faults gathered.
    stands : GeoDataFrame or None
        The stands; their CRS is taken.
    ground : bool
        Whether slopes are known, from a raster or stated.
    """
    ways = None if roads is None else _ways(roads, sources, stands)
    rules = {} if setbacks is None else _rules(setbacks, sources, ground=ground)
    return Roads(ways=ways, rules=rules)


def _ways(
    table: RoadsTable, sources: Sources, stands: gpd.GeoDataFrame | None
) -> gpd.GeoDataFrame | None:
    findings, file = sources.findings, table.file
    layer = open_layer(file, table, sources, key="[roads]", kinds=("line",))
    if layer is None:
        return None
    header = [str(c) for c in layer.columns if c not in ("geometry", "source_row")]
    mapped = {
        name: value
        for name, value in (("name", table.name), ("kind", table.kind))
        if name in table.model_fields_set and value
    }
    wanted = (Column("name", number=False), Column("kind", number=False))
    found = find_columns(header, wanted, mapped, file=file, findings=findings)
    rows = layer["source_row"].to_numpy(dtype=np.int64)
    name = text_column(layer, found["name"].header) if "name" in found else [""] * len(layer)
    kind = text_column(layer, found["kind"].header) if "kind" in found else [""] * len(layer)
    as_ours = {key.casefold(): value for key, value in table.kinds.items()}
    ours = [as_ours.get(k.casefold(), k.casefold()) or "road" for k in kind]
    strange = np.array([k not in WAY_KINDS for k in ours], dtype=bool)
    example = toml_key(str(kind[int(np.argmax(strange))])) if strange.any() else ""
    findings.rows(
        "error",
        file,
        "it is neither a road nor a skid trail",
        f'Say which in [roads.kinds], {example} = "road" or "skid trail".',
        rows=rows[strange],
        column=found["kind"].header if "kind" in found else "kind",
        values=np.array(kind, dtype=object)[strange],
    )
    made = gpd.GeoDataFrame(
        {
            "name": [n or f"{k} {row}" for n, k, row in zip(name, ours, rows, strict=True)],
            "kind": ours,
            "source_row": rows,
        },
        geometry=layer.geometry.to_numpy(),
        crs=layer.crs,
    )
    made = placed_only(made, file, findings)
    return to_stands(made, stands, file, findings, "[roads]")


def _rules(table: RoadSetbacksTable, sources: Sources, *, ground: bool) -> dict[RoadKind, RoadRule]:
    findings, file = sources.findings, sources.tract_file
    rules: dict[RoadKind, RoadRule] = {}
    if table.rule is not None:
        try:
            rules = road_rules(table.rule)
        except DomainError as error:
            what, _, known = str(error).partition(" Known: ")
            findings.error(
                file,
                what.rstrip("."),
                f"Known: {known} Or give distances of your own: road_ft, skid_trail_ft, "
                "landing_ft.",
                column="road_setbacks.rule",
                value=table.rule,
            )
            return {}
    for kind, key in OWN_KEYS.items():
        distance = getattr(table, key)
        if distance is not None:
            source = f"[road_setbacks] of {file}"
            rules[kind] = own_setback(kind, distance, source=source)
    if not rules:
        findings.error(
            file,
            "no setback is given",
            'Name a rule, rule = "...", or give road_ft, skid_trail_ft or landing_ft.',
            column="road_setbacks",
        )
    sloped = [kind for kind, rule in rules.items() if rule.rule.depends_on_slope]
    if sloped and not ground:
        findings.error(
            file,
            f"the setback of a {sloped[0]} depends on the slope of the bank, and no slope is known",
            "Name an elevation raster in [rasters], or state one slope, slope_pct, in [buffers].",
            column="road_setbacks.rule",
        )
    unread = [kind for kind, rule in rules.items() if not rule.rule.verified]
    if unread:
        findings.warn(
            file,
            f"the setback of a {unread[0]} is unverified: it settles nothing by itself",
            "Look up the current rule with the state forestry agency before relying on it.",
            column="road_setbacks.rule",
            value=table.rule,
        )
    return rules
