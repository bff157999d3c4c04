"""The cruise looked at for itself: its design in words, its errors, and what they rest on."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from standmap.cruise import (
    BootstrapInterval,
    Sample,
    StandEstimates,
    bootstrap_total,
    dbh_class,
    estimate,
    t_quantile,
)
from standmap.errors import Problem
from standmap.steps.cruise_words import ESTIMATORS, VARIANCES, estimator_key, part_words
from standmap.steps.height_error import height_problems, heights_alone
from standmap.steps.leverage import heavy_plots, heavy_trees, measured_figures
from standmap.steps.plots import TallyFigures
from standmap.steps.sampling import line_attribute
from standmap.tract import Tract

FEW_PLOTS: Final = 5
"""A product met on fewer plots than this is warned of: a stated 90 percent interval of such a
product held the truth 8 times in 10 at five plots, 7 in 10 at two (guide page ``designs``)."""
FEW_MEASURED: Final = 10
"""A tract with fewer measured plots than this is warned of. Common practice, no source."""
DRAWS: Final = 1_000
SEED: Final = 20_250
"""Seed of the re-drawn plots: the same tract gives the same interval."""
MOST_CLASSES: Final = 14
"""DBH classes across a page."""

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class CruiseResults:
    """What the cruise was, and how sure it is.

    Attributes
    ----------
    strata : DataFrame
        By stratum: ``stratum, stands, plots, measured`` (plots with trees measured), ``design,
        estimator, source, variance`` in words.
    ratios : DataFrame
        Coefficients that figures come by: ``group, class, measured`` (rows it rests on), ``per``
        (the cheap figure), ``measure, coefficient, intercept, error_pct``. Empty for plain means.
    stands : DataFrame
        ``stand, stratum, plots, measured, cv_pct`` (between its plots), per-acre mean and error of
        the leading measure, ``borrowed``.
    leverage : DataFrame
        The plots that move the total most, and those far off their stand; see
        `standmap.steps.leverage.heavy_plots`.
    heavy_trees : DataFrame
        The trees of whole tallies that move it most.
    checks : DataFrame
        By measure: ``low, high`` by t; ``bootstrap_low, bootstrap_high``; ``error_pct``,
        ``random_error_pct`` and ``neighbour_error_pct``, the last from successive differences.
    cells : DataFrame
        Stand and stock table of the tract per net acre: ``species, dbh_class_in`` (blank species
        and NaN class are margins), ``plots`` that hold it, trees and leading board feet with their
        errors. Classes are 4 inches wide where 2-inch ones are more than a page holds.
    cell_width_in : float
        Width of those classes. [in]
    products : DataFrame
        ``product, plots`` that hold it, ``few``.
    heights_alone : DataFrame
        What filled heights do to stands tallied whole; see
        `standmap.steps.height_error.heights_alone`.
    measure : str
        Leading measure: value where anything is priced, else board feet.
    problems : tuple of Problem
        Few plots, products met on few plots, heights of a whole tally from a curve.
    """

    strata: pd.DataFrame
    ratios: pd.DataFrame
    stands: pd.DataFrame
    leverage: pd.DataFrame
    heavy_trees: pd.DataFrame
    checks: pd.DataFrame
    cells: pd.DataFrame
    cell_width_in: float
    products: pd.DataFrame
    heights_alone: pd.DataFrame
    measure: str
    problems: tuple[Problem, ...]


def cruise_results(
    tract: Tract, tally: TallyFigures, found: StandEstimates, net_acres: pd.Series
) -> CruiseResults:
    """Look at a cruise for itself.

    Parameters
    ----------
    tract : Tract
        The checked input.
    tally : TallyFigures
        The tally worked out.
    found : StandEstimates
        The estimates.
    net_acres : Series
        Net acres by stand.
    """
    acres = net_acres.rename("tract")
    head = f"bf_{tract.settings.volume.log_rule}"
    values = tally.per_acre
    valued = bool(values[:, tally.attributes.index("value_usd")].any())
    measure = "value_usd" if valued else head
    products = _products(tally)
    leading = list(dict.fromkeys([measure, head, "volume_cuft"]))
    alone = heights_alone(tract, tally, found, acres, leading)
    dbh = tally.trees["dbh_in"].to_numpy(dtype=float)
    width = 2.0 if np.unique(dbh_class(dbh)).size <= MOST_CLASSES else 4.0
    return CruiseResults(
        strata=_strata(tract, tally),
        ratios=_ratios(tract, tally, found, [head, "volume_cuft", "value_usd"][: 2 + valued]),
        stands=_stands(tally, found, measure),
        leverage=heavy_plots(tally, found, acres, measure),
        heavy_trees=heavy_trees(tally, found, acres, measure),
        checks=_checks(tally, found, acres, leading),
        cells=_cells(tally, found, acres, head, width),
        cell_width_in=width,
        products=products,
        heights_alone=alone,
        measure=measure,
        problems=(*_problems(tract, tally, products), *height_problems(tract, alone)),
    )


def _strata(tract: Tract, tally: TallyFigures) -> pd.DataFrame:
    cruise = tract.settings.cruise
    plots = tally.plots.assign(measured=tally.rows.measured)
    clustered = bool((plots["cluster"] != "").any())
    variance = VARIANCES["clusters" if clustered else cruise.variance]
    if tally.rows.indirect is not None:
        variance = VARIANCES["indirect"]
    rows = []
    for stratum, stands in tract.stands.groupby("stratum", sort=False):
        here = plots[plots["stratum"] == stratum]
        parts = tract.design.for_stratum(str(stratum))
        key = estimator_key(tract, parts)
        name, source = ESTIMATORS[key]
        rows.append(
            {
                "stratum": stratum,
                "stands": len(stands),
                "plots": len(here),
                "measured": int(here["measured"].sum()),
                "design": part_words(parts),
                "estimator": name,
                "source": source,
                "variance": VARIANCES["complete"] if key == "complete" else variance,
            }
        )
    return pd.DataFrame(rows)


def _ratios(
    tract: Tract, tally: TallyFigures, found: StandEstimates, measures: list[str]
) -> pd.DataFrame:
    """Return every coefficient of the leading measures with its sampling error."""
    indirect = tally.rows.indirect
    columns = ["group", "class", "measured", "per", "measure", "coefficient", "intercept",
               "error_pct"]  # fmt: skip
    if indirect is None:
        return pd.DataFrame(columns=columns)
    per = {
        "count_measure": "sq ft of basal area",
        "three_p": "unit of prediction",
        "sample_tree": "tree counted"
        if tract.settings.cruise.sample_by == "count"
        else "sq ft of basal area",
        "post_stratified": "acre of the type",
    }.get(tract.settings.cruise.estimator, "unit of the covariate")
    rows = []
    for shared in found.cells.shared:
        fit = shared.fit
        for measure in measures:
            a = found.sample.attributes.index(measure)
            value = float(fit.coefficients[-1, a])
            se = float(np.sqrt(fit.matrix[-1, -1] * shared.spread.variance[a]))
            half = float(t_quantile(fit.df, found.sample.confidence)) * se
            rows.append(
                {
                    "group": indirect.groups[fit.group],
                    "class": indirect.classes[fit.of_class],
                    "measured": fit.rows.size,
                    "per": per,
                    "measure": measure,
                    "coefficient": value,
                    "intercept": float(fit.coefficients[0, a]) if len(fit.weights) > 1 else np.nan,
                    "error_pct": 100 * half / abs(value) if value else np.nan,
                }
            )
    return pd.DataFrame(rows, columns=columns)


def _stands(tally: TallyFigures, found: StandEstimates, measure: str) -> pd.DataFrame:
    """Return each stand's plots, their spread, and the error of its mean."""
    cells, a = found.cells, found.sample.attributes.index(measure)
    per_acre = found.per_acre()
    index = cells.stand_index
    figure = measured_figures(tally, found, a)
    on = tally.rows.measured
    n = np.bincount(index[on], minlength=cells.n.size)
    mean = np.bincount(index[on], weights=figure[on], minlength=cells.n.size) / np.maximum(n, 1)
    squares = np.bincount(
        index[on], weights=(figure[on] - mean[index[on]]) ** 2, minlength=cells.n.size
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        cv = 100 * np.sqrt(squares / (n - 1)) / mean
    return pd.DataFrame(
        {
            "stand": list(found.stands),
            "stratum": found.sample.stands["stratum"].to_numpy(dtype=object),
            "plots": cells.n,
            "measured": n,
            "cv_pct": np.where((n > 1) & (mean > 0) & ~cells.complete, cv, np.nan),
            "per_acre": per_acre.estimate[:, a],
            "error_pct": per_acre.error_pct[:, a],
            "borrowed": per_acre.borrowed,
        }
    )


def _checks(
    tally: TallyFigures,
    found: StandEstimates,
    acres: pd.Series,
    measures: list[str],
) -> pd.DataFrame:
    """Put the intervals of each leading measure side by side."""
    sample = found.sample
    at = [sample.attributes.index(m) for m in measures]
    few = sample.restated(sample.values[:, at], measures)  # noqa: PD011 - not a frame
    own = estimate(few)
    total = own.total(acres)
    random = neighbour = None
    whole = bool(tally.parts.complete.any())
    if sample.indirect is None and sample.cluster is None and not whole:
        line = tally.plots["line"].to_numpy(dtype=object)
        random = estimate(_with_line(few, None)).total(acres)
        neighbour = estimate(_with_line(few, line)).total(acres)
    rows = []
    for k, name in enumerate(measures):
        again = _again(own, acres, name)
        rows.append(
            {
                "measure": name,
                "estimate": total.estimate[0, k],
                "low": total.low[0, k],
                "high": total.high[0, k],
                "error_pct": total.error_pct[0, k],
                "df": total.df[0, k],
                "bootstrap_low": np.nan if again is None else again.low,
                "bootstrap_high": np.nan if again is None else again.high,
                "random_error_pct": np.nan if random is None else random.error_pct[0, k],
                "neighbour_error_pct": np.nan if neighbour is None else neighbour.error_pct[0, k],
            }
        )
    return pd.DataFrame(rows)


def _with_line(sample: Sample, line: npt.NDArray[np.object_] | None) -> Sample:
    return replace(sample, line=line)


def _again(found: StandEstimates, acres: pd.Series, measure: str) -> BootstrapInterval | None:
    rng = np.random.default_rng(SEED)
    return bootstrap_total(found, acres, measure, rng=rng, draws=DRAWS)


def _cells(
    tally: TallyFigures, found: StandEstimates, acres: pd.Series, head: str, width_in: float
) -> pd.DataFrame:
    """Return the stand and stock table with the error of every cell and margin."""
    used = tally.all_trees[tally.all_trees["used"]].set_index("source_row")
    columns = ["species", "dbh_class_in", "plots", "trees_per_acre", "trees_error_pct",
               f"{head}_per_acre", f"{head}_error_pct"]  # fmt: skip
    net = float(acres.sum())
    if used.empty or not net > 0:
        return pd.DataFrame(columns=columns)
    used = used.loc[tally.trees["source_row"].to_numpy()]
    species = used["common_name"].to_numpy(dtype=object)
    classes = dbh_class(used["dbh_in"].to_numpy(dtype=float), width_in=width_in)
    keys = pd.DataFrame({"species": species, "dbh_class_in": classes})
    single = [keys, keys.assign(dbh_class_in=np.nan), keys.assign(species="")]
    stacked = pd.concat([*single, single[1].assign(species="")], ignore_index=True)
    cell, names = pd.factorize(
        pd.MultiIndex.from_frame(stacked.fillna({"dbh_class_in": -1.0})), sort=True
    )
    tree = np.tile(np.arange(len(used)), 4)
    row = tally.trees["row_at"].to_numpy(dtype=np.int64)[tree]
    factor = tally.trees["trees_per_acre"].to_numpy(dtype=float)[tree]
    feet = factor * used[head].to_numpy(dtype=float)[tree]
    n, shape = len(tally.per_acre), (len(tally.per_acre), len(names))
    flat = row * len(names) + cell
    trees = np.bincount(flat, weights=factor, minlength=n * len(names)).reshape(shape)
    bf = np.bincount(flat, weights=feet, minlength=n * len(names)).reshape(shape)
    labels = [f"{what} {k}" for what in ("trees", "bf") for k in range(len(names))]
    table = estimate(found.sample.restated(np.hstack([trees, bf]), labels)).total(acres / net)
    plot = tally.rows.plot_of_row[row]
    holds = pd.DataFrame({"cell": cell, "plot": plot}).drop_duplicates()["cell"].value_counts()
    half = len(names)
    dbh = np.array([name[1] for name in names], dtype=float)
    return pd.DataFrame(
        {
            "species": [str(name[0]) for name in names],
            "dbh_class_in": np.where(dbh < 0, np.nan, dbh),
            "plots": holds.reindex(range(half), fill_value=0).to_numpy(),
            "trees_per_acre": table.estimate[0, :half],
            "trees_error_pct": table.error_pct[0, :half],
            f"{head}_per_acre": table.estimate[0, half:],
            f"{head}_error_pct": table.error_pct[0, half:],
        }
    )


def _products(tally: TallyFigures) -> pd.DataFrame:
    """Return on how many plots each product was met."""
    lines = tally.sold.lines
    if lines.empty:
        return pd.DataFrame(columns=["product", "plots", "few"])
    rows = []
    for product, mine in lines.groupby("product", sort=False):
        at = [tally.attributes.index(line_attribute(int(k), "trees")) for k in mine.index]
        met = tally.per_acre[:, at].sum(axis=1) > 0
        plots = np.unique(tally.rows.plot_of_row[met]).size
        rows.append({"product": product, "plots": plots, "few": 0 < plots < FEW_PLOTS})
    table = pd.DataFrame(rows)
    if bool(tally.parts.complete.all()):
        table["few"] = False
    return table


def _problems(tract: Tract, tally: TallyFigures, products: pd.DataFrame) -> list[Problem]:
    found = []
    measured = int(tally.rows.measured.sum())
    if measured < FEW_MEASURED and not bool(tally.parts.complete.all()):
        found.append(
            Problem(
                severity="warning",
                file=tract.settings.plots.file,
                what=f"only {measured} plots were measured: their own error is poorly known, and "
                "intervals are wide for it",
                mend="Measure ten or more before money changes hands.",
            )
        )
    few = products[products["few"].astype(bool)]
    if len(few):
        named = ", ".join(f"{r.product} ({r.plots})" for r in few.itertuples())
        found.append(
            Problem(
                severity="warning",
                file=tract.settings.trees.file,
                column="product",
                value=named,
                what=f"products met on fewer than {FEW_PLOTS} plots (how many): their true error "
                "is larger than the one stated",
                mend="Read their figures as a hint; see the guide page 'designs'.",
            )
        )
    return found
