"""What a cruiser should know of a layout before walking it."""

from __future__ import annotations

from collections.abc import Iterator

import pandas as pd

from standmap.layout.basis import Basis
from standmap.layout.plan import LEAST_PER_STAND, Expected
from standmap.tract.findings import some


def remarks(
    basis: Basis,
    stands: pd.DataFrame,
    strata: pd.DataFrame,
    found: Expected,
    *,
    target_pct: float | None,
    budget_usd: float | None,
    off_edge_ft: float,
    method: str,
) -> Iterator[str]:
    """Yield what limits a layout, one sentence or a few each.

    Parameters
    ----------
    basis : Basis
        What the plan rests on.
    stands, strata : DataFrame
        As in `CruiseLayout`.
    found : Expected
        Of the plots placed.
    target_pct : float or None
        The error asked for. [percent]
    budget_usd : float or None
        The money there is. [USD]
    off_edge_ft : float
        The set-back. [ft]
    method : str
        How plots were placed.
    """
    lost = sorted(set(basis.stands["stand"].astype(str)) - set(stands["stand"].astype(str)))
    if lost:
        yield f"No ground for plots in stand {', '.join(lost)}: none were placed there."
    if off_edge_ft > 0:
        left = 1 - float(stands["ground_acres"].sum() / basis.net_acres)
        yield (
            f"Plots were kept {off_edge_ft:g} ft off stand edges, which leaves {left:.0%} of the "
            "net acres out of the sample. Edges often carry other timber than the middle, so the "
            "estimate is biased by however much they differ, and its stated error does not show "
            "it. Better: no set-back, and walk-through or mirage tallies at the edge."
        )
    yield from _of_the_spread(basis, strata)
    if basis.design is None:
        yield (
            "No basal area factor or plot size is known for this cruise, so there is no table of "
            "limiting distances or plot radii here: `standmap distances` prints one."
            + ("" if basis.is_cruised else ' Or say it in [cruise]: design = "point", baf = 10.')
        )
    yield from _of_the_plots(basis, stands, strata, found, target_pct, method)
    if budget_usd is not None:
        cost = float((strata["cost_usd"] * strata["placed"]).sum())
        if cost > budget_usd:
            yield (
                f"The plots that fell cost ${cost:,.0f}, over the ${budget_usd:,.0f} there are: a "
                "grid lets fall a few more or fewer than planned. Leave none of them out: that is "
                "choosing. A balanced layout places as many as planned."
            )


def _of_the_spread(basis: Basis, strata: pd.DataFrame) -> Iterator[str]:
    stated = strata.loc[strata["cv_from"] == "stated", "stratum"]
    if len(stated):
        yield (
            f"The CV of {_named(stated, strata)} was stated by the planner, not found by plots: "
            "the errors here are no better than that. After the first dozen plots or so in a "
            "stratum, work out their CV and plan again."
        )
    if not basis.is_cruised and not basis.has_guess and len(strata) > 1 and len(stated):
        yield (
            "All strata were taken to hold alike per acre. Where one is known to hold more, guess "
            "at each (per_acre): plots then go where the timber is."
        )
    weak = strata.loc[strata["cv_from"] == "tract", "stratum"]
    if len(weak):
        yield (
            f"Too few plots were taken in {_named(weak, strata)} to know the spread there; the "
            "tract's was assumed."
        )


def _of_the_plots(
    basis: Basis,
    stands: pd.DataFrame,
    strata: pd.DataFrame,
    found: Expected,
    target_pct: float | None,
    method: str,
) -> Iterator[str]:
    if method == "grid":
        few = strata.loc[strata["spacing_chains"].isna() & (strata["placed"] > 0), "stratum"]
        if len(few):
            yield (
                f"Too few plots for a grid in {_named(few, strata)}: there they were drawn at "
                "random, spread evenly."
            )
    alone = stands.loc[stands["placed"] < LEAST_PER_STAND, "stand"]
    if len(alone):
        yield (
            f"Fewer than two plots fell in stand {', '.join(map(str, alone))}: such a stand has no "
            "error of its own and takes its stratum's figures."
            + (
                ""
                if basis.is_cruised
                else " How much stands of a stratum differ is not in the errors expected here."
            )
        )
    if found.tract is None:
        if strata["sd"].isna().any():
            unknown = _named(strata.loc[strata["sd"].isna(), "stratum"], strata)
            yield f"The spread between plots in {unknown} is not known: no error can be promised."
        else:
            yield "Some stratum has fewer than two plots: no error can be promised."
    elif target_pct is not None and found.tract.sampling_error_pct > target_pct:
        yield (
            f"With the plots that fell, {found.tract.sampling_error_pct:.1f} % is expected, over "
            f"the {target_pct:g} % asked for"
            + (": a grid lets fall a few more or fewer than planned." if method == "grid" else ".")
        )


def _named(names: pd.Series, strata: pd.DataFrame) -> str:
    if len(names) == len(strata) > 1:
        return "every stratum"
    return some([str(name) for name in names])
