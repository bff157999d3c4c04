"""A whole tract, read and checked: the input of an appraisal."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from html import escape

import geopandas as gpd
import pandas as pd

from standmap.cruise import Design
from standmap.harvest import HarvestPlan
from standmap.products import ProductSpec
from standmap.tract.ground import Ground
from standmap.tract.roads import Roads
from standmap.tract.settings import Settings
from standmap.tract.tally import COUNTED_ONLY
from standmap.trees import TaperForms, TaperTable
from standmap.value import PriceSheet
from standmap.value.mills import MillSheet
from standmap.value.offers import Offer


def _tree_words(counts: Mapping[str, float]) -> str:
    """Say how many trees were tallied, used, counted only and set aside."""
    tallied, used, counted = counts["tallied"], counts["used"], counts.get(COUNTED_ONLY, 0.0)
    only = f"{counted:,.12g} counted only, " if counted else ""
    aside = tallied - used - counted
    return f"{tallied:,.12g} tallied, {used:,.12g} used, {only}{aside:,.12g} set aside"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Tract(Ground):
    """A tract ready to appraise: its `Ground`, and what was found on it.

    Attributes
    ----------
    settings : Settings
        What the tract file says.
    plots : GeoDataFrame
        ``plot``, ``stand`` ("" where outside every stand: set aside), ``baf`` [sq ft/acre] and
        ``plot_acres`` (NaN unless the plot gives its own), ``edge`` (how trees by a line are
        counted, "" unsaid), ``share`` (0.5 for a half plot), ``recorded`` (the stand its record
        names), geometry (None where not mapped), ``source_row``, and what only some designs need:
        ``tree_count, covariate, measured, cluster, line, type``.
    trees : DataFrame
        Every tallied tree: ``plot, tree, species`` (as typed), ``species_code, dbh_in, count,
        times`` (each tree counts at its point), ``distance_ft, slope_pct`` (of the tape to it),
        ``saw_logs, saw_height_ft, height_ft, broken_height_ft, form_class, defect_pct, product,
        status, kpi, sample_group, used, why_not, source_row``. NaN is "not recorded".
    defects : DataFrame or None
        Defects of the trees used, by ``tree_row``, the tree's ``source_row``; see `read_defects`.
    design : Design
        How the trees were chosen.
    products : list of ProductSpec
        What can be made of them.
    prices : PriceSheet or None
        What it brings.
    taper : TaperTable, TaperForms or None
        The user's own stem profiles.
    mills : MillSheet or None
        Which mills buy it, and for how much.
    offers : tuple of Offer
        What buyers offer for it standing.
    domains : GeoDataFrame or None
        ``domain``.
    plan : HarvestPlan
        What is to be cut in each unit, and the plans held beside it.
    landings, crossings : GeoDataFrame or None
        ``unit`` ("" for all), points; lines or points.
    roads : Roads
        Roads, skid trails and the setbacks they and landings are held to.
    types : GeoDataFrame or None
        Mapped types that plots are sorted by afterwards: ``type``.
    """

    settings: Settings
    plots: gpd.GeoDataFrame
    trees: pd.DataFrame
    defects: pd.DataFrame | None
    design: Design
    products: list[ProductSpec]
    prices: PriceSheet | None
    taper: TaperTable | TaperForms | None
    mills: MillSheet | None
    offers: tuple[Offer, ...]
    domains: gpd.GeoDataFrame | None
    plan: HarvestPlan = field(default_factory=HarvestPlan)
    landings: gpd.GeoDataFrame | None = None
    crossings: gpd.GeoDataFrame | None = None
    roads: Roads = field(default_factory=Roads)
    types: gpd.GeoDataFrame | None = None

    @property
    def bare(self) -> frozenset[str]:
        """Reasons whose ground holds no timber, as the tract file says."""
        exclusions = self.settings.exclusions
        drawn = exclusions.bare if exclusions else ()
        return frozenset([*drawn, *(s.reason for s in self.settings.setbacks if s.bare)])

    def accounting(self) -> dict[str, float]:
        """Return tallied trees, those used, those counted only and those set aside by reason.

        Counts are of trees, not rows: a row with a count of 3 is three trees. ``tallied`` is
        always the sum of the others.
        """
        by_reason = self.trees.groupby("why_not", sort=True)["count"].sum()
        aside = {
            why if why == COUNTED_ONLY else f"set aside: {why}": float(n)
            for why, n in by_reason.items()
            if why
        }
        used = float(self.trees.loc[self.trees["used"], "count"].sum())
        return {"tallied": float(self.trees["count"].sum()), "used": used, **aside}

    def _facts(self) -> list[tuple[str, str]]:
        """Return the tract in a few lines, for people."""
        in_stands = int((self.plots["stand"] != "").sum())
        counts = self.accounting()
        facts = [
            ("tract file", str(self.path)),
            ("stands", f"{len(self.stands)}, {self.gross_acres:,.1f} gross acres"),
            ("plots", f"{in_stands} in stands, {len(self.plots) - in_stands} set aside"),
            ("trees", _tree_words(counts)),
            ("species", str(self.trees.loc[self.trees["used"], "species_code"].nunique())),
            (
                "products",
                f"{len(self.products)}{', priced' if self.prices is not None else ', no prices'}",
            ),
        ]
        layers = [(n, getattr(self, n)) for n in ("streams", "exclusions", "units", "domains")]
        facts += [(name, str(len(layer))) for name, layer in layers if layer is not None]
        if self.rasters:
            facts.append(("rasters", ", ".join(self.rasters)))
        facts.append(("warnings", str(len(self.problems))))
        return facts

    def __repr__(self) -> str:
        facts = self._facts()
        width = max(len(label) for label, _ in facts)
        lines = [f"  {label:<{width}}  {value}" for label, value in facts]
        return "\n".join([f"Tract '{self.name}'", *lines])

    def _repr_html_(self) -> str:
        rows = "".join(
            f"<tr><th style='text-align:left'>{escape(label)}</th>"
            f"<td style='text-align:left'>{escape(value)}</td></tr>"
            for label, value in self._facts()
        )
        return f"<table><caption>Tract '{escape(self.name)}'</caption>{rows}</table>"
