"""What a plan rests on: a tract's last cruise, or only its ground and what is guessed of it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import geopandas as gpd
import numpy as np
import pandas as pd
from pyproj import CRS

from standmap.cruise import Design, Estimate
from standmap.errors import DomainError, Problem
from standmap.steps.land import WGS84, lay_out
from standmap.tract import Ground, Tract
from standmap.tract.findings import did_you_mean, some
from standmap.tract.layout_settings import EVERY, LayoutTable

if TYPE_CHECKING:
    from standmap.appraisal import Appraisal

ByStratum = float | Mapping[str, float]
"""One figure for all strata, or figures by stratum, where "*" stands for those not named."""

CONFIDENCE: Final = 0.90
"""Of the errors, where there is no ``[cruise]`` to say."""

ALL_STANDS: Final = "all stands"
NO_STRATUM: Final = "no stratum"
"""How stands without a stratum are called: all of them, or some."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Basis:
    """What is known of a tract when its next cruise, or its first, is planned.

    Attributes
    ----------
    name : str
        The tract's.
    crs : CRS
        Local plane in metres.
    confidence : float
        Of every error.
    design : Design or None
        How trees are to be chosen; None where nobody has said.
    own_sizes : mapping of str to tuple of float
        Factors ("baf") and sizes ("plot_acres") that plots of the last cruise had of their own.
    stands : GeoDataFrame
        In degrees: ``stand, stratum, gross_acres, acres`` (net), ``last_plots``, ``mean`` (what an
        acre holds: found, guessed, or 1 where all strata are taken to hold alike).
    pieces, streams : GeoDataFrame
        The land as it was laid out.
    net_acres : float
        Acres that can be cut.
    measure : str
        What is planned for, such as "bf_doyle"; "" on a tract never cruised.
    plots : DataFrame
        The last cruise, ``stand`` and ``value`` per acre; empty where it tells no spread.
    last : Estimate or None
        What the last cruise found.
    plot_acres : float
        Of a plot, where the finite population correction is asked for; else 0.
    stated : LayoutTable
        What the tract file states of its strata.
    has_guess : bool
        Whether ``mean`` was guessed by the planner.
    problems : tuple of Problem
        Warnings of the reading and of the land.
    """

    name: str
    crs: CRS
    confidence: float
    design: Design | None
    own_sizes: Mapping[str, tuple[float, ...]]
    stands: gpd.GeoDataFrame
    pieces: gpd.GeoDataFrame
    streams: gpd.GeoDataFrame
    net_acres: float
    measure: str
    plots: pd.DataFrame
    last: Estimate | None
    plot_acres: float
    stated: LayoutTable
    has_guess: bool
    problems: tuple[Problem, ...]

    @property
    def is_cruised(self) -> bool:
        """Whether a cruise has said what the stands hold."""
        return self.last is not None


def basis_of(
    source: Appraisal | Ground, *, measure: str | None = None, per_acre: ByStratum | None = None
) -> Basis:
    """Return what a plan can rest on.

    Parameters
    ----------
    source : Appraisal or Ground
        Of the last cruise; or the ground of a tract never cruised (`standmap.tract.read_ground`).
    measure : str, optional
        What to plan for after a cruise; by default board feet by the tract's own rule.
    per_acre : float or mapping, optional
        What an acre of each stratum is guessed to hold, in any one unit, on a tract never cruised;
        in place of what ``[layout]`` says.

    Raises
    ------
    DomainError
        If the measure is not known, some strata are guessed at and not others, a cruised tract is
        guessed at, or the design has no plots to place.
    """
    if isinstance(source, Ground):
        if measure is not None:
            raise DomainError("A tract that was never cruised has no 'measure' to plan for.")
        return _of_ground(source, per_acre)
    if per_acre is not None:
        raise DomainError(
            "'per_acre' is a guess for a tract never cruised; here the last cruise says what an "
            "acre holds. Leave it out."
        )
    return _of_appraisal(source, measure or f"bf_{source.settings.volume.log_rule}")


def _of_appraisal(appraisal: Appraisal, measure: str) -> Basis:
    known = f"{measure}_per_acre"
    if known not in appraisal.stands:
        raise DomainError(f"There is no measure {measure!r} to plan for.")
    columns = ["stand", "stratum", "gross_acres", "net_acres", "plots", known, "geometry"]
    stands = appraisal.stands[columns].set_axis(
        ["stand", "stratum", "gross_acres", "acres", "last_plots", "mean", "geometry"], axis=1
    )
    tract: Tract = appraisal.tract
    design: Design | None = tract.design
    used = appraisal.plots[appraisal.plots["used"] & appraisal.plots[known].notna()]
    if not _has_plots(tract.design):  # nothing of the spread between plots, nor of their size
        used, design = used.iloc[:0], None
    return Basis(
        name=appraisal.name,
        crs=tract.crs,
        confidence=appraisal.confidence,
        design=design,
        own_sizes={
            name: tuple(np.unique(tract.plots[name].dropna().to_numpy(dtype=float)).tolist())
            for name in ("baf", "plot_acres")
        },
        stands=_named_strata(stands),
        pieces=appraisal.pieces,
        streams=appraisal.streams,
        net_acres=appraisal.net_acres,
        measure=measure,
        plots=pd.DataFrame({"stand": used["stand"].to_numpy(), "value": used[known].to_numpy()}),
        last=appraisal.total(measure),
        plot_acres=_plot_acres(design, finite=appraisal.settings.cruise.finite_population),
        stated=appraisal.settings.layout,
        has_guess=False,
        problems=(
            *appraisal.problems,
            *_unused_guess(appraisal.tract.path.name, appraisal.settings.layout),
        ),
    )


