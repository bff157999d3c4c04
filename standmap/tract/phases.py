"""What an indirect cruise leans on: who shares a coefficient, what was measured, mapped types."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from standmap.species import catalogue
from standmap.tract.tally import NO, YES

BoolArray = npt.NDArray[np.bool_]


def coefficient_groups(
    stands: pd.DataFrame, ratio_by: str
) -> tuple[tuple[str, ...], npt.NDArray[np.intp]]:
    """Return what stands share their coefficients by: names, and the place of each stand.

    Parameters
    ----------
    stands : DataFrame
        With ``stand`` and ``stratum``.
    ratio_by : {"stand", "stratum", "tract"}
        ``ratio_by`` of the tract file.

    Examples
    --------
    >>> stands = pd.DataFrame({"stand": ["1", "2", "3"], "stratum": ["oak", "pine", "oak"]})
    >>> coefficient_groups(stands, "stratum")[0]
    ('oak', 'pine')
    """
    if ratio_by == "tract":
        return ("",), np.zeros(len(stands), dtype=np.intp)
    labels = stands[ratio_by].astype(str).to_numpy(dtype=object)
    place, names = pd.factorize(labels)
    return tuple(str(name) for name in names), place.astype(np.intp)


def measured_plots(plots: pd.DataFrame, trees: pd.DataFrame) -> BoolArray:
    """Tell which plots were measured: those said to be, else those with trees in the tally."""
    said = plots["measured"].astype(str).str.strip().str.casefold()
    tallied = plots["plot"].isin(list(trees["plot"].unique())).to_numpy(dtype=bool)
    yes, no = said.isin(list(YES)).to_numpy(), said.isin(list(NO)).to_numpy()
    return np.asarray(yes | (tallied & ~no), dtype=bool)


def plot_types(plots: gpd.GeoDataFrame, types: gpd.GeoDataFrame) -> npt.NDArray[np.object_]:
    """Return the mapped type of each plot: its record, else where it lies; "" for none."""
    own = plots["type"].astype(str).to_numpy(dtype=object).copy()
    shapes = plots.geometry.to_numpy()
    asked = np.flatnonzero((own == "") & ~shapely.is_missing(shapes))
    if asked.size:
        tree = shapely.STRtree(types.geometry.to_numpy())
        at, of = tree.query(shapes[asked], predicate="intersects")
        names = types["type"].to_numpy(dtype=object)
        for plot, one in zip(at[::-1], of[::-1], strict=True):  # the first listed has the last word
            own[asked[plot]] = names[one]
    return np.asarray(own, dtype=object)


def type_shares(stands: gpd.GeoDataFrame, types: gpd.GeoDataFrame) -> pd.DataFrame:
    """Return the share of each stand's ground in each type, stands by types.

    Parameters
    ----------
    stands, types : GeoDataFrame
        In one equal-area CRS.

    Returns
    -------
    DataFrame
        Rows sum to the share of the stand that is mapped.
    """
    shapes, outlines = stands.geometry.to_numpy(), types.geometry.to_numpy()
    at, of = shapely.STRtree(outlines).query(shapes, predicate="intersects")
    area = shapely.area(shapely.intersection(shapes[at], outlines[of]))
    frame = pd.DataFrame(
        {
            "stand": stands["stand"].to_numpy(dtype=object)[at],
            "type": types["type"].to_numpy(dtype=object)[of],
            "share": area / shapely.area(shapes)[at],
        }
    )
    table = frame.pivot_table("share", "stand", "type", aggfunc="sum", fill_value=0.0)
    return table.reindex(stands["stand"].to_numpy(dtype=object), fill_value=0.0)


def sample_groups(trees: pd.DataFrame) -> npt.NDArray[np.object_]:
    """Return the sample group of each tree: its own record, else its species."""
    own = trees["sample_group"].astype(str).to_numpy(dtype=object)
    codes = trees["species_code"].map(catalogue()["common_name"]).astype(str)
    return np.where(own == "", codes.to_numpy(dtype=object), own)
