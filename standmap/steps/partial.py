"""What may be cut in streamside zones of which part may be, from the plots, with its error."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from standmap.canopy import cover_above
from standmap.cruise import Estimate, EstimateTable, StandEstimates, estimate
from standmap.land import STREAM_BUFFER, BufferRule, StreamRule
from standmap.steps.land import Land
from standmap.steps.plots import TallyFigures
from standmap.steps.residuals import NOT_PLOTS, Asked, ZoneAsks, asks_of_zone
from standmap.steps.sampling import MEASURES
from standmap.steps.tables import acres_by_stand
from standmap.tract import Tract
from standmap.units import BASAL_AREA_CONSTANT, FT_PER_M

CUT_MEASURES: Final = ("weight_tons", "value_usd")
"""What is told of the cut beside board feet of the leading rule."""

COLUMNS: Final = (
    *("class", "zone", "cutting", "acres", "basal_area_sqft", "basal_area_error_pct"),
    *("keep_text", "cut_share_pct", "held_by", "note", "verified", "borrowed"),
)
RESIDUAL_COLUMNS: Final = (
    *("class", "zone", "asked", "measure", "unit", "now", "now_error_pct", "must_stay"),
    *("may_go_pct", "note", "verified"),
)
SAME_SHARE: Final = "thinned evenly over all diameters"
NO_FIGURE: Final = "the source gives no figure for what must stay, so nothing is figured"
ALL_MAY: Final = "the source asks for no trees to stay"
TOO_THIN: Final = "holds no more than must stay: nothing may be cut"
KNOWN_ENOUGH_PCT: Final = 95.0
"""A raster that knows less of a zone than this does not say its cover. [%]"""

FloatArray = npt.NDArray[np.float64]
_ENDS: Final = ("", "_error_pct", "_cut", "_cut_error_pct")


@dataclass(frozen=True, slots=True, kw_only=True)
class PartialHarvest:
    """Zones of which part may be cut.

    Attributes
    ----------
    zones : DataFrame
        A row for each class of water and zone: ``COLUMNS``, and for the leading log rule, tons and
        value ``{m}`` (standing in the zone now), ``{m}_error_pct``, ``{m}_cut`` and
        ``{m}_cut_error_pct``. ``held_by`` is the figure of the rule that leaves least to cut; NaN
        and "" where the rule's figure cannot be told.
    residuals : DataFrame
        A row for each figure the rules ask to remain, ``RESIDUAL_COLUMNS``: what there is ``now``
        by its own measure, and what must stay of it; NaN, with a note why, where it is not known.
    """

    zones: pd.DataFrame
    residuals: pd.DataFrame


@dataclass(frozen=True, slots=True, kw_only=True)
class _Seen:
    """One figure of the rule in its zone: what there is now, and where plots have it."""

    asked: Asked
    unit: str
    now: float
    error_pct: float
    at: int
    note: str = ""

    @property
    def may_go(self) -> float:
        return self.asked.may_go(self.now)


def partial_harvest(
    tract: Tract, tally: TallyFigures, land: Land, found: StandEstimates
) -> PartialHarvest:
    """Work out what may be cut and what must stay in every zone of which part may be cut.

    Parameters
    ----------
    tract : Tract
        With the rules, and the canopy raster if there is one.
    tally : TallyFigures
        The trees and plots.
    land : Land
        The ground laid out.
    found : StandEstimates
        The sample's estimates.

    Notes
    -----
    The ground is taken to hold what an acre of its stands holds: few plots fall in a strip. Every
    figure of a rule is measured by itself: basal area, trees and volume by the plots; trees along
    the bank by the plots and the length of both banks; crown cover by the canopy raster over the
    zone. Where X stands now and R must stay, the share 1 - R/X may go, thinned evenly over all
    diameters, and as much of volume and value; the figure that leaves least decides, or, where
    any one is enough, the first that is known. Taken over the whole zone, it is never more than
    stand by stand. The error of the cut V(1 - R/X) is by linear approximation, from the variances
    of V and X and their covariance over the same plots (the delta method; Cochran 1977, section
    6). Trees taken at random, a share s of them, leave at least 1 - s of the crown cover, since
    each covered place keeps the tree over it that often, and another where crowns overlap; the
    raster's own error is not known, and none is counted.
    """
    zones = land.reasons[
        (land.reasons["reason"] == STREAM_BUFFER)
        & land.reasons["cutting"].isin(["partial", "any"])
        & (land.reasons["acres"] > 0)
    ]
    head = f"bf_{tract.settings.volume.log_rule}"
    measures = (head, *CUT_MEASURES)
    columns = [*COLUMNS, *(f"{m}{end}" for m in measures for end in _ENDS)]
    if zones.empty:
        return PartialHarvest(
            zones=pd.DataFrame(columns=columns),
            residuals=pd.DataFrame(columns=list(RESIDUAL_COLUMNS)),
        )
    in_buffers = land.pieces[land.pieces["reason"] == STREAM_BUFFER]
    acres = acres_by_stand(in_buffers, list(found.stands), ["class", "zone", "cutting"])
    rows, residuals = [], []
    for zone in zones.itertuples(index=False):
        name, part, cutting = str(zone[1]), str(zone[2]), str(zone[3])
        rule = tract.stream_rules[name]
        assert rule is not None  # its buffer was drawn by it
        lines = _rows_of(rule, part)
        asks = asks_of_zone(lines)
        here = acres.loc[acres.index == (name, part, cutting)].iloc[0]
        mine = in_buffers[
            (in_buffers["class"] == name)
            & (in_buffers["zone"] == part)
            & (in_buffers["cutting"] == cutting)
        ]
        held = _Held(tract, tally, land, found, asks, here, mine, name, measures)
        seen = held.seen()
        head_cells = {"class": name, "zone": part, "verified": all(r.verified for r in lines)}
        residuals += [{**head_cells, **_residual_cells(one)} for one in seen]
        rows.append(
            {
                **head_cells,
                "cutting": cutting,
                "keep_text": asks.text,
                **held.figures(seen, cutting),
            }
        )
    return PartialHarvest(
        zones=pd.DataFrame(rows, columns=columns),
        residuals=pd.DataFrame(residuals, columns=list(RESIDUAL_COLUMNS)),
    )


def _rows_of(rule: StreamRule, zone: str) -> list[BufferRule]:
    """Return the rows of one zone; of all where a rule has one zone and it goes unnamed."""
    return [row for row in rule.rows if zone in ("", row.zone)]


def _residual_cells(seen: _Seen) -> dict[str, object]:
    asked = seen.asked
    return {
        "asked": asked.words,
        "measure": asked.measure,
        "unit": seen.unit,
        "now": seen.now,
        "now_error_pct": seen.error_pct,
        "must_stay": asked.must_stay(seen.now),
        "may_go_pct": 100 * asked.may_go(seen.now) if np.isfinite(seen.now) else np.nan,
        "note": "; ".join(n for n in (asked.note, seen.note) if n),
    }


class _Held:
    """What one zone holds by every measure its rule names, and what of it may be cut."""

    def __init__(
        self,
        tract: Tract,
        tally: TallyFigures,
        land: Land,
        found: StandEstimates,
        asks: ZoneAsks,
        acres: pd.Series,
        ground: gpd.GeoDataFrame,
        name: str,
        measures: Sequence[str],
    ) -> None:
        self.tract, self.land, self.asks = tract, land, asks
        self.ground, self.name, self.measures = ground, name, measures
        self.acres = float(acres.sum())
        volume = tally.per_acre[:, MEASURES.index(measures[0])]
        asked = [_per_acre(one, tally, volume) for one in asks.asked]
        every = _per_acre(Asked(measure="basal area"), tally, volume)
        others = [tally.per_acre[:, MEASURES.index(m)] for m in measures]
        sample = replace(
            found.sample,
            values=np.column_stack([every, *asked, *others]),
            attributes=("all", *(f"asked {i}" for i in range(len(asked))), *measures),
        )
        known = estimate(sample)
        self.confidence = known.sample.confidence
        self.whole: EstimateTable = known.total(acres)
        self.spread: FloatArray = known.covariance(acres).to_numpy()
        self.first_measure = 1 + len(asked)

    def seen(self) -> list[_Seen]:
        """Return what there is now by each figure of the rule."""
        return [self._seen(one, at) for at, one in enumerate(self.asks.asked, start=1)]

    def _seen(self, asked: Asked, at: int) -> _Seen:
        if asked.measure == "crown cover":
            return self._cover(asked, at)
        if asked.measure in NOT_PLOTS:
            return _Seen(
                asked=asked, unit="", now=np.nan, error_pct=np.nan, at=at,
                note="not figured: nothing here measures it. Have it measured in the zone",
            )  # fmt: skip
        total, note = float(self.whole.estimate[0, at]), ""
        if asked.measure == "trees along the bank":
            length = self._bank_ft()
            now = 100 * total / length if length > 0 else np.nan
            unit, note = "trees/100 ft", f"both banks, {length:,.0f} ft inside the stands"
        else:
            now = total / self.acres
            unit = {
                "basal area": "sq ft/ac",
                "trees": "trees/ac",
                "volume": f"bf {self.tract.settings.volume.log_rule}/ac",
            }[asked.measure]
        error = float(self.whole.error_pct[0, at])
        return _Seen(asked=asked, unit=unit, now=now, error_pct=error, at=at, note=note)

    def _cover(self, asked: Asked, at: int) -> _Seen:
        """Return the crown cover of the zone from above, or say what to measure."""

        def missing(why: str) -> _Seen:
            note = (
                f"not figured: {why}. Measure crown cover in the zone, say by densiometer at "
                "points along the bank"
            )
            return _Seen(asked=asked, unit="%", now=np.nan, error_pct=np.nan, at=at, note=note)

        path = self.tract.rasters.get("canopy")
        if path is None:
            return missing("plots do not measure crown cover, and there is no canopy raster")
        settings = self.tract.settings
        above = settings.buffers.cover_above_ft
        whole = gpd.GeoSeries(
            [shapely.union_all(self.ground.geometry.to_numpy())], crs=self.ground.crs
        )
        found = cover_above(path, whole, above, units=settings.rasters.canopy_units).iloc[0]
        if found["covered_pct"] < KNOWN_ENOUGH_PCT:
            return missing(f"the canopy raster knows {found['covered_pct']:.0f} % of the zone")
        return _Seen(
            asked=asked,
            unit="%",
            now=float(found["cover_pct"]),
            error_pct=np.nan,
            at=at,
            note=f"canopy over {above:g} ft by the raster, seen from above and as old as the "
            "flight; its error is not known",
        )

    def _bank_ft(self) -> float:
        """Return the length of both banks of this class inside the stands."""
        crs = self.tract.crs
        water = self.land.water.streams
        shapes = water.geometry.to_crs(crs)[(water["class"] == self.name).to_numpy()].to_numpy()
        flat = shapely.get_dimensions(shapes) == 2
        banks = np.where(flat, shapely.boundary(shapes), shapes)
        stands = shapely.union_all(self.tract.stands.to_crs(crs).geometry.to_numpy())
        inside = shapely.length(shapely.intersection(banks, stands))
        return float((inside * np.where(flat, 1, 2)).sum()) * FT_PER_M

    def figures(self, seen: list[_Seen], cutting: str) -> dict[str, object]:
        """Return what may be cut, with its error."""
        share, held, note = self._share(seen, cutting)
        total = self.whole.estimate[0]
        made: dict[str, object] = {
            "acres": self.acres,
            "basal_area_sqft": total[0] / self.acres,
            "basal_area_error_pct": float(self.whole.error_pct[0, 0]),
            "cut_share_pct": 100 * share,
            "held_by": "" if held is None else held.asked.words,
            "note": note,
            "borrowed": str(self.whole.borrowed[0]),
        }
        at = 0 if held is None else held.at
        # An amount by the plots: the share moves with what the plots found of it.
        follows = (
            held is not None
            and 0 < share < 1
            and np.isfinite(held.asked.amount)
            and held.asked.measure not in NOT_PLOTS
        )
        for place, measure in enumerate(self.measures, start=self.first_measure):
            volume = total[place]
            slope = np.array([volume * (1 - share) / total[at] if follows else 0.0, share])
            parts = self.spread[np.ix_([at, place], [at, place])]
            se = np.sqrt(max(float(slope @ parts @ slope), 0.0)) if np.isfinite(share) else np.nan
            cut = Estimate(
                mean=float(volume * share),
                se=float(se),
                n=int(self.whole.n[0]),
                df=float(self.whole.df[0, place]),
                confidence=self.confidence,
            )
            made |= {
                measure: volume,
                f"{measure}_error_pct": float(self.whole.error_pct[0, place]),
                f"{measure}_cut": cut.mean,
                f"{measure}_cut_error_pct": cut.sampling_error_pct,
            }
        return made

    def _share(self, seen: list[_Seen], cutting: str) -> tuple[float, _Seen | None, str]:
        """Return the share that may be cut, the figure that holds it, and how it was come by."""
        if not seen:
            free = cutting == "any" and not self.asks.text
            return (1.0, None, ALL_MAY) if free else (np.nan, None, NO_FIGURE)
        known = [one for one in seen if np.isfinite(one.now)]
        if not known or not self.asks.complete:
            why = "" if self.asks.complete else "a row of the rule gives no figure"
            return np.nan, None, why
        held = known[0] if self.asks.any_one else min(known, key=lambda one: one.may_go)
        share = held.may_go
        notes = [SAME_SHARE if share > 0 else TOO_THIN]
        rest = [one.asked.words for one in seen if one is not held]
        unknown = [one.asked.words for one in seen if one not in known]
        if self.asks.any_one and rest:
            notes.append(f"by {held.asked.words}; {' or '.join(rest)} would do as well")
        elif unknown:
            notes.append(f"at most: {' and '.join(unknown)} must stay too, which is not figured")
        if np.isfinite(self.asks.years):
            notes.append(f"counting all that was cut in the last {_years(self.asks.years)}")
        return share, held, "; ".join(notes)


def _years(years: float) -> str:
    return "12 months" if years == 1 else f"{years:g} years"


def _per_acre(asked: Asked, tally: TallyFigures, volume: FloatArray) -> FloatArray:
    """Return what every row of measured trees holds to the acre by one measure."""
    if asked.measure in NOT_PLOTS:
        return np.zeros(len(tally.per_acre))
    if asked.measure == "volume":
        return volume
    trees = tally.trees
    dbh = trees["dbh_in"].to_numpy(dtype=float)
    weight = trees["trees_per_acre"].to_numpy(dtype=float) * (dbh >= asked.min_dbh_in)
    if asked.measure == "basal area":
        weight = weight * BASAL_AREA_CONSTANT * dbh**2
    place = trees["row_at"].to_numpy(dtype=np.int64)
    held = np.bincount(place, weights=weight, minlength=len(tally.per_acre))
    return held.astype(np.float64)
