"""The user's own parts of the tract, each to get an estimate of its own."""

from __future__ import annotations

from typing import Final

import geopandas as gpd
import numpy as np
import shapely

from standmap.land import local_crs
from standmap.tract.columns import Column, find_columns
from standmap.tract.findings import Findings
from standmap.tract.land_settings import DomainsTable
from standmap.tract.sources import Sources
from standmap.tract.stands import join_parts, mend_layer
from standmap.tract.tables import as_text
from standmap.tract.vectors import open_layer

KEY: Final = "[domains]"


def read_domains(
    table: DomainsTable, sources: Sources, stands: gpd.GeoDataFrame | None
) -> gpd.GeoDataFrame | None:
    """Read the polygons of ``[domains]``; they may overlap, for none is added to another.

    Returns
    -------
    GeoDataFrame or None
        ``domain``, ``source_row``, geometry, in the stands' CRS; None where there is no file, or
        it could not be read.
    """
    findings, file = sources.findings, table.file
    if file is None:
        _remark_idle_keys(table, sources.tract_file, findings)
        return None
    layer = open_layer(file, table, sources, key=KEY, kinds=("polygon",))
    if layer is None:
        return None
    mapped = {"domain": table.id} if "id" in table.model_fields_set and table.id else {}
    header = [str(c) for c in layer.columns if c not in ("geometry", "source_row")]
    wanted = (Column("domain", required=True, number=False),)
    found = find_columns(header, wanted, mapped, file=file, findings=findings)
    if "domain" not in found:
        return None
    domains = gpd.GeoDataFrame(
        {
            "domain": as_text(layer[found["domain"].header]).to_numpy(dtype=object),
            "source_row": layer["source_row"].to_numpy(),
        },
        geometry=layer.geometry.to_numpy(),
        crs=layer.crs,
    )
    blank = (domains["domain"] == "").to_numpy(dtype=bool)
    findings.rows(
        "error",
        file,
        "the domain has no name",
        "Type the domain's name on this feature.",
        rows=domains["source_row"].to_numpy()[blank],
        column=found["domain"].header,
    )
    domains = mend_layer(domains[~blank].reset_index(drop=True), "domain", file, findings)
    if len(domains) == 0:
        return None
    domains = domains.to_crs(local_crs(domains) if stands is None else stands.crs)
    domains = join_parts(domains, "domain", file, findings)
    if stands is not None:
        outside = ~shapely.intersects(
            domains.geometry.to_numpy(), shapely.union_all(stands.geometry.to_numpy())
        )
        findings.rows(
            "warning",
            file,
            "the domain lies outside every stand: it has no estimate",
            "Check its outline and its coordinate system.",
            rows=domains["source_row"].to_numpy(dtype=np.int64)[outside],
            column="domain",
            values=domains["domain"].to_numpy()[outside],
        )
    return domains[["domain", "geometry", "source_row"]]


def _remark_idle_keys(table: DomainsTable, file: str, findings: Findings) -> None:
    """Report keys that speak of a file where none is named."""
    for key in sorted({"layer", "crs", "id"} & table.model_fields_set):
        findings.error(
            file,
            f"[domains] has {key} and no file",
            "Name the polygon layer with file, or delete the key.",
            column=f"domains.{key}",
            value=getattr(table, key),
        )
