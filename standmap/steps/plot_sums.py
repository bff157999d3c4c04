"""Figures of logs, summed by plot and estimated like any other attribute of the plots."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from standmap.cruise import EstimateTable, Sample, StandEstimates, estimate
from standmap.products import Logs
from standmap.steps.plots import TallyFigures

FloatArray = npt.NDArray[np.float64]


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
        acres = self.found.plot_weights(self.net_acres).to_numpy()
        trees = self.tally.trees
        per_acre = trees["trees_per_acre"].to_numpy(dtype=float)
        return np.asarray(per_acre * acres[trees["plot_at"].to_numpy()])

    def tract_weight(self, logs: Logs) -> FloatArray:
        """Return how many logs of the tract each tallied log stands for."""
        return self.tree_weight[logs.tree]

    def per_acre(self, logs: Logs, of_log: FloatArray) -> FloatArray:
        """Sum columns of figures of logs to per-acre figures of each plot."""
        trees, n = self.tally.trees, len(self.tally.plots)
        plot = trees["plot_at"].to_numpy(dtype=np.int64)[logs.tree]
        factor = trees["trees_per_acre"].to_numpy(dtype=float)[logs.tree]
        columns = [
            np.bincount(plot, weights=factor * of_log[:, k], minlength=n)
            for k in range(of_log.shape[1])
        ]
        return np.column_stack(columns) if columns else np.empty((n, 0))

    def totals(self, columns: Mapping[str, FloatArray], acres: pd.DataFrame) -> EstimateTable:
        """Estimate per-acre columns over domains of acres by stand."""
        sample = self.found.sample
        own = Sample(
            values=np.column_stack(list(columns.values())),
            plots=sample.plots,
            stand=sample.stand,
            attributes=tuple(columns),
            stands=sample.stands,
            confidence=sample.confidence,
            weight=sample.plot_weight,
            complete=sample.is_complete,
        )
        return estimate(own).total(acres)

    def tract_total(self, columns: Mapping[str, FloatArray]) -> EstimateTable:
        """Estimate per-acre columns over the tract's net acres."""
        return self.totals(columns, self.net_acres.to_frame("tract").T)
