"""Every stand by itself: its mean, the variance of that mean, and what stands share."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from standmap.cruise import _kernels
from standmap.cruise.indirect import Fit, Indirect
from standmap.cruise.sample import Sample

Floats = NDArray[np.float64]
Places = NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class Spread:
    """A variance of every attribute, and on request their covariance.

    Attributes
    ----------
    variance : ndarray, shape (A,)
        Variance of each attribute; NaN where the data cannot tell.
    df : float
        Degrees of freedom.
    rows : callable
        Makes the (m, A) matrix D whose D'D is the covariance of the attributes.
    """

    variance: Floats
    df: float
    rows: Callable[[], Floats]

    @classmethod
    def between(cls, values: Floats) -> Spread:
        """Sample variance between the rows of ``values``, two or more."""
        df = len(values) - 1
        scaled = (values - values.mean(axis=0)) / np.sqrt(df)
        return cls((scaled**2).sum(axis=0), float(df), lambda: scaled)

    def covariance(self) -> Floats:
        """Covariance matrix of the attributes, shape (A, A)."""
        rows = self.rows()
        return np.asarray(rows.T @ rows)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Contrast:
    """What the plots of a stand are compared by, where it is not each plot with their mean.

    Attributes
    ----------
    matrix : sparse array, shape (m, P)
        Makes rows of the plots' residuals whose squares sum to the variance of their stand's mean.
    stand : ndarray of int, shape (m,)
        Stand of each row.
    units : ndarray of int, shape (S,)
        What was drawn in each stand: clusters, or plots.
    df : ndarray, shape (S,)
        Degrees of freedom.
    """

    matrix: sparse.csr_array
    stand: Places
    units: NDArray[np.int64]
    df: Floats

    @classmethod
    def of(cls, sample: Sample, index: Places, share: Floats) -> Contrast | None:
        """Return the contrast a sample asks for; None for plain plots."""
        if sample.cluster is not None:
            return cls._clusters(sample.cluster, index, share, len(sample.stands))
        if sample.line is not None:
            return cls._neighbours(sample.line, index, share, len(sample.stands))
        return None

    @classmethod
    def _clusters(
        cls, cluster: NDArray[np.object_], index: Places, share: Floats, n_stands: int
    ) -> Contrast:
        """Compare clusters: a ratio of their sums to their plots (Cochran 1977, section 11.8)."""
        keys = {key: at for at, key in enumerate(dict.fromkeys(zip(index, cluster, strict=True)))}
        row = np.array([keys[key] for key in zip(index, cluster, strict=True)], dtype=np.intp)
        stand = np.array([key[0] for key in keys], dtype=np.intp)
        units = np.bincount(stand, minlength=n_stands)
        scale = np.where(units > 1, np.sqrt(units / np.maximum(units - 1, 1)), 0.0)
        plots = np.arange(index.size)
        matrix = sparse.csr_array(
            (share * scale[index], (row, plots)), shape=(stand.size, index.size)
        )
        return cls(
            matrix=matrix, stand=stand, units=units, df=np.maximum(units - 1, 0).astype(float)
        )

    @classmethod
    def _neighbours(
        cls, line: NDArray[np.object_], index: Places, share: Floats, n_stands: int
    ) -> Contrast:
        """Compare neighbours on a line; a stand without neighbours compares its plots as random."""
        names = {name: at for at, name in enumerate(dict.fromkeys(line))}
        walked = index * len(names) + np.array([names[name] for name in line])
        order = np.argsort(walked, kind="stable")
        same = walked[order][1:] == walked[order][:-1]
        one, other = order[:-1][same], order[1:][same]
        stand = index[one]
        steps = np.bincount(stand, minlength=n_stands)
        n = np.bincount(index, minlength=n_stands)
        per_line = np.bincount(np.unique(walked[one], return_inverse=True)[1])
        of_line = np.unique(walked[one]) // max(len(names), 1)
        trace = np.bincount(of_line, weights=3.0 * per_line - 1, minlength=n_stands)
        df = np.where(steps > 0, 2 * steps**2 / np.maximum(trace, 1), np.maximum(n - 1, 0))
        scale = 1 / np.sqrt(2.0 * np.maximum(steps, 1) * np.maximum(n, 1))
        alone = np.flatnonzero((steps[index] == 0) & (n[index] > 1))
        m = one.size
        rows = np.concatenate([np.arange(m), np.arange(m), m + np.arange(alone.size)])
        columns = np.concatenate([other, one, alone])
        plain = share[alone] * np.sqrt(n[index[alone]] / np.maximum(n[index[alone]] - 1, 1))
        values = np.concatenate([scale[stand], -scale[stand], plain])
        matrix = sparse.csr_array((values, (rows, columns)), shape=(m + alone.size, index.size))
        owner = np.concatenate([stand, index[alone]])
        return cls(matrix=matrix, stand=owner.astype(np.intp), units=n, df=df.astype(float))


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Shared:
    """A coefficient that several stands share, and what its error adds to their totals.

    Attributes
    ----------
    fit : Fit
        The coefficient.
    loading : ndarray, shape (k, S)
        What each stand multiplies it by, per acre.
    spread : Spread
        Variance of its rows.
    stand : ndarray of int, shape (m,)
        Stand of each row that also serves for the stand's own cheap mean.
    own_rows, rows : ndarray, shape (m, A)
        Their products are the covariance of the stand's own mean with the coefficient.
    cross : ndarray, shape (S, A)
        Those products summed by stand.
    """

    fit: Fit
    loading: Floats
    spread: Spread
    stand: Places
    own_rows: Floats
    rows: Floats
    cross: Floats

    def multiple(self, c: Floats, c2: Floats | None = None) -> Floats:
        """Multiple of the spread in each domain's variance, or two domains' covariance."""
        one = c @ self.loading.T
        other = one if c2 is None else c2 @ self.loading.T
        return np.asarray(np.einsum("dk,kl,dl->d", one, self.fit.matrix, other))

    def part(self, c: Floats) -> Floats:
        """Variance that it adds to each domain: its own, and twice the covariance, (D, A)."""
        out = self.multiple(c)[:, None] * self.spread.variance
        if self.stand.size:
            out += 2 * (c @ self.loading.T) * (c @ self.cross)
        return np.asarray(out)

    def covariance(self, a: Floats, b: Floats) -> Floats:
        """Covariance that it adds to two domains' attributes, each of shape (1, S)."""
        out = self.multiple(a, b)[0] * self.spread.covariance()
        if self.stand.size:
            x_a, x_b = float((a @ self.loading.T)[0, 0]), float((b @ self.loading.T)[0, 0])
            out = out + x_b * (a[0, self.stand, None] * self.own_rows).T @ self.rows
            out = out + x_a * self.rows.T @ (b[0, self.stand, None] * self.own_rows)
        return np.asarray(out)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class OwnParts:
    """Parts of stands that stand by the plots inside them, each by itself.

    Attributes
    ----------
    acres : ndarray, shape (D, K)
        Acres of each part in each domain.
    mean, variance : ndarray, shape (K, A)
        Mean per acre and variance of that mean, coefficients shared with stands apart.
    df : ndarray, shape (K,)
        Degrees of freedom of the variance.
    shared : tuple of Shared
        The coefficients of the stands, with what stands and then parts multiply them by.
    covariance : ndarray, shape (D, A)
        Covariance of the parts with what the domain borrows from the same plots.
    """

    acres: Floats
    mean: Floats
    variance: Floats
    df: Floats
    shared: tuple[Shared, ...]
    covariance: Floats

    def of(self, domains: slice) -> OwnParts:
        """Return the same of some domains."""
        return replace(self, acres=self.acres[domains], covariance=self.covariance[domains])


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Cells:
    """Every stand by itself.

    Attributes
    ----------
    sample : Sample
        The plots, and what was measured on them.
    values : ndarray, shape (P, A)
        Figures of each plot: its own, or those by way of something cheaper.
    stand_index : ndarray of int, shape (P,)
        Stand of each plot.
    share : ndarray, shape (P,)
        Share of each plot in its stand's mean.
    n : ndarray of int, shape (S,)
        Plots.
    units : ndarray of int, shape (S,)
        What was drawn: plots, or clusters of them.
    complete : ndarray of bool, shape (S,)
        Tallied to the last tree: no sampling error of its own.
    known : ndarray of bool, shape (S,)
        The stand's cheap figure is known without error, and its figures need no plot of its own.
    mean, variance : ndarray, shape (S, A)
        Mean per acre, NaN without plots; variance of that mean, 0 where it cannot be seen (one
        plot) or there is none (complete); coefficients shared with other stands apart.
    df : ndarray, shape (S,)
        Degrees of freedom of the variance; 0 without one.
    left : ndarray, shape (S,)
        Share of the variance left by the finite population correction.
    contrast : Contrast or None
        What plots are compared by; None where each is held to its stand's mean.
    shared : tuple of Shared
        Coefficients that stands share.
    """

    sample: Sample
    values: Floats
    stand_index: Places
    share: Floats
    n: NDArray[np.int64]
    units: NDArray[np.int64]
    complete: NDArray[np.bool_]
    known: NDArray[np.bool_]
    mean: Floats
    variance: Floats
    df: Floats
    left: Floats
    contrast: Contrast | None
    shared: tuple[Shared, ...]

    @classmethod
    def of(cls, sample: Sample) -> Cells:
        """Mean and variance of every stand's plots."""
        index, n_stands = sample.stand_index, len(sample.stands)
        n = np.bincount(index, minlength=n_stands)
        weight = np.bincount(index, weights=sample.plot_weight, minlength=n_stands)
        complete = np.bincount(index[sample.is_complete], minlength=n_stands) > 0
        share = sample.plot_weight / weight[index]
        indirect = sample.indirect
        fits = [] if indirect is None else indirect.fit(sample.values, index)
        values = sample.values if indirect is None else indirect.by_plot(sample.values, fits, index)
        known = np.zeros(n_stands, dtype=bool)
        contrast = Contrast.of(sample, index, share)
        units = n if contrast is None else contrast.units
        left = np.ones(n_stands) if sample.seen is None else 1 - sample.seen
        mean = _kernels.sum_rows(index, share, values, n_stands)
        if indirect is not None and indirect.x_stand is not None:
            known[:] = True
            mean = np.zeros((n_stands, values.shape[1]))
            for fit in fits:
                mean += indirect.by_stand(indirect.x_stand, fit).T @ fit.coefficients
        df = np.maximum(n - 1, 0).astype(np.float64) if contrast is None else contrast.df
        df = np.where(complete | known, 0.0, df)
        if contrast is None:
            scale = _residual_scale(share, n[index], df[index]) * np.sqrt(left)[index]
            variance = _kernels.sum_squares(index, scale**2, values, mean)
        else:
            rows = contrast.matrix @ (values - mean[index])
            variance = np.zeros_like(mean)
            np.add.at(variance, contrast.stand, rows**2)
            variance *= (left * (df > 0))[:, None]
        mean[(n == 0) & ~known] = np.nan
        shared: tuple[Shared, ...] = ()
        if indirect is not None:
            per_acre = indirect.x_stand
            if per_acre is None:
                per_acre = _kernels.sum_rows(index, share, indirect.x_plot, n_stands)
            shared = tuple(
                _share(indirect, fit, per_acre, index, share, values, mean, complete | known)
                for fit in fits
            )
        return cls(
            sample=sample,
            values=values,
            stand_index=index,
            share=share,
            n=n,
            units=units,
            complete=complete,
            known=known,
            mean=mean,
            variance=variance,
            df=df,
            left=left,
            contrast=contrast,
            shared=shared,
        )

    @property
    def own(self) -> NDArray[np.bool_]:
        """Whether a stand stands by its own plots, shape (S,)."""
        return np.asarray((self.units >= 2) | self.complete | self.known)

    @property
    def lone(self) -> NDArray[np.bool_]:
        """Whether a stand has just one plot, so that its error cannot be seen, shape (S,)."""
        return np.asarray((self.units == 1) & ~self.complete & ~self.known)

    def residuals(self, factor: Floats) -> Floats:
        """Plot residuals times a factor by stand; of factor 1, R'R sums the stands' covariances.

        Only rows of some factor and variance are made, (m, A).
        """
        index, on = self.stand_index, factor * np.sqrt(self.left) * (self.df > 0)
        if self.contrast is None:
            scale = _residual_scale(self.share, self.n[index], self.df[index]) * on[index]
            rows = np.flatnonzero(scale)
            apart = self.values[rows] - self.mean[index[rows]]
            return np.asarray(scale[rows, None] * apart)
        rows = np.flatnonzero(on[self.contrast.stand])
        apart = self.values - np.nan_to_num(self.mean)[index]
        made = self.contrast.matrix[rows] @ apart
        return np.asarray(on[self.contrast.stand[rows], None] * made)

    def plot_spread(self, stands: Places) -> Spread | None:
        """Plot-to-plot variance within stands, pooled; between lone plots if there is no other.

        The second is the collapsed-strata estimator (Cochran 1977, section 5A.12, from memory).
        """
        df = self.df[stands].sum()
        if df > 0:
            factor = np.zeros(self.n.size)
            factor[stands] = np.sqrt(self.df[stands] * self.units[stands] / df)
            variance = (factor[stands, None] ** 2 * self.variance[stands]).sum(axis=0)
            return Spread(variance, float(df), lambda: self.residuals(factor))
        single = stands[self.lone[stands]]
        return Spread.between(self.mean[single]) if single.size > 1 else None

    def row_weights(self, c: Floats) -> Floats:
        """Acres each row of measured figures speaks for, c being those each stand's mean does."""
        indirect = self.sample.indirect
        spoken = c[self.stand_index] * self.share
        if indirect is None:
            return np.asarray(spoken)
        out = np.where(indirect.class_of_row < 0, spoken[indirect.plot_of_row], 0.0)
        for one in self.shared:
            out[one.fit.rows] = (one.loading @ c) @ one.fit.weights
        return np.asarray(out)


