"""What may be cut in streamside zones of which part may be, from the plots, with its error."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pandas as pd

from standmap.cruise import Estimate, StandEstimates, estimate
from standmap.land import STREAM_BUFFER, BufferRule, Residual, StreamRule
from standmap.steps.land import Land
from standmap.steps.plots import TallyFigures
from standmap.steps.sampling import MEASURES
from standmap.steps.tables import acres_by_stand
from standmap.tract import Tract
from standmap.units import BASAL_AREA_CONSTANT

CUT_MEASURES: Final = ("weight_tons", "value_usd")
"""What is told of the cut beside board feet of the leading rule."""

COLUMNS: Final = (
    *("class", "zone", "cutting", "acres", "basal_area_sqft", "basal_area_error_pct"),
    *("keep_basal_area_sqft", "keep_text", "cut_share_pct", "note", "verified", "borrowed"),
)
SAME_SHARE: Final = "thinned evenly over all diameters"
NOT_MEASURED: Final = "crown cover is not measured by this cruise, so nothing is figured"
NO_FIGURE: Final = "the source gives no figure for what must stay, so nothing is figured"
ALL_MAY: Final = "the source asks for no trees to stay"
TOO_THIN: Final = "holds no more than must stay: nothing may be cut"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Keep:
    """What must stay as far as plots can tell: so much basal area, or a share of what is there."""

    basal_area_sqft: float = np.nan
    share: float = np.nan
    min_dbh_in: float = 0.0
    note: str = ""

    @property
    def known(self) -> bool:
        return bool(np.isfinite(self.basal_area_sqft) or np.isfinite(self.share))


def partial_harvest(
    tract: Tract, tally: TallyFigures, land: Land, found: StandEstimates
) -> pd.DataFrame:
    """Work out what may be cut and what must stay in every zone of which part may be cut.

    Parameters
    ----------
    tract : Tract
        With the rules.
    tally : TallyFigures
        The trees and plots.
    land : Land
        The ground laid out.
    found : StandEstimates
        The sample's estimates.

    Returns
    -------
    DataFrame
        A row for each class of water and zone: ``COLUMNS``, and for the leading log rule, tons and
        value ``{m}`` (standing in the zone now), ``{m}_error_pct``, ``{m}_cut`` and
        ``{m}_cut_error_pct``. NaN where the rule's figure is not one a cruise measures.

    Notes
    -----
    The ground is taken to hold what an acre of its stands holds: few plots fall in a strip. Where
    a rule asks for R square feet per acre and the zone holds B on average, the share 1 - R/B of
    basal area may be cut, and as much of volume and value (an even thinning: which trees go moves
    the volume, not the basal area). Taken over the whole zone, it is never more than stand by
    stand. The error of the cut V(1 - R/B) is by linear approximation, from the variances of V and
    B and their covariance over the same plots (the delta method; Cochran 1977, section 6).
    """
    zones = land.reasons[
        (land.reasons["reason"] == STREAM_BUFFER)
        & land.reasons["cutting"].isin(["partial", "any"])
        & (land.reasons["acres"] > 0)
    ]
    head = f"bf_{tract.settings.volume.log_rule}"
    measures = (head, *CUT_MEASURES)
    if zones.empty:
        extra = [f"{m}{end}" for m in measures for end in _ENDS]
        return pd.DataFrame(columns=[*COLUMNS, *extra])
    names = list(found.stands)
    in_buffers = land.pieces[land.pieces["reason"] == STREAM_BUFFER]
    acres = acres_by_stand(in_buffers, names, ["class", "zone", "cutting"])
    rows = []
    for zone in zones.itertuples(index=False):
        name, part, cutting = str(zone[1]), str(zone[2]), str(zone[3])
        rule = tract.stream_rules[name]
        assert rule is not None  # its buffer was drawn by it
        keep = _keep(rule, part, cutting)
        here = acres.loc[acres.index == (name, part, cutting)].iloc[0]
        rows.append(
            {
                "class": name,
                "zone": part,
                "cutting": cutting,
                "keep_text": _keep_text(rule, part),
                "verified": all(row.verified for row in _rows_of(rule, part)),
                **_figures(found, tally, keep, here, measures),
            }
        )
    table = pd.DataFrame(rows)
    return table[[*COLUMNS, *[c for c in table if c not in COLUMNS]]]


_ENDS: Final = ("", "_error_pct", "_cut", "_cut_error_pct")


def _rows_of(rule: StreamRule, zone: str) -> list[BufferRule]:
    """Return the rows of one zone; of all where a rule has one zone and it goes unnamed."""
    return [row for row in rule.rows if zone in ("", row.zone)]


def _keep_text(rule: StreamRule, zone: str) -> str:
    words = [row.keep.words for row in _rows_of(rule, zone) if row.keep.words]
    return "; ".join(dict.fromkeys(words))


def _keep(rule: StreamRule, zone: str, cutting: str) -> _Keep:
    """Return the strictest of what a zone's rows ask for."""
    asked = [_one_keep(row.keep) for row in _rows_of(rule, zone)]
    if not all(keep.known for keep in asked):
        if cutting == "any" and not _keep_text(rule, zone):
            return _Keep(share=0.0, note=ALL_MAY)
        return next(keep for keep in asked if not keep.known)
    # Rows of one zone differ by slope; the larger figure holds for all, on the safe side.
    return max(asked, key=lambda keep: (np.nan_to_num(keep.basal_area_sqft),
                                        np.nan_to_num(keep.share)))  # fmt: skip


