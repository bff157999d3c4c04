"""Checks of a tally, row by row: what no forester would believe is an error on its row."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from standmap.products import saw_top_from_logs
from standmap.species import UnknownSpeciesError, catalogue, lookup, resolve
from standmap.tract.columns import Found
from standmap.tract.edges import check_field_columns
from standmap.tract.findings import Findings, some, toml_key
from standmap.tract.settings import VolumeTable
from standmap.trees import MAX_LOGS, form_class_stems, has_national_model, holds_logs
from standmap.units import BREAST_HEIGHT_FT

MOST_DBH_IN: Final = 120.0
"""Largest believable diameter; past it a decimal point is missing. Common practice, no source."""
LEAST_SAW_DBH_IN: Final = 6.0
"""Least diameter of a tree with a sawlog: published form-class tables begin at 8 to 10 inches, and
a 6-inch top is the least they scale to. Common practice, no source. [in]"""
LEAST_SAW_TOP_IN: Final = 4.0
"""Thinnest small end, inside bark, that a mill for small logs saws. Common practice, no source."""
ANY_SPECIES: Final = 802
"""By form class the wood inside bark is the same for every species; white oak stands for all."""
MOST_LOGS: Final = float(MAX_LOGS)
"""Most 16-foot logs in a tree: 148 feet of saw height. Common practice, no source."""
MOST_HEIGHT_FT: Final = 385.0
"""The tallest tree known, a coast redwood, is about 380 feet. From memory. [ft]"""
NEAREST_HALF_FT: Final = 4.0
"""A count to the nearest half log may stand for a height this much lower. [ft]"""
LEAST_FORM_CLASS: Final = 50.0
MOST_FORM_CLASS: Final = 100.0
WORST_GRADE: Final = 9.0
"""Grades run from 1 down to here; buyers use three to five. Common practice, no source."""
CM_SUSPECT_IN: Final = 40.0
"""A tally whose median diameter is above this was most likely measured in centimetres. [in]"""
MOST_HINTS: Final = 50
"""Distinct unknown names for which the nearest known is looked up."""
STATUS_WORDS: Final = {
    "": "live",
    "live": "live",
    "alive": "live",
    "dead": "dead",
    "standing dead": "dead",
    "snag": "dead",
    "cull": "cull",
}

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]


def check_tally(
    trees: pd.DataFrame,
    found: Mapping[str, Found],
    volume: VolumeTable,
    *,
    file: str,
    findings: Findings,
    blank_dbh: BoolArray,
    aliases: Mapping[str, str],
    plot_names: Sequence[str] | None,
    products: Sequence[str] | None,
) -> None:
    """Report every cell that cannot be right; settle species codes, products and status in place.

    Text in a number, an unknown species or plot, an impossible diameter or height are all errors:
    a tree is never dropped from a tally in silence, and never guessed at.
    """
    check = _Checks(trees, found, file, findings)
    _check_names(check, trees, aliases, plot_names, products)
    _check_models(check)
    _check_dbh(check, blank_dbh)
    _check_logs(check, volume)
    _check_heights(check, volume)
    _check_rest(check)
    check_field_columns(check)


class _Checks:
    """Reports rows of one tally by a mask, with the value that is at fault."""

    def __init__(
        self,
        trees: pd.DataFrame,
        found: Mapping[str, Found],
        file: str,
        findings: Findings,
    ) -> None:
        self.trees = trees
        self.file = file
        self.findings = findings
        self._found = found
        self.rows = trees["source_row"].to_numpy(dtype=np.int64)

    def value(self, name: str) -> FloatArray:
        """Return a number column."""
        return self.trees[name].to_numpy(dtype=float)

    def warn(self, name: str, what: str, mend: str) -> None:
        """Warn of a whole column."""
        self.findings.warn(self.file, what, mend, column=self.header(name))

    def error(self, mask: BoolArray, name: str, what: str, mend: str | Sequence[str]) -> None:
        """Report the masked rows as errors in one column, each value as it was typed."""
        if not mask.any():
            return
        where = self._found.get(name)
        values = self.trees[name].to_numpy(dtype=object)[mask]
        if where is not None and values.size and isinstance(values[0], float):
            values = np.array([f"{v / where.factor:.10g}" for v in values], dtype=object)
        self.findings.rows(
            "error",
            self.file,
            what,
            mend,
            rows=self.rows[mask],
            column=where.header if where else name,
            values=values,
        )

    def blank(self, mask: BoolArray, name: str, what: str, mend: str) -> None:
        """Report masked rows whose cell is empty."""
        self.findings.rows(
            "error", self.file, what, mend, rows=self.rows[mask], column=self.header(name)
        )

    def header(self, name: str) -> str:
        """Return the header a canonical column goes by in the file."""
        return self._found[name].header if name in self._found else name


def _check_names(
    check: _Checks,
    trees: pd.DataFrame,
    aliases: Mapping[str, str],
    plot_names: Sequence[str] | None,
    products: Sequence[str] | None,
) -> None:
    """Check plots, species, called products and status, and settle their names and codes."""
    plot = trees["plot"]
    no_plot = (plot == "").to_numpy(dtype=bool)
    check.blank(no_plot, "plot", "the tree has no plot", "Type the plot it was tallied on.")
    if plot_names is not None:
        plot = _whole_numbers(check, plot, plot_names)
        lost = ~plot.isin(list(plot_names)).to_numpy(dtype=bool) & ~no_plot
        hints = _hints(plot.to_numpy(dtype=object)[lost], plot_names)
        check.error(
            lost,
            "plot",
            "the tally names a plot that is not in the plot list",
            [f"Add the plot to the list, or correct its name.{hints[p]}" for p in plot[lost]],
        )
    trees["species_code"] = _species_codes(check, trees["species"], aliases)
    called = (trees["product"] != "").to_numpy(dtype=bool)
    if products is not None and called.any():
        known = {name.casefold(): name for name in products}
        folded = trees["product"].str.casefold()
        lost = called & ~folded.isin(list(known)).to_numpy(dtype=bool)
        hints = _hints(trees["product"].to_numpy(dtype=object)[lost], products)
        check.error(
            lost,
            "product",
            "the called product is not in the product specs",
            [
                f"Add it to the specs, or correct its name.{hints[p]}"
                for p in trees["product"][lost]
            ],
        )
        trees["product"] = folded.map(known).fillna(trees["product"])
    status = trees["status"].str.casefold().map(STATUS_WORDS)
    check.error(
        status.isna().to_numpy(dtype=bool),
        "status",
        "unknown status",
        "Type live, dead or cull; blank is live.",
    )
    trees["status"] = status.fillna("live")


def _whole_numbers(check: _Checks, plot: pd.Series, plot_names: Sequence[str]) -> pd.Series:
    """Read 101.0 as the plot 101, where that is listed: a spreadsheet's or a script's doing."""
    floated = plot.str.endswith(".0") & ~plot.isin(list(plot_names))
    if not floated.any():
        return plot
    short = plot.str.removesuffix(".0")
    changed = (floated & short.isin(list(plot_names))).to_numpy(dtype=bool)
    check.findings.ledger.add_rows(
        check.file,
        rows=check.rows[changed],
        column=check.header("plot"),
        action="changed",
        old=plot.to_numpy(dtype=object)[changed],
        new=short.to_numpy(dtype=object)[changed],
        why="a plot number written with a decimal; the plot list has it without",
    )
    check.trees["plot"] = plot.where(~changed, short)
    return check.trees["plot"]


def _hints(names: npt.NDArray[np.object_], known: Sequence[str]) -> dict[str, str]:
    """Return " Did you mean ...?" for each distinct name; only the first few are looked up."""
    distinct = list(dict.fromkeys(str(name) for name in names))
    hints = dict.fromkeys(distinct, "")
    for name in distinct[:MOST_HINTS]:
        near = get_close_matches(name, [str(k) for k in known], n=1)
        hints[name] = f" Did you mean '{near[0]}'?" if near else ""
    return hints


def checked_aliases(
    aliases: Mapping[str, str], tract_file: str, findings: Findings
) -> dict[str, str]:
    """Return the aliases that lead to a species; the others are errors."""
    good: dict[str, str] = {}
    for alias, name in aliases.items():
        try:
            lookup(name)
            good[alias] = name
        except UnknownSpeciesError as error:
            near = some(error.suggestions)
            findings.error(
                tract_file,
                "the alias leads to no known species",
                f"Did you mean {near}?"
                if near
                else "Give an FIA code, a PLANTS symbol, a common or a scientific name.",
                column=f"species.aliases.{alias}",
                value=name,
            )
    return good


def _species_codes(
    check: _Checks, species: pd.Series, aliases: Mapping[str, str]
) -> npt.NDArray[np.int64]:
    good = checked_aliases(aliases, "", Findings())  # bad aliases are reported with the tract file
    bad = {alias.casefold() for alias in aliases if alias not in good}
    labels, uniques = pd.factorize(species)
    found = resolve(list(uniques), aliases=good)
    codes = found.codes[labels]
    blank = (species == "").to_numpy(dtype=bool)
    check.blank(blank, "species", "the tree has no species", "Type its species.")
    excused = species.str.casefold().isin(list(bad)).to_numpy(dtype=bool)
    lost = (codes < 0) & ~blank & ~excused
    mends = {}
    for name in species[lost].unique():
        near = found.unknown.get(name) or []
        mends[name] = (
            f"Did you mean {' or '.join(near)}? " if near else ""
        ) + f'Correct it, or add {toml_key(name)} = "..." under [species.aliases].'
    check.error(lost, "species", "unknown species", [mends[name] for name in species[lost]])
    return np.asarray(codes, dtype=np.int64)


def _check_models(check: _Checks) -> None:
    """Report species that no stem or weight model covers."""
    codes, at = np.unique(check.trees["species_code"].to_numpy(dtype=np.int64), return_inverse=True)
    weighed = catalogue()[["wood_specific_gravity", "wood_moisture_pct", "bark_moisture_pct"]]
    known = weighed.reindex(codes).notna().all(axis=1).to_numpy(dtype=bool)
    bare = (codes >= 0) & ~(known & has_national_model(codes))
    check.error(
        bare[at],
        "species",
        "no volume or weight model covers this species (most are woodland species, measured at "
        "the root collar)",
        "Tally it as the likest timber species, through [species.aliases].",
    )


def _check_dbh(check: _Checks, blank: BoolArray) -> None:
    dbh = check.value("dbh_in")
    check.blank(blank, "dbh_in", "the tree has no diameter", "Type its DBH, or delete the row.")
    check.error(dbh < 0, "dbh_in", "a diameter cannot be negative", "Type the DBH as measured.")
    check.error(
        dbh == 0, "dbh_in", "a diameter of zero is no tree", "Type the DBH, or delete the row."
    )
    check.error(
        dbh > MOST_DBH_IN,
        "dbh_in",
        f"the diameter is over {MOST_DBH_IN:g} inches",
        "Look for a missing decimal point; map dbh_cm instead if it is in centimetres.",
    )
    known = dbh[dbh > 0]
    if known.size and CM_SUSPECT_IN < np.median(known) <= MOST_DBH_IN:
        check.findings.warn(
            check.file,
            f"half of the trees are thicker than {np.median(known):.0f} inches",
            'If diameters are in centimetres, map them: dbh_cm = "your column".',
            column="dbh_in",
        )


def _check_logs(check: _Checks, volume: VolumeTable) -> None:
    logs, dbh = check.value("saw_logs"), check.value("dbh_in")
    negative = logs < 0
    check.error(
        negative,
        "saw_logs",
        "a log count cannot be negative",
        "Type the 16-foot logs; 0 if there are none, blank if nobody looked.",
    )
    check.error(
        logs > MOST_LOGS,
        "saw_logs",
        f"no tree has more than {MOST_LOGS:g} sixteen-foot logs",
        "Look for a missing decimal point, or feet typed as logs (saw_height_ft).",
    )
    part = (logs * 2 % 1 != 0) & np.isfinite(logs) & ~negative & (logs <= MOST_LOGS)
    nearest = [
        f"Type logs to the nearest half: {np.floor(v * 2) / 2:g} or {np.ceil(v * 2) / 2:g}."
        for v in logs[part]
    ]
    check.error(part, "saw_logs", "logs are not in halves", nearest)
    small = (dbh > 0) & (dbh < LEAST_SAW_DBH_IN)
    what = f"logs on a tree under {LEAST_SAW_DBH_IN:g} inches, which is too small for a sawlog"
    mends = [f"Its DBH is {d:g} in: correct the DBH or the logs." for d in dbh[small & (logs > 0)]]
    check.error(small & (logs > 0), "saw_logs", what, mends)
    counted = np.where((logs > 0) & (logs <= MOST_LOGS) & (logs * 2 % 1 == 0), logs, np.nan)
    large = (dbh >= LEAST_SAW_DBH_IN) & (dbh <= MOST_DBH_IN)
    form = check.value("form_class")
    form = np.where((form >= LEAST_FORM_CLASS) & (form <= MOST_FORM_CLASS), form, 78.0)
    fits = holds_logs(np.where(large, dbh, np.nan), counted, form_class=form)
    mends = [f"Its DBH is {d:g} in: correct the DBH or the logs." for d in dbh[~fits]]
    check.error(~fits, "saw_logs", "more logs than a tree of this diameter can hold", mends)
    _remark_thin_tops(check, np.where(large & fits, counted, np.nan), form, volume)
    height = check.value("saw_height_ft")
    check.error(
        small & (height > volume.stump_ft) & ~(logs > 0),
        "saw_height_ft",
        f"a saw height on a tree under {LEAST_SAW_DBH_IN:g} inches, which is too small for a "
        "sawlog",
        "Correct the DBH or the saw height.",
    )


def _remark_thin_tops(
    check: _Checks, logs: FloatArray, form_class: FloatArray, volume: VolumeTable
) -> None:
    """Warn of log counts that by form class run up into a top no mill saws."""
    at = np.flatnonzero(np.isfinite(logs))
    dbh = check.value("dbh_in")[at]
    stems = form_class_stems(
        np.full(len(at), ANY_SPECIES),
        dbh,
        logs[at],
        form_class=form_class[at],
        stump_ft=volume.stump_ft,
        trim_ft=volume.trim_ft,
    )
    tops = saw_top_from_logs(logs[at], stump_ft=volume.stump_ft, trim_ft=volume.trim_ft)
    dib = stems.dib_in(tops[:, None])[:, 0]
    thin = dib < LEAST_SAW_TOP_IN
    check.findings.rows(
        "warning",
        check.file,
        f"by form class so many logs end at a top under {LEAST_SAW_TOP_IN:g} inches",
        [
            f"On {d:g} in DBH the last ends at about {top:.1f} in: check the DBH and the logs."
            for d, top in zip(dbh[thin], dib[thin], strict=True)
        ],
        rows=check.rows[at[thin]],
        column=check.header("saw_logs"),
        values=np.array([f"{n:g}" for n in logs[at[thin]]], dtype=object),
    )


def _check_heights(check: _Checks, volume: VolumeTable) -> None:
    total = check.value("height_ft")
    broken = check.value("broken_height_ft")
    saw = check.value("saw_height_ft")
    for name in ("height_ft", "broken_height_ft", "saw_height_ft"):
        value = check.value(name)
        low = value < (0 if name == "saw_height_ft" else BREAST_HEIGHT_FT)
        check.error(
            low,
            name,
            "a height cannot be negative"
            if name == "saw_height_ft"
            else "the height is below breast height (4.5 ft)",
            "Type the height in feet, or blank the cell if it was not measured.",
        )
        check.error(
            value > MOST_HEIGHT_FT,
            name,
            f"the height is over {MOST_HEIGHT_FT:g} feet",
            "Look for a missing decimal point.",
        )
    logs = np.where(check.value("saw_logs") > 0, check.value("saw_logs"), np.nan)
    known = np.isfinite(logs) & (logs <= MOST_LOGS) & (logs * 2 % 1 == 0)
    by_logs = np.full(len(logs), np.nan)
    by_logs[known] = saw_top_from_logs(
        logs[known], stump_ft=volume.stump_ft, trim_ft=volume.trim_ft
    )
    with np.errstate(invalid="ignore"):
        check.error(
            broken > total,
            "broken_height_ft",
            "the break is above the total height",
            [f"The total height is {h:g} ft." for h in total[broken > total]],
        )
        for name, limit in (("height_ft", total), ("broken_height_ft", broken)):
            called = "total" if name == "height_ft" else "broken"
            low = (limit < saw) & (limit >= BREAST_HEIGHT_FT)
            check.error(
                low,
                name,
                f"the {called} height is lower than the saw height",
                [f"The saw height is {h:g} ft: one of the two is wrong." for h in saw[low]],
            )
            low = (limit < by_logs - NEAREST_HALF_FT) & (limit >= BREAST_HEIGHT_FT) & ~low
            check.error(
                low,
                name,
                f"the {called} height is lower than the top of the logs",
                [
                    f"{n:g} logs with stump and trim reach {h:.1f} ft: correct one of the two."
                    for n, h in zip(logs[low], by_logs[low], strict=True)
                ],
            )


def _check_rest(check: _Checks) -> None:
    form = check.value("form_class")
    check.error(
        (form < LEAST_FORM_CLASS) | (form > MOST_FORM_CLASS),
        "form_class",
        f"a form class lies between {LEAST_FORM_CLASS:g} and {MOST_FORM_CLASS:g}",
        "Type the percent, such as 78.",
    )
    butt = check.value("butt_dib_in")
    share = 100 * butt / check.value("dbh_in")
    check.error(
        (butt <= 0) | (share < LEAST_FORM_CLASS) | (share > MOST_FORM_CLASS),
        "butt_dib_in",
        f"the top of the butt log is {LEAST_FORM_CLASS:g} to {MOST_FORM_CLASS:g} percent of DBH",
        "Type the diameter inside bark at 17.3 ft in inches, or blank the cell.",
    )
    grade = check.value("grade")
    check.error(
        (grade < 1) | (grade > WORST_GRADE) | (grade % 1 != 0) & np.isfinite(grade),
        "grade",
        f"a grade is a whole number from 1 (best) to {WORST_GRADE:g}",
        "Type the grade of the butt log, or blank the cell if it was not graded.",
    )
    low, high = check.value("defect_from_ft"), check.value("defect_to_ft")
    half = np.isnan(low) != np.isnan(high)
    check.error(
        half & np.isnan(high),
        "defect_from_ft",
        "the defect has a beginning and no end",
        "Type defect_to_ft as well.",
    )
    check.error(
        half & np.isnan(low),
        "defect_to_ft",
        "the defect has an end and no beginning",
        "Type defect_from_ft as well; 0 where it begins at the ground.",
    )
    check.error((low < 0), "defect_from_ft", "a height cannot be negative", "Type 0 or more.")
    check.error(high <= low, "defect_to_ft", "the defect ends below where it begins", "Swap them.")
    defect = check.value("defect_pct")
    check.error(
        (defect < 0) | (defect > 100),
        "defect_pct",
        "a percent lies between 0 and 100",
        "Type the percent of the board-foot scale that is lost.",
    )
    count = check.value("count")
    # Half a tree is the textbook's count for a borderline tree taken every other time.
    part = (count < 0) | (count * 2 % 1 != 0) & np.isfinite(count)
    check.error(
        part,
        "count",
        "a count is a whole number, or a half for a borderline tree",
        "Type how many trees the row stands for; blank is 1.",
    )
