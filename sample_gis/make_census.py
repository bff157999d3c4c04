"""The truth about the sample tract: every tree measured, bucked and added up.

The census uses standmap's own stems, bucking and log rules on the true height of every tree, so
what sets an estimate apart from it is the cruise alone: which trees the points picked, and the
heights that were filled in from the trees measured.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from make_stems import ECODIVISION
from numpy.typing import NDArray

from standmap.cruise import basal_area_sqft
from standmap.products import (
    YIELD_MEASURES,
    buck_top_down,
    saw_top_from_logs,
    specs_from_frame,
    tree_yields,
)
from standmap.trees import national_stems

MEASURES = ("trees", "basal_area_sqft", *YIELD_MEASURES)
"""Columns of the census: live trees (culls too), their basal area, and the wood in their logs."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """What every tree of a stem map holds.

    Attributes
    ----------
    products : tuple of str
        Names of the products.
    trees : ndarray (trees, len(MEASURES))
        All products together, in the order of `MEASURES`; a dead tree is a row of zeros.
    by_product : ndarray (trees, products, len(YIELD_MEASURES))
        Wood of each tree's logs by product.
    """

    products: tuple[str, ...]
    trees: NDArray[np.float64]
    by_product: NDArray[np.float64]


def measure_stems(stems: pd.DataFrame, folder: Path) -> Measured:
    """Measure and buck every tree by the products of ``folder / "products.csv"``."""
    specs = specs_from_frame(pd.read_csv(folder / "products.csv", comment="#"))
    live = (stems["status"] != "dead").to_numpy()
    standing = stems[live]
    profiles = national_stems(
        standing["species_code"],
        standing["dbh_in"],
        standing["height_ft"],
        ecodivision=ECODIVISION,
    )
    logs = buck_top_down(
        profiles,
        specs,
        saw_top_ft=saw_top_from_logs(standing["saw_logs"]),
        called_product=standing["product"].to_numpy(),
        defect_pct=standing["defect_pct"].to_numpy(),
        cull=(standing["status"] == "cull").to_numpy(),
    )
    by_product = np.zeros((len(stems), len(specs), len(YIELD_MEASURES)))
    by_product[live] = tree_yields(logs)
    trees = np.zeros((len(stems), len(MEASURES)))
    trees[live, 0] = 1.0
    trees[live, 1] = basal_area_sqft(standing["dbh_in"].to_numpy())
    trees[:, 2:] = by_product.sum(axis=1)
    return Measured(products=logs.products, trees=trees, by_product=by_product)


def census(stems: pd.DataFrame, measured: Measured, parts: pd.DataFrame) -> pd.DataFrame:
    """Totals by stand and part of stand.

    Returns
    -------
    DataFrame
        ``stand, part, acres`` and the columns of `MEASURES`, one row for each piece of ``parts``.
    """
    totals = pd.DataFrame(measured.trees, columns=list(MEASURES))
    totals = totals.groupby([stems["stand"], stems["part"]]).sum()
    made = parts[["stand", "part", "acres"]].merge(
        totals, how="left", left_on=["stand", "part"], right_index=True
    )
    made["order"] = made["stand"].astype(int)
    made = made.sort_values(["order", "part"]).drop(columns="order").fillna(0.0)
    made["trees"] = made["trees"].astype(int)
    return made.round(3).reset_index(drop=True)


def census_products(stems: pd.DataFrame, measured: Measured) -> pd.DataFrame:
    """Totals by stand, part of stand and product; those a piece does not yield are left out.

    Returns
    -------
    DataFrame
        ``stand, part, product``, ``trees`` that yield it, and `YIELD_MEASURES`.
    """
    rows = []
    for k, product in enumerate(measured.products):
        wood = pd.DataFrame(measured.by_product[:, k], columns=list(YIELD_MEASURES))
        wood.insert(0, "trees", (wood["weight_tons"] > 0).astype(int))
        sums = wood.groupby([stems["stand"], stems["part"]]).sum()
        rows.append(sums[sums["trees"] > 0].reset_index().assign(product=product, k=k))
    made = pd.concat(rows, ignore_index=True)
    made["order"] = made["stand"].astype(int)
    made = made.sort_values(["order", "part", "k"])
    columns = ["stand", "part", "product", "trees", *YIELD_MEASURES]
    return made[columns].round(3).reset_index(drop=True)
