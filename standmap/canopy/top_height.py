"""Top height: measured on plots, fitted against the canopy, and read off for whole stands."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from os import PathLike
from typing import Final, Self

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike, NDArray
from sklearn.base import BaseEstimator, RegressorMixin
from sklearn.linear_model import LinearRegression
from sklearn.model_selection import LeaveOneOut, cross_val_predict

from standmap._rasters import RasterUnits
from standmap.canopy.metrics import METRICS, footprint_metrics
from standmap.errors import DomainError, ExtrapolationWarning, SmallSampleWarning
from standmap.units import SQM_PER_ACRE

Floats = NDArray[np.float64]

TOP_TREES_PER_ACRE: Final = 40.0
"""Top height is the mean height of the thickest 40 trees an acre (about 100 a hectare). Common
practice, no source."""

MIN_PLOTS: Final = 10
"""Fewest plots a fit is made from. Common practice, no source."""

CANDIDATES: Final[tuple[tuple[str, ...], ...]] = (
    ("p95_ft",),
    ("p90_ft",),
    ("max_ft",),
    ("mean_ft",),
    ("p95_ft", "cover_2m"),
    ("p90_ft", "sd_ft"),
)
"""Predictors tried, each set against the others by leave-one-out; simplest first."""

EXTRAPOLATION_SHARE: Final = 0.10
"""Further outside the fitted range than this share of it, a prediction is warned of."""


def plot_top_height_ft(
    plot: ArrayLike,
    dbh_in: ArrayLike,
    height_ft: ArrayLike,
    trees_per_acre: ArrayLike,
    *,
    top_trees_per_acre: float = TOP_TREES_PER_ACRE,
) -> pd.Series:
    """Return the top height of each plot: mean height of its thickest 40 trees an acre.

    Parameters
    ----------
    plot : array_like
        Plot of each tree.
    dbh_in, height_ft : array_like
        Diameter and total height. Trees without a height are left out. [in], [ft]
    trees_per_acre : array_like
        Expansion factor of each tree, times its count.
    top_trees_per_acre : float
        How many trees an acre make the top.

    Returns
    -------
    Series
        Indexed by plot, sorted; plots without a height are not there. A plot with fewer trees an
        acre than the top takes them all.

    Examples
    --------
    The two thickest trees stand for 25 an acre each, so the second counts 15/25:

    >>> plot_top_height_ft(["a"] * 3, [20, 18, 9], [100, 80, 60], [25, 25, 25]).round(1).to_dict()
    {'a': 92.5}
    """
    trees = pd.DataFrame(
        {
            "plot": np.asarray(plot),
            "dbh_in": np.asarray(dbh_in, dtype=np.float64),
            "height_ft": np.asarray(height_ft, dtype=np.float64),
            "factor": np.asarray(trees_per_acre, dtype=np.float64),
        }
    )
    trees = trees[trees["height_ft"].notna() & (trees["factor"] > 0)]
    # Equal diameters: the taller first, so that the order of the tally never matters.
    trees = trees.sort_values(
        ["plot", "dbh_in", "height_ft"], ascending=[True, False, False], kind="stable"
    )
    thicker = trees.groupby("plot")["factor"].cumsum() - trees["factor"]
    weight = (top_trees_per_acre - thicker).clip(lower=0, upper=trees["factor"])
    sums = pd.DataFrame({"height": weight * trees["height_ft"], "weight": weight})
    sums = sums.groupby(trees["plot"]).sum()
    return (sums["height"] / sums["weight"]).rename("top_height_ft")


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class CanopyFit:
    """A linear fit of plot top height on canopy metrics, and how far to trust it.

    Attributes
    ----------
    predictors : tuple of str
        Metrics used, chosen among :data:`CANDIDATES` by leave-one-out.
    intercept_ft : float
        Constant term.
    coefficients : tuple of float
        One for each predictor: feet per foot for heights, feet per unit share for cover.
    n : int
        Plots fitted.
    rmse_ft, bias_ft : float
        Leave-one-out root mean square error and mean error (predicted less measured) of one
        footprint, the choice of predictors repeated with each plot left out.
    r2 : float
        1 - leave-one-out sum of squares / sum of squares about the mean; below 0 when the fit is
        worse than the plain mean.
    low, high : tuple of float
        Range of each predictor on the fitted plots.
    """

    predictors: tuple[str, ...]
    intercept_ft: float
    coefficients: tuple[float, ...]
    n: int
    rmse_ft: float
    bias_ft: float
    r2: float
    low: tuple[float, ...]
    high: tuple[float, ...]

    def __repr__(self) -> str:
        """One line: the equation and its leave-one-out error."""
        terms = "".join(
            f" {'+' if b >= 0 else '-'} {abs(b):.3g} {name}"
            for name, b in zip(self.predictors, self.coefficients, strict=True)
        )
        return (
            f"CanopyFit(top height = {self.intercept_ft:.3g}{terms}; n {self.n}, leave-one-out: "
            f"error {self.rmse_ft:.1f} ft, bias {self.bias_ft:+.2f} ft, R2 {self.r2:.2f})"
        )

    def outside(self, metrics: pd.DataFrame) -> NDArray[np.bool_]:
        """Return which rows lie beyond the fitted range by more than a tenth of it."""
        x = metrics[list(self.predictors)].to_numpy(dtype=np.float64)
        low, high = np.array(self.low), np.array(self.high)
        slack = EXTRAPOLATION_SHARE * (high - low)
        return np.asarray(((x < low - slack) | (x > high + slack)).any(axis=1))

    def predict(self, metrics: pd.DataFrame) -> pd.Series:
        """Return the fitted top height of each row of metrics.

        Parameters
        ----------
        metrics : DataFrame
            From :func:`standmap.canopy.footprint_metrics`, over footprints of about the size of
            the fitted plots: percentiles of a large area are not the mean of its parts'.

        Returns
        -------
        Series
            Top height, 0 or more; NaN where a metric is. [ft]

        Warns
        -----
        ExtrapolationWarning
            If rows lie outside the range of the fitted plots by more than a tenth of it.
        """
        beyond = self.outside(metrics)
        if beyond.any():
            warnings.warn(
                f"{int(beyond.sum())} of {len(beyond)} footprints have canopy metrics beyond those "
                f"of the {self.n} plots fitted; their heights are extrapolated.",
                ExtrapolationWarning,
                stacklevel=2,
            )
        return self.heights_ft(metrics)

    def heights_ft(self, metrics: pd.DataFrame) -> pd.Series:
        """Return the fitted heights without the warning; see :meth:`outside`."""
        x = metrics[list(self.predictors)].to_numpy(dtype=np.float64)
        height = np.maximum(self.intercept_ft + x @ np.array(self.coefficients), 0)
        return pd.Series(height, index=metrics.index, name="top_height_ft")


def fit_top_height(
    metrics: pd.DataFrame, top_height_ft: ArrayLike, *, min_plots: int = MIN_PLOTS
) -> CanopyFit | None:
    """Fit plot top height on canopy metrics by least squares, predictors chosen by leave-one-out.

    Parameters
    ----------
    metrics : DataFrame
        One row per plot, from :func:`standmap.canopy.footprint_metrics`.
    top_height_ft : array_like
        Measured top height of each plot; a Series is matched by index. Plots where it or any
        metric is missing are left out. [ft]
    min_plots : int
        Fewer plots than this make no fit.

    Returns
    -------
    CanopyFit or None
        None, with a warning, where there are too few plots or the canopy is the same on all.

    Warns
    -----
    SmallSampleWarning
        When None is returned.

    References
    ----------
    .. [1] Allen, D.M. 1974. The relationship between variable selection and data augmentation and
       a method for prediction. Technometrics 16(1): 125-127 (leave-one-out residual as
       e / (1 - h)).
    .. [2] Varma, S. and Simon, R. 2006. Bias in error estimation when using cross-validation for
       model selection. BMC Bioinformatics 7: 91 (why the choice is repeated in every fold).
    """
    if isinstance(top_height_ft, pd.Series):
        top_height_ft = top_height_ft.reindex(metrics.index)
    measured = np.asarray(top_height_ft, dtype=np.float64)
    if measured.shape != (len(metrics),):
        raise DomainError(
            f"'top_height_ft' must have one value per row of 'metrics' ({len(metrics)}); got shape "
            f"{measured.shape}."
        )
    names = [name for name in METRICS if name in metrics]
    x = metrics[names].to_numpy(dtype=np.float64)
    known = np.isfinite(measured) & np.isfinite(x).all(axis=1)
    x, y = x[known], measured[known]
    if len(y) < max(min_plots, 4):
        _warn_no_fit(f"only {len(y)} plots have both a top height and a canopy over them")
        return None
    sets = [tuple(names.index(name) for name in c) for c in CANDIDATES if set(c) <= set(names)]
    chooser = _BestOfFew(sets)
    if not chooser.usable(x):
        _warn_no_fit("the canopy metrics are the same on all plots")
        return None
    left_out = cross_val_predict(chooser, x, y, cv=LeaveOneOut())
    error = np.asarray(left_out) - y
    chooser.fit(x, y)
    used = list(chooser.columns_)
    about_mean = float(((y - y.mean()) ** 2).sum())
    return CanopyFit(
        predictors=tuple(names[k] for k in used),
        intercept_ft=float(chooser.model_.intercept_),
        coefficients=tuple(float(b) for b in chooser.model_.coef_),
        n=len(y),
        rmse_ft=float(np.sqrt((error**2).mean())),
        bias_ft=float(error.mean()),
        r2=1 - float((error**2).sum()) / about_mean if about_mean > 0 else float("nan"),
        low=tuple(float(v) for v in x[:, used].min(axis=0)),
        high=tuple(float(v) for v in x[:, used].max(axis=0)),
    )


def stand_top_heights(
    canopy_path: str | PathLike[str],
    stands: gpd.GeoDataFrame | gpd.GeoSeries,
    fit: CanopyFit,
    *,
    footprint_acres: float,
    units: RasterUnits = "m",
) -> pd.DataFrame:
    """Read the fitted top height of whole stands, cell by cell.

    Parameters
    ----------
    canopy_path : path
        The raster the fit was made on.
    stands : GeoDataFrame or GeoSeries
        n polygons in a plane in metres (such as the tract's local CRS).
    fit : CanopyFit
        From :func:`fit_top_height`.
    footprint_acres : float
        Area of the plots' footprints: each stand is cut into square cells of this size.
    units : {"m", "ft"}
        Unit of the heights.

    Returns
    -------
    DataFrame
        Indexed as ``stands``: ``top_height_ft`` (mean of the cells' fitted heights, weighted by
        area; NaN where no cell is known), ``covered_pct`` (share of the stand with a known
        canopy), ``outside_pct`` (share of the stand whose canopy is beyond that of the plots
        fitted, so that its height is extrapolated).

    Raises
    ------
    DomainError
        If the stands are not in a plane in metres, or the footprint has no area.
    InputError
        If the raster cannot be read, has no CRS or lies elsewhere.

    Notes
    -----
    Cells of the plots' size, because a percentile of a whole stand is not the mean of the
    percentiles of its parts (the area-based approach of Naesset 2002, Remote Sensing of
    Environment 80: 88-99, from memory).
    """
    if not footprint_acres > 0:
        raise DomainError(f"'footprint_acres' must be above 0; got {footprint_acres}.")
    crs = stands.crs
    if crs is None or not crs.is_projected or crs.axis_info[0].unit_name != "metre":
        raise DomainError(
            "the stands must be in a projected CRS in metres to be cut into cells; got "
            f"{'none' if crs is None else crs.name}. Use stands.to_crs(local_crs(stands))."
        )
    owner, cells = _cells(
        np.asarray(stands.geometry.to_numpy(), dtype=object),
        float(np.sqrt(footprint_acres * SQM_PER_ACRE)),
    )
    metrics = footprint_metrics(canopy_path, gpd.GeoSeries(cells, crs=crs), units=units)
    height = fit.heights_ft(metrics).to_numpy()
    area = shapely.area(cells)
    n = len(stands)

    def by_stand(weight: Floats) -> Floats:
        return np.bincount(owner, weights=weight, minlength=n).astype(np.float64)

    def share(part: Floats, whole: Floats) -> Floats:
        return np.asarray(np.divide(part, whole, out=np.full(n, np.nan), where=whole > 0))

    # A cell counts by the ground in it that the raster knows.
    known = np.where(np.isfinite(height), area * metrics["covered_pct"].to_numpy() / 100, 0)
    return pd.DataFrame(
        {
            "top_height_ft": share(by_stand(known * np.nan_to_num(height)), by_stand(known)),
            "covered_pct": 100 * np.nan_to_num(share(by_stand(known), by_stand(area))),
            "outside_pct": 100 * share(by_stand(known * fit.outside(metrics)), by_stand(known)),
        },
        index=stands.index,
    )


def _cells(
    stands: NDArray[np.object_], side: float
) -> tuple[NDArray[np.int64], NDArray[np.object_]]:
    """Cut polygons by a square grid; return whose each piece is, and the piece."""
    left, bottom, right, top = shapely.total_bounds(stands)
    x = left + side * np.arange(max(int(np.ceil((right - left) / side)), 1))
    y = bottom + side * np.arange(max(int(np.ceil((top - bottom) / side)), 1))
    corner_x, corner_y = (corner.ravel() for corner in np.meshgrid(x, y))
    squares = shapely.box(corner_x, corner_y, corner_x + side, corner_y + side)
    square, owner = shapely.STRtree(stands).query(squares, predicate="intersects")
    cells = shapely.intersection(squares[square], stands[owner])
    real = shapely.area(cells) > 0
    order = np.argsort(owner[real], kind="stable")
    return owner[real][order], cells[real][order]


def _warn_no_fit(why: str) -> None:
    """Say why there is no fit."""
    warnings.warn(
        f"no top height is fitted to the canopy: {why}.", SmallSampleWarning, stacklevel=3
    )


class _BestOfFew(RegressorMixin, BaseEstimator):  # type: ignore[misc]
    """Least squares on whichever set of columns has the least leave-one-out error."""

    def __init__(self, sets: list[tuple[int, ...]]) -> None:
        self.sets = sets

    def usable(self, x: Floats) -> bool:
        """Return whether any set of columns varies enough to be fitted."""
        return any(_full_rank(x[:, list(columns)]) for columns in self.sets)

    def fit(self, x: Floats, y: Floats) -> Self:
        """Choose the columns and fit them."""
        press = [_press(x[:, list(columns)], y) for columns in self.sets]
        self.columns_ = self.sets[int(np.argmin(press))]
        self.model_ = LinearRegression().fit(x[:, list(self.columns_)], y)
        return self

    def predict(self, x: Floats) -> Floats:
        """Return the fitted values."""
        return np.asarray(self.model_.predict(x[:, list(self.columns_)]))


def _full_rank(x: Floats) -> bool:
    design = np.column_stack([np.ones(len(x)), x])
    return bool(np.linalg.matrix_rank(design) == design.shape[1])


def _press(x: Floats, y: Floats) -> float:
    """Return the leave-one-out sum of squares of least squares with a constant (Allen 1974)."""
    if not _full_rank(x):
        return float("inf")
    q, _ = np.linalg.qr(np.column_stack([np.ones(len(x)), x]))
    residual = y - q @ (q.T @ y)
    rest = 1 - (q**2).sum(axis=1)
    if (rest <= 1e-12).any():  # a point that the fit passes through whatever its value
        return float("inf")
    return float(((residual / rest) ** 2).sum())