def _share(
    indirect: Indirect,
    fit: Fit,
    per_acre: Floats,
    index: Places,
    share: Floats,
    values: Floats,
    mean: Floats,
    sure: NDArray[np.bool_],
) -> Shared:
    """Work out what stands share through one coefficient of their cheap figures per acre."""
    loading = indirect.by_stand(per_acre, fit)
    plot = indirect.plot_of_row[fit.rows]
    both = np.flatnonzero(~sure[index[plot]]) if indirect.kind == "ratio" else np.zeros(0, np.intp)
    plot = plot[both]
    stand = index[plot]
    own_rows = share[plot, None] * (values[plot] - mean[stand])
    m = fit.rows.size
    rows = fit.influence[both] * np.sqrt(m / max(m - 1, 1))
    cross = np.zeros(mean.shape)
    np.add.at(cross, stand, own_rows * rows)
    influence = fit.influence
    return Shared(
        fit=fit,
        loading=loading,
        spread=Spread((influence**2).sum(axis=0), fit.df, lambda: influence),
        stand=stand,
        own_rows=own_rows,
        rows=rows,
        cross=cross,
    )


def _residual_scale(share: Floats, n: NDArray[np.int64], df: Floats) -> Floats:
    """Scale that makes squared residuals sum to the variance of a (weighted) mean.

    With equal weights this is 1 / sqrt(n (n - 1)): variance s^2 / n. With unequal weights it is
    the variance of a ratio of means (Cochran 1977, section 2.11, from memory).
    """
    return np.asarray(np.where(df > 0, share * np.sqrt(n / np.maximum(df, 1)), 0.0))