def _unused_guess(file: str, stated: LayoutTable) -> list[Problem]:
    if not stated.per_acre:
        return []
    return [
        Problem(
            severity="warning",
            file=file,
            column="layout.per_acre",
            what="the guess of what an acre holds is not used: the last cruise found it",
            mend="Delete it.",
        )
    ]


def _of_ground(ground: Ground, per_acre: ByStratum | None) -> Basis:
    if ground.design is not None and not _has_plots(ground.design):
        raise DomainError(
            "The tract file's [cruise] is of strips or a complete tally, which have no points or "
            'plots to place. Plan with design = "point" or "fixed".'
        )
    land = lay_out(ground)
    stands = ground.stands[["stand", "stratum", "gross_acres", "geometry"]].to_crs(WGS84)
    stands = stands.assign(
        acres=land.acres["net_acres"].reindex(ground.stands["stand"]).to_numpy(), last_plots=0
    )
    stands = _named_strata(stands)
    given = ground.settings.layout.per_acre if per_acre is None else per_acre
    guess = figures_by_stratum("per_acre", given, stands["stratum"].unique(), least=0.0)
    if guess.notna().any():
        _all_said("per_acre", guess, "Guess at all strata, in one unit, or at none.")
        if not (guess > 0).any():
            raise DomainError("'per_acre' is 0 in every stratum: there is nothing to sample.")
    cruise = ground.settings.cruise
    finite = cruise is not None and cruise.finite_population
    return Basis(
        name=ground.name,
        crs=ground.crs,
        confidence=CONFIDENCE if cruise is None else cruise.confidence,
        design=ground.design,
        own_sizes={"baf": (), "plot_acres": ()},
        stands=stands.assign(mean=stands["stratum"].map(guess).fillna(1.0)),
        pieces=land.pieces,
        streams=land.streams,
        net_acres=float(stands["acres"].sum()),
        measure="",
        plots=pd.DataFrame({"stand": pd.Series(dtype=object), "value": pd.Series(dtype=float)}),
        last=None,
        plot_acres=_plot_acres(ground.design, finite=finite),
        stated=ground.settings.layout,
        has_guess=bool(guess.notna().any()),
        problems=(*ground.problems, *land.problems),
    )


def _named_strata(stands: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Give stands without a stratum a word for it."""
    blank = (stands["stratum"] == "").to_numpy(dtype=bool)
    word = ALL_STANDS if blank.all() else NO_STRATUM
    return stands.assign(stratum=np.where(blank, word, stands["stratum"].to_numpy(dtype=object)))


def _has_plots(design: Design) -> bool:
    """Return whether a design puts out points or plots all over, and not strips or every tree."""
    return not {part.design for part in design.parts} & {"strip", "complete"}


def _plot_acres(design: Design | None, *, finite: bool) -> float:
    """Return the acres of the largest plot of a design, where they count as part of a whole."""
    sizes = [part.size for part in design.parts if part.design == "fixed"] if design else []
    if not finite or not sizes or any(math.isnan(size) for size in sizes):
        return 0.0
    return max(sizes)


def figures_by_stratum(
    name: str, given: ByStratum | None, strata: np.ndarray, *, least: float
) -> pd.Series:
    """Return a planner's figure for each stratum, NaN where there is none.

    Parameters
    ----------
    name : str
        Of the figure, for messages.
    given : float, mapping or None
        One for all, or by stratum.
    strata : ndarray of str
        The strata there are.
    least : float
        The figure must be above this; 0 itself is allowed of "per_acre".

    Raises
    ------
    DomainError
        If a stratum is not known or a figure is out of range.
    """
    said = given if isinstance(given, Mapping) else {} if given is None else {EVERY: given}
    known = [str(stratum) for stratum in strata]
    for stratum, value in said.items():
        whose = "" if stratum == EVERY else f" of {stratum}"
        if stratum != EVERY and stratum not in known:
            raise DomainError(
                f"{name!r} names the stratum {stratum!r}, which no stand has. "
                f"{did_you_mean(stratum, known, all_known='The strata')}"
            )
        if not (value > least or (name == "per_acre" and value == least)) or math.isinf(value):
            bound = "0 or more" if name == "per_acre" else "above 0"
            raise DomainError(f"{name!r}{whose} must be {bound}; got {value:g}.")
    rest = said.get(EVERY, math.nan)
    return pd.Series([said.get(s, rest) for s in known], index=known, dtype=np.float64)


def _all_said(name: str, figures: pd.Series, mend: str) -> None:
    """Refuse figures that leave a stratum out."""
    missing = figures.index[figures.isna()].tolist()
    if missing:
        raise DomainError(f"{name!r} says nothing of {some(missing)}. {mend}")


def costs_of(basis: Basis, cost_usd: ByStratum | None) -> pd.Series | None:
    """Return the cost of a plot in each stratum, or None where nobody has said.

    Raises
    ------
    DomainError
        If a cost is not above 0 or a stratum is left out.
    """
    given = basis.stated.cost_usd if cost_usd is None else cost_usd
    figures = figures_by_stratum("cost_usd", given, basis.stands["stratum"].unique(), least=0.0)
    if figures.isna().all():
        return None
    _all_said("cost_usd", figures, "Give the cost of a plot in every stratum, or one for all.")
    return figures


def cvs_of(basis: Basis, cv_pct: ByStratum | None) -> pd.Series:
    """Return the coefficients of variation that were stated, NaN where none was.

    Raises
    ------
    DomainError
        If one is not above 0, or a stratum is not known.
    """
    given = basis.stated.cv_pct if cv_pct is None else cv_pct
    return figures_by_stratum("cv_pct", given, basis.stands["stratum"].unique(), least=0.0)
