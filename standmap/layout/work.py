"""The layout of a cruise: the next one, from the last; or the first, from what is guessed."""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS, Geod, Transformer

from standmap.cruise import THUMB_ACRES, Estimate, points_by_area
from standmap.errors import DomainError
from standmap.instruments import CHAIN_FT
from standmap.layout.basis import Basis, ByStratum, basis_of, costs_of, cvs_of
from standmap.layout.placement import (
    METHODS,
    Method,
    balanced_points,
    grid_points,
    net_ground,
    random_points,
    stand_of,
)
from standmap.layout.plan import (
    By,
    allocate_to_stands,
    error_curve,
    expected_errors,
    plots_for_error,
    plots_in_budget,
    stratum_spread,
)
from standmap.layout.remarks import remarks
from standmap.layout.walk import walking_order
from standmap.steps.land import WGS84
from standmap.tract import Ground
from standmap.tract.findings import some
from standmap.units import FT_PER_M, SQFT_PER_ACRE

if TYPE_CHECKING:
    from standmap.appraisal import Appraisal

WHOLE_TENTH_CHAINS: Final = 2.0
"""Grids this wide or wider are spaced in tenths of a chain, which is what pacing can keep."""

LEAST_ON_GRID: Final = 6
"""A grid of fewer points may let fall one or none; such a stratum is drawn balanced instead."""

