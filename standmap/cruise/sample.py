"""The cruise as numbers: one row of per-acre figures for every plot."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from standmap.cruise import _kernels
from standmap.cruise.indirect import Indirect
from standmap.cruise.results import check_confidence
from standmap.errors import DomainError

Floats = NDArray[np.float64]


def plot_matrix(
    plot_index: ArrayLike, tree_factor: ArrayLike, attributes: ArrayLike, n_plots: int
) -> Floats:
    """Per-acre figures of every plot, from its trees.

    Parameters
    ----------
    plot_index : array_like of int, shape (trees,)
        Row of each tree's plot; negative for a tree that was set aside.
    tree_factor : array_like, shape (trees,)
        Trees per acre each tally line stands for. [trees/acre]
    attributes : array_like, shape (trees, A)
        What one tree holds of each attribute.
    n_plots : int
        Plots on the ground, those without trees included.

    Returns
    -------
    ndarray, shape (n_plots, A)
        Attribute per acre; a plot without trees is a row of zeros, and counts.

    Raises
    ------
    DomainError
        If the arrays differ in length or an index is past the last plot.

    Examples
    --------
    Two trees on the first plot, none on the second:

    >>> plot_matrix([0, 0], [10.0, 20.0], [[1.0, 5.0], [1.0, 2.0]], 2)
    array([[30., 90.],
           [ 0.,  0.]])
    """
    index = np.ascontiguousarray(plot_index, dtype=np.intp)
    factor = np.ascontiguousarray(tree_factor, dtype=np.float64)
    values = np.ascontiguousarray(attributes, dtype=np.float64)
    if values.ndim != 2 or not index.shape == factor.shape == values.shape[:1]:
        raise DomainError(
            "'plot_index', 'tree_factor' and the rows of 'attributes' must match; got "
            f"{index.shape}, {factor.shape} and {values.shape}."
        )
    if index.size and int(index.max()) >= n_plots:
        raise DomainError(f"'plot_index' goes to {index.max()}, past the last of {n_plots} plots.")
    return np.asarray(_kernels.sum_rows(index, factor, values, n_plots))


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class Sample:
    """Plots, their per-acre figures, and the stands they stand for.

    Attributes
    ----------
    values : ndarray, shape (P, A)
        Per-acre figures of each plot, plots without trees included as zeros; of each row where
        ``indirect`` is given.
    plots : sequence of str
        Plot names, no two alike.
    stand : sequence of str
        Stand of each plot.
    attributes : sequence of str
        Names of the columns of ``values``, units on the name.
    stands : DataFrame
        Columns ``stand``, ``stratum`` (blank for none) and ``acres``, one row per stand, those
        without plots included. The acres weigh the stands wherever figures are borrowed.
    confidence : float
        Confidence of intervals.
    weight : ndarray, shape (P,), optional
        Weight of each plot in its stand's mean, such as the acres of strips of unequal length;
        default 1.
    complete : ndarray of bool, shape (P,), optional
        Whether the plot is (a sheet of) a 100 percent tally of its stand; default none.
    cluster : sequence of str, optional
        Cluster of each plot: the plots of a cluster stand together, and it is the clusters that
        were drawn.
    line : sequence of str, optional
        Line of each plot, plots in walking order: the error then comes from the differences of
        neighbours.
    seen : ndarray, shape (S,), optional
        Share of each stand's acres that its plots cover: applies the finite population correction.
    indirect : Indirect, optional
        How figures come by way of something cheaper.

    Raises
    ------
    DomainError
        If the parts do not match, a name is repeated, a plot lies in no listed stand, a figure is
        missing or infinite, or a stand mixes a complete tally with sample plots.

    Examples
    --------
    >>> sample = Sample(values=[[8.0], [12.0], [10.0]], plots=["1", "2", "3"],
    ...                 stand=["A", "A", "A"], attributes=["cords"],
    ...                 stands=pd.DataFrame({"stand": ["A", "B"], "stratum": "pine",
    ...                                      "acres": [40.0, 10.0]}))
    >>> sample
    Sample(3 plots in 1 of 2 stands, 1 attribute)
    """

    values: Floats
    plots: NDArray[np.object_]
    stand: NDArray[np.object_]
    attributes: tuple[str, ...]
    stands: pd.DataFrame
    confidence: float = 0.90
    weight: Floats | None = None
    complete: NDArray[np.bool_] | None = None
    cluster: NDArray[np.object_] | None = None
    line: NDArray[np.object_] | None = None
    seen: Floats | None = None
    indirect: Indirect | None = None

    def __post_init__(self) -> None:
        put = object.__setattr__
        put(self, "values", np.ascontiguousarray(self.values, dtype=np.float64))
        put(self, "plots", _labels(self.plots))
        put(self, "stand", _labels(self.stand))
        put(self, "attributes", tuple(str(a) for a in self.attributes))
        put(self, "stands", _check_stands(self.stands))
        check_confidence(self.confidence)
        n = self.plots.size
        rows = n if self.indirect is None else self.indirect.n_rows
        if self.values.shape != (rows, len(self.attributes)) or self.stand.shape != (n,):
            raise DomainError(
                f"'values' must be plots x attributes, {(rows, len(self.attributes))}, with one "
                f"stand per plot; got {self.values.shape} and {self.stand.shape}."
            )
        _no_repeats("plot", self.plots)
        _no_repeats("attribute", np.asarray(self.attributes, dtype=object))
        self._check_values()
        lost = np.flatnonzero(self.stand_index < 0)
        if lost.size:
            raise DomainError(
                f"Plot {self.plots[lost[0]]!r} lies in stand {self.stand[lost[0]]!r}, which is not "
                f"in the stand table ({lost.size} such plots). Set them aside first."
            )
        weight = np.ones(n) if self.weight is None else self.weight
        complete = np.zeros(n, dtype=bool) if self.complete is None else self.complete
        put(self, "weight", _per_plot(weight, n, "weight").astype(np.float64))
        put(self, "complete", _per_plot(complete, n, "complete").astype(np.bool_))
        if not np.all((self.plot_weight > 0) & (self.plot_weight < np.inf)):
            raise DomainError("'weight' must be above 0 on every plot.")
        self._check_complete()
        self._check_variance()

    def _check_variance(self) -> None:
        """Check what the error is to be made of."""
        put, n, stands = object.__setattr__, self.plots.size, len(self.stands)
        for name in ("cluster", "line"):
            labels = getattr(self, name)
            if labels is not None:
                put(self, name, _per_plot(_labels(labels), n, name))
        if self.cluster is not None and self.line is not None:
            raise DomainError("Give 'cluster' or 'line', not both.")
        if self.seen is not None:
            put(self, "seen", np.asarray(self.seen, dtype=np.float64))
            if self.seen.shape != (stands,) or not np.all((self.seen >= 0) & (self.seen <= 1)):
                raise DomainError("'seen' must give every stand a share from 0 to 1.")
        if self.indirect is not None:
            known = self.indirect.x_stand
            if (
                len(self.indirect.x_plot) != n
                or self.indirect.group_of_stand.size != stands
                or (known is not None and len(known) != stands)
            ):
                raise DomainError("'indirect' must hold every plot and every stand of the sample.")

    def restated(self, values: ArrayLike, attributes: Sequence[str]) -> Sample:
        """Return the same plots with other figures: prices, another way to cut, cells of a table.

        Parameters
        ----------
        values : array_like, shape (P or R, A)
            Figures of each plot, or row.
        attributes : sequence of str
            Their names.

        Returns
        -------
        Sample
        """
        figures = np.asarray(values, dtype=np.float64)
        return replace(self, values=figures, attributes=tuple(attributes))

    def _check_values(self) -> None:
        bad = np.argwhere(~np.isfinite(self.values))
        if bad.size:
            row, column = bad[0]
            row = row if self.indirect is None else self.indirect.plot_of_row[row]
            raise DomainError(
                f"Plot {self.plots[row]!r} has no finite {self.attributes[column]!r} "
                f"({len(bad)} such figures). A plot without trees has 0."
            )

    def _check_complete(self) -> None:
        n_stands = len(self.stands)
        full = np.bincount(self.stand_index[self.is_complete], minlength=n_stands)
        mixed = (full > 0) & (full < np.bincount(self.stand_index, minlength=n_stands))
        if mixed.any():
            raise DomainError(
                f"Stand {self.stands['stand'].iloc[int(np.flatnonzero(mixed)[0])]!r} mixes a "
                "complete tally with sample plots. Use one or the other."
            )

    @property
    def stand_index(self) -> NDArray[np.intp]:
        """Row of each plot's stand in the stand table; -1 where there is none."""
        found = pd.Index(self.stands["stand"]).get_indexer(pd.Index(self.stand))
        return np.asarray(found, dtype=np.intp)

    @property
    def plot_weight(self) -> Floats:
        """Weight of each plot in its stand's mean."""
        return np.asarray(self.weight)

    @property
    def is_complete(self) -> NDArray[np.bool_]:
        """Whether each plot is a sheet of a complete tally."""
        return np.asarray(self.complete)

    def __repr__(self) -> str:
        cruised, many = len(set(self.stand)), len(self.attributes)
        return (
            f"Sample({self.plots.size:,} plots in {cruised:,} of {len(self.stands):,} stands, "
            f"{many:,} attribute{'' if many == 1 else 's'})"
        )


