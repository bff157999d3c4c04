"""Figures that come by way of something cheaper: counts, predictions, covariates, mapped types.

An indirect cruise measures trees on some plots (or some of the trees) and something cheaper on all
of them. Whatever the design, each stand's figure is then

    (what was measured outright) + (coefficient) x (the cheap figure of the stand, per acre),

the coefficient being a ratio or a line fitted to what was measured, over a stand, a stratum or the
tract. Both parts are linear in the measured trees, so every attribute of every domain follows from
one set of weights, and stand tables, logs and products add up to the same totals. The error has
three parts: how the cheap figure differs from plot to plot (each stand's own), the error of the
coefficient (shared by the stands that share it, so it does not average out over them), and the
covariance of the two where the same plots serve for both.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from standmap.cruise import _kernels
from standmap.errors import DomainError

Floats = NDArray[np.float64]
Places = NDArray[np.intp]

DIRECT = -1
"""Class of a row that counts as it is, such as a 3P tree that was sure to be measured."""
UNUSED = -2
"""Class of a row that holds nothing, such as a point where trees were only counted."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Indirect:
    r"""How measured rows and cheap figures make the figures of plots and stands.

    A row is what was measured together: a plot, or a tree of a complete tally.

    Attributes
    ----------
    kind : {"ratio", "line"}
        Ratio of sums to ``x_row``, or least squares on an intercept and ``x_row``.
    plot_of_row : ndarray of int, shape (R,)
        Plot of each row.
    class_of_row : ndarray of int, shape (R,)
        Class of each row, such as a mapped type or a sample group: 0 to K - 1; `DIRECT`; `UNUSED`.
    x_row : ndarray, shape (R,)
        The cheap figure of each row as the measured trees have it.
    x_plot : ndarray, shape (P, K)
        The cheap figure of each plot, per acre, by class.
    x_stand : ndarray, shape (S, K), optional
        Means per acre where they are known from a map or a complete count, and so without error.
    group_of_stand : ndarray of int, shape (S,)
        Stands of the same number share their coefficients.
    groups, classes : tuple of str
        Names of the groups and of the classes.
    left : ndarray, shape (R,), optional
        Share of a row's variance left after its own finite population correction, such as
        1 - KPI / KZ of a 3P tree; default 1.

    Notes
    -----
    Ratio: :math:`R = \sum y / \sum x`, influence of a row :math:`(y - R x) / \sum x`; the
    linearised variance of two-phase sampling with the first-phase mean and variance of x taken
    from every plot [1]_ [2]_. Line: residual variance on m - 2 and
    :math:`f' (X'X)^{-1} f` [3]_.

    References
    ----------
    .. [1] Rao, J.N.K., and R.R. Sitter. 1995. Variance estimation under two-phase sampling with
       application to imputation for missing data. Biometrika 82:453-460 (from memory).
    .. [2] Cochran, W.G. 1977. Sampling techniques, 3rd ed. Wiley, sections 6.11 (combined ratio)
       and 12.8 (from memory).
    .. [3] Freese, F. 1962. Elementary forest sampling. USDA Agriculture Handbook 232 (from memory).
    """

    kind: Literal["ratio", "line"]
    plot_of_row: Places
    class_of_row: Places
    x_row: Floats
    x_plot: Floats
    group_of_stand: Places
    groups: tuple[str, ...]
    classes: tuple[str, ...] = ("",)
    x_stand: Floats | None = None
    left: Floats | None = None

    def __post_init__(self) -> None:
        rows = self.plot_of_row.size
        if self.class_of_row.size != rows or self.x_row.size != rows:
            raise DomainError("'plot_of_row', 'class_of_row' and 'x_row' must be of one length.")
        if self.x_plot.ndim != 2 or self.x_plot.shape[1] != len(self.classes):
            raise DomainError("'x_plot' must have a column for each class.")
        if not (np.isfinite(self.x_plot).all() and np.isfinite(self.x_row).all()):
            raise DomainError("A cheap figure is missing: every plot needs its own.")
        if self.kind == "line" and len(self.classes) != 1:
            raise DomainError("A line takes one class.")

    @property
    def n_rows(self) -> int:
        """Rows measured together."""
        return int(self.plot_of_row.size)

    def fit(self, values: Floats, stand_of_plot: Places) -> list[Fit]:
        """Fit every coefficient of a group and class that has rows.

        Parameters
        ----------
        values : ndarray, shape (R, A)
            Figures of the rows.
        stand_of_plot : ndarray of int, shape (P,)
            Stand of each plot.

        Raises
        ------
        DomainError
            If a group that is needed has too few rows, or their ``x`` sums to 0.
        """
        group = self.group_of_stand[stand_of_plot[self.plot_of_row]]
        found = []
        for g, c in self.needed(stand_of_plot):
            rows = np.flatnonzero((group == g) & (self.class_of_row == c))
            name = " of ".join(n for n in (self.classes[c], self.groups[g]) if n) or "the tract"
            fit = _ratio_fit if self.kind == "ratio" else _line_fit
            left = None if self.left is None else self.left[rows]
            found.append(fit(name, g, c, rows, self.x_row[rows], values[rows], left))
        return found

    def needed(self, stand_of_plot: Places) -> list[tuple[int, int]]:
        """List the groups and classes whose coefficient some stand takes."""
        per_group = np.zeros((len(self.groups), len(self.classes)))
        if self.x_stand is not None:
            np.add.at(per_group, self.group_of_stand, np.abs(self.x_stand))
        else:
            np.add.at(per_group, self.group_of_stand[stand_of_plot], np.abs(self.x_plot))
        if self.kind == "line":  # its intercept is taken by a plot of x = 0 too
            per_group[self.group_of_stand[stand_of_plot]] = 1.0
        return [(int(g), int(c)) for g, c in np.argwhere(per_group > 0)]

    def by_plot(self, values: Floats, fits: list[Fit], stand_of_plot: Places) -> Floats:
        """Figures of every plot by way of the coefficients, (P, A)."""
        n_plots = len(self.x_plot)
        direct = np.where(self.class_of_row == DIRECT, self.plot_of_row, -1).astype(np.intp)
        out = np.asarray(_kernels.sum_rows(direct, np.ones(self.n_rows), values, n_plots))
        group = self.group_of_stand[stand_of_plot]
        for fit in fits:
            mine = np.flatnonzero(group == fit.group)
            out[mine] += self._terms(self.x_plot[mine, fit.of_class]) @ fit.coefficients
        return out

    def by_stand(self, x: Floats, fit: Fit) -> Floats:
        """Return what each stand multiplies a coefficient by, per acre: (k, S)."""
        inside = self.group_of_stand == fit.group
        return np.where(inside, self._terms(np.where(inside, x[:, fit.of_class], 0.0)).T, 0.0)

    def _terms(self, x: Floats) -> Floats:
        return x[:, None] if self.kind == "ratio" else np.column_stack([np.ones(x.size), x])

    def fitted(self, fits: list[Fit]) -> pd.DataFrame:
        """List the coefficients: ``group, class, rows, x_sum``."""
        return pd.DataFrame(
            {
                "group": [self.groups[f.group] for f in fits],
                "class": [self.classes[f.of_class] for f in fits],
                "rows": [f.rows.size for f in fits],
                "x_sum": [float(self.x_row[f.rows].sum()) for f in fits],
            }
        )


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Fit:
    """One fitted ratio or line of all attributes.

    Attributes
    ----------
    group, of_class : int
        Whose it is.
    rows : ndarray of int, shape (m,)
        Rows it was fitted to.
    coefficients : ndarray, shape (k, A)
        Ratio; or intercept and slope.
    weights : ndarray, shape (k, m)
        What makes the coefficients of the rows: linear.
    matrix : ndarray, shape (k, k)
        Variance of a domain whose stands multiply the coefficients by f is f' matrix f x spread.
    residuals : ndarray, shape (m, A)
        What each row is off its fitted figure.
    hat : ndarray, shape (m,)
        Share of each row in its own fitted figure.
    scale : ndarray, shape (m,)
        Residuals times it have squares that sum to the spread.
    df : float
        Degrees of freedom.
    """

    group: int
    of_class: int
    rows: Places
    coefficients: Floats
    weights: Floats
    matrix: Floats
    residuals: Floats
    hat: Floats
    scale: Floats
    df: float

    @property
    def influence(self) -> Floats:
        """Rows whose squares sum to the spread, (m, A)."""
        return np.asarray(self.scale[:, None] * self.residuals)

    def change_without(self, loading: Floats) -> Floats:
        """Change of ``loading @ coefficients`` when each row in turn is left out, (m, A)."""
        with np.errstate(divide="ignore", invalid="ignore"):
            pull = np.where(self.hat < 1, (loading @ self.weights) / (1 - self.hat), np.nan)
        return np.asarray(-pull[:, None] * self.residuals)