FT_PER_MILE: Final = 5280.0
FARTHEST_START_MILES: Final = 10.0
"""A walk that starts farther off than this starts at a slip of the pen (assumption, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True, repr=False, eq=False)
class CruiseLayout:
    """Plots to visit, in walking order, and what they can be expected to find.

    Attributes
    ----------
    basis : Basis
        What the plan rests on: the last cruise, or guesses.
    method : {"grid", "random", "balanced"}
        How plots were placed.
    by : {"optimum", "acres"}
        How they were shared out among strata.
    seed : int
        Draws the same plots again.
    target_pct, budget_usd : float or None
        Error or budget asked for; None where something else was. [percent], [USD]
    planned : int
        Plots planned; a grid may let fall a few more or fewer.
    off_edge_ft : float
        Set-back from the edges of stands. [ft]
    plots : GeoDataFrame
        In degrees: ``plot`` ("1", "2", ... in walking order), ``stand``, ``stratum``, ``lon``,
        ``lat``, ``bearing_deg`` (from true north) and ``chains`` (level) from the plot before, the
        first from ``start_lon_lat``; NaN where none was given.
    stands : DataFrame
        ``stand, stratum, acres`` (net), ``last_plots``, ``mean`` (per acre: found, guessed, or 1),
        ``ground_acres`` (less any set-back), ``planned``, ``placed``, ``expected_error_pct`` (of
        ``placed``; NaN where it borrows or no spread is known).
    strata : DataFrame
        From `stratum_spread`, with ``planned``, ``placed``, ``cost_usd`` (of a plot) where known
        and, for a grid, ``spacing_chains`` (NaN where there were too few plots for one).
    curve : DataFrame
        From `error_curve`.
    expected : Estimate or None
        Of the tract total, from the plots placed; None where no error can be promised.
    walk_miles : float
        Straight legs, start (or first plot) to last plot. [miles]
    start_lon_lat : tuple or None
        Where the walk starts, such as the gate. [degrees]
    notes : tuple of str
        What the cruiser should know.
    """

    basis: Basis
    method: Method
    by: By
    seed: int
    target_pct: float | None
    budget_usd: float | None
    planned: int
    off_edge_ft: float
    plots: gpd.GeoDataFrame
    stands: pd.DataFrame
    strata: pd.DataFrame
    curve: pd.DataFrame
    expected: Estimate | None
    walk_miles: float
    start_lon_lat: tuple[float, float] | None
    notes: tuple[str, ...]

    @property
    def expected_error_pct(self) -> float:
        """Expected sampling error of the tract total; NaN where none can be promised."""
        return float("nan") if self.expected is None else self.expected.sampling_error_pct

    @property
    def cost_usd(self) -> float:
        """What the plots placed cost, in dollars; NaN where nobody has said."""
        if "cost_usd" not in self.strata:
            return float("nan")
        return float((self.strata["cost_usd"] * self.strata["placed"]).sum())

    def summary(self) -> str:
        """Return the layout in a few lines."""
        if self.expected is None:
            error = "no error can be promised"
        else:
            error = f"± {self.expected_error_pct:.1f} % expected at {self.expected.confidence:.0%}"
        cost = f"${self.cost_usd:,.0f} for the plots; " if np.isfinite(self.cost_usd) else ""
        lines = [
            f"{self.basis.name}: {len(self.plots)} plots ({self.method}), {error}; {cost}"
            f"{self.walk_miles:.1f} miles of straight legs. Seed {self.seed}.",
            *(
                f"  {name}: {placed} {'plot' if placed == 1 else 'plots'} on {acres:,.1f} acres, "
                + (f"CV {cv:.0f} %" if np.isfinite(cv) else "CV not known")
                + {"stated": " (stated)", "tract": " (the tract's)"}.get(cv_from, "")
                for name, placed, acres, cv, cv_from in self.strata[
                    ["stratum", "placed", "acres", "cv_pct", "cv_from"]
                ].itertuples(index=False, name=None)
            ),
            *(f"To know: {note}" for note in self.notes),
        ]
        return "\n".join(lines)

    def __repr__(self) -> str:
        return (
            f"<CruiseLayout of {self.basis.name}: {len(self.plots)} plots, {self.method}, "
            f"expected error {self.expected_error_pct:.1f} %, {self.walk_miles:.1f} miles>"
        )


def lay_out_cruise(
    source: Appraisal | Ground,
    *,
    error_pct: float | None = None,
    plots: int | None = None,
    budget_usd: float | None = None,
    method: Method = "grid",
    by: By = "optimum",
    off_edge_ft: float = 0.0,
    seed: int | None = None,
    start_lon_lat: tuple[float, float] | None = None,
    measure: str | None = None,
    cv_pct: ByStratum | None = None,
    per_acre: ByStratum | None = None,
    cost_usd: ByStratum | None = None,
) -> CruiseLayout:
    """Lay out the next cruise of a tract, or its first.

    Parameters
    ----------
    source : Appraisal or Ground
        Of the last cruise (or a pre-cruise); or the ground of a tract that no one has cruised, from
        `standmap.tract.read_ground`.
    error_pct, plots, budget_usd : float, int, float
        The sampling error wanted of the tract total at the tract's confidence [percent], the number
        of plots, or the money for all plots together [USD]. One of the three.
    method : {"grid", "random", "balanced"}
        A square grid with a random start in each stratum; independent random points in each
        stand; or random points spread evenly in each stand (`local_pivotal`).
    by : {"optimum", "acres"}
        See `allocate_to_stands`. With "acres" one grid covers the tract.
    off_edge_ft : float
        Keep off the edges of stands; see `net_ground` for the bias. [ft]
    seed : int, optional
        For the same plots again; else one is drawn and told.
    start_lon_lat : tuple, optional
        Where the walk starts, such as the gate. [degrees]
    measure : str, optional
        What to plan for after a cruise; by default board feet by the tract's own rule.
    cv_pct : float or mapping, optional
        Coefficient of variation between plots, for all strata or by stratum ("*" for those not
        named): in place of the last cruise's where it names a stratum, and of ``[layout]`` in the
        tract file. [percent]
    per_acre : float or mapping, optional
        What an acre of each stratum is guessed to hold on a tract never cruised, in any one unit.
        Without it all strata are taken to hold alike.
    cost_usd : float or mapping, optional
        Of one plot: adds cost to the curve, and with "optimum" sends plots where they are cheap.
        [USD]

    Returns
    -------
    CruiseLayout

    Raises
    ------
    DomainError
        If not just one of ``error_pct``, ``plots`` and ``budget_usd`` is given, an option is
        unknown or out of range, no spread is known where one is needed, or nothing can be placed.

    Examples
    --------
    >>> from standmap.tract import read_ground, sample_folder
    >>> layout = lay_out_cruise(
    ...     read_ground(sample_folder()), plots=60, method="balanced", cv_pct=60, seed=7
    ... )
    >>> len(layout.plots), int(layout.stands["planned"].sum())
    (60, 60)
    """
    _check(error_pct, plots, budget_usd, method, by, seed)
    basis = basis_of(source, measure=measure, per_acre=per_acre)
    ground = net_ground(basis.pieces, basis.crs, off_edge_ft=off_edge_ft)
    stands = _stands(basis, ground)
    start = _in_plane(start_lon_lat, basis.crs)
    costs = costs_of(basis, cost_usd)
    strata = stratum_spread(basis.plots, stands, cvs_of(basis, cv_pct))
    if costs is not None:
        strata["cost_usd"] = strata["stratum"].map(costs)
    _check_spread(basis, strata, plots, budget_usd, by)
    conf = basis.confidence
    if budget_usd is not None:
        if costs is None:
            raise DomainError(
                "A budget in dollars needs the cost of a plot: 'cost_usd', for all strata or each."
            )
        plots = plots_in_budget(budget_usd, stands, strata, by=by)
    elif error_pct is not None:
        plots = plots_for_error(error_pct, stands, strata, confidence=conf, by=by)
    assert plots is not None  # one of the three was given
    stands["planned"] = allocate_to_stands(plots, stands, strata, by=by)
    seed = secrets.randbelow(2**31) if seed is None else seed
    rng = np.random.default_rng(seed)
    strata["planned"] = _by_stratum(stands, strata, "planned")
    if method == "grid":
        xy, strata["spacing_chains"] = _grids(ground, stands, strata, by, rng)
    else:
        xy = _by_stand(ground, stands, method, rng)
    if len(xy) == 0:
        raise DomainError("No plot fell on the tract's net acres. Ask for more plots.")
    xy = xy[walking_order(xy, start_xy=start)]
    made = _plot_layer(xy, ground, stands, basis.crs, start_lon_lat)
    stands["placed"] = stands["stand"].map(made["stand"].value_counts()).fillna(0).astype(np.int64)
    strata["placed"] = _by_stratum(stands, strata, "placed")
    found = expected_errors(stands["placed"], stands, strata, confidence=conf)
    stands["expected_error_pct"] = found.stand_error_pct
    return CruiseLayout(
        basis=basis,
        method=method,
        by=by,
        seed=seed,
        target_pct=error_pct,
        budget_usd=budget_usd,
        planned=plots,
        off_edge_ft=off_edge_ft,
        plots=made,
        stands=stands,
        strata=strata,
        curve=error_curve(stands, strata, confidence=conf, around=plots, by=by),
        expected=found.tract,
        walk_miles=float(np.nansum(made["chains"])) * CHAIN_FT / FT_PER_MILE,
        start_lon_lat=start_lon_lat,
        notes=tuple(
            remarks(
                basis,
                stands,
                strata,
                found,
                target_pct=error_pct,
                budget_usd=budget_usd,
                off_edge_ft=off_edge_ft,
                method=method,
            )
        ),
    )


def _check(
    error_pct: float | None,
    plots: int | None,
    budget_usd: float | None,
    method: str,
    by: str,
    seed: int | None,
) -> None:
    if sum(asked is not None for asked in (error_pct, plots, budget_usd)) != 1:
        raise DomainError(
            "Give just one of 'error' (the sampling error wanted), 'plots' and 'budget'."
        )
    if plots is not None and plots < 1:
        raise DomainError(f"'plots' must be 1 or more; got {plots}.")
    if method not in METHODS:
        raise DomainError(f"'method' must be one of {', '.join(METHODS)}; got {method!r}.")
    if by not in ("optimum", "acres"):
        raise DomainError(f"'by' must be 'optimum' or 'acres'; got {by!r}.")
    if seed is not None and seed < 0:
        raise DomainError(f"'seed' must be a whole number of 0 or more; got {seed}.")


def _check_spread(
    basis: Basis, strata: pd.DataFrame, plots: int | None, budget_usd: float | None, by: str
) -> None:
    """Refuse a plan that needs a spread nobody knows."""
    unknown = strata.loc[strata["sd"].isna(), "stratum"].tolist()
    if not unknown or (by == "acres" and (plots or budget_usd)):
        return
    why = "no one has cruised the tract"
    if basis.is_cruised:
        why = (
            "the last cruise was tallied whole or in strips, which says nothing of the spread "
            "between plots"
        )
    acres, rule = float(strata["acres"].sum()), ""
    if acres <= THUMB_ACRES:
        rule = f" (a rule of thumb for {acres:,.0f} acres: {points_by_area(acres)} points)"
    raise DomainError(
        f"No CV is known of {some(unknown)}: {why}. Make a pre-cruise of ten or more plots in each "
        "stratum and plan from it; or state CVs, in [layout] of the tract file (cv_pct = 60, or "
        "by stratum) or on the command line (--cv 60); or ask for a number of plots shared out by "
        f"acres (--by acres), of which no error can be promised{rule}."
    )


def _stands(basis: Basis, ground: gpd.GeoDataFrame) -> pd.DataFrame:
    """Return the stands that have ground for plots, in the tract's order."""
    columns = ["stand", "stratum", "acres", "last_plots", "mean"]
    frame = pd.DataFrame(basis.stands[columns])
    frame["ground_acres"] = frame["stand"].map(ground.set_index("stand")["acres"])
    if basis.plot_acres > 0:
        frame["plot_share"] = basis.plot_acres / basis.stands["gross_acres"].to_numpy(dtype=float)
    frame = frame[frame["ground_acres"].notna()].reset_index(drop=True)
    if frame.empty and not basis.net_acres > 0:
        raise DomainError(
            "The tract has no net acres: all of it must stay, so there is nowhere to put plots. "
            "Look at the buffers and exclusions."
        )
    if frame.empty:
        raise DomainError("No ground is left to put plots on. Ask for a smaller set-back.")
    return frame


