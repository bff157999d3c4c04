"""A prescription applied to the tally: which average it is judged by, and what that adds to errors.

Under most designs a stand's figure is the mean of its own plots, so every stand gets a marking
rule of its own. Where figures come by way of something cheaper (counts, predictions, a map), the
measured trees speak for all stands that share a coefficient, each with the weight that the design
gives it: there a rule is set for each harvest unit as a whole, from the trees as they weigh for it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from standmap.cruise import StandEstimates
from standmap.harvest import Cutting, Prescription, Standing, cut_trees, steer
from standmap.steps.indirect import sums_at
from standmap.steps.plots import TallyFigures
from standmap.steps.sampling import plot_values

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Cut:
    """A prescription on the plots, or on the rows of what was measured together.

    Attributes
    ----------
    cutting : Cutting
        What is taken of each tree.
    per_acre : ndarray, shape (rows, attributes)
        What is cut on each row, with the error of the marking rule in it.
    constant : ndarray, shape (attributes,)
        What an acre's figure is more than its rows say: part of the figure and of no error.
    reached : ndarray of bool, shape (stands,)
        Whether each stand has enough to be cut down to just the amount held to.
    """

    cutting: Cutting
    per_acre: FloatArray
    constant: FloatArray
    reached: npt.NDArray[np.bool_]


class Marking:
    """Applies prescriptions to a tally, each but once.

    Parameters
    ----------
    tally : TallyFigures
        The tally, cut into logs and priced.
    found : StandEstimates
        The estimates, for what each plot speaks for.
    """

    def __init__(self, tally: TallyFigures, found: StandEstimates) -> None:
        self.tally, self.found = tally, found
        self.by_unit = found.sample.indirect is not None
        """Whether a rule is set for a unit as a whole, and not stand by stand."""
        self._made: dict[tuple[Prescription, bytes], Cut] = {}

    def cut(self, prescription: Prescription, acres: pd.Series) -> Cut:
        """Return what a prescription cuts in a harvest unit.

        Parameters
        ----------
        prescription : Prescription
            What to cut.
        acres : Series
            Acres of the unit by stand; they matter only where ``by_unit``.
        """
        key = prescription, acres.to_numpy(dtype=np.float64).tobytes() if self.by_unit else b""
        if key not in self._made:
            made = self._for_unit(prescription, acres) if self.by_unit else self._each(prescription)
            self._made[key] = made
        return self._made[key]

    def _each(self, prescription: Prescription) -> Cut:
        """Judge every stand by its own plots."""
        cells = self.found.cells
        stand, n = judged_together(self.found)
        weight = np.where(cells.own[cells.stand_index], cells.share, 1.0)
        whole = np.bincount(stand, weights=weight, minlength=n)
        cutting, per_acre = self._apply(
            prescription, stand, n, weight / whole[stand],
            steers=np.r_[cells.own, np.zeros(n - len(cells.own), dtype=bool)],
        )  # fmt: skip
        return Cut(
            cutting=cutting,
            per_acre=per_acre,
            constant=np.zeros(per_acre.shape[1]),
            reached=cutting.reached[: len(cells.own)],
        )

    def _for_unit(self, prescription: Prescription, acres: pd.Series) -> Cut:
        """Judge a unit as a whole, by rows weighted as they are for it."""
        whole = float(acres.sum())
        weight = self.found.row_weights(acres) / (whole if whole > 0 else 1.0)
        cutting, per_acre = self._apply(
            prescription, np.zeros(len(weight), dtype=np.int64), 1, weight,
            steers=np.ones(1, dtype=bool), whole_acres=False,
        )  # fmt: skip
        factor, row = self._factor, self._row
        plain = self._sum(row, len(weight), factor * cutting.share)
        return Cut(
            cutting=cutting,
            per_acre=per_acre,
            constant=weight @ (plain - per_acre),
            reached=np.repeat(cutting.reached, len(self.found.stands)),
        )

    def _apply(
        self,
        prescription: Prescription,
        stand_of_row: IntArray,
        n: int,
        weight: FloatArray,
        *,
        steers: npt.NDArray[np.bool_],
        whole_acres: bool = True,
    ) -> tuple[Cutting, FloatArray]:
        """Cut trees by rules of ``n`` averages, in which each row has its weight.

        Rows that are not ``whole_acres`` do not average to an acre, so the level that a rule holds
        to is no figure of theirs: it is left out, and no error with it.
        """
        trees, factor, row = self.tally.trees, self._factor, self._row
        stand, rows = stand_of_row[row], len(self.tally.per_acre)
        per_acre = factor * weight[row]
        cutting = cut_trees(
            prescription,
            Standing(
                stand=stand,
                n_stands=n,
                dbh_in=trees["dbh_in"].to_numpy(dtype=float),
                species_code=trees["species_code"].to_numpy(dtype=np.int64),
                per_acre=per_acre,
                marked=self._marked(prescription),
            ),
        )
        near = per_acre * cutting.margin
        steered = steer(
            self._sum(row, rows, factor * cutting.share),
            cutting if whole_acres else replace(cutting, level=0.0),
            held=sums_at(row, factor * cutting.held, rows),
            brings=self._sum(stand, n, near),
            takes=sums_at(stand, near * cutting.margin_amount, n),
            stand_of_plot=stand_of_row,
            steers=steers,
        )
        return cutting, steered

    @property
    def _factor(self) -> FloatArray:
        return np.asarray(self.tally.trees["trees_per_acre"].to_numpy(dtype=float))

    @property
    def _row(self) -> IntArray:
        return np.asarray(self.tally.trees["row_at"].to_numpy(dtype=np.int64))

    def _sum(self, place: IntArray, n: int, factor: FloatArray) -> FloatArray:
        return plot_values(
            n_plots=n,
            plot_of_tree=place,
            factor=factor,
            dbh_in=self.tally.trees["dbh_in"].to_numpy(dtype=float),
            logs=self.tally.logs,
            sold=self.tally.sold,
        )

    def _marked(self, prescription: Prescription) -> npt.NDArray[np.bool_]:
        """Return which trees are marked: by the tally, or by what they yield."""
        if not prescription.products:
            return self.tally.trees["marked"].to_numpy(dtype=bool)
        logs = self.tally.logs
        names = np.array([*logs.products, ""], dtype=object)[logs.product]
        yields = np.isin(names, list(prescription.products))
        return np.bincount(logs.tree[yields], minlength=len(self.tally.trees)) > 0


def judged_together(found: StandEstimates) -> tuple[IntArray, int]:
    """Return which average each plot is judged with, and how many averages there are.

    A stand that stands by its own plots is judged by itself. A lone plot says too little of its
    stand, so the lone plots of a stratum are judged together.
    """
    cells, table = found.cells, found.sample.stands
    stratum = pd.factorize(table["stratum"])[0]
    n = len(table)
    group = np.where(cells.own, np.arange(n), n + stratum)
    return group[cells.stand_index].astype(np.int64), n + int(stratum.max(initial=-1)) + 1