def _one_keep(keep: Residual) -> _Keep:
    """Return what plots can tell of one residual."""
    area, share = keep.basal_area_sqft, keep.share_pct / 100
    canopy, stems = np.isfinite(keep.canopy_pct), np.isfinite(keep.stems_per_100_ft)
    small = 0.0 if np.isnan(keep.min_dbh_in) else keep.min_dbh_in
    if np.isnan(area) and np.isnan(share):
        return _Keep(note=NOT_MEASURED if canopy else NO_FIGURE)
    notes = [SAME_SHARE]
    if canopy or stems:
        other = f"{keep.canopy_pct:g} % crown cover" if canopy else "stems along the bank"
        if keep.how == "any":
            notes.append(f"by basal area; {other} would do as well")
        else:
            notes.append(f"{other} must stay too, which this cruise does not measure")
    if np.isfinite(area) and np.isfinite(share) and keep.how == "any":
        share = np.nan  # either is enough; the basal area is the one that can be flagged
    return _Keep(basal_area_sqft=area, share=share, min_dbh_in=small, note="; ".join(notes))


def _figures(
    found: StandEstimates,
    tally: TallyFigures,
    keep: _Keep,
    acres: pd.Series,
    measures: tuple[str, ...],
) -> dict[str, object]:
    """Return what a zone holds, what of it must stay, and what may be cut."""
    trees = tally.trees
    counted = trees["dbh_in"].to_numpy(dtype=float) >= keep.min_dbh_in
    section = BASAL_AREA_CONSTANT * trees["dbh_in"].to_numpy(dtype=float) ** 2
    weight = trees["trees_per_acre"].to_numpy(dtype=float) * section * counted
    area = np.bincount(
        trees["row_at"].to_numpy(dtype=np.int64), weights=weight, minlength=len(tally.per_acre)
    )
    columns = [tally.per_acre[:, MEASURES.index(m)] for m in measures]
    sample = replace(
        found.sample,
        values=np.column_stack([area, *columns]),
        attributes=("basal_area_sqft", *measures),
    )
    known = estimate(sample)
    whole = known.total(acres)
    spread = known.covariance(acres).to_numpy()
    total, size = whole.estimate[0], float(acres.sum())
    per_acre = total[0] / size
    share, cut_note = _cut_share(keep, per_acre)
    made: dict[str, object] = {
        "acres": size,
        "basal_area_sqft": per_acre,
        "basal_area_error_pct": float(whole.error_pct[0, 0]),
        "keep_basal_area_sqft": min(per_acre * (1 - share), per_acre),
        "cut_share_pct": 100 * share,
        "note": "; ".join(n for n in (cut_note, keep.note if share != 0 else "") if n),
        "borrowed": str(whole.borrowed[0]),
    }
    follows = np.isfinite(keep.basal_area_sqft) and 0 < share < _other_share(keep)
    for at, measure in enumerate(measures, start=1):
        volume = total[at]
        slope = np.array([volume * (1 - share) / total[0] if follows else 0.0, share])
        parts = spread[np.ix_([0, at], [0, at])]
        se = np.sqrt(max(float(slope @ parts @ slope), 0.0)) if np.isfinite(share) else np.nan
        cut = Estimate(
            mean=float(volume * share),
            se=float(se),
            n=int(whole.n[0]),
            df=float(whole.df[0, at]),
            confidence=known.sample.confidence,
        )
        made |= {
            measure: volume,
            f"{measure}_error_pct": float(whole.error_pct[0, at]),
            f"{measure}_cut": cut.mean,
            f"{measure}_cut_error_pct": cut.sampling_error_pct,
        }
    return made


def _other_share(keep: _Keep) -> float:
    """Return the most that may be cut by a share rule alone: then the target does not bind."""
    return 1.0 if np.isnan(keep.share) else 1 - keep.share


def _cut_share(keep: _Keep, per_acre: float) -> tuple[float, str]:
    """Return the share of basal area that may be cut; NaN where it cannot be told."""
    if not keep.known:
        return np.nan, ""
    share = _other_share(keep)
    if np.isfinite(keep.basal_area_sqft):
        by_area = 1 - keep.basal_area_sqft / per_acre if per_acre > 0 else 0.0
        share = min(share, max(by_area, 0.0))
    return share, TOO_THIN if share <= 0 else ""
