"""From the tract's counts, predictions and maps to how the cruise is estimated."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from standmap.cruise import DIRECT, UNUSED, Indirect, PlotParts
from standmap.tract import Tract
from standmap.tract.phases import (
    coefficient_groups,
    measured_plots,
    plot_types,
    sample_groups,
    type_shares,
)
from standmap.tract.tally import COUNTED_ONLY
from standmap.units import BASAL_AREA_CONSTANT

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]
BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Rows:
    """What was measured together, and how it is estimated from.

    Attributes
    ----------
    plot_of_row : ndarray of int, shape (rows,)
        Plot of each row; rows are the plots themselves unless the design says otherwise.
    row_of_tree : ndarray of int, shape (trees,)
        Row of each measured tree.
    factor : ndarray, shape (trees,)
        Trees per acre of its plot that each measured tree stands for.
    measured : ndarray of bool, shape (plots,)
        Whether trees were measured on the plot.
    indirect : Indirect or None
        How figures come by way of something cheaper; None where they do not.
    """

    plot_of_row: IntArray
    row_of_tree: IntArray
    factor: FloatArray
    measured: BoolArray
    indirect: Indirect | None


def measured_rows(tract: Tract, plots: pd.DataFrame, parts: PlotParts, trees: pd.DataFrame) -> Rows:
    """Sort what was measured into rows, by the estimator of the tract file.

    Parameters
    ----------
    tract : Tract
        The checked input.
    plots : DataFrame
        The plots used.
    parts : PlotParts
        The design spelt out for them.
    trees : DataFrame
        The measured trees, with ``plot_at`` and ``trees_per_acre``.
    """
    estimator = tract.settings.cruise.estimator
    cheap = _Cheap(tract, plots, parts, trees)
    if estimator in ("count_measure", "ratio", "regression"):
        return cheap.sampled_plots()
    if estimator == "post_stratified":
        return cheap.mapped_types()
    if estimator == "sample_tree":
        return cheap.sample_trees()
    if estimator == "three_p":
        return cheap.called_trees() if parts.complete.all() else cheap.called_points()
    return cheap.plain()


class _Cheap:
    """The cheap figures of one tract."""

    def __init__(
        self, tract: Tract, plots: pd.DataFrame, parts: PlotParts, trees: pd.DataFrame
    ) -> None:
        self.tract, self.plots, self.parts, self.trees = tract, plots, parts, trees
        self.cruise = tract.settings.cruise
        self.n = len(plots)
        self.plot_at = trees["plot_at"].to_numpy(dtype=np.intp)
        self.factor = trees["trees_per_acre"].to_numpy(dtype=float)
        self.groups, self.group_of_stand = coefficient_groups(tract.stands, self.cruise.ratio_by)
        stand = pd.Index(tract.stands["stand"]).get_indexer(pd.Index(plots["stand"]))
        self.group_of_plot = self.group_of_stand[stand]

    def plain(self, indirect: Indirect | None = None, measured: BoolArray | None = None) -> Rows:
        """Take plots as they are."""
        return Rows(
            plot_of_row=np.arange(self.n),
            row_of_tree=self.plot_at,
            factor=self.factor,
            measured=np.ones(self.n, dtype=bool) if measured is None else measured,
            indirect=indirect,
        )

    def sampled_plots(self) -> Rows:
        """Count points and measure points; plots of a first phase and measured ones."""
        cruise = self.cruise
        measured = measured_plots(self.plots, self.tract.trees)
        known = None
        if cruise.estimator == "count_measure":
            own = self.parts.size[np.arange(self.n), self._last_part()]
            baf = own if cruise.count_baf is None else np.full(self.n, cruise.count_baf)
            # A tree of a half plot stands for twice as many.
            share = self.plots["share"].to_numpy(dtype=float)
            x = baf * self.plots["tree_count"].to_numpy(dtype=float) / share
            x_row = x if cruise.count_baf is None else self._tallied_basal_area()
        else:
            x = x_row = self.plots["covariate"].to_numpy(dtype=float)
            if "covariate" in self.tract.stands:
                known = self.tract.stands["covariate"].to_numpy(dtype=float)[:, None]
        indirect = Indirect(
            kind="line" if cruise.estimator == "regression" else "ratio",
            plot_of_row=np.arange(self.n),
            class_of_row=np.where(measured, 0, UNUSED),
            x_row=x_row,
            x_plot=x[:, None],
            x_stand=known,
            group_of_stand=self.group_of_stand,
            groups=self.groups,
        )
        return self.plain(indirect, measured)

    def _last_part(self) -> IntArray:
        """Return the widest rule of each plot: the last that takes any tree."""
        takes = np.isfinite(self.parts.min_dbh_in)
        return np.asarray(takes.shape[1] - 1 - takes[:, ::-1].argmax(axis=1))

    def _tallied_basal_area(self) -> FloatArray:
        section = BASAL_AREA_CONSTANT * self.trees["dbh_in"].to_numpy(dtype=float) ** 2
        return sums_at(self.plot_at, self.factor * section, self.n)

    def mapped_types(self) -> Rows:
        """Sort plots by the mapped type they fell in."""
        if self.tract.types is None:
            return self.plain()
        listed = self.tract.plots.set_index("plot").loc[self.plots["plot"]].reset_index()
        shares = type_shares(self.tract.stands, self.tract.types)
        mapped = shares.to_numpy(dtype=float)
        classes = [str(name) for name in shares.columns]
        place = pd.Index(classes).get_indexer(pd.Index(plot_types(listed, self.tract.types)))
        indirect = Indirect(
            kind="ratio",
            plot_of_row=np.arange(self.n),
            class_of_row=place.astype(np.intp),
            x_row=np.ones(self.n),
            x_plot=np.eye(len(classes))[place],
            x_stand=mapped / mapped.sum(axis=1, keepdims=True),
            group_of_stand=self.group_of_stand,
            groups=self.groups,
            classes=tuple(classes),
        )
        return self.plain(indirect)

    def _tally(self) -> pd.DataFrame:
        """Return the trees measured and those counted only, with their plot and group."""
        tally = self.tract.trees
        place = pd.Series(np.arange(self.n), index=self.plots["plot"])
        mine = tally[tally["used"] | (tally["why_not"] == COUNTED_ONLY)]
        mine = mine[mine["plot"].isin(place.index)].copy()
        mine["plot_at"] = mine["plot"].map(place).astype(np.int64)
        times = mine["count"] * mine["times"]  # walked through, a tree counts twice
        share = self.plots["share"].to_numpy(dtype=float)[mine["plot_at"].to_numpy()]
        mine["count"] = times / share
        mine["group"] = self.group_of_plot[mine["plot_at"].to_numpy()]
        return mine

    def sample_trees(self) -> Rows:
        """Every tree counted by sample group, some measured: a row each."""
        tally = self._tally()
        plot = tally["plot_at"].to_numpy(dtype=np.intp)
        acres = self.parts.size[:, 0]
        count = tally["count"].to_numpy(dtype=float)
        used = tally["used"].to_numpy(dtype=bool)
        place, names = pd.factorize(sample_groups(tally))
        by_area = self.cruise.sample_by == "basal_area"
        section = BASAL_AREA_CONSTANT * tally["dbh_in"].to_numpy(dtype=float) ** 2
        size = count * section if by_area else count
        x_plot = np.zeros((self.n, len(names)))
        np.add.at(x_plot, (plot, place), size / acres[plot])
        cell = tally["group"].to_numpy(dtype=np.intp) * len(names) + place
        many = np.bincount(cell, weights=count, minlength=cell.max(initial=0) + 1)
        taken = np.bincount(cell[used], minlength=many.size)
        mine = cell[used]
        ground = np.bincount(self.group_of_plot, weights=acres, minlength=len(self.groups))
        factor = many[mine] / taken[mine] / ground[mine // len(names)]
        indirect = Indirect(
            kind="ratio",
            plot_of_row=plot[used],
            class_of_row=place[used].astype(np.intp),
            x_row=factor * section[used] if by_area else factor,
            x_plot=x_plot,
            group_of_stand=self.group_of_stand,
            groups=self.groups,
            classes=tuple(str(name) for name in names),
            left=1 - taken[mine] / many[mine],
        )
        return self._tree_rows(tally[used], plot[used], factor, indirect)

    def called_trees(self) -> Rows:
        """3P over a complete tally: every tree called, some measured: a row each."""
        tally = self._tally()
        plot = tally["plot_at"].to_numpy(dtype=np.intp)
        acres, group = self.parts.size[:, 0], tally["group"].to_numpy(dtype=np.intp)
        kpi, count = (tally[c].to_numpy(dtype=float) for c in ("kpi", "count"))
        used = tally["used"].to_numpy(dtype=bool)
        sure = kpi >= (self.cruise.kpi_ceiling or np.inf)
        left_sum = np.where(sure, 0.0, kpi * count)
        chance = used & ~sure
        n_groups = len(self.groups)
        called = np.bincount(group, weights=left_sum, minlength=n_groups)
        drawn = np.bincount(group[chance], minlength=n_groups)
        per_draw = called / np.maximum(drawn, 1)
        ground = np.bincount(self.group_of_plot, weights=acres, minlength=n_groups)
        scale = (per_draw / ground)[group]
        ceiling = self.cruise.kpi_ceiling or per_draw[group]
        factor = np.where(sure, count / acres[plot], scale / kpi)
        direct = sure[used]
        indirect = Indirect(
            kind="ratio",
            plot_of_row=plot[used],
            class_of_row=np.where(direct, DIRECT, 0),
            x_row=np.where(direct, 0.0, scale[used]),
            x_plot=sums_at(plot, left_sum / acres[plot], self.n)[:, None],
            group_of_stand=self.group_of_stand,
            groups=self.groups,
            left=np.clip(1 - kpi / ceiling, 0.0, 1.0)[used],
        )
        return self._tree_rows(tally[used], plot[used], factor[used], indirect)

    def _tree_rows(
        self, measured: pd.DataFrame, plot: IntArray, factor: FloatArray, indirect: Indirect
    ) -> Rows:
        """Give every measured tree a row; trees are matched by their row of the tally."""
        row = pd.Series(np.arange(len(measured)), index=measured["source_row"])
        of_tree = self.trees["source_row"].map(row).to_numpy(dtype=np.intp)
        return Rows(
            plot_of_row=plot,
            row_of_tree=of_tree,
            factor=factor[of_tree],
            measured=np.ones(self.n, dtype=bool),
            indirect=indirect,
        )

    def called_points(self) -> Rows:
        """3P at points or plots: a row for the drawn trees of each, one for those sure to be."""
        tally = self._tally()
        plot = tally["plot_at"].to_numpy(dtype=np.intp)
        kpi, count = (tally[c].to_numpy(dtype=float) for c in ("kpi", "count"))
        used = tally["used"].to_numpy(dtype=bool)
        sure = kpi >= (self.cruise.kpi_ceiling or np.inf)
        part = self._last_part()
        size = self.parts.size[np.arange(self.n), part]
        point = self.parts.kind[np.arange(self.n), part] == 0
        each = count * np.where(point, size, 1 / size)[plot]
        called = np.where(sure, 0.0, each * kpi)
        chance = used & ~sure
        group, n_groups = tally["group"].to_numpy(dtype=np.intp), len(self.groups)
        drawn = np.bincount(group[chance], weights=each[chance], minlength=n_groups)
        sums = np.bincount(group, weights=called, minlength=n_groups)
        per_draw = np.where(drawn > 0, sums / np.where(drawn > 0, drawn, 1.0), 0.0)
        x_drawn = np.bincount(
            plot[chance], weights=(each * per_draw[group])[chance], minlength=self.n
        )
        rows = pd.DataFrame(
            {
                "row": plot + np.where(sure, self.n, 0),
                "scale": np.where(sure, 1.0, per_draw[group] / kpi),
            }
        ).set_axis(tally["source_row"].to_numpy())
        mine = rows.loc[self.trees["source_row"].to_numpy()]
        indirect = Indirect(
            kind="ratio",
            plot_of_row=np.tile(np.arange(self.n), 2),
            class_of_row=np.repeat([0, DIRECT], self.n),
            x_row=np.concatenate([x_drawn, np.zeros(self.n)]),
            x_plot=sums_at(plot, called, self.n)[:, None],
            group_of_stand=self.group_of_stand,
            groups=self.groups,
        )
        return Rows(
            plot_of_row=indirect.plot_of_row,
            row_of_tree=mine["row"].to_numpy(dtype=np.intp),
            factor=self.factor * mine["scale"].to_numpy(dtype=float),
            measured=np.ones(self.n, dtype=bool),
            indirect=indirect,
        )


def sums_at(place: IntArray, figures: FloatArray, n: int) -> FloatArray:
    """Sum figures by place; a float even where there is nothing to sum."""
    return np.asarray(np.bincount(place, weights=figures, minlength=n), dtype=np.float64)
