"""What a stand with too few plots of its own takes from its neighbours, and at what error.

A stand with no plots, or one, takes the acre-weighted mean of the stands of its stratum that have
plots; a lone plot is not thrown away, but counts in that mean. Three things then go wrong at once,
and the error counts each:

* the donor stands were sampled, not measured (their own standard errors);
* stands of a stratum differ, so the mean of these donors is not the mean of the stratum;
* for the same reason the borrowing stand is not the mean of its stratum.

The last two are measured by the variance between the donor stands' means, taken as it stands. That
variance holds some plot-to-plot noise besides, so the error of a borrowed stand is a little
overstated rather than understated; subtracting the noise attribute by attribute could reach zero
and would break the rule that the variance of a sum is the sum of variances and covariances.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from standmap.cruise.cells import Cells, Spread

Floats = NDArray[np.float64]
Places = NDArray[np.intp]
Level = Literal["stratum", "tract"]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Pool:
    """Stands that lend their figures, and stands that borrow them.

    Attributes
    ----------
    level : {"stratum", "tract"}
        Whose figures they are.
    name : str
        Stratum, or blank.
    donors, weights : ndarray, shape (k,)
        Stands with plots and their weights by acres, which sum to 1.
    borrowers : ndarray of int, shape (b,)
        Stands that take the weighted mean.
    units : ndarray of int, shape (b,)
        Borrowers of the same number are taken to miss by the same amount: in a tract pool, those
        of one uncruised stratum.
    unit_weight : ndarray, shape (u,)
        Weight in the mean that a unit has through its own single plot.
    spread : Spread
        Variance of a stand's mean about the mean of the pool.
    """

    level: Level
    name: str
    donors: Places
    weights: Floats
    borrowers: Places
    units: Places
    unit_weight: Floats
    spread: Spread

    def borrowed_acres(self, acres: Floats) -> Floats:
        """Acres by unit in each domain, (D, S) to (D, u)."""
        out = np.zeros((acres.shape[0], self.unit_weight.size))
        np.add.at(out.T, self.units, acres[:, self.borrowers].T)
        return out

    def between(self, acres: Floats, acres2: Floats | None = None) -> Floats:
        """Multiple of the spread in each domain's variance (or two domains' covariance).

        The sum over stands of the squares (products) of what each one's departure from the pool's
        mean adds to the error: its weight as a donor x acres borrowed, less its own acres if it
        borrows.
        """
        mine = self.borrowed_acres(acres)
        other = mine if acres2 is None else self.borrowed_acres(acres2)
        all_mine, all_other = mine.sum(axis=1), other.sum(axis=1)
        return np.asarray(
            all_mine * all_other * (self.weights**2).sum()
            - all_mine * (other @ self.unit_weight)
            - all_other * (mine @ self.unit_weight)
            + (mine * other).sum(axis=1)
        )


@dataclass(frozen=True, slots=True, eq=False)
class Lone:
    """Stands with one plot, whose plots' variance is learnt from their neighbours' plots."""

    stands: Places
    spread: Spread


def make_pools(cells: Cells) -> tuple[list[Pool], list[Lone]]:
    """Find whom every stand without plots enough borrows from, and what lone plots vary by."""
    stratum = cells.sample.stands["stratum"].to_numpy()
    everyone = np.arange(stratum.size, dtype=np.intp)
    pools: list[Pool] = []
    lone: list[Lone] = []
    adrift = []
    tract_plots: list[int] = []
    for name in dict.fromkeys(stratum[~cells.own]):
        members = everyone[stratum == name]
        borrowers = members[~cells.own[members]]
        single = borrowers[cells.lone[borrowers]]
        plots = cells.plot_spread(members) if name else None
        if single.size and plots is not None:
            lone.append(Lone(single, plots))
        else:
            tract_plots.extend(single)
        if name and (cells.own[members].any() or single.size > 1):
            pools.append(_stratum_pool(cells, str(name), members, borrowers))
        else:
            adrift.append(borrowers)
    if adrift:
        pools.append(_tract_pool(cells, np.concatenate(adrift)))
    if tract_plots:
        spread = cells.plot_spread(everyone) or _unknown(cells)
        lone.append(Lone(np.asarray(tract_plots, dtype=np.intp), spread))
    return pools, lone


def _stratum_pool(cells: Cells, name: str, members: Places, borrowers: Places) -> Pool:
    donors = members[cells.n[members] > 0]
    units = np.arange(borrowers.size, dtype=np.intp)
    return _pool(cells, "stratum", name, donors, borrowers, units)


def _tract_pool(cells: Cells, borrowers: Places) -> Pool:
    """Pool of all stands with plots; an uncruised stratum's stands miss together."""
    donors = np.flatnonzero(cells.n > 0)
    stratum = cells.sample.stands["stratum"].to_numpy()[borrowers]
    keys = [name or row for name, row in zip(stratum, borrowers, strict=True)]
    seen = {key: unit for unit, key in enumerate(dict.fromkeys(keys))}
    units = np.asarray([seen[key] for key in keys], dtype=np.intp)
    return _pool(cells, "tract", "", donors, borrowers, units)


def _pool(
    cells: Cells, level: Level, name: str, donors: Places, borrowers: Places, units: Places
) -> Pool:
    acres = cells.sample.stands["acres"].to_numpy()[donors]
    weights = acres / acres.sum() if acres.sum() > 0 else np.full(donors.size, 1 / donors.size)
    by_stand = np.zeros(cells.n.size)
    by_stand[donors] = weights
    unit_weight = np.zeros(int(units.max()) + 1)
    np.add.at(unit_weight, units, by_stand[borrowers])
    return Pool(
        level=level,
        name=name,
        donors=donors,
        weights=weights,
        borrowers=borrowers,
        units=units,
        unit_weight=unit_weight,
        spread=_stand_spread(cells, donors),
    )


def _stand_spread(cells: Cells, donors: Places) -> Spread:
    """Variance between stands, or the best stand-in for it.

    Stands with plots enough show it best, since a lone plot carries all its own noise. Of a single
    donor no spread between stands can be seen. The variance between its plots then stands in (a
    whole stand strays from its stratum less than one plot strays from its stand: our choice, no
    source); if it has none either, the spread of the whole tract.
    """
    sure = donors[cells.own[donors]]
    for shown in (sure, donors):
        if shown.size > 1:
            return Spread.between(cells.mean[shown])
    plots = cells.plot_spread(donors)
    if plots is not None:
        return plots
    everyone = np.flatnonzero(cells.n > 0)
    return Spread.between(cells.mean[everyone]) if everyone.size > 1 else _unknown(cells)


def _unknown(cells: Cells) -> Spread:
    nothing = np.full((1, cells.mean.shape[1]), np.nan)
    return Spread(nothing[0], 1.0, lambda: nothing)
