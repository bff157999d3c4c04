"""From a sample of plots to stands, strata, units and the tract, with sampling errors."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from standmap.cruise.acres import acre_chunks, as_domains
from standmap.cruise.borrowing import Lone, Pool, make_pools
from standmap.cruise.cells import Cells, OwnParts, Spread
from standmap.cruise.results import EstimateTable
from standmap.cruise.sample import Sample
from standmap.errors import DomainError

Floats = NDArray[np.float64]
_CHUNK = 256  # domains worked at once: keeps the domains x stands arrays small


def estimate(sample: Sample) -> StandEstimates:
    r"""Estimate every attribute in every stand.

    Parameters
    ----------
    sample : Sample
        Plots and stands.

    Returns
    -------
    StandEstimates
        From which totals and means over any acres follow, with their errors.

    Raises
    ------
    DomainError
        If there are no plots, or a single one and so no error to be seen.

    Notes
    -----
    Each stand with two plots or more is an independent simple random sample [1]_: mean, variance
    of the mean s^2 / n, n - 1 degrees of freedom; no finite population correction, since plots are
    a small share of a stand. Systematic plots are treated as random, which as a rule overstates
    their error. A complete tally has no sampling error; what remains is measurement.

    Intervals keep their promise where plot figures are not too skewed. They fall short for what few
    plots hold, such as a rare product, or trees per acre where points count saplings: 30 points of
    BAF 10 in a real longleaf stand cover its number of trees of all sizes two times in three, not
    nine in ten, but its basal area as promised (tests/cruise/test_longleaf.py).

    A stand with no plots, or one, takes the acre-weighted mean of the stands of its stratum that
    have plots, its own lone plot among them (of the whole tract, where the stratum has fewer than
    two plots, or the stand has no stratum). Its error counts the donors' sampling errors and the
    spread between stands: with donor weights w, means m and variances v, and S the sample variance
    between the m, for a stand without plots

    .. math:: \sum w_i^2 v_i + S (1 + \sum w_i^2)

    as for the prediction of a new unit under a model of random stand effects [2]_; stands that
    borrow from the tract because their whole stratum was not cruised are taken to miss together.
    Where a total holds donors and borrowers, every figure that enters twice is counted as the same
    figure. Degrees of freedom of sums are Satterthwaite's [3]_.

    References
    ----------
    .. [1] Cochran, W.G. 1977. Sampling techniques, 3rd ed. Wiley, chapters 2 and 5 (from memory).
    .. [2] Rao, J.N.K., and I. Molina. 2015. Small area estimation, 2nd ed. Wiley, chapters 3 and
       5, synthetic estimators and area-level models (from memory).
    .. [3] Satterthwaite, F.E. 1946. An approximate distribution of estimates of variance
       components. Biometrics Bulletin 2:110-114 (from memory).

    Examples
    --------
    Stand B was never cruised, and takes the figures of its stratum:

    >>> sample = Sample(values=[[8.0], [12.0], [10.0], [20.0], [22.0]], plots=list("12345"),
    ...                 stand=list("AAACC"), attributes=["cords"],
    ...                 stands=pd.DataFrame({"stand": list("ABC"), "stratum": "pine",
    ...                                      "acres": [40.0, 10.0, 40.0]}))
    >>> stands = estimate(sample)
    >>> stands.per_acre().wide()["cords"].tolist()
    [10.0, 15.5, 21.0]
    >>> stands.per_acre().borrowed.tolist()
    ['', 'stratum', '']
    >>> stands.total(pd.Series({"A": 40.0, "B": 10.0, "C": 40.0}, name="tract")).one(
    ...     "tract", "cords").mean
    1395.0
    """
    if sample.plots.size == 0:
        raise DomainError("There are no plots to estimate from.")
    cells = Cells.of(sample)
    if sample.plots.size < 2 and not cells.own.any():
        raise DomainError(
            "One plot tells nothing of its own error. Measure at least two, better ten or more."
        )
    pools, lone = make_pools(cells)
    return StandEstimates(sample=sample, cells=cells, pools=tuple(pools), lone=tuple(lone))


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class StandEstimates:
    """Estimates by stand, from which those of any domain follow.

    A domain (tract, stratum, harvest unit, buffer) is a vector of acres by stand.

    Attributes
    ----------
    sample : Sample
        What it rests on.
    cells : Cells
        Each stand by its own plots.
    pools : tuple of Pool
        Who borrows from whom.
    lone : tuple of Lone
        Stands with one plot and the variance assumed for it.
    """

    sample: Sample
    cells: Cells
    pools: tuple[Pool, ...]
    lone: tuple[Lone, ...]

    @property
    def stands(self) -> tuple[str, ...]:
        """Stands, in the order of the stand table."""
        return tuple(self.sample.stands["stand"])

    @property
    def n_plots(self) -> pd.Series[int]:
        """Plots in each stand itself."""
        return pd.Series(self.cells.n, index=list(self.stands), name="plots")

    @cached_property
    def borrowed(self) -> NDArray[np.object_]:
        """For each stand "", "stratum" or "tract": whose figures it takes."""
        out = np.full(self.cells.n.size, "", dtype=object)
        for pool in self.pools:
            out[pool.borrowers] = pool.level
        return out

    def borrowers(self) -> pd.DataFrame:
        """List the stands that borrow, and from what.

        Returns
        -------
        DataFrame
            Columns ``stand, stratum, plots`` (its own), ``borrowed`` ("stratum" or "tract"),
            ``donor_stands, donor_plots``.
        """
        table = self.sample.stands
        found = [
            pd.DataFrame(
                {
                    "stand": table["stand"].to_numpy()[pool.borrowers],
                    "stratum": table["stratum"].to_numpy()[pool.borrowers],
                    "plots": self.cells.n[pool.borrowers],
                    "borrowed": pool.level,
                    "donor_stands": pool.donors.size,
                    "donor_plots": int(self.cells.n[pool.donors].sum()),
                }
            )
            for pool in self.pools
        ]
        columns = ["stand", "stratum", "plots", "borrowed", "donor_stands", "donor_plots"]
        return pd.concat(found, ignore_index=True) if found else pd.DataFrame(columns=columns)

    def per_acre(self) -> EstimateTable:
        """Mean per acre of every stand.

        Returns
        -------
        EstimateTable
            Rows are stands.
        """
        cells = self.cells
        if cells.shared:  # what stands share is added stand by stand
            return self._table(self.stands, *self._each_stand(), self.borrowed)
        mean, se = cells.mean.copy(), np.sqrt(cells.variance)
        df = np.repeat(np.where(cells.df > 0, cells.df, np.inf)[:, None], mean.shape[1], axis=1)
        n = cells.n.astype(np.int64)
        borrowers = np.flatnonzero(~cells.own)
        alike = self._alike[borrowers]
        _, first, place = np.unique(alike, return_index=True, return_inverse=True)
        for lo in range(0, first.size, _CHUNK):
            chosen = borrowers[first[lo : lo + _CHUNK]]
            acres = np.zeros((chosen.size, n.size))
            acres[np.arange(chosen.size), chosen] = 1.0
            part = self._work_out(acres)
            mine = (place >= lo) & (place < lo + _CHUNK)
            to, source = borrowers[mine], place[mine] - lo
            mean[to], se[to], df[to] = (part[k][source] for k in range(3))
            n[to] = part[3][source]
        return self._table(self.stands, mean, se, df, n, self.borrowed)

    def total(
        self, acres: pd.Series | pd.DataFrame, *, parts: OwnParts | None = None
    ) -> EstimateTable:
        """Totals over acres.

        Parameters
        ----------
        acres : Series or DataFrame
            Acres by stand: a Series indexed by stand is one domain (its name is the row), a
            DataFrame has a row per domain and a column per stand. Stands left out have none.
        parts : OwnParts, optional
            Parts of stands by plots of their own, to be added; see :func:`estimate_domains`.

        Returns
        -------
        EstimateTable
            Rows are domains.

        Raises
        ------
        DomainError
            If a stand is unknown or listed twice, or acres are negative or missing.
        """
        frame = as_domains(acres)
        made = []
        for lo, chunk in zip(range(0, len(frame), _CHUNK), self._chunks(frame), strict=True):
            mine = None if parts is None else parts.of(slice(lo, lo + len(chunk)))
            made.append(self._work_out(chunk, mine))
        if not made:
            empty = np.zeros((0, len(self.sample.attributes)))
            made = [(empty, empty, empty, np.zeros(0, np.int64), np.zeros(0, object))]
        mean, se, df, n, borrowed = (np.concatenate(p) for p in zip(*made, strict=True))
        return self._table(tuple(str(d) for d in frame.index), mean, se, df, n, borrowed)

    def mean(self, acres: pd.Series | pd.DataFrame) -> EstimateTable:
        """Means per acre over domains; NaN for a domain without acres.

        Parameters
        ----------
        acres : Series or DataFrame
            As for :meth:`total`.

        Returns
        -------
        EstimateTable
            Rows are domains.

        Raises
        ------
        DomainError
            As for :meth:`total`.
        """
        frame = as_domains(acres)
        whole = frame.sum(axis=1)
        shares = frame.div(whole.where(whole > 0), axis=0)
        table = self.total(shares.where(whole > 0, 0.0))
        none = ~(whole > 0).to_numpy()
        estimate, se = table.estimate.copy(), table.se.copy()
        estimate[none], se[none] = np.nan, np.nan
        return self._table(table.rows, estimate, se, table.df, table.n, table.borrowed)

    def covariance(self, acres: pd.Series, acres2: pd.Series | None = None) -> pd.DataFrame:
        """Covary the totals over one domain, or those of two domains.

        Parameters
        ----------
        acres, acres2 : Series
            Acres by stand; ``acres2`` is ``acres`` unless given.

        Returns
        -------
        DataFrame
            Attributes of the first domain by attributes of the second; the diagonal of one domain
            is its squared standard errors.

        Raises
        ------
        DomainError
            As for :meth:`total`.
        """
        a = self._row(acres)
        b = a if acres2 is None else self._row(acres2)
        one, other = self._coefficients(a), self._coefficients(b)
        products = one * other
        own = self.cells.residuals(np.sqrt(products[0]))
        out = own.T @ own
        for multiple, spread in self._shared(a, products, b):
            if multiple[0] != 0:
                out = out + multiple[0] * spread.covariance()
        for shared in self.cells.shared:
            out = out + shared.covariance(one, other)
        names = list(self.sample.attributes)
        return pd.DataFrame(out, index=names, columns=names)

    def plot_weights(self, acres: pd.Series) -> pd.Series[float]:
        """Weight of every plot's per-acre figure in the total over a domain.

        Totals are linear in the plots, so a table of trees multiplied by these weights adds up to
        the domain's estimate, borrowed stands included.

        Parameters
        ----------
        acres : Series
            Acres by stand.

        Returns
        -------
        Series
            Acres each plot speaks for, indexed by plot; they sum to the domain's acres. [acres]

        Raises
        ------
        DomainError
            As for :meth:`total`.
        """
        c = self._coefficients(self._row(acres))[0]
        weights = c[self.cells.stand_index] * self.cells.share
        return pd.Series(weights, index=list(self.sample.plots), name="acres")

    def row_weights(self, acres: pd.Series) -> Floats:
        """Weight of every measured row's figure in the total over a domain.

        The same as :meth:`plot_weights` unless figures come by way of something cheaper: then trees
        were measured on some plots only, or were some of the trees, and each speaks for more acres.
        A table of trees multiplied by these weights adds up to the domain's estimate.

        Parameters
        ----------
        acres : Series
            Acres by stand.

        Returns
        -------
        ndarray, shape (R,)
            Acres, in the order of the sample's rows.

        Raises
        ------
        DomainError
            As for :meth:`total`.
        """
        return self.cells.row_weights(self.coefficients(acres))

    def coefficients(self, acres: pd.Series) -> Floats:
        """Acres each stand's own mean speaks for in a domain, those it lends to included, (S,)."""
        return np.asarray(self._coefficients(self._row(acres))[0])

    def __repr__(self) -> str:
        borrowing = int((self.borrowed != "").sum())
        return (
            f"StandEstimates({len(self.stands):,} stands, {borrowing:,} of them borrowing; "
            f"{self.sample.plots.size:,} plots, {len(self.sample.attributes):,} attributes)"
        )

    # -- how it is worked out -------------------------------------------------------------------

    @cached_property
    def _alike(self) -> NDArray[np.intp]:
        """Equal numbers for borrowers whose figures are the same; a lone plot makes its own."""
        out = np.arange(self.cells.n.size, dtype=np.intp)
        for number, pool in enumerate(self.pools):
            out[pool.borrowers[pool.unit_weight[pool.units] == 0]] = -1 - number
        return out

    def _each_stand(self) -> tuple[Floats, Floats, Floats, NDArray[np.int64]]:
        """Mean, standard error, degrees of freedom and plots of each stand, one at a time."""
        n_stands = self.cells.n.size
        parts = []
        for lo in range(0, n_stands, _CHUNK):
            acres = np.zeros((min(_CHUNK, n_stands - lo), n_stands))
            acres[np.arange(len(acres)), lo + np.arange(len(acres))] = 1.0
            parts.append(self._work_out(acres)[:4])
        mean, se, df, n = (np.concatenate(p) for p in zip(*parts, strict=True))
        return mean, se, df, n

    def _coefficients(self, acres: Floats) -> Floats:
        """Acres each stand's own mean speaks for, (D, S) to (D, S)."""
        c = np.where(self.cells.own, acres, 0.0)
        for pool in self.pools:
            lent = acres[:, pool.borrowers].sum(axis=1)
            c[:, pool.donors] += lent[:, None] * pool.weights
        return np.asarray(c)

    def _shared(
        self, acres: Floats, squares: Floats, acres2: Floats | None = None
    ) -> Iterator[tuple[Floats, Spread]]:
        """Variances that several stands share, with their multiple in each domain."""
        for group in self.lone:
            yield squares[:, group.stands].sum(axis=1), group.spread
        for pool in self.pools:
            yield pool.between(acres, acres2), pool.spread

    def _work_out(
        self, acres: Floats, parts: OwnParts | None = None
    ) -> tuple[Floats, Floats, Floats, NDArray[np.int64], NDArray[np.object_]]:
        """Total, standard error, degrees of freedom, plots and borrowing of each domain."""
        cells = self.cells
        c = self._coefficients(acres)
        squares, used = c**2, (c > 0).astype(np.float64)
        variance = squares @ cells.variance
        over_df = squares**2 @ self._variance_sq_over_df
        df_sum = used @ cells.df
        for multiple, spread in self._shared(acres, squares):
            on = multiple > 0
            part = multiple[on, None] * spread.variance
            variance[on] += part
            over_df[on] += part**2 / spread.df
            df_sum[on] += spread.df
        total, coefficients, every = c @ np.nan_to_num(cells.mean), cells.shared, c
        if parts is not None:
            area = parts.acres**2
            total = total + parts.acres @ parts.mean
            variance += area @ parts.variance + 2 * parts.covariance
            over_df += area**2 @ (parts.variance**2 / np.maximum(parts.df, 1)[:, None])
            df_sum += (area > 0) @ parts.df
            coefficients, every = parts.shared, np.hstack([c, parts.acres])
        fewest = np.zeros(len(acres))
        for shared in coefficients:
            on = shared.multiple(every) > 0
            part = shared.part(every)[on]
            variance[on] += part
            over_df[on] += part**2 / shared.fit.df
            df_sum[on] += shared.fit.df
            least = np.where(fewest[on] > 0, fewest[on], np.inf)
            fewest[on] = np.minimum(least, shared.fit.df)
        # A covariance below zero may take away more than was there in a small sample.
        variance = np.maximum(variance, 0.0)
        known = np.where(df_sum > 0, df_sum, np.inf)[:, None]
        with np.errstate(divide="ignore", invalid="ignore"):
            df = np.where(over_df > 0, variance**2 / over_df, known)
        df = np.maximum(df, fewest[:, None])
        borrowed = np.full(len(acres), "", dtype=object)
        for pool in self.pools:  # the tract pool comes last, and so is the one named
            borrowed[(acres[:, pool.borrowers] > 0).any(axis=1)] = pool.level
        n = np.rint(used @ cells.n).astype(np.int64)
        return total, np.sqrt(variance), df, n, borrowed

    @cached_property
    def _variance_sq_over_df(self) -> Floats:
        return np.asarray(self.cells.variance**2 / np.maximum(self.cells.df, 1)[:, None])

    def _chunks(self, frame: pd.DataFrame) -> Iterator[Floats]:
        return acre_chunks(frame, self.stands, _CHUNK)

    def _row(self, acres: pd.Series) -> Floats:
        return next(self._chunks(as_domains(acres)))

    def _table(
        self,
        rows: tuple[str, ...],
        mean: Floats,
        se: Floats,
        df: Floats,
        n: NDArray[np.int64],
        borrowed: NDArray[np.object_],
    ) -> EstimateTable:
        return EstimateTable(
            rows=rows,
            attributes=self.sample.attributes,
            estimate=mean,
            se=se,
            df=df,
            n=n,
            borrowed=borrowed,
            confidence=self.sample.confidence,
        )
