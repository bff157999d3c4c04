"""What a streamside rule asks to remain, each figure by its own measure and no other."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from standmap.land import BufferRule, Residual

Measure = Literal["basal area", "trees", "volume", "crown cover", "trees along the bank", ""]

NOT_PLOTS: Final[tuple[Measure, ...]] = ("crown cover", "")
"""Measures that plots of tallied trees do not give; "" is one that nothing here gives."""

MEASURE_OF_SHARE: Final[dict[str, Measure]] = {
    "basal": "basal area",
    "volume": "volume",
    "canopy": "crown cover",
    "crown": "crown cover",
    "cover": "crown cover",
    "tree": "trees",
    "stem": "trees",
}
"""Words of ``keep_share_of``, first found first, and what a share of them is measured by."""

UPPER_STORY: Final = "overstory"


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """One figure that a rule asks to remain.

    Attributes
    ----------
    measure : str
        What it is measured by; "" where nothing here measures it.
    amount : float
        So much of it: sq ft or trees per acre, % cover, trees per 100 ft; NaN for a share.
    share : float
        Such a share of what is there now, 0 to 1; NaN for an amount.
    min_dbh_in : float
        Trees from this DBH count; 0 is every tree tallied.
    words : str
        The figure in words.
    note : str
        What to beware of in figuring it.
    """

    measure: Measure
    amount: float = np.nan
    share: float = np.nan
    min_dbh_in: float = 0.0
    words: str = ""
    note: str = ""

    def must_stay(self, now: float) -> float:
        """Return how much must stay where there is ``now``; never more than there is."""
        if np.isnan(self.amount):
            return self.share * now
        return min(self.amount, now) if np.isfinite(now) else np.nan

    def may_go(self, now: float) -> float:
        """Return the share of it that may go, 0 to 1; NaN where it is not known."""
        if np.isnan(self.amount):
            return 1 - self.share
        if np.isnan(now):
            return np.nan
        return max(1 - self.amount / now, 0.0) if now > 0 else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneAsks:
    """All that a rule asks to remain in a zone.

    Attributes
    ----------
    asked : tuple of Asked
        Figures; none where the source gives none.
    any_one : bool
        Whether one of them is enough.
    text : str
        The source's words.
    complete : bool
        Whether every row of the zone gives a figure.
    years : float
        The cut is counted over so many years; NaN where not said.
    """

    asked: tuple[Asked, ...]
    any_one: bool
    text: str
    complete: bool
    years: float


def asks_of_zone(rows: Iterable[BufferRule]) -> ZoneAsks:
    """Return what the rows of one zone ask to remain.

    Rows of one zone differ by slope; of each measure the larger figure holds for all of them, on
    the safe side.

    Parameters
    ----------
    rows : iterable of BufferRule
        The rows of the zone.

    Examples
    --------
    >>> row = BufferRule(jurisdiction="x", water_classes=("creek",), width_ft=50,
    ...                  keep=Residual(basal_area_sqft=60, canopy_pct=50, how="any"))
    >>> found = asks_of_zone([row])
    >>> [one.words for one in found.asked], found.any_one
    (['60 sq ft of basal area per acre', '50 % crown cover'], True)
    """
    keeps = [row.keep for row in rows]
    each = [_asked(keep) for keep in keeps]
    largest: dict[tuple[Measure, float, bool], Asked] = {}
    for one in (one for asked in each for one in asked):
        key = (one.measure, one.min_dbh_in, bool(np.isnan(one.amount)))
        held = largest.get(key)
        if held is None or np.fmax(one.amount, one.share) > np.fmax(held.amount, held.share):
            largest[key] = one
    years = [keep.years for keep in keeps if np.isfinite(keep.years)]
    return ZoneAsks(
        asked=tuple(largest.values()),
        any_one=bool(keeps) and all(keep.how == "any" for keep in keeps),
        text="; ".join(dict.fromkeys(keep.words for keep in keeps if keep.words)),
        complete=bool(each) and all(each),
        years=max(years, default=np.nan),
    )


def _asked(keep: Residual) -> list[Asked]:
    """Return the figures of one row."""
    small = 0.0 if np.isnan(keep.min_dbh_in) else keep.min_dbh_in
    from_dbh = f" in trees of {small:g} in and over" if small else ""
    found = []
    if np.isfinite(keep.basal_area_sqft):
        words = f"{keep.basal_area_sqft:g} sq ft of basal area per acre{from_dbh}"
        found.append(
            Asked(measure="basal area", amount=keep.basal_area_sqft, min_dbh_in=small, words=words)
        )
    if np.isfinite(keep.canopy_pct):
        words = f"{keep.canopy_pct:g} % crown cover"
        found.append(Asked(measure="crown cover", amount=keep.canopy_pct, words=words))
    if np.isfinite(keep.share_pct):
        found.append(_share(keep, small, from_dbh))
    if np.isfinite(keep.stems_per_100_ft):
        words = f"{keep.stems_per_100_ft:g} trees per 100 ft of bank{from_dbh}"
        found.append(
            Asked(
                measure="trees along the bank",
                amount=keep.stems_per_100_ft,
                min_dbh_in=small,
                words=words,
            )
        )
    return found


def _share(keep: Residual, small: float, from_dbh: str) -> Asked:
    said = keep.share_of.casefold()
    nothing: Measure = ""
    measure = next((m for word, m in MEASURE_OF_SHARE.items() if word in said), nothing)
    asked = Asked(
        measure=measure,
        share=keep.share_pct / 100,
        min_dbh_in=small if measure in ("basal area", "trees") else 0.0,
        words=f"{keep.share_pct:g} % of {keep.share_of}{from_dbh}",
    )
    if UPPER_STORY in said and measure == "trees":
        return replace(
            asked,
            note="counted over every tree tallied, as crown classes were not: keep the share "
            "among the upper trees",
        )
    return asked