def _labels(names: ArrayLike) -> NDArray[np.object_]:
    listed = np.asarray(names, dtype=object)
    return np.asarray([str(v) for v in listed], dtype=object)


def _no_repeats(what: str, names: NDArray[np.object_]) -> None:
    repeated = pd.Index(names)[pd.Index(names).duplicated()]
    if len(repeated):
        raise DomainError(f"The {what} {repeated[0]!r} is listed more than once.")


def _check_stands(stands: pd.DataFrame) -> pd.DataFrame:
    missing = [c for c in ("stand", "stratum", "acres") if c not in stands.columns]
    if missing:
        raise DomainError(f"The stand table lacks the column {missing[0]!r}.")
    stratum = stands["stratum"]
    table = pd.DataFrame(
        {
            "stand": _labels(stands["stand"].to_numpy()),
            "stratum": _labels(stratum.where(stratum.notna(), "").to_numpy()),
            "acres": stands["acres"].to_numpy(dtype=np.float64),
        }
    )
    _no_repeats("stand", table["stand"].to_numpy())
    bad = np.flatnonzero(~((table["acres"] >= 0) & (table["acres"] < np.inf)))
    if bad.size:
        raise DomainError(
            f"Stand {table['stand'].iloc[bad[0]]!r} must have acres of 0 or more; got "
            f"{table['acres'].iloc[bad[0]]:g}."
        )
    return table


def _per_plot(values: ArrayLike, n: int, name: str) -> NDArray[Any]:
    array = np.asarray(values)
    if array.shape != (n,):
        raise DomainError(f"'{name}' must have one value for each of the {n} plots.")
    return array
