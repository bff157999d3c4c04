"""The layout of the next cruise, from an appraisal of the last one."""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import Geod, Transformer

from standmap.cruise import Estimate
from standmap.errors import DomainError
from standmap.instruments import CHAIN_FT
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
    Expected,
    allocate_to_stands,
    error_curve,
    expected_errors,
    plots_for_error,
    stratum_spread,
)
from standmap.layout.walk import path_length, walking_order
from standmap.units import FT_PER_M, SQFT_PER_ACRE

if TYPE_CHECKING:
    from standmap.appraisal import Appraisal

WGS84: Final = "EPSG:4326"
WHOLE_TENTH_CHAINS: Final = 2.0
"""Grids this wide or wider are spaced in tenths of a chain, which is what pacing can keep."""

FT_PER_MILE: Final = 5280.0


@dataclass(frozen=True, slots=True, kw_only=True, repr=False, eq=False)
class CruiseLayout:
    """Plots to visit, in walking order, and what they can be expected to find.

    Attributes
    ----------
    appraisal : Appraisal
        Of the last cruise, whose spread the plan rests on.
    method : {"grid", "random", "balanced"}
        How plots were placed.
    by : {"optimum", "acres"}
        How they were shared out among strata.
    seed : int
        Draws the same plots again.
    measure : str
        What was planned for, such as "bf_doyle".
    target_pct : float or None
        Error asked for; None where a number of plots was. [percent]
    planned : int
        Plots planned; a grid may let fall a few more or fewer.
    off_edge_ft : float
        Set-back from the edges of stands. [ft]
    plots : GeoDataFrame
        In degrees: ``plot`` ("1", "2", ... in walking order), ``stand``, ``stratum``, ``lon``,
        ``lat``, ``bearing_deg`` (from true north) and ``chains`` (level) from the plot before; NaN
        for the first.
    stands : DataFrame
        ``stand, stratum, acres`` (net), ``last_plots``, ``mean`` (per acre, last cruise),
        ``ground_acres`` (less any set-back), ``planned``, ``placed``, ``expected_error_pct`` (of
        ``placed``; NaN where it borrows).
    strata : DataFrame
        From `stratum_spread`, with ``planned``, ``placed`` and, for a grid, ``spacing_chains``.
    curve : DataFrame
        From `error_curve`.
    expected : Estimate or None
        Of the tract total, from the plots placed; None where no error can be promised.
    walk_miles : float
        Straight legs, first plot to last. [miles]
    notes : tuple of str
        What the cruiser should know.
    """

    appraisal: Appraisal
    method: Method
    by: By
    seed: int
    measure: str
    target_pct: float | None
    planned: int
    off_edge_ft: float
    plots: gpd.GeoDataFrame
    stands: pd.DataFrame
    strata: pd.DataFrame
    curve: pd.DataFrame
    expected: Estimate | None
    walk_miles: float
    notes: tuple[str, ...]

    @property
    def expected_error_pct(self) -> float:
        """Expected sampling error of the tract total; NaN where none can be promised."""
        return float("nan") if self.expected is None else self.expected.sampling_error_pct

    def summary(self) -> str:
        """Return the layout in a few lines."""
        if self.expected is None:
            error = "no error can be promised"
        else:
            error = f"± {self.expected_error_pct:.1f} % expected at {self.expected.confidence:.0%}"
        lines = [
            f"{self.appraisal.name}: {len(self.plots)} plots ({self.method}), {error}; "
            f"{self.walk_miles:.1f} miles of straight legs. Seed {self.seed}.",
            *(
                f"  {name}: {placed} plots on {acres:,.1f} acres, CV {cv:.0f} %"
                for name, placed, acres, cv in self.strata[
                    ["stratum", "placed", "acres", "cv_pct"]
                ].itertuples(index=False, name=None)
            ),
            *(f"To know: {note}" for note in self.notes),
        ]
        return "\n".join(lines)

    def __repr__(self) -> str:
        return (
            f"<CruiseLayout of {self.appraisal.name}: {len(self.plots)} plots, {self.method}, "
            f"expected error {self.expected_error_pct:.1f} %, {self.walk_miles:.1f} miles>"
        )