def _ratio_fit(
    name: str, g: int, c: int, rows: Places, x: Floats, y: Floats, left: Floats | None
) -> Fit:
    m, total = rows.size, float(x.sum())
    whole = left is not None and not left.any()  # every tree of the group was measured
    if (m < 2 and not whole) or m == 0 or not total > 0:
        raise DomainError(
            f"Too little was measured in {name} for a ratio: {m} rows with {total:g} in all. "
            "Pool it with more."
        )
    ratio = y.sum(axis=0, keepdims=True) / total
    kept = np.ones(m) if left is None else np.sqrt(left)
    scale = kept * np.sqrt(m / max(m - 1, 1)) / total
    return Fit(
        group=g,
        of_class=c,
        rows=rows,
        coefficients=ratio,
        weights=np.full((1, m), 1 / total),
        matrix=np.ones((1, 1)),
        residuals=y - x[:, None] * ratio,
        hat=x / total,
        scale=scale,
        df=float(max(m - 1, 1)),
    )


def _line_fit(
    name: str, g: int, c: int, rows: Places, x: Floats, y: Floats, _left: Floats | None
) -> Fit:
    m = rows.size
    if m < 3 or np.ptp(x) == 0:
        raise DomainError(
            f"Too little was measured in {name} for a line: {m} rows. Three or more are needed, "
            "with figures that differ."
        )
    design = np.column_stack([np.ones(m), x])
    apart = x - x.mean()
    squares = float(apart @ apart)
    slope = apart / squares
    weights = np.stack([1 / m - x.mean() * slope, slope])
    mean = x.mean()
    matrix = np.array(
        [[1 / m + mean**2 / squares, -mean / squares], [-mean / squares, 1 / squares]]
    )
    coefficients = weights @ y
    return Fit(
        group=g,
        of_class=c,
        rows=rows,
        coefficients=coefficients,
        weights=weights,
        matrix=matrix,
        residuals=y - design @ coefficients,
        hat=(design * weights.T).sum(axis=1),
        scale=np.full(m, 1 / np.sqrt(m - 2)),
        df=float(m - 2),
    )
