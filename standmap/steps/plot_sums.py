"""Per-acre columns of the tract's own plots, estimated like any other attribute."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from standmap.cruise import EstimateTable, StandEstimates, estimate
from standmap.products import Logs
from standmap.steps.plots import TallyFigures

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Term:
    """A part of a sum: per-acre columns of the plots, over acres by stand, added or taken off.

    Attributes
    ----------
    per_acre : ndarray, shape (rows, attributes)
        Per-acre figures of each plot, or row of what was measured together.
    acres : Series
        Acres by stand.
    sign : float
        1 to add, -1 to take off.
    constant : ndarray, shape (attributes,), or 0
        What each acre holds beyond its rows; it has no error.
    """

    per_acre: FloatArray
    acres: pd.Series
    sign: float = 1.0
    constant: FloatArray | float = 0.0


@dataclass(frozen=True, slots=True)
class PlotSums:
    """What turns figures of logs into estimates on the tract's net acres.

    Attributes
    ----------
    tally : TallyFigures
        The tally, cut and priced.
    found : StandEstimates
        The estimates, for the acres each plot speaks for.
    net_acres : Series
        Net acres by stand.
    """

    tally: TallyFigures
    found: StandEstimates
    net_acres: pd.Series

    @property
    def tract_and_stands(self) -> pd.DataFrame:
        """Net acres by stand of the tract, a row with a blank name, and then of each stand."""
        names = list(self.net_acres.index)
        by_stand = pd.DataFrame(np.diag(self.net_acres.to_numpy()), index=names, columns=names)
        return pd.concat([self.net_acres.to_frame("").T, by_stand])

    @property
    def tree_weight(self) -> FloatArray:
        """How many trees of the tract each tallied tree stands for."""
        acres = self.found.row_weights(self.net_acres)
        trees = self.tally.trees
        per_acre = trees["trees_per_acre"].to_numpy(dtype=float)
        return np.asarray(per_acre * acres[trees["row_at"].to_numpy()])

    def tract_weight(self, logs: Logs) -> FloatArray:
        """Return how many logs of the tract each tallied log stands for."""
        return self.tree_weight[logs.tree]

    def per_acre(self, logs: Logs, of_log: FloatArray) -> FloatArray:
        """Sum columns of figures of logs to per-acre figures of each plot, or measured row."""
        trees, n = self.tally.trees, len(self.tally.per_acre)
        plot = trees["row_at"].to_numpy(dtype=np.int64)[logs.tree]
        factor = trees["trees_per_acre"].to_numpy(dtype=float)[logs.tree]
        columns = [
            np.bincount(plot, weights=factor * of_log[:, k], minlength=n)
            for k in range(of_log.shape[1])
        ]
        return np.column_stack(columns) if columns else np.empty((n, 0))

    def totals(self, columns: Mapping[str, FloatArray], acres: pd.DataFrame) -> EstimateTable:
        """Estimate per-acre columns over domains of acres by stand."""
        return self.estimates(np.column_stack(list(columns.values())), tuple(columns)).total(acres)

    def estimates(self, values: FloatArray, attributes: tuple[str, ...]) -> StandEstimates:
        """Estimate per-acre columns of the same plots by stand."""
        return estimate(self.found.sample.restated(values, attributes))

    def tract_total(self, columns: Mapping[str, FloatArray]) -> EstimateTable:
        """Estimate per-acre columns over the tract's net acres."""
        return self.totals(columns, self.net_acres.to_frame("tract").T)

    def combined(
        self, terms: Sequence[Term], attributes: tuple[str, ...], *, row: str
    ) -> EstimateTable:
        """Add up terms that differ in columns and in acres, with the error of the sum.

        Every term rests on the same plots, so what they share cancels in a difference and adds up
        in a sum: the variance is the sum of the covariances of all pairs.

        Parameters
        ----------
        terms : sequence of Term
            What to add up; at least one.
        attributes : tuple of str
            Names of the columns, the same in every term.
        row : str
            Name of the sum.

        Returns
        -------
        EstimateTable
            One row. Degrees of freedom are those of the plots' own part of the variance; what is
            borrowed between stands adds to the variance and not to them. Where figures come by way
            of something cheaper, they are the fewest of any term.
        """
        whole = pd.concat([term.acres for term in terms], axis=1).max(axis=1).rename(row)
        indirect = self.found.sample.indirect is not None
        if indirect:
            each = [
                self.estimates(term.per_acre, attributes).total(term.acres.rename(row))
                for term in terms
            ]
            own = replace(each[0], df=np.min([table.df for table in each], axis=0))
        else:
            own = self._own_part(terms, attributes)
        domain = self.found.total(whole)
        mean, variance = own.estimate, own.se**2
        stand_alone = pd.Series(self.found.cells.own, index=list(self.found.stands))
        if indirect or (whole[~stand_alone.reindex(whole.index)] > 0).any():
            mean, variance = self._covaried(terms, attributes)
        mean = mean + sum(term.sign * float(term.acres.sum()) * term.constant for term in terms)
        return EstimateTable(
            rows=(row,),
            attributes=attributes,
            estimate=mean,
            se=np.sqrt(np.maximum(variance, 0.0)),
            df=own.df,
            n=domain.n,
            borrowed=domain.borrowed,
            confidence=domain.confidence,
        )

    def _covaried(
        self, terms: Sequence[Term], attributes: tuple[str, ...]
    ) -> tuple[FloatArray, FloatArray]:
        """Return the sum and its variance from every pair of terms, borrowing included."""
        names = tuple(f"{k} {a}" for k in range(len(terms)) for a in attributes)
        wide = self.estimates(np.column_stack([term.per_acre for term in terms]), names)
        many = len(attributes)
        blocks = [slice(k * many, (k + 1) * many) for k in range(len(terms))]
        mean, variance = np.zeros((1, many)), np.zeros((1, many))
        for k, one in enumerate(terms):
            mean += one.sign * wide.total(one.acres).estimate[:, blocks[k]]
            for other in range(k, len(terms)):
                of_both = wide.covariance(one.acres, terms[other].acres).to_numpy()
                shared = one.sign * terms[other].sign * np.diag(of_both[blocks[k], blocks[other]])
                variance += shared if other == k else 2 * shared
        return mean, variance

    def _own_part(self, terms: Sequence[Term], attributes: tuple[str, ...]) -> EstimateTable:
        """Estimate the sum from one column a plot: its share in every term, added up.

        That is the whole of it where every stand stands by its own plots.
        """
        cells = self.found.cells
        values = sum(
            term.sign
            * (self.found.plot_weights(term.acres).to_numpy() / cells.share)[:, np.newaxis]
            * term.per_acre
            for term in terms
        )
        every = pd.Series(cells.own.astype(np.float64), index=list(self.found.stands), name="own")
        return self.estimates(np.asarray(values), attributes).total(every)