def lay_out_cruise(
    appraisal: Appraisal,
    *,
    error_pct: float | None = None,
    plots: int | None = None,
    method: Method = "grid",
    by: By = "optimum",
    off_edge_ft: float = 0.0,
    seed: int | None = None,
    start_lon_lat: tuple[float, float] | None = None,
    measure: str | None = None,
    cost_per_plot_usd: float | None = None,
) -> CruiseLayout:
    """Lay out the next cruise of a tract.

    Parameters
    ----------
    appraisal : Appraisal
        Of the last cruise (or a pre-cruise).
    error_pct, plots : float, int
        The sampling error wanted of the tract total at the tract's confidence [percent], or the
        number of plots there is money for. One of the two.
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
        What to plan for; by default board feet by the tract's own rule.
    cost_per_plot_usd : float, optional
        Adds cost to the curve. [USD]

    Returns
    -------
    CruiseLayout

    Raises
    ------
    DomainError
        If not exactly one of ``error_pct`` and ``plots`` is given, an option is unknown or out of
        range, the tract was tallied whole or in strips, or nothing can be placed.

    Examples
    --------
    >>> import standmap
    >>> from standmap.tract.sample import sample_folder
    >>> last = standmap.appraise(standmap.read_tract(sample_folder()))
    >>> layout = lay_out_cruise(last, plots=60, method="balanced", seed=7)
    >>> len(layout.plots), int(layout.stands["planned"].sum())
    (60, 60)
    """
    _check(appraisal, error_pct, plots, method, by)
    measure = measure or f"bf_{appraisal.settings.volume.log_rule}"
    ground = net_ground(appraisal.pieces, appraisal.tract.crs, off_edge_ft=off_edge_ft)
    stands = _stands(appraisal, ground, measure)
    strata = stratum_spread(_last_plots(appraisal, measure), stands)
    conf = appraisal.confidence
    if plots is None:
        assert error_pct is not None
        plots = plots_for_error(error_pct, stands, strata, confidence=conf, by=by)
    stands["planned"] = allocate_to_stands(plots, stands, strata, by=by)
    seed = secrets.randbelow(2**31) if seed is None else seed
    if seed < 0:
        raise DomainError(f"'seed' must be a whole number of 0 or more; got {seed}.")
    rng = np.random.default_rng(seed)
    strata["planned"] = _by_stratum(stands, strata, "planned")
    if method == "grid":
        xy, strata["spacing_chains"] = _grids(ground, stands, strata, by, rng)
    else:
        xy = _by_stand(ground, stands, method, rng)
    if len(xy) == 0:
        raise DomainError("No plot fell on the tract's net acres. Ask for more plots.")
    start = _in_plane(start_lon_lat, appraisal)
    xy = xy[walking_order(xy, start_xy=start)]
    made = _plot_layer(xy, ground, stands, appraisal)
    stands["placed"] = stands["stand"].map(made["stand"].value_counts()).fillna(0).astype(np.int64)
    strata["placed"] = _by_stratum(stands, strata, "placed")
    found = expected_errors(stands["placed"], stands, strata, confidence=conf)
    stands["expected_error_pct"] = np.nan if found is None else found.stand_error_pct
    return CruiseLayout(
        appraisal=appraisal,
        method=method,
        by=by,
        seed=seed,
        measure=measure,
        target_pct=error_pct,
        planned=plots,
        off_edge_ft=off_edge_ft,
        plots=made,
        stands=stands,
        strata=strata,
        curve=error_curve(
            stands,
            strata,
            confidence=conf,
            around=plots,
            by=by,
            cost_per_plot_usd=cost_per_plot_usd,
        ),
        expected=None if found is None else found.tract,
        walk_miles=path_length(xy) * FT_PER_M / FT_PER_MILE,
        notes=tuple(_notes(appraisal, stands, strata, found, error_pct, off_edge_ft, method)),
    )


def _check(
    appraisal: Appraisal, error_pct: float | None, plots: int | None, method: str, by: str
) -> None:
    if (error_pct is None) == (plots is None):
        raise DomainError("Give either 'error' (the sampling error wanted) or 'plots', not both.")
    if plots is not None and plots < 1:
        raise DomainError(f"'plots' must be 1 or more; got {plots}.")
    if method not in METHODS:
        raise DomainError(f"'method' must be one of {', '.join(METHODS)}; got {method!r}.")
    if by not in ("optimum", "acres"):
        raise DomainError(f"'by' must be 'optimum' or 'acres'; got {by!r}.")
    kinds = {part.design for part in appraisal.tract.design.parts}
    if kinds & {"strip", "complete"}:
        raise DomainError(
            "The last cruise was tallied whole or in strips, which says nothing of the spread "
            "between plots. Make a pre-cruise of ten or more points or plots, and plan from it."
        )


def _stands(appraisal: Appraisal, ground: gpd.GeoDataFrame, measure: str) -> pd.DataFrame:
    """Return the stands that have ground for plots, in the tract's order."""
    known = f"{measure}_per_acre"
    if known not in appraisal.stands:
        raise DomainError(f"There is no measure {measure!r} to plan for.")
    frame = pd.DataFrame(appraisal.stands[["stand", "stratum", "net_acres", "plots", known]])
    frame.columns = pd.Index(["stand", "stratum", "acres", "last_plots", "mean"])
    frame["ground_acres"] = frame["stand"].map(ground.set_index("stand")["acres"])
    frame = frame[frame["ground_acres"].notna()].reset_index(drop=True)
    if frame.empty:
        raise DomainError("No ground is left to put plots on. Ask for a smaller set-back.")
    return frame


