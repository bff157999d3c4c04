"""Streamside rules as data: what a rule asks for, and how wide it is on ground of a given slope."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final, Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from standmap.errors import DomainError
from standmap.land._rule_kernels import class_of_slope, horizontal_distance, width_on_slope

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

Limits = Literal["harvest", "soil", "equipment", "openings"]
Distance = Literal["slope", "horizontal", ""]
Cutting = Literal["none", "partial", "any", ""]
Binding = Literal["regulatory", "voluntary", "mixed", "setting"]

CUTTING_STRICTNESS: Final[dict[Cutting, int]] = {"none": 0, "": 1, "partial": 2, "any": 3}
"""Strictest first; where a source does not say what may be cut, nothing is taken to be."""

CHECK_THE_RULE: Final = (
    "Streamside rules differ by state and by water and change: this one is shown as it was "
    "published, to be checked against the current rule with the state forestry agency. Whether a "
    "channel is a stream, and of what class, is decided on the ground."
)
"""Printed wherever a rule is named."""

UNVERIFIED: Final = (
    "Unverified: this row was not read in its source. It settles nothing by itself; look the rule "
    "up before relying on it."
)
"""Printed beside every row whose evidence does not begin with "read"."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Residual:
    """What must stay inside a zone; NaN where the rule states no such figure.

    The figures are not interchangeable: a canopy share cannot be met by a basal area.

    Attributes
    ----------
    basal_area_sqft : float
        Basal area per acre. [ft2/acre]
    canopy_pct : float
        Crown cover. [%]
    share_pct : float
        Share of what is there now (of ``share_of``). [%]
    share_of : str
        What the share is of: "basal area", "volume", "stems", "overstory trees" ...
    stems_per_100_ft : float
        Trees per 100 ft of bank.
    min_dbh_in : float
        Only trees of this DBH and over count. [in]
    how : {"all", "any"}
        Whether every figure must be met, or any one is enough.
    years : float
        The cut is counted over so many years.
    text : str
        The source's own words.
    """

    basal_area_sqft: float = np.nan
    canopy_pct: float = np.nan
    share_pct: float = np.nan
    share_of: str = ""
    stems_per_100_ft: float = np.nan
    min_dbh_in: float = np.nan
    how: Literal["all", "any"] = "all"
    years: float = np.nan
    text: str = ""

    @property
    def words(self) -> str:
        """The source's words; the figures in words where it has none."""
        if self.text:
            return self.text
        parts = []
        if np.isfinite(self.basal_area_sqft):
            parts.append(f"{self.basal_area_sqft:g} sq ft of basal area per acre")
        if np.isfinite(self.canopy_pct):
            parts.append(f"{self.canopy_pct:g} % crown cover")
        if np.isfinite(self.share_pct):
            parts.append(f"{self.share_pct:g} % of {self.share_of}")
        if np.isfinite(self.stems_per_100_ft):
            parts.append(f"{self.stems_per_100_ft:g} trees per 100 ft of bank")
        return (" or " if self.how == "any" else " and ").join(parts)


