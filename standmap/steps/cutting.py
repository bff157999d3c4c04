"""From stems to logs, by the way of cutting that the tract file chose."""

from __future__ import annotations

from typing import Final, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd

from standmap.errors import InputError, Problem
from standmap.products import (
    SIZE_LIMITS,
    LinePrices,
    Logs,
    Recorded,
    StemDefects,
    StemPrices,
    buck_best_value,
    buck_field,
    buck_top_down,
    saw_top_from_logs,
)
from standmap.steps.stems import GrownTally
from standmap.tract import Tract

Method = Literal["field", "top_down", "best_value"]
METHODS: Final[tuple[Method, ...]] = ("field", "top_down", "best_value")
"""The three ways to cut, the cruiser's own first."""

IntArray = npt.NDArray[np.int64]


def cut(tract: Tract, grown: GrownTally, *, method: Method | None = None) -> Logs:
    """Cut every stem, up to the saw height that was tallied.

    A log count is turned to a height with the saw products' own trim, so that a tally of two
    logs yields two logs whatever trim the mills ask for.

    Parameters
    ----------
    tract : Tract
        The checked input.
    grown : GrownTally
        The trees and their stems.
    method : {"field", "top_down", "best_value"}, optional
        The tract file's own where not given.

    Raises
    ------
    InputError
        If best value is asked for and nothing is priced.
    """
    method = method or tract.settings.bucking.method
    how = recorded(tract, grown)
    if method == "field":
        return buck_field(grown.stems, tract.products, **how)
    if method == "top_down":
        return buck_top_down(grown.stems, tract.products, **how)
    prices = stem_prices(tract, grown)
    if prices is None:
        raise InputError(
            [
                Problem(
                    severity="error",
                    file=tract.path.name,
                    column="bucking.method",
                    value="best_value",
                    what="cutting for the best value needs prices",
                    mend='Add [prices] or [mills], or use method = "top_down".',
                )
            ]
        )
    step = tract.settings.bucking.length_step_ft
    return buck_best_value(grown.stems, tract.products, prices=prices, length_step_ft=step, **how)


def recorded(tract: Tract, grown: GrownTally) -> Recorded:
    """Return what the cruiser wrote beside each tree, as the ways of bucking take it."""
    trees, volume = grown.trees, tract.settings.volume
    trims = [s.trim_ft for s in tract.products if s.kind == "saw"]
    from_logs = saw_top_from_logs(
        trees["saw_logs"].to_numpy(dtype=float),
        stump_ft=volume.stump_ft,
        trim_ft=max([volume.trim_ft, *trims]),
    )
    measured = trees["saw_height_ft"].to_numpy(dtype=float)
    return {
        "saw_top_ft": np.where(np.isnan(measured), from_logs, measured),
        "called_product": trees["product"].to_numpy(dtype=object),
        "defect_pct": trees["defect_pct"].to_numpy(dtype=float),
        "cull": trees["status"].to_numpy() == "cull",
        "grade": trees["grade"].to_numpy(dtype=float),
        "waste_from_ft": trees["defect_from_ft"].to_numpy(dtype=float),
        "waste_to_ft": trees["defect_to_ft"].to_numpy(dtype=float),
        "defects": stem_defects(tract.defects, trees["source_row"].to_numpy(dtype=np.int64)),
        "stump_ft": volume.stump_ft,
        "cuft_per_cord": volume.cuft_per_cord,
        "aliases": tract.settings.species.aliases,
    }


def stem_defects(defects: pd.DataFrame | None, tree_rows: IntArray) -> StemDefects | None:
    """Return the defects of the tallied trees, by their place among the stems."""
    if defects is None or defects.empty:
        return None
    order = np.argsort(tree_rows, kind="stable")
    wanted = defects["tree_row"].to_numpy(dtype=np.int64)
    at = np.minimum(np.searchsorted(tree_rows[order], wanted), len(order) - 1)
    here = tree_rows[order[at]] == wanted
    return StemDefects(
        tree=order[at][here],
        kind=tuple(defects["kind"][here]),
        from_ft=defects["from_ft"].to_numpy(dtype=float)[here],
        to_ft=defects["to_ft"].to_numpy(dtype=float)[here],
        **{name: defects[name].to_numpy(dtype=float)[here] for name in SIZE_LIMITS},
    )


def stem_prices(tract: Tract, grown: GrownTally) -> StemPrices | LinePrices | None:
    """Return what each product pays for each species; None where nothing is priced.

    The price sheet where there is one; else the lines of the mills.
    """
    codes = np.unique(grown.trees["species_code"].to_numpy(dtype=np.int64))
    products = [spec.product for spec in tract.products]
    if tract.prices is not None:
        price, unit = tract.prices.rates(products, codes)
        return StemPrices(species_code=codes, price_usd=price, unit=unit)
    if tract.mills is not None:
        return tract.mills.for_stems(products, codes)
    return None
