"""Estimates that never travel without their error."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri, stdtrit

from standmap.errors import DomainError

Floats = NDArray[np.float64]
Figure = Literal["estimate", "se", "df", "half_width", "error_pct", "low", "high"]


def t_quantile(df: ArrayLike, confidence: float) -> Floats:
    """Two-sided multiplier of the standard error.

    Parameters
    ----------
    df : array_like
        Degrees of freedom, above 0; infinite for the normal.
    confidence : float
        Confidence of the interval, such as 0.90.

    Returns
    -------
    ndarray
        Student's t that leaves half of ``1 - confidence`` in each tail.

    Raises
    ------
    DomainError
        If ``confidence`` is not between 0 and 1.

    Examples
    --------
    >>> t_quantile([1, 19, np.inf], 0.95).round(3)
    array([12.706,  2.093,  1.96 ])
    """
    check_confidence(confidence)
    # Tables of stands repeat a few degrees of freedom many times over.
    values, place = np.unique(np.asarray(df, dtype=np.float64), return_inverse=True)
    upper = 0.5 + confidence / 2
    found = np.where(np.isinf(values), ndtri(upper), stdtrit(np.minimum(values, 1e12), upper))
    return np.asarray(found[place].reshape(np.shape(df)))


def check_confidence(confidence: float) -> None:
    """Raise unless a confidence is a fraction between 0 and 1."""
    if not 0 < confidence < 1:
        raise DomainError(
            f"'confidence' must be a fraction between 0 and 1, such as 0.90; got {confidence!r}."
        )


def sampling_error_pct(estimate: ArrayLike, half_width: ArrayLike) -> Floats:
    """Half-width of the interval as a percentage of the estimate; NaN where the estimate is 0."""
    size = np.abs(np.asarray(estimate, dtype=np.float64))
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(size > 0, 100 * np.asarray(half_width) / size, np.nan))


def satterthwaite(parts: ArrayLike, df: ArrayLike) -> float:
    """Degrees of freedom of a sum of independently estimated variances.

    Parameters
    ----------
    parts : array_like
        The estimated variances summed, each with its coefficient.
    df : array_like
        Degrees of freedom of each.

    Returns
    -------
    float
        (sum v)^2 / sum(v^2 / df); the sum of the degrees of freedom where every part is 0.

    References
    ----------
    .. [1] Satterthwaite, F.E. 1946. An approximate distribution of estimates of variance
       components. Biometrics Bulletin 2:110-114 (from memory).

    Examples
    --------
    >>> satterthwaite([4.0, 4.0], [9, 9])
    18.0
    """
    v, nu = np.asarray(parts, dtype=np.float64), np.asarray(df, dtype=np.float64)
    total = float(v.sum())
    return total**2 / float((v**2 / nu).sum()) if total > 0 else float(nu.sum())


def _short(value: float) -> str:
    if not math.isfinite(value):
        return "unknown"
    return f"{value:,.0f}" if abs(value) >= 100 else f"{value:,.4g}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """One figure with its sampling error.

    Attributes
    ----------
    mean : float
        The estimate, in the unit of what was measured.
    se : float
        Standard error, same unit.
    n : int
        Plots (sampling units) it rests on.
    df : float
        Degrees of freedom of ``se``; infinite where there is no sampling error.
    confidence : float
        Confidence of the interval.

    Examples
    --------
    >>> volume = Estimate(mean=5680, se=632, n=25, df=24, confidence=0.90)
    >>> volume
    5,680 ± 1,081 (90% confidence, 19.0%; n = 25)
    >>> volume.times(10_000).se
    6320000.0
    """

    mean: float
    se: float
    n: int
    df: float
    confidence: float = 0.90

    def __post_init__(self) -> None:
        check_confidence(self.confidence)
        if self.se < 0 or self.df <= 0:
            raise DomainError(
                f"An estimate needs se >= 0 and df > 0; got se {self.se:g}, df {self.df:g}."
            )

    @property
    def half_width(self) -> float:
        """Half the width of the interval: t x standard error."""
        return float(t_quantile(self.df, self.confidence)) * self.se

    @property
    def interval(self) -> tuple[float, float]:
        """Confidence interval, low and high; not cut off at 0."""
        return self.mean - self.half_width, self.mean + self.half_width

    @property
    def sampling_error_pct(self) -> float:
        """Half-width as a percentage of the estimate; NaN where the estimate is 0."""
        return float(sampling_error_pct(self.mean, self.half_width))

    def times(self, factor: float) -> Estimate:
        """Scale by a known number: a mean per acre by acres gives a total.

        Parameters
        ----------
        factor : float
            Known without error.

        Returns
        -------
        Estimate
        """
        return Estimate(
            mean=float(self.mean * factor),
            se=float(self.se * abs(factor)),
            n=self.n,
            df=self.df,
            confidence=self.confidence,
        )

    def __repr__(self) -> str:
        error = self.sampling_error_pct
        share = "" if math.isnan(error) else f", {error:.1f}%"
        return (
            f"{_short(self.mean)} ± {_short(self.half_width)} "
            f"({100 * self.confidence:g}% confidence{share}; n = {self.n:,})"
        )


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class EstimateTable:
    """Estimates of many attributes for many stands or domains.

    Attributes
    ----------
    rows : tuple of str
        Stands or domains, R of them.
    attributes : tuple of str
        What was measured, A of them, units on the name.
    estimate, se, df : ndarray, shape (R, A)
        Estimate, its standard error, and the degrees of freedom of that error.
    n : ndarray of int, shape (R,)
        Plots each row rests on, those of other stands it borrows from included.
    borrowed : ndarray of str, shape (R,)
        Blank where every acre lies in a stand with plots of its own; "stratum" or "tract" where
        some acre takes the figures of its stratum, or of the whole tract.
    confidence : float
        Confidence of the intervals.
    """

    rows: tuple[str, ...]
    attributes: tuple[str, ...]
    estimate: Floats
    se: Floats
    df: Floats
    n: NDArray[np.int64]
    borrowed: NDArray[np.object_]
    confidence: float

    @cached_property
    def half_width(self) -> Floats:
        """Half-widths of the intervals: t x standard error, shape (R, A)."""
        return np.asarray(t_quantile(self.df, self.confidence) * self.se)

    @property
    def low(self) -> Floats:
        """Lower ends of the intervals; not cut off at 0."""
        return np.asarray(self.estimate - self.half_width)

    @property
    def high(self) -> Floats:
        """Upper ends of the intervals."""
        return np.asarray(self.estimate + self.half_width)

    @property
    def error_pct(self) -> Floats:
        """Sampling errors: half-widths as % of the estimates, NaN where an estimate is 0."""
        return sampling_error_pct(self.estimate, self.half_width)

    def one(self, row: str, attribute: str) -> Estimate:
        """Return one figure.

        Parameters
        ----------
        row, attribute : str
            Stand or domain, and attribute.

        Returns
        -------
        Estimate

        Raises
        ------
        DomainError
            If the table has no such row or attribute.
        """
        r, a = _place(self.rows, row, "row"), _place(self.attributes, attribute, "attribute")
        return Estimate(
            mean=float(self.estimate[r, a]),
            se=float(self.se[r, a]),
            n=int(self.n[r]),
            df=float(self.df[r, a]),
            confidence=self.confidence,
        )

    def wide(self, figure: Figure = "estimate") -> pd.DataFrame:
        """One figure of every row and attribute.

        Parameters
        ----------
        figure : {"estimate", "se", "df", "half_width", "error_pct", "low", "high"}
            Which figure.

        Returns
        -------
        DataFrame
            Rows by attributes.
        """
        return pd.DataFrame(
            getattr(self, figure), index=list(self.rows), columns=list(self.attributes)
        )

    def to_frame(self) -> pd.DataFrame:
        """Tidy table: one line for each row and attribute.

        Returns
        -------
        DataFrame
            Columns ``row, attribute, estimate, se, error_pct, low, high, df, n, borrowed``.
        """
        many = len(self.attributes)
        figures = ("estimate", "se", "error_pct", "low", "high", "df")
        return pd.DataFrame(
            {
                "row": np.repeat(np.asarray(self.rows, dtype=object), many),
                "attribute": np.tile(np.asarray(self.attributes, dtype=object), len(self.rows)),
                **{name: getattr(self, name).ravel() for name in figures},
                "n": np.repeat(self.n, many),
                "borrowed": np.repeat(self.borrowed, many),
            }
        )

    def __repr__(self) -> str:
        return (
            f"EstimateTable({len(self.rows):,} rows × {len(self.attributes):,} attributes, "
            f"{100 * self.confidence:g}% confidence)"
        )


def _place(names: Iterable[str], name: str, what: str) -> int:
    listed = list(names)
    if name not in listed:
        raise DomainError(f"No {what} {name!r} in the table; it has {', '.join(listed[:8])}.")
    return listed.index(name)
