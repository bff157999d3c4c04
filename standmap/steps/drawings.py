"""What the merchandising page draws: typical trees, their outlines, and the height curves."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from standmap.steps.form_effect import form_class_effect, form_class_report
from standmap.steps.plot_sums import PlotSums
from standmap.steps.plots import TallyFigures, common_names
from standmap.tract import Tract

DRAWN: Final = 6
"""Species drawn, the most valuable first."""

OUTLINE_POINTS: Final = 60
"""Heights at which an outline is taken."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawings:
    """The points of the drawings; see `standmap.appraisal.Appraisal`."""

    height_points: pd.DataFrame
    height_lines: pd.DataFrame
    typical_trees: pd.DataFrame
    stem_outlines: pd.DataFrame
    form_classes: pd.DataFrame
    form_class_effect: pd.DataFrame


def draw(tract: Tract, tally: TallyFigures, plots: PlotSums) -> Drawings:
    """Choose what to draw and take its points."""
    curves = tally.grown.curves
    chosen = _typical(tally)
    return Drawings(
        height_points=_height_points(tally),
        height_lines=pd.DataFrame() if curves is None else curves.curve_points(),
        typical_trees=_named(tally, chosen),
        stem_outlines=_outlines(tally, chosen),
        form_classes=form_class_report(tally),
        form_class_effect=form_class_effect(tract, tally, plots),
    )


def _height_points(tally: TallyFigures) -> pd.DataFrame:
    """Return the trees whose height was measured."""
    trees = tally.trees[tally.trees["height_source"] == "measured"]
    return pd.DataFrame(
        {
            "species": trees["species_code"].map(common_names()).to_numpy(dtype=object),
            "dbh_in": trees["dbh_in"].to_numpy(dtype=float),
            "height_ft": trees["height_used_ft"].to_numpy(dtype=float),
        }
    )


def _typical(tally: TallyFigures) -> np.ndarray:
    """Return a tree of each of the most valuable species, the one in the middle of its value.

    The middle is by value: half of the species' value stands in trees thicker than this one.
    """
    trees, logs = tally.trees, tally.logs
    n = len(trees)
    worth = tally.sold.value_usd if tally.sold.value_usd.any() else logs.volume_cuft
    per_tree = np.bincount(logs.tree, weights=worth, minlength=n)
    weighted = pd.DataFrame(
        {
            "species": trees["species_code"].to_numpy(),
            "dbh_in": trees["dbh_in"].to_numpy(dtype=float),
            "worth": per_tree * trees["trees_per_acre"].to_numpy(dtype=float),
        }
    )
    weighted = weighted[weighted["worth"] > 0].sort_values(["dbh_in", "worth"], kind="stable")
    total = weighted.groupby("species")["worth"].sum().sort_values(ascending=False, kind="stable")
    below = weighted.groupby("species")["worth"].cumsum()
    half = weighted["species"].map(total) / 2
    middle = weighted[below >= half].drop_duplicates("species")
    at = pd.Series(middle.index.to_numpy(), index=middle["species"])
    return at.reindex(total.index[:DRAWN]).to_numpy(dtype=np.int64)


def _named(tally: TallyFigures, chosen: np.ndarray) -> pd.DataFrame:
    trees = tally.trees.iloc[chosen]
    return pd.DataFrame(
        {
            "tally_row": trees["source_row"].to_numpy(),
            "plot": trees["plot"].to_numpy(dtype=object),
            "tree": trees["tree"].to_numpy(dtype=object),
            "stand": trees["stand"].to_numpy(dtype=object),
            "species": trees["species_code"].map(common_names()).to_numpy(dtype=object),
            "dbh_in": trees["dbh_in"].to_numpy(dtype=float),
            "height_ft": tally.grown.stems.take(chosen).total_height_ft,
        }
    )


def _outlines(tally: TallyFigures, chosen: np.ndarray) -> pd.DataFrame:
    """Return diameters up the stem from half a foot to the tip."""
    outline = tally.grown.stems.take(chosen).outline(points=OUTLINE_POINTS)
    rows = tally.trees["source_row"].to_numpy()[chosen]
    outline.insert(0, "tally_row", rows[outline.pop("tree").to_numpy()])
    return outline
