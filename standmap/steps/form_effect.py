"""What form class as measured on the tract does to the figures of an appraisal."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from standmap.products import Logs
from standmap.steps.cutting import cut
from standmap.steps.plot_sums import PlotSums
from standmap.steps.plots import TallyFigures, common_names
from standmap.steps.stems import without_measured_form
from standmap.tract import Tract
from standmap.units import LOG_FT, LOG_RULES, STUMP_FT, TRIM_FT

FloatArray = npt.NDArray[np.float64]

BUTT_TOP_FT: Final = STUMP_FT + LOG_FT + TRIM_FT
"""Height of the top of the butt log, where form class is measured: 17.3 ft. [ft]"""


def form_class_report(tally: TallyFigures) -> pd.DataFrame:
    """Return the measured form classes beside that of the stems the same trees were given.

    Parameters
    ----------
    tally : TallyFigures
        The tally, its stems grown.

    Returns
    -------
    DataFrame
        As `standmap.trees.FormClasses.report`, and ``form_class_of_stems`` by species: the mean
        over the measured trees, weighted like theirs. Empty where no butt log was measured.
    """
    measured = tally.grown.form_classes
    if measured is None:
        return pd.DataFrame()
    trees = tally.trees
    at = np.flatnonzero(trees["butt_dib_in"].notna().to_numpy())
    dbh = trees["dbh_in"].to_numpy(dtype=float)[at]
    dib = tally.grown.stems.take(at).dib_in(np.full(len(at), BUTT_TOP_FT))
    own = pd.DataFrame(
        {
            "species_code": trees["species_code"].to_numpy()[at],
            "weight": trees["trees_per_acre"].to_numpy(dtype=float)[at],
        }
    )
    own["weighted"] = own["weight"] * 100.0 * dib / dbh
    sums = own.groupby("species_code")[["weighted", "weight"]].sum()
    mean = measured.report["species_code"].map(sums["weighted"] / sums["weight"])
    whole = measured.report["dbh_class_in"].isna()
    return measured.report.assign(form_class_of_stems=mean.where(whole))


def form_class_effect(tract: Tract, tally: TallyFigures, plots: PlotSums) -> pd.DataFrame:
    """Return the tract's board feet with and without the form class measured on it.

    Every stem that the measured form class shaped is grown again by the form class it would have
    had without (the tract file's own, or its species' default), and the tally is cut again.

    Parameters
    ----------
    tract : Tract
        The checked input.
    tally : TallyFigures
        The tally, cut.
    plots : PlotSums
        How many trees of the tract each one stands for.

    Returns
    -------
    DataFrame
        One row for each species that is moved and a last one, ``"all"``, for all species, moved or
        not: ``species``, ``trees`` tallied that are moved, their mean ``form_class_default`` and
        ``form_class_used``, and for each rule ``bf_<rule>_default``, ``bf_<rule>_used`` (net, on
        net acres) and ``bf_<rule>_change_pct``. Empty where no stem is moved, as on a tract whose
        stems all come from the national models.
    """
    other = without_measured_form(tally.grown, tract.settings, tract.taper)
    if other is None:
        return pd.DataFrame()
    logs = cut(tract, replace(tally.grown, stems=other.stems))
    weight = plots.tree_weight
    trees = pd.DataFrame(
        {
            "species": tally.trees["species_code"].map(common_names()).to_numpy(dtype=object),
            "trees": other.moved.astype(np.int64),
            "stand_for": weight * other.moved,
            "form_class_default": np.where(other.moved, other.form_class * weight, 0.0),
            "form_class_used": np.where(other.moved, other.form_class_used * weight, 0.0),
        }
    )
    for at, rule in enumerate(LOG_RULES):
        trees[f"bf_{rule}_default"] = weight * _of_tree(logs, at)
        trees[f"bf_{rule}_used"] = weight * _of_tree(tally.logs, at)
    sums = trees.groupby("species").sum()
    sums = sums[sums["trees"] > 0]
    sums.loc["all"] = trees.drop(columns="species").sum()
    for how in ("default", "used"):
        sums[f"form_class_{how}"] /= sums["stand_for"]
    for rule in LOG_RULES:
        used, usual = sums[f"bf_{rule}_used"], sums[f"bf_{rule}_default"]
        sums[f"bf_{rule}_change_pct"] = 100.0 * (used / usual.where(usual > 0) - 1.0)
    sums["trees"] = sums["trees"].astype(np.int64)
    return sums.drop(columns="stand_for").reset_index()


def _of_tree(logs: Logs, rule: int) -> FloatArray:
    sums = np.bincount(logs.tree, weights=logs.bf[:, rule], minlength=logs.n_trees)
    return np.asarray(sums, dtype=np.float64)
