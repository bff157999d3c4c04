"""One log or one tree at a time: the cards behind ``standmap log`` and ``standmap tree``."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from standmap.errors import DomainError
from standmap.logs import MAX_SEGMENT_FT, TAPER_NOTES, board_feet, cubic_feet, segments_ft
from standmap.products import saw_top_from_logs
from standmap.species import Species, form_class_default, lookup
from standmap.trees import (
    Stems,
    form_class_stems,
    green_weight,
    holds_logs,
    national_stems,
    tree_board_feet,
)
from standmap.units import CUM_PER_CUFT, LOG_FT, LOG_RULES, STUMP_FT, TRIM_FT

RULE_NAMES = {
    "international": "International 1/4-inch",
    "doyle": "Doyle",
    "scribner": "Scribner",
    "scribner_c": "Scribner C",
}
"""The four rules as they are printed."""

ASSUMED_TAPER_IN_PER_FT: Final = 0.5 / 4
"""Taper of a log whose large end is not given: the half inch in 4 feet that the International
rule itself allows (Michigan Compiled Laws 290.401). [in/ft]"""

SMALLEST_PRINTED_DIB_IN: Final = 6.0
"""Where the printed log tables begin (Wengert 2001): the tops of logs below it are pointed out.
[in]"""

GIRARD_FT: Final = STUMP_FT + LOG_FT + TRIM_FT
"""Where Girard form class is measured: the top of the butt log, 17.3 ft up. [ft]"""

_THICKEST_IN: Final = 120.0
_TALLEST_FT: Final = 400.0  # the tallest trees measured stand near 380 ft, from memory
_TALLEST_STUMP_FT: Final = 4.0  # under breast height, where DBH was taped
_LONGEST_TRIM_FT: Final = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LogCard:
    """One log under every rule.

    Attributes
    ----------
    dib_in, large_dib_in : float
        Small-end and large-end diameter inside bark. [in]
    length_ft : float
        Scaled length, without trim. [ft]
    taper_assumed : bool
        True where the large end was not given and `ASSUMED_TAPER_IN_PER_FT` made it.
    scale : DataFrame
        Board feet by rule: ``formula_bf`` and ``table_bf``.
    smalian_cuft : float
        Cubic feet inside bark by Smalian's formula. [ft3]
    """

    dib_in: float
    large_dib_in: float
    length_ft: float
    taper_assumed: bool
    scale: pd.DataFrame
    smalian_cuft: float

    def __str__(self) -> str:
        """Return the card as a small text table."""
        taper = (self.large_dib_in - self.dib_in) / self.length_ft * 16
        how = "assumed, 1/2 inch in 4 feet" if self.taper_assumed else "as given"
        lines = [
            f"Log {self.dib_in:g} in inside bark at the small end, {self.length_ft:g} ft long",
            "",
            f"  {'Rule':<24}{'formula':>10}{'table':>10}   board feet",
        ]
        for rule, row in self.scale.iterrows():
            table = f"{row['table_bf']:>10.0f}"
            lines.append(f"  {RULE_NAMES[str(rule)]:<24}{row['formula_bf']:>10.1f}{table}")
        lines += [
            "",
            f"  Solid wood, Smalian     {self.smalian_cuft:>10.1f}   cubic feet"
            f" ({self.smalian_cuft * CUM_PER_CUFT:.3f} cubic metres)",
            f"  Large end {self.large_dib_in:.1f} in: taper {taper:.1f} in per 16 ft ({how})",
            *self._long_log_lines(),
            "",
            "  The table column is the printed table: whole inches, its own rounding. Doyle has no",
            "  table but its formula. See: standmap guide volume",
        ]
        return "\n".join(lines)

    def _long_log_lines(self) -> list[str]:
        """Say what taper each rule allows a log too long to scale as one piece."""
        if self.length_ft <= MAX_SEGMENT_FT:
            return []
        if not self.taper_assumed:
            pieces = " + ".join(f"{piece:g}" for piece in segments_ft(self.length_ft))
            return [f"  Longer than 20 ft: scaled in pieces of {pieces} ft along this taper."]
        notes = (f"    {RULE_NAMES[rule]:<24}{TAPER_NOTES[rule]}" for rule in LOG_RULES)
        return ["  Longer than 20 ft, and no large end given, the rules allow for taper:", *notes]


def scale_log(dib_in: float, length_ft: float, *, large_dib_in: float | None = None) -> LogCard:
    """Scale one log by all four rules, and in cubic feet.

    Parameters
    ----------
    dib_in : float
        Small-end diameter inside bark. [in]
    length_ft : float
        Scaled length, without trim. [ft]
    large_dib_in : float, optional
        Large-end diameter inside bark; assumed from the International rule's taper if not given.

    Raises
    ------
    DomainError
        If a diameter or the length is not positive, or the large end is the smaller.

    Examples
    --------
    >>> card = scale_log(12, 16)
    >>> float(card.scale.loc["doyle", "formula_bf"])
    64.0
    """
    _within("dib", dib_in, _THICKEST_IN, "in")
    _within("length", length_ft, 60, "ft")
    assumed = large_dib_in is None
    if large_dib_in is not None:
        _within("large dib", large_dib_in, _THICKEST_IN, "in")
    large = dib_in + ASSUMED_TAPER_IN_PER_FT * length_ft if large_dib_in is None else large_dib_in
    if large < dib_in:
        raise DomainError(
            f"the large end ({large:g} in) is smaller than the small end ({dib_in:g} in). "
            "Swap the two."
        )
    forms = {
        f"{form}_bf": [
            float(board_feet(dib_in, length_ft, rule, form=form, large_dib_in=large_dib_in))
            for rule in LOG_RULES
        ]
        for form in ("formula", "table")
    }
    return LogCard(
        dib_in=dib_in,
        large_dib_in=large,
        length_ft=length_ft,
        taper_assumed=assumed,
        scale=pd.DataFrame(forms, index=list(LOG_RULES)),
        smalian_cuft=float(cubic_feet(dib_in, length_ft, large_dib_in=large, formula="smalian")),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class TreeCard:
    """One tree, log by log.

    Attributes
    ----------
    species : Species
        The tree's species.
    dbh_in : float
        Diameter at breast height. [in]
    logs_tallied : float
        16-foot logs.
    stem : str
        The profile used, in words.
    logs : DataFrame
        One row a log: ``log``, ``bottom_ft``, ``length_ft``, ``dib_in`` (small end),
        ``bf_*`` by the four formulas, ``volume_cuft``, ``weight_tons``.
    form_class : float
        Diameter inside bark 17.3 ft up as a percent of DBH: given, the species' own, or what the
        national profile comes to.
    defect_pct : float
        Percent taken off the board feet.
    table_bf : dict or None
        The tree's volume as the published form-class table is built, by rule; None where the
        national profile was used.
    """

    species: Species
    dbh_in: float
    logs_tallied: float
    stem: str
    form_class: float
    logs: pd.DataFrame
    defect_pct: float
    table_bf: dict[str, float] | None

    @property
    def totals(self) -> pd.Series:
        """Gross totals of the logs."""
        columns = [f"bf_{rule}" for rule in LOG_RULES] + ["volume_cuft", "weight_tons"]
        return self.logs[columns].sum()

    def __str__(self) -> str:
        """Return the log-by-log table as text."""
        many = "1 log" if self.logs_tallied == 1 else f"{self.logs_tallied:g} logs"
        names = f"{'International':>14}{'Doyle':>8}{'Scribner':>10}{'Scrib. C':>10}"
        lines = [
            f"{self.species.common_name} ({self.species.scientific_name}), "
            f"{self.dbh_in:g} in DBH, {many} of 16 ft",
            f"Stem: {self.stem}",
            "",
            f"  {'log':>5}{'from ft':>9}{'length':>8}{'dib in':>8}{names}{'cu ft':>8}{'tons':>7}",
        ]
        for row in self.logs.itertuples(index=False):
            lines.append(
                f"  {row.log:>5}{row.bottom_ft:>9.1f}{row.length_ft:>8.0f}{row.dib_in:>8.1f}"
                f"{row.bf_international:>14.0f}{row.bf_doyle:>8.0f}{row.bf_scribner:>10.0f}"
                f"{row.bf_scribner_c:>10.0f}{row.volume_cuft:>8.1f}{row.weight_tons:>7.2f}"
            )
        total = self.totals
        lines.append(_total_line("total", total, pad=30))
        if self.defect_pct:
            net = total.copy()
            net[[f"bf_{r}" for r in LOG_RULES]] *= 1 - self.defect_pct / 100
            lines.append(_total_line(f"net of {self.defect_pct:g} % defect", net, pad=30))
        lines += ["", *(f"  {remark}" for remark in self.remarks())]
        metres = total["volume_cuft"] * CUM_PER_CUFT
        lines.append(f"  Solid wood of all logs: {metres:.2f} cubic metres.")
        if self.table_bf is not None:
            shown = ", ".join(f"{RULE_NAMES[rule]} {bf:.0f}" for rule, bf in self.table_bf.items())
            lines.append(f"  Form-class tree table, board feet: {shown}.")
        lines += [
            "",
            "  Diameters are inside bark at the small end; board feet by formula, Scribner C by",
            "  its table; cubic feet of solid wood; green tons with bark.",
            "  See: standmap guide volume",
        ]
        return "\n".join(lines)

    def remarks(self) -> list[str]:
        """Say what the table shows: the butt log's share, the half log, tops no table prints.

        Examples
        --------
        >>> print(scale_tree("white oak", 23, 2.5).remarks()[1])
        The half log scales 72 International; half of the butt log would be 115.
        """
        feet = self.logs["bf_international"]
        butt, top, total = float(feet.iloc[0]), float(feet.iloc[-1]), float(feet.sum())
        said = []
        if len(feet) > 1 and total > 0:
            said.append(
                f"The butt log holds {100 * butt / total:.0f} % of the tree by International."
            )
        if len(feet) > 1 and self.logs["length_ft"].iloc[-1] < LOG_FT:
            said.append(
                f"The half log scales {top:.0f} International; half of the butt log would be "
                f"{butt / 2:.0f}."
            )
        small = self.logs[self.logs["dib_in"] < SMALLEST_PRINTED_DIB_IN]
        if not small.empty:
            first = small.iloc[0]
            said.append(
                f"Log {first['log']:.0f} is {first['dib_in']:.1f} in at its small end, under the "
                f"{SMALLEST_PRINTED_DIB_IN:.0f} in where log tables begin: check the log count."
            )
        return said


def _total_line(name: str, total: pd.Series, *, pad: int) -> str:
    return (
        f"  {name:>{pad}}{total['bf_international']:>14.0f}{total['bf_doyle']:>8.0f}"
        f"{total['bf_scribner']:>10.0f}{total['bf_scribner_c']:>10.0f}"
        f"{total['volume_cuft']:>8.1f}{total['weight_tons']:>7.2f}"
    )


def scale_tree(
    species: str | int,
    dbh_in: float,
    logs: float,
    *,
    height_ft: float | None = None,
    form_class: float | None = None,
    defect_pct: float = 0.0,
    stump_ft: float = STUMP_FT,
    trim_ft: float = TRIM_FT,
) -> TreeCard:
    """Cut one tree into 16-foot logs (and a half log) and scale each.

    Parameters
    ----------
    species : str or int
        Any name `standmap.species.lookup` knows.
    dbh_in : float
        Diameter at breast height. [in]
    logs : float
        16-foot logs to the nearest half.
    height_ft : float, optional
        Total height. With it, and no ``form_class``, the national profile is used. [ft]
    form_class : float, optional
        Girard form class. Default: the species' own.
    defect_pct : float
        Percent of the board feet lost to defect.
    stump_ft, trim_ft : float
        Stump height, and trim on each log. [ft] Form class keeps to the top of the butt log,
        wherever these put it.

    Raises
    ------
    DomainError
        If a number is out of range, or the logs do not fit below the tip.

    Examples
    --------
    >>> card = scale_tree("white oak", 23, 2, form_class=78)
    >>> round(card.table_bf["international"])
    404
    """
    _within("dbh", dbh_in, 120, "in")
    _within("logs", logs, 8, "logs")
    if abs(logs * 2 - round(logs * 2)) > 1e-9:
        near = round(logs * 2) / 2
        raise DomainError(f"'logs' counts whole and half logs; got {logs:g}. Try {near:g}.")
    _within("stump", stump_ft, _TALLEST_STUMP_FT, "ft", least=0.0)
    _within("trim", trim_ft, _LONGEST_TRIM_FT, "ft", least=0.0)
    if height_ft is not None:
        _within("height", height_ft, _TALLEST_FT, "ft")
    if not 0 <= defect_pct <= 100:
        raise DomainError(f"'defect' must be from 0 to 100 percent; got {defect_pct:g}.")
    kind = lookup(species)
    saw_top = float(saw_top_from_logs(np.array([logs]), stump_ft=stump_ft, trim_ft=trim_ft)[0])
    if height_ft is not None and height_ft <= saw_top:
        raise DomainError(
            f"{logs:g} {'log reaches' if logs <= 1 else 'logs reach'} {saw_top:.1f} ft, above the "
            f"total height of {height_ft:g} ft. "
            "Check the log count and the height."
        )
    code = np.array([kind.code])
    if height_ft is not None and form_class is None:
        stems = national_stems(code, np.array([dbh_in]), np.array([height_ft]))
        fc = 100 * float(stems.dib_in(GIRARD_FT)[0]) / dbh_in
        words = f"national profile, {height_ft:g} ft tall (its form class comes to {fc:.0f})"
        table = None
    else:
        fc = float(form_class_default(code)[0]) if form_class is None else float(form_class)
        if not 50 <= fc <= 100:
            raise DomainError(f"'form class' is a percent, mostly 65 to 90; got {fc:g}.")
        if not holds_logs(dbh_in, logs, form_class=fc)[0]:
            raise DomainError(
                f"a tree of {dbh_in:g} in DBH cannot hold {logs:g} logs: it tapers to nothing "
                "below the last. Check the DBH and the log count."
            )
        stems = form_class_stems(
            code,
            np.array([dbh_in]),
            np.array([logs]),
            form_class=np.array([fc]),
            height_ft=None if height_ft is None else np.array([height_ft]),
            stump_ft=stump_ft,
            trim_ft=trim_ft,
        )
        which = "" if form_class is not None else " (default for the species)"
        tall = "" if height_ft is None else f", {height_ft:g} ft tall"
        words = f"form class {fc:g}{which}{tall}"
        table = {
            rule: float(np.ravel(tree_board_feet(dbh_in, logs, rule, form_class=fc))[0])
            for rule in ("international", "doyle", "scribner")
        }
    return TreeCard(
        species=kind,
        dbh_in=dbh_in,
        logs_tallied=logs,
        stem=words,
        form_class=fc,
        logs=_field_logs(stems, kind.code, logs, stump_ft=stump_ft, trim_ft=trim_ft),
        defect_pct=defect_pct,
        table_bf=table,
    )


def _field_logs(
    stems: Stems, code: int, logs: float, *, stump_ft: float, trim_ft: float
) -> pd.DataFrame:
    """Cut a stem the way it was tallied: 16-foot logs, then the half log."""
    lengths = np.array([LOG_FT] * int(logs) + [LOG_FT / 2] * (round(logs * 2) % 2))
    tops = stump_ft + np.cumsum(lengths + trim_ft)
    bottoms = tops - lengths - trim_ft
    ends = bottoms + lengths
    dib = stems.dib_in(tops[None, :])[0]
    wood = stems.wood_cuft(bottoms[None, :], ends[None, :])[0]
    bark = stems.bark_cuft(bottoms[None, :], ends[None, :])[0]
    frame = pd.DataFrame(
        {
            "log": np.arange(1, len(lengths) + 1),
            "bottom_ft": bottoms,
            "length_ft": lengths,
            "dib_in": dib,
        }
    )
    for rule in LOG_RULES:
        frame[f"bf_{rule}"] = board_feet(dib, lengths, rule)
    frame["volume_cuft"] = wood
    frame["weight_tons"] = green_weight(np.full(len(lengths), code), wood, bark)
    return frame


def _within(name: str, value: float, most: float, unit: str, *, least: float = math.nan) -> None:
    """Refuse a number that is missing, too large, or not above 0 (or below ``least``)."""
    if least <= value <= most or (math.isnan(least) and 0 < value <= most):
        return
    low = "above 0" if math.isnan(least) else f"{least:g} or more"
    raise DomainError(f"'{name}' must be {low} and at most {most:g} {unit}; got {value:g}.")