def _by_stratum(stands: pd.DataFrame, strata: pd.DataFrame, column: str) -> pd.Series:
    return strata["stratum"].map(stands.groupby("stratum")[column].sum()).astype(np.int64)


def _by_stand(
    ground: gpd.GeoDataFrame, stands: pd.DataFrame, method: str, rng: np.random.Generator
) -> np.ndarray:
    place = balanced_points if method == "balanced" else random_points
    shape = ground.set_index("stand").geometry
    drawn = [
        place(shape[stand], int(n), rng)
        for stand, n in zip(stands["stand"], stands["planned"], strict=True)
        if n
    ]
    return np.concatenate([np.empty((0, 2)), *drawn])


def _grids(
    ground: gpd.GeoDataFrame,
    stands: pd.DataFrame,
    strata: pd.DataFrame,
    by: By,
    rng: np.random.Generator,
) -> tuple[np.ndarray, list[float]]:
    """Return grid points and each stratum's spacing; one grid for all where densities are alike.

    A group with too few plots for a grid is drawn balanced, and has no spacing.
    """
    shape = ground.set_index("stand").geometry
    one = by == "acres"
    groups = [strata["stratum"].tolist()] if one else [[s] for s in strata["stratum"]]
    drawn, spacing = [np.empty((0, 2))], {}
    for group in groups:
        mine = stands[stands["stratum"].isin(group)]
        n, acres = int(mine["planned"].sum()), float(mine["ground_acres"].sum())
        chains = np.nan
        if n < LEAST_ON_GRID:
            drawn.append(_by_stand(ground, mine, "balanced", rng))
        else:
            chains = float(np.sqrt(acres * SQFT_PER_ACRE / n)) / CHAIN_FT
            if chains >= WHOLE_TENTH_CHAINS:
                chains = np.floor(chains * 10 + 1e-9) / 10
            area = shapely.union_all(shape[mine["stand"]].to_numpy())
            drawn.append(grid_points(area, chains * CHAIN_FT / FT_PER_M, rng))
        spacing.update(dict.fromkeys(group, chains))
    return np.concatenate(drawn), [spacing[s] for s in strata["stratum"]]