@dataclass(frozen=True, slots=True, kw_only=True)
class BufferRule:
    """One row of the table of rules: one zone of one water, on one class of slope.

    Attributes
    ----------
    jurisdiction : str
        State, with a region or kind of owner where the rule has one ("OR-west").
    water_classes : tuple of str
        Short names to look the rule up by; "any" is every water.
    water : str
        The water in the source's words.
    option : str
        Which alternative of the source, "" where there is one.
    limits : {"harvest", "soil", "equipment", "openings"}
        What the width limits. A filter strip (soil) is not a no-harvest zone.
    zone : str
        Name of the zone.
    zone_number : int
        1 at the water; widths of zones 1, 2, ... add up.
    slope_from_pct, slope_to_pct : float
        Class of bank slope, perpendicular to the stream. [%]
    slope_from_included, slope_to_included : bool
        Whether the edges themselves are in the class.
    width_ft : float
        Width on each side; NaN: the source fixes none. [ft]
    width_ft_per_pct : float
        Feet added for each percent of slope above ``slope_above_pct``.
    slope_above_pct : float
        Slope from which feet are added. [%]
    max_width_ft : float
        Greatest width; infinite where there is none. [ft]
    distance : {"slope", "horizontal", ""}
        Along the ground, or on the flat; "" not stated.
    measured_from : str
        "bank", "high-water mark", "centreline" ...; "" not stated.
    cutting : {"none", "partial", "any", ""}
        What may be cut; "" not stated.
    keep : Residual
        What must stay.
    equipment : str
        Limits on machines and roads.
    binding : {"regulatory", "voluntary", "mixed", "setting"}
        Whether it is law, a recommended practice, or the user's own setting.
    source, year, evidence, caution : str
        Where it was published, when, how it came to be here, and what to beware of.
    """

    jurisdiction: str
    water_classes: tuple[str, ...]
    width_ft: float
    water: str = ""
    option: str = ""
    limits: Limits = "harvest"
    zone: str = "total"
    zone_number: int = 1
    slope_from_pct: float = 0.0
    slope_to_pct: float = np.inf
    slope_from_included: bool = False
    slope_to_included: bool = True
    width_ft_per_pct: float = 0.0
    slope_above_pct: float = 0.0
    max_width_ft: float = np.inf
    distance: Distance = ""
    measured_from: str = ""
    cutting: Cutting = ""
    keep: Residual = field(default_factory=Residual)
    equipment: str = ""
    binding: Binding = "voluntary"
    source: str = ""
    year: str = ""
    evidence: str = ""
    caution: str = ""

    @property
    def verified(self) -> bool:
        """Whether the row was read in its source."""
        return self.evidence.startswith("read")

    @property
    def citation(self) -> str:
        """Source and year, and whether the row is unverified."""
        cited = f"{self.source}, {self.year}" if self.year else self.source
        return cited if self.verified else f"{cited} (unverified: {self.evidence or 'no evidence'})"

    @property
    def slope_class(self) -> str:
        """The class of slope in words; "" where the rule does not depend on it."""
        if self.slope_from_pct <= 0 and np.isinf(self.slope_to_pct):
            return ""
        start = "from" if self.slope_from_included or self.slope_from_pct <= 0 else "over"
        if np.isinf(self.slope_to_pct):
            return f"{start} {self.slope_from_pct:g} %"
        end = "to" if self.slope_to_included else "to under"
        return f"{start} {self.slope_from_pct:g} {end} {self.slope_to_pct:g} %"

    @property
    def width_words(self) -> str:
        """The width in words, formula included."""
        if np.isnan(self.width_ft):
            return "no fixed width"
        words = f"{self.width_ft:g}"
        if self.width_ft_per_pct:
            above = f"(slope % - {self.slope_above_pct:g})" if self.slope_above_pct else "slope %"
            words += f" + {self.width_ft_per_pct:g} x {above}"
        if np.isfinite(self.max_width_ft):
            words += f", at most {self.max_width_ft:g}"
        along = {"slope": " along the ground", "horizontal": " on the flat", "": ""}
        return f"{words} ft{along[self.distance]}"


