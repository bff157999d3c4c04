"""What each estimator of ``[cruise]`` needs of plots and trees, checked before it is computed."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd

from standmap.cruise import Design
from standmap.tract.borderline import OUT
from standmap.tract.cruise_checks import BoolArray, CruiseChecks
from standmap.tract.findings import Findings, some
from standmap.tract.phases import (
    coefficient_groups,
    measured_plots,
    plot_types,
    sample_groups,
    type_shares,
)
from standmap.tract.settings import ESTIMATORS, Settings
from standmap.tract.tally import COUNTED_ONLY, NO, YES

COUNTING: Final = ("three_p", "sample_tree")
"""Estimators under which trees may be counted and not measured."""
SAMPLED: Final = ("count_measure", "ratio", "regression")
"""Estimators under which plots may be visited and not measured."""
KEY_TAKERS: Final = {
    "count_baf": ("count_measure",),
    "kpi_ceiling": ("three_p",),
    "sample_by": ("sample_tree",),
    "types": ("post_stratified",),
    "ratio_by": tuple(name for name in ESTIMATORS if name != "mean"),
}
"""Keys of ``[cruise]`` that only some estimators take."""
LEAST_MAPPED: Final = 0.99
"""Share of a stand that its types must cover to be taken as the whole of it."""


def check_estimator(
    design: Design,
    settings: Settings,
    plots: gpd.GeoDataFrame,
    trees: pd.DataFrame,
    stands: gpd.GeoDataFrame,
    types: gpd.GeoDataFrame | None,
    file: str,
    findings: Findings,
) -> None:
    """Report every contradiction between ``[cruise]`` and what plots and trees hold."""
    used = plots[plots["stand"] != ""].reset_index(drop=True)
    if used.empty:
        return
    index = pd.Index(stands["stand"]).get_indexer(pd.Index(used["stand"]))
    names, group = coefficient_groups(stands, settings.cruise.ratio_by)
    check = _Checks(
        design=design,
        settings=settings,
        plots=used,
        trees=trees[trees["plot"].isin(list(used["plot"]))],
        stands=stands,
        types=types,
        kinds=[
            {p.design for p in design.for_stratum(str(s))}
            for s in stands["stratum"].to_numpy(dtype=object)[index]
        ],
        groups=names,
        group_of_stand=group,
        group_of_plot=group[index],
        file=file,
        findings=findings,
    )
    check.variance()
    by: dict[str, Callable[[], None]] = {
        "count_measure": check.counts,
        "ratio": check.covariate,
        "regression": check.covariate,
        "three_p": check.predictions,
        "sample_tree": check.sample_trees,
        "post_stratified": check.mapped_types,
    }
    if settings.cruise.estimator in by:
        by[settings.cruise.estimator]()
    check.left_over()


class _Checks(CruiseChecks):
    """The checks of each estimator."""

    # -- the estimators -------------------------------------------------------------------------

    def said(self) -> BoolArray:
        """Check the plots' ``measured`` cells; return which plots were measured."""
        word = self.plots["measured"].astype(str).str.strip().str.casefold()
        self.at_plots(
            (~word.isin([*YES, *NO, ""])).to_numpy(dtype=bool),
            "measured",
            "this does not say whether the plot was measured",
            "Type yes or no; blank is yes for a plot with trees in the tally.",
        )
        tallied = self.plots["plot"].isin(list(self.trees["plot"])).to_numpy(dtype=bool)
        self.at_plots(
            tallied & word.isin(list(NO)).to_numpy(dtype=bool),
            "measured",
            "the plot is said not to be measured, and the tally has trees on it",
            "Type yes, or take its trees out of the tally.",
        )
        return measured_plots(self.plots, self.trees)

    def counts(self) -> None:
        """Check counts against tallies, point by point."""
        if not self.only({"point"}, "points alone"):
            return
        if any(p.bounded for p in self.design.parts):
            self.key(
                "estimator",
                "points with counts take one rule for trees of all sizes, and [[cruise.parts]] has "
                "DBH ranges",
                "Take the ranges out of [[cruise.parts]].",
            )
        count = self.plots["tree_count"].to_numpy(dtype=float)
        self.at_plots(
            np.isnan(count),
            "tree_count",
            "the point has no count",
            'Type how many trees were "in", measured or not; 0 where there were none.',
        )
        self.at_plots(count < 0, "tree_count", "a count cannot be negative", "Type the count.")
        self.at_plots(
            (count * 2 % 1 != 0) & np.isfinite(count),
            "tree_count",
            "a count is a whole number, or a half for a borderline tree",
            'Type how many trees were "in".',
        )
        self._factors()
        measured = self.said()
        live = self.trees[(self.trees["status"] != "dead") & (self.trees["why_not"] != OUT)]
        each = (live["count"] * live["times"]).groupby(live["plot"]).sum()
        tallied = self.plots["plot"].map(each).fillna(0.0)
        have = tallied.to_numpy(dtype=float)
        big = self.cruise.count_baf is not None
        bad = measured & ((have > count) if big else (np.abs(have - count) > 1e-9))
        rows = self.plots["source_row"].to_numpy(dtype=np.int64)
        self.findings.rows(
            "error",
            self.settings.plots.file,
            "more trees were measured than counted on this point"
            if big
            else "the count of a measured point is not that of its live trees in the tally",
            [
                f"The tally has {have[at]:g}; correct one of the two, or write measured = no "
                "where only some trees were measured."
                for at in np.flatnonzero(bad)
            ],
            rows=rows[bad],
            column="tree_count",
            values=np.array([f"{v:g}" for v in count[bad]], dtype=object),
        )
        self.by_group(measured & (have > 0), 2, "measured points with trees")

    def _factors(self) -> None:
        """Check that trees are counted by a smaller factor than they are measured by."""
        small = self.cruise.count_baf
        if small is None:
            return
        stated = [part.baf for part in self.design.parts if part.design == "point"]
        factors = np.array([*stated, *self.plots["baf"].to_numpy(dtype=float)])
        factors = factors[np.isfinite(factors)]
        if factors.size and small > factors.min():
            self.key(
                "count_baf",
                f"trees are counted by a larger factor than they are measured by ({factors.min():g}"
                "): those measured would not all be among those counted",
                "Give the smaller factor as count_baf, the larger as baf.",
            )

    def covariate(self) -> None:
        """Check the cheap figure of a ratio or a line."""
        if not self.only({"point", "fixed", "strip"}, "sample plots"):
            return
        x = self.plots["covariate"].to_numpy(dtype=float)
        self.at_plots(
            np.isnan(x),
            "covariate",
            "the plot has no figure to lean on",
            "Type it for every plot of the first phase, measured or not.",
        )
        ratio = self.cruise.estimator == "ratio"
        if ratio:
            self.at_plots(
                x < 0,
                "covariate",
                "a ratio takes figures of zero or more",
                'Correct it, or write estimator = "regression".',
            )
        if "covariate" in self.stands:
            known = self.stands["covariate"].to_numpy(dtype=float)
            self.findings.rows(
                "error",
                self.settings.stands.file,
                "the stand has no mean of the covariate",
                "Give every stand its own, or take covariate out of [stands].",
                rows=self.stands["source_row"].to_numpy(dtype=np.int64)[np.isnan(known)],
                column="covariate",
                values=self.stands["stand"].to_numpy(dtype=object)[np.isnan(known)],
            )
        measured = self.said()
        silent = (self.plots["measured"] == "").to_numpy(dtype=bool) & ~measured
        self.at_plots(
            silent,
            "measured",
            "the plot has no trees, and the plot list does not say whether it was measured",
            "Type yes for a plot found empty, no for one of the first phase only.",
        )
        self.by_group(measured, 2 if ratio else 3, "measured plots")

    def predictions(self) -> None:
        """Check the predictions of a 3P cruise."""
        whole = [kinds == {"complete"} for kinds in self.kinds]
        if any(whole) and not all(whole):
            self.key(
                "estimator",
                "3P takes a complete tally or sample plots, not both",
                "Appraise the two parts of the tract apart.",
            )
        if not all(whole) and any(p.bounded for p in self.design.parts):
            self.key(
                "estimator",
                "3P on plots takes one rule for trees of all sizes, and [[cruise.parts]] has DBH "
                "ranges",
                "Take the ranges out of [[cruise.parts]].",
            )
        alive = (self.trees["status"] != "dead").to_numpy(dtype=bool)
        kpi = self.trees["kpi"].to_numpy(dtype=float)
        self.at_trees(
            alive & np.isnan(kpi),
            "kpi",
            "the tree has no prediction",
            "Type what was called before the draw, for every tree, measured or not.",
        )
        self.at_trees(
            alive & (kpi <= 0), "kpi", "a prediction must be above zero", "Type what was called."
        )
        counted = (self.trees["why_not"] == COUNTED_ONLY).to_numpy(dtype=bool)
        measured = self.trees["used"].to_numpy(dtype=bool)
        ceiling = self.cruise.kpi_ceiling
        chance = measured if ceiling is None else measured & (kpi < ceiling)
        if ceiling is not None:
            self.at_trees(
                counted & (kpi >= ceiling),
                "kpi",
                f"a tree called at or above the ceiling of {ceiling:g} must be measured",
                "Measure it, or correct kpi_ceiling.",
            )
        if all(whole):
            self._one_each(chance)
        self.by_group(self._has(chance), 1, "plots with a measured tree")
        self._trees_by_group(chance)

    def _has(self, mask: BoolArray) -> BoolArray:
        on = list(self.trees.loc[mask, "plot"].unique())
        return np.asarray(self.plots["plot"].isin(on).to_numpy(dtype=bool))

    def _one_each(self, mask: BoolArray) -> None:
        each = self.trees["count"] * self.trees["times"]
        many = mask & (each.to_numpy(dtype=float) != 1)
        self.at_trees(
            many, "count", "a sample tree needs a row of its own", "Give each tree measured a row."
        )

    def _trees_by_group(self, mask: BoolArray) -> None:
        place = pd.Series(self.group_of_plot, index=self.plots["plot"])
        group = self.trees["plot"].map(place).to_numpy(dtype=np.intp)
        many = np.bincount(group[mask], minlength=len(self.groups))
        there = np.unique(self.group_of_plot)
        thin = [self.groups[g] or "the tract" for g in there if many[g] == 1]
        if thin:
            self.key(
                "ratio_by",
                f"only one tree was measured in {some(thin)}: nothing shows its error",
                'Write ratio_by = "tract", or measure more.',
            )

    def sample_trees(self) -> None:
        """Check the groups of a sample-tree cruise."""
        if not self.only({"complete"}, "complete tallies"):
            return
        trees = self.trees
        measured = trees["used"].to_numpy(dtype=bool)
        counted = (trees["why_not"] == COUNTED_ONLY).to_numpy(dtype=bool)
        self._one_each(measured)
        if self.cruise.sample_by == "basal_area":
            self.at_trees(
                counted & ~(trees["dbh_in"].to_numpy(dtype=float) > 0),
                "dbh_in",
                'sample_by = "basal_area" needs the diameter of every tree',
                'Type its DBH, or write sample_by = "count".',
            )
        place = pd.Series(self.group_of_plot, index=self.plots["plot"])
        frame = pd.DataFrame(
            {
                "group": trees["plot"].map(place).to_numpy(dtype=np.intp),
                "sample": sample_groups(trees),
                "measured": np.where(measured, 1.0, 0.0),
                "count": np.where(measured | counted, trees["count"].to_numpy(dtype=float), 0.0),
            }
        )
        sums = frame.groupby(["group", "sample"], as_index=False)[["measured", "count"]].sum()
        for row in sums.to_dict("records"):
            group, sample = self.groups[int(row["group"])], str(row["sample"])
            where = f"{sample} in {group}" if group else sample
            if row["count"] > row["measured"] and row["measured"] < 2:
                self.findings.error(
                    self.settings.trees.file,
                    f"{row['count']:g} trees of this sample group were counted and "
                    f"{row['measured']:g} measured",
                    "Measure two or more, put the group with its like in a sample_group column, or "
                    "write a wider ratio_by.",
                    column="sample_group",
                    value=where,
                )

    def mapped_types(self) -> None:
        """Check the mapped types of a post-stratified cruise."""
        if not self.only({"point", "fixed", "strip"}, "sample plots"):
            return
        if self.types is None:
            if self.cruise.types is None:
                self.findings.error(
                    self.file,
                    "post-stratification needs a map of types",
                    "Name its layer in [cruise.types].",
                    column="cruise.types",
                )
            return
        kinds = plot_types(self.plots, self.types)
        known = set(self.types["type"])
        self.at_plots(
            kinds == "", "type", "the plot lies in no mapped type", "Type its type, or map it."
        )
        lost = np.array([k != "" and k not in known for k in kinds], dtype=bool)
        self.at_plots(lost, "type", "the map has no such type", f"Types: {some(sorted(known))}.")
        shares = type_shares(self.stands, self.types)
        whole = shares.sum(axis=1).to_numpy()
        for bad, what in (
            (whole < LEAST_MAPPED, "part of the stand has no mapped type"),
            (whole > 2 - LEAST_MAPPED, "mapped types overlap in this stand"),
        ):
            self.findings.rows(
                "warning",
                self.cruise.types.file if self.cruise.types else self.file,
                what,
                "The shares of its types are taken from what is mapped; mend the map.",
                rows=self.stands["source_row"].to_numpy(dtype=np.int64)[bad],
                column="stand",
                values=self.stands["stand"].to_numpy(dtype=object)[bad],
            )
        here = pd.Series(1, index=[self.group_of_plot, kinds]).groupby(level=[0, 1]).sum()
        for g in np.unique(self.group_of_stand):
            mine = shares.to_numpy()[self.group_of_stand == g].sum(axis=0)
            for name, share in zip(shares.columns, mine, strict=True):
                n = int(here.get((g, name), 0))
                if share > 0 and n < 2:
                    where = f"{name} in {self.groups[g]}" if self.groups[g] else str(name)
                    self.key(
                        "ratio_by",
                        f"{n} plots fell in type {where}, and two are needed",
                        'Merge the type with its like, or write ratio_by = "tract".',
                    )

    def left_over(self) -> None:
        """Warn of figures that the chosen estimator passes over."""
        estimator = self.cruise.estimator
        plots, trees = self.settings.plots.file, self.settings.trees.file
        no = self.plots["measured"].astype(str).str.strip().str.casefold().isin(list(NO))
        for column, there, file, takers in (
            ("tree_count", self.plots["tree_count"].notna(), plots, ("count_measure",)),
            ("covariate", self.plots["covariate"].notna(), plots, ("ratio", "regression")),
            ("measured", no, plots, SAMPLED),
            ("type", self.plots["type"] != "", plots, ("post_stratified",)),
            ("kpi", self.trees["kpi"].notna(), trees, ("three_p",)),
            ("sample_group", self.trees["sample_group"] != "", trees, ("sample_tree",)),
        ):
            if estimator not in takers and bool(there.any()):
                takes = " or ".join(f'"{name}"' for name in takers)
                self.findings.warn(
                    file,
                    f"the column is not used by estimator {estimator!r}",
                    f"Write estimator = {takes} in [cruise] if the cruise was made so.",
                    column=column,
                )
        words = "the plain mean" if estimator == "mean" else f"estimator {estimator!r}"
        for key, able in KEY_TAKERS.items():
            if estimator not in able and key in self.cruise.model_fields_set:
                self.findings.warn(
                    self.file,
                    f"the key is not used by {words}",
                    "Name the estimator it belongs to, or delete it.",
                    column=f"cruise.{key}",
                )