def _in_plane(lon_lat: tuple[float, float] | None, crs: CRS) -> Any:
    if lon_lat is None:
        return None
    lon, lat = lon_lat
    if not (-180 <= lon <= 180 and -90 <= lat <= 90):
        raise DomainError(
            f"'start' must be a longitude and a latitude in degrees, such as -80.77 36.41; got "
            f"{lon:g} {lat:g}."
        )
    return Transformer.from_crs(WGS84, crs, always_xy=True).transform(lon, lat)


def _plot_layer(
    xy: np.ndarray,
    ground: gpd.GeoDataFrame,
    stands: pd.DataFrame,
    crs: CRS,
    start: tuple[float, float] | None,
) -> gpd.GeoDataFrame:
    stand = stand_of(xy, ground)
    stand = stand[~stand.index.duplicated()].reindex(range(len(xy)), fill_value="")
    points = gpd.GeoSeries(shapely.points(xy), crs=crs).to_crs(WGS84)
    lon, lat = points.x.to_numpy(), points.y.to_numpy()
    if start is None:
        bearing, chains = legs(lon, lat)
    else:
        way = legs(np.append(start[0], lon), np.append(start[1], lat))
        bearing, chains = way[0][1:], way[1][1:]
        _check_start(start, chains[0])
    return gpd.GeoDataFrame(
        {
            "plot": [str(n) for n in range(1, len(xy) + 1)],
            "stand": stand.to_numpy(),
            "stratum": stand.map(stands.set_index("stand")["stratum"]).to_numpy(),
            "lon": lon.round(7),
            "lat": lat.round(7),
            "bearing_deg": bearing,
            "chains": chains,
        },
        geometry=points.to_numpy(),
        crs=WGS84,
    )