@dataclass(frozen=True, slots=True, kw_only=True)
class StreamRule:
    """All rows that together say how wide the zones of one water are, on any slope.

    Attributes
    ----------
    jurisdiction, water_class, option : str
        What was looked up.
    limits : {"harvest", "soil", "equipment", "openings"}
        What the width limits.
    rows : tuple of BufferRule
        Ordered by zone from the water, then by slope.
    """

    jurisdiction: str
    water_class: str
    limits: Limits
    option: str
    rows: tuple[BufferRule, ...]

    @property
    def zones(self) -> tuple[str, ...]:
        """Names of the zones, from the water outward."""
        return tuple(dict.fromkeys(row.zone for row in self.rows))

    @property
    def depends_on_slope(self) -> bool:
        """Whether any width changes with the slope of the bank."""
        return any(
            row.slope_class or row.width_ft_per_pct or row.distance == "slope" for row in self.rows
        )

    @property
    def fixed(self) -> bool:
        """Whether every zone has a width (some rules leave it to judgement)."""
        return not any(np.isnan(row.width_ft) for row in self.rows)

    @property
    def from_centreline(self) -> bool:
        """Whether the width starts at the middle of the channel and not at its bank."""
        return any(row.measured_from == "centreline" for row in self.rows)

    @property
    def verified(self) -> bool:
        """Whether every row was read in its source; see :meth:`verified_at` for one slope."""
        return all(row.verified for row in self.rows)

    @property
    def citations(self) -> tuple[str, ...]:
        """Sources and years, each once."""
        return tuple(dict.fromkeys(row.citation for row in self.rows))

    @property
    def cautions(self) -> tuple[str, ...]:
        """Everything to print beside this rule: the standing caution first."""
        own = (row.caution for row in self.rows if row.caution)
        return tuple(
            dict.fromkeys([CHECK_THE_RULE, *(() if self.verified else [UNVERIFIED]), *own])
        )

    def rows_at(self, slope_pct: ArrayLike) -> Ints:
        """Return the row that applies in each zone on banks of these slopes.

        Parameters
        ----------
        slope_pct : array_like
            (n,) slopes of banks, 0 or more. [%]

        Returns
        -------
        ndarray
            (zones, n) positions in ``rows``; -1 where a zone has no class so flat.

        Raises
        ------
        DomainError
            If a slope is negative, or unknown where the rule depends on it.

        Notes
        -----
        A slope on the printed edge of a class is in it; on an edge two classes share, or between
        two printed classes (20.5 % of "5-20, 21-40"), the wider applies; beyond the last class
        the last one does.
        """
        slope = self._slopes(slope_pct)
        found = []
        for zone in self.zones:
            at = np.array([i for i, row in enumerate(self.rows) if row.zone == zone])
            edges = [self.rows[i] for i in at]
            place = class_of_slope(
                slope,
                np.array([row.slope_from_pct for row in edges]),
                np.array([row.slope_to_pct for row in edges]),
                np.array([row.slope_from_included for row in edges]),
                np.array([row.slope_to_included for row in edges]),
                np.stack([_width_ft(row, slope) for row in edges]),
            )
            found.append(np.where(place < 0, -1, at[place]))
        return np.stack(found)

    def widths_ft(self, slope_pct: ArrayLike) -> Floats:
        """Return the width of each zone as the rule measures it.

        Parameters
        ----------
        slope_pct : array_like
            (n,) slopes of banks. [%]

        Returns
        -------
        ndarray
            (zones, n) feet; 0 where a zone has no class so flat, NaN where the rule fixes none.

        Raises
        ------
        DomainError
            As :meth:`rows_at`.
        """
        return self._widths(slope_pct, plan=False)

    def plan_widths_ft(self, slope_pct: ArrayLike) -> Floats:
        """Return the width of each zone on the map: distances along the ground made horizontal.

        Parameters
        ----------
        slope_pct : array_like
            (n,) slopes of banks. [%]

        Returns
        -------
        ndarray
            (zones, n) feet on the flat; their sum over zones is the buffer's width on each side.
            A distance the source does not name is taken as horizontal, never the narrower.

        Raises
        ------
        DomainError
            As :meth:`rows_at`.

        Examples
        --------
        The published filter strip on 27 % is 84 ft along the ground, 81.1 ft on the map:

        >>> from standmap.land import stream_rule
        >>> strip = stream_rule("MN", "trout", limits="soil")
        >>> strip.widths_ft([27]), strip.plan_widths_ft([27]).round(1)
        (array([[84.]]), array([[81.1]]))
        """
        return self._widths(slope_pct, plan=True)

    def verified_at(self, slope_pct: ArrayLike) -> Bools:
        """Return whether every row that applies on each slope was read in its source.

        Where False, the width shown settles nothing by itself.
        """
        read = np.array([*(row.verified for row in self.rows), True])  # -1: no row applies
        return np.asarray(read[self.rows_at(slope_pct)].all(axis=0))

    def to_frame(self) -> pd.DataFrame:
        """Return one row per zone and class of slope, in words, for a report."""
        return pd.DataFrame(
            {
                "zone": [row.zone for row in self.rows],
                "slope": [row.slope_class for row in self.rows],
                "width": [row.width_words for row in self.rows],
                "measured_from": [row.measured_from or "not stated" for row in self.rows],
                "cutting": [row.cutting or "not stated" for row in self.rows],
                "must_stay": [row.keep.words for row in self.rows],
                "equipment": [row.equipment for row in self.rows],
                "binding": [row.binding for row in self.rows],
                "verified": [row.verified for row in self.rows],
                "source": [row.source for row in self.rows],
                "year": [row.year for row in self.rows],
                "caution": [row.caution for row in self.rows],
            }
        )

    def _slopes(self, slope_pct: ArrayLike) -> Floats:
        slope = np.atleast_1d(np.asarray(slope_pct, dtype=np.float64))
        if (slope < 0).any():
            raise DomainError(
                f"'slope_pct' must be 0 or more; got {slope[slope < 0][0]}. A bank's slope counts "
                "the same up or down."
            )
        if self.depends_on_slope and np.isnan(slope).any():
            raise DomainError(
                f"{int(np.isnan(slope).sum())} of {len(slope)} slopes are unknown, and the rule of "
                f"{self.jurisdiction} for {self.water_class!r} depends on slope. Give an elevation "
                "raster that covers the stream, or one constant slope to stand in (slope_pct, in "
                "[buffers] of a tract file)."
            )
        return np.nan_to_num(slope)

    def _widths(self, slope_pct: ArrayLike, *, plan: bool) -> Floats:
        slope = self._slopes(slope_pct)
        at = self.rows_at(slope)
        width = np.stack([_width_ft(row, slope) for row in self.rows])
        if plan:
            along = np.array([row.distance == "slope" for row in self.rows])
            width[along] = horizontal_distance(width[along], slope)
        chosen = np.take_along_axis(width, np.maximum(at, 0), axis=0)
        return np.where(at < 0, 0.0, chosen)


def _width_ft(row: BufferRule, slope: Floats) -> Floats:
    return width_on_slope(
        slope, row.width_ft, row.width_ft_per_pct, row.slope_above_pct, row.max_width_ft
    )


def horizontal_ft(slope_distance_ft: ArrayLike, slope_pct: ArrayLike) -> Floats:
    r"""Return the distance on the map of a distance measured along the ground.

    Parameters
    ----------
    slope_distance_ft : array_like
        Distance along the ground. [ft]
    slope_pct : array_like
        Slope of that ground. [%]

    Returns
    -------
    ndarray
        :math:`d / \sqrt{1 + (s/100)^2}`. [ft]

    Examples
    --------
    >>> horizontal_ft(84, 27).round(1)
    np.float64(81.1)
    """
    return horizontal_distance(
        np.asarray(slope_distance_ft, dtype=np.float64), np.asarray(slope_pct, dtype=np.float64)
    )
