"""Finding the streamside rule of a jurisdiction and a water."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches
from functools import cache
from typing import Final

import pandas as pd

from standmap._tables import load_table
from standmap.errors import DomainError
from standmap.land.rule_reading import rules_from_frame
from standmap.land.rules import BufferRule, Limits, StreamRule

ANY_WATER: Final = "any"
"""A rule with this water class applies to every water."""

OWN_WIDTH: Final = "your own width"
"""Stands for the jurisdiction of a width that the user set."""


@cache
def packaged_rules() -> tuple[BufferRule, ...]:
    """Return the packaged rules (``standmap/data/buffer_rules_published.csv``).

    Examples
    --------
    >>> len({rule.jurisdiction for rule in packaged_rules()}) > 25
    True
    """
    name = "buffer_rules_published"
    rules, problems = rules_from_frame(load_table(name), file=f"{name}.csv")
    assert not any(problem.severity == "error" for problem in problems), problems
    return tuple(rules)


def stream_rule(
    jurisdiction: str,
    water_class: str,
    *,
    limits: Limits = "harvest",
    option: str = "",
    rules: Iterable[BufferRule] | None = None,
) -> StreamRule:
    """Look up the rule of a jurisdiction for a class of water.

    Parameters
    ----------
    jurisdiction, water_class : str
        As in the table, in any case.
    limits : {"harvest", "soil", "equipment", "openings"}
        What the width is to limit.
    option : str
        Which alternative, where the source has several.
    rules : iterable of BufferRule, optional
        The table; the packaged one by default.

    Returns
    -------
    StreamRule
        Its zones and classes of slope.

    Raises
    ------
    DomainError
        If there is no such rule; what there is is named.

    Examples
    --------
    South Carolina, a bank of 40 %: a primary zone of 40 ft and a secondary of 80 beyond it.

    >>> rule = stream_rule("SC", "perennial")
    >>> rule.zones, rule.widths_ft([40]).sum()
    (('primary', 'secondary'), np.float64(120.0))
    """
    table = packaged_rules() if rules is None else tuple(rules)
    places = {row.jurisdiction for row in table}
    here = [row for row in table if _same(row.jurisdiction, jurisdiction)]
    if not here:
        raise _unknown("jurisdiction", jurisdiction, places)
    kind = [row for row in here if row.limits == limits]
    if not kind:
        raise _unknown(f"rule of {jurisdiction} that limits", limits, {row.limits for row in here})
    wet = [row for row in kind if _covers(row, water_class)]
    if not wet:
        raise _unknown(
            f"water class of {jurisdiction} that limits {limits}",
            water_class,
            {name for row in kind for name in row.water_classes},
        )
    rows = [row for row in wet if _same(row.option, option)]
    if not rows:
        raise _unknown(
            f"option of {jurisdiction} for {water_class!r}", option, {row.option for row in wet}
        )
    rows.sort(key=lambda row: (row.zone_number, row.slope_from_pct))
    return StreamRule(
        jurisdiction=rows[0].jurisdiction,
        water_class=water_class,
        limits=limits,
        option=rows[0].option,
        rows=tuple(rows),
    )


def fixed_width(water_class: str, width_ft: float, *, source: str) -> StreamRule:
    """Return a width of the user's own as a rule: on the flat, whatever the slope.

    Parameters
    ----------
    water_class : str
        Class of water.
    width_ft : float
        Width on each side. [ft]
    source : str
        Where the user set it.

    Returns
    -------
    StreamRule
        One zone, in which nothing is said of cutting.

    Raises
    ------
    DomainError
        If the width is not 0 or more.

    Examples
    --------
    >>> fixed_width("perennial", 75, source="tract.toml").rows[0].width_words
    '75 ft on the flat'
    """
    if not 0 <= width_ft < float("inf"):
        raise DomainError(f"'width_ft' must be 0 ft or more; got {width_ft}.")
    row = BufferRule(
        jurisdiction=OWN_WIDTH,
        water_classes=(water_class,),
        width_ft=float(width_ft),
        distance="horizontal",
        binding="setting",
        source=source,
        evidence="read in the tract file",
    )
    return StreamRule(
        jurisdiction=OWN_WIDTH, water_class=water_class, limits="harvest", option="", rows=(row,)
    )


def road_setbacks(jurisdiction: str | None = None) -> pd.DataFrame:
    """Return published setbacks of roads, landings and skid trails from water.

    Parameters
    ----------
    jurisdiction : str, optional
        One place only.

    Returns
    -------
    DataFrame
        As ``standmap/data/road_setbacks_published.csv``, with ``verified`` (read in its source);
        ``distance_ft`` is NaN where the source prints no distance of its own.

    Examples
    --------
    >>> road_setbacks("TX")[["feature", "distance_ft", "verified"]].to_numpy().tolist()
    [['log landing', 50.0, True]]
    """
    table = load_table("road_setbacks_published")
    table = table.assign(verified=table["evidence"].str.startswith("read"))
    if jurisdiction is None:
        return table
    return table[table["jurisdiction"].str.casefold() == jurisdiction.casefold()]


def _same(one: str, other: str) -> bool:
    return one.strip().casefold() == other.strip().casefold()


def _covers(row: BufferRule, water_class: str) -> bool:
    return any(_same(name, water_class) or name == ANY_WATER for name in row.water_classes)


def _unknown(what: str, got: str, known: Iterable[str]) -> DomainError:
    names = sorted(known)
    near = get_close_matches(got.casefold(), [name.casefold() for name in names], n=1)
    hint = f" Did you mean {near[0]!r}?" if near else ""
    listed = ", ".join(repr(name) for name in names)
    return DomainError(f"no {what} {got!r}.{hint} Known: {listed}.")
