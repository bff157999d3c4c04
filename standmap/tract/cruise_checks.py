"""How contradictions of a cruise are reported, and those in how its error is to be made."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd

from standmap.cruise import Design
from standmap.tract.findings import Findings, some
from standmap.tract.settings import CruiseTable, Settings

BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class CruiseChecks:
    """What every check of a cruise reports by, and the checks that all estimators share."""

    design: Design
    settings: Settings
    plots: gpd.GeoDataFrame
    trees: pd.DataFrame
    stands: gpd.GeoDataFrame
    types: gpd.GeoDataFrame | None
    kinds: list[set[str]]
    groups: tuple[str, ...]
    group_of_stand: npt.NDArray[np.intp]
    group_of_plot: npt.NDArray[np.intp]
    file: str
    findings: Findings

    @property
    def cruise(self) -> CruiseTable:
        """``[cruise]`` of the tract file."""
        return self.settings.cruise

    def key(self, name: str, what: str, mend: str) -> None:
        """Report a key of ``[cruise]``."""
        value = getattr(self.cruise, name)
        shown = "" if value is None else str(value)
        self.findings.error(self.file, what, mend, column=f"cruise.{name}", value=shown or None)

    def at_plots(self, bad: BoolArray, column: str, what: str, mend: str) -> None:
        """Report plots by a mask."""
        self.findings.rows(
            "error",
            self.settings.plots.file,
            what,
            mend,
            rows=self.plots["source_row"].to_numpy(dtype=np.int64)[bad],
            column=column,
            values=self.cells(self.plots, column, bad, self.plots["plot"]),
        )

    def at_trees(self, bad: BoolArray, column: str, what: str, mend: str) -> None:
        """Report trees by a mask."""
        self.findings.rows(
            "error",
            self.settings.trees.file,
            what,
            mend,
            rows=self.trees["source_row"].to_numpy(dtype=np.int64)[bad],
            column=column,
            values=self.cells(self.trees, column, bad, None),
        )

    @staticmethod
    def cells(
        frame: pd.DataFrame, column: str, bad: BoolArray, name: pd.Series | None
    ) -> npt.NDArray[np.object_]:
        """Return the cells at fault as typed; of blank ones, the name of what they are of."""
        cells = frame.loc[bad, column]
        typed = [f"{v:g}" if isinstance(v, float) else str(v).strip() for v in cells]
        named = [""] * len(typed) if name is None else list(name[bad])
        return np.array(
            [
                other if text in ("", "nan") else text
                for text, other in zip(typed, named, strict=True)
            ],
            dtype=object,
        )

    def only(self, allowed: set[str], words: str) -> bool:
        """Report plots of a design that the estimator has no use for."""
        bad = np.array([not kinds <= allowed for kinds in self.kinds], dtype=bool)
        if bad.any():
            self.key(
                "estimator",
                f"this estimator takes {words}, and {int(bad.sum())} plots are tallied otherwise",
                f"Such plots: {some(list(self.plots.loc[bad, 'plot']), 5)}.",
            )
        return not bad.any()

    def by_group(self, rows: BoolArray, least: int, what: str) -> None:
        """Report groups in which too little was measured."""
        there = np.unique(self.group_of_plot)
        many = np.bincount(self.group_of_plot[rows], minlength=len(self.groups))
        thin = [self.groups[g] or "the tract" for g in there if many[g] < least]
        if thin:
            wider = {"stand": '"stratum"', "stratum": '"tract"'}.get(self.cruise.ratio_by)
            self.key(
                "ratio_by",
                f"fewer than {least} {what} in {some(thin)}",
                f"Write ratio_by = {wider}, or measure more." if wider else "Measure more.",
            )

    # -- how the error is made ------------------------------------------------------------------

    def variance(self) -> None:
        """Check clusters, lines and the finite population correction."""
        cruise, plain = self.cruise, self.cruise.estimator == "mean"
        clustered = bool((self.plots["cluster"] != "").any())
        neighbours = cruise.variance == "successive_differences"
        whole = any("complete" in kinds for kinds in self.kinds)
        if clustered and not plain:
            self.key(
                "estimator",
                "the plots have clusters, which go with the plain mean only",
                'Write estimator = "mean", or blank the clusters.',
            )
        if neighbours and (not plain or clustered or whole):
            self.key(
                "variance",
                "differences of neighbours need sample plots, one by one, and the plain mean",
                'Write variance = "random".',
            )
        if cruise.finite_population and (
            not plain or any(kinds - {"fixed", "strip"} for kinds in self.kinds)
        ):
            self.key(
                "finite_population",
                "a finite population correction needs plots or strips of known acres and the plain "
                "mean: a point covers no set acres, and a whole tally leaves nothing to guess",
                "Write finite_population = false.",
            )

        self._clusters(clustered)
        self._lone(clustered)
        if neighbours and not (self.plots["line"] != "").any():
            self.findings.warn(
                self.settings.plots.file,
                "differences of neighbours are asked for, and no plot has a line: each plot is "
                "compared with the next one listed of its stand",
                "List plots in walking order, or give them a line column.",
                column="line",
            )
        part = (self.plots["share"] < 1).to_numpy(dtype=bool)
        whole_here = np.array(["complete" in kinds for kinds in self.kinds], dtype=bool)
        if cruise.design != "complete":  # else told of with the edges
            self.at_plots(
                part & whole_here,
                "share",
                "a complete tally has no half plots",
                "Blank the share, or correct the design of its stratum.",
            )

    def _lone(self, clustered: bool) -> None:
        """Report a tract with a single plot, or cluster, which shows nothing of its own error."""
        mapped = self.cruise.estimator in ("ratio", "regression") and "covariate" in self.stands
        if mapped or any("complete" in kinds for kinds in self.kinds):
            return
        drawn = self.plots[["stand", "cluster" if clustered else "plot"]].drop_duplicates()
        blank = int((self.plots["cluster"] == "").sum()) if clustered else 0
        if len(drawn) > 1 or blank > 1:
            return
        what = "cluster" if clustered else "plot"
        self.findings.error(
            self.settings.plots.file,
            f"the tract has one {what}, which tells nothing of its own error",
            f"Measure two {what}s or more, better ten.",
            column=what,
            value=str(drawn.iloc[0, 1]),
        )

    def _clusters(self, clustered: bool) -> None:
        """Warn of clusters that cross a stand's line, and of stands with a single one."""
        if not clustered:
            return
        alone = "plot " + self.plots["plot"].astype(str)
        frame = pd.DataFrame(
            {
                "stand": self.plots["stand"],
                "cluster": self.plots["cluster"].where(self.plots["cluster"] != "", alone),
            }
        )
        crossing = frame.groupby("cluster")["stand"].nunique()
        crossing = crossing[crossing > 1]
        if len(crossing):
            self.findings.warn(
                self.settings.plots.file,
                f"{len(crossing)} clusters have plots in more than one stand: in each they are "
                "taken as a cluster of that stand",
                "Check the names: clusters of different stands need names of their own.",
                column="cluster",
                value=str(crossing.index[0]),
            )
        grouped = frame.groupby("stand")
        drawn = frame.drop_duplicates().groupby("stand").size()
        single = (drawn == 1) & (grouped.size() > 1)
        for stand in single.index[single]:
            self.findings.warn(
                self.settings.plots.file,
                "all plots of the stand are of one cluster, which shows no error of its own",
                "It takes the figures of its stratum; draw two clusters or more in a stand.",
                column="cluster",
                value=str(stand),
            )