def _check_start(start: tuple[float, float], chains: float) -> None:
    """Refuse a start that is nowhere near, as when latitude was given first."""
    miles = chains * CHAIN_FT / FT_PER_MILE
    if miles > FARTHEST_START_MILES:
        raise DomainError(
            f"'start' lies {miles:,.0f} miles from the nearest plot; got {start[0]:g} "
            f"{start[1]:g}. Give longitude first, then latitude, of where the walk starts."
        )


def legs(lon: np.ndarray, lat: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return bearing and length of the way to each plot from the one before.

    Parameters
    ----------
    lon, lat : ndarray
        Plots in walking order. [degrees]

    Returns
    -------
    bearing_deg, chains : ndarray
        From true north, 0 to 360; level distance on the ellipsoid. NaN for the first plot.

    Examples
    --------
    A 66-foot step to the north:

    >>> bearing, chains = legs(np.array([-80.0, -80.0]), np.array([36.0, 36.0 + 20.1168 / 110_957]))
    >>> float(bearing[1].round(3)), float(chains[1].round(3))
    (0.0, 1.0)
    """
    out, _, metres = Geod(ellps="WGS84").inv(lon[:-1], lat[:-1], lon[1:], lat[1:])
    bearing = np.mod(np.asarray(out, dtype=np.float64), 360)
    return np.append(np.nan, bearing), np.append(np.nan, np.asarray(metres) * FT_PER_M / CHAIN_FT)