def _last_plots(appraisal: Appraisal, measure: str) -> pd.DataFrame:
    used = appraisal.plots[appraisal.plots["used"] & appraisal.plots[measure].notna()]
    return pd.DataFrame({"stand": used["stand"].to_numpy(), "value": used[measure].to_numpy()})


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
    """Return grid points and each stratum's spacing; one grid for all where densities are alike."""
    shape = ground.set_index("stand").geometry
    one = by == "acres"
    groups = [strata["stratum"].tolist()] if one else [[s] for s in strata["stratum"]]
    drawn, spacing = [np.empty((0, 2))], {}
    for group in groups:
        mine = stands[stands["stratum"].isin(group)]
        n, acres = int(mine["planned"].sum()), float(mine["ground_acres"].sum())
        chains = np.nan
        if n:
            chains = float(np.sqrt(acres * SQFT_PER_ACRE / n)) / CHAIN_FT
            if chains >= WHOLE_TENTH_CHAINS:
                chains = np.floor(chains * 10 + 1e-9) / 10
            area = shapely.union_all(shape[mine["stand"]].to_numpy())
            drawn.append(grid_points(area, chains * CHAIN_FT / FT_PER_M, rng))
        spacing.update(dict.fromkeys(group, chains))
    return np.concatenate(drawn), [spacing[s] for s in strata["stratum"]]


def _in_plane(lon_lat: tuple[float, float] | None, appraisal: Appraisal) -> Any:
    if lon_lat is None:
        return None
    lon, lat = lon_lat
    if not (-180 <= lon <= 180 and -90 <= lat <= 90):
        raise DomainError(
            f"'start' must be a longitude and a latitude in degrees, such as -80.77 36.41; got "
            f"{lon:g} {lat:g}."
        )
    return Transformer.from_crs(WGS84, appraisal.tract.crs, always_xy=True).transform(lon, lat)


def _plot_layer(
    xy: np.ndarray, ground: gpd.GeoDataFrame, stands: pd.DataFrame, appraisal: Appraisal
) -> gpd.GeoDataFrame:
    stand = stand_of(xy, ground)
    stand = stand[~stand.index.duplicated()].reindex(range(len(xy)), fill_value="")
    points = gpd.GeoSeries(shapely.points(xy), crs=appraisal.tract.crs).to_crs(WGS84)
    lon, lat = points.x.to_numpy(), points.y.to_numpy()
    bearing, chains = legs(lon, lat)
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


def _notes(
    appraisal: Appraisal,
    stands: pd.DataFrame,
    strata: pd.DataFrame,
    found: Expected | None,
    target: float | None,
    off_edge_ft: float,
    method: str,
) -> list[str]:
    notes = []
    lost = sorted(set(appraisal.stands["stand"].astype(str)) - set(stands["stand"].astype(str)))
    if lost:
        notes.append(f"No ground for plots in stand {', '.join(lost)}: none were placed there.")
    if off_edge_ft > 0:
        left = 1 - float(stands["ground_acres"].sum() / appraisal.net_acres)
        notes.append(
            f"Plots were kept {off_edge_ft:g} ft off stand edges, which leaves {left:.0%} of the "
            "net acres out of the sample. Edges often carry other timber than the middle, so the "
            "estimate is biased by however much they differ, and its stated error does not show "
            "it. Better: no set-back, and walk-through or mirage tallies at the edge."
        )
    weak = strata.loc[strata["cv_from"] == "tract", "stratum"]
    if len(weak):
        notes.append(
            f"Too few plots were taken in {', '.join(map(str, weak))} to know the spread there; "
            "the tract's was assumed."
        )
    alone = stands.loc[stands["placed"] < 2, "stand"]
    if len(alone):
        notes.append(
            f"Fewer than two plots fell in stand {', '.join(map(str, alone))}: such a stand has no "
            "error of its own and takes its stratum's figures."
        )
    if found is None:
        notes.append("Some stratum has fewer than two plots: no error can be promised.")
    elif target is not None and found.tract.sampling_error_pct > target:
        notes.append(
            f"With the plots that fell, {found.tract.sampling_error_pct:.1f} % is expected, over "
            f"the {target:g} % asked for"
            + (": a grid lets fall a few more or fewer than planned." if method == "grid" else ".")
        )
    return notes
