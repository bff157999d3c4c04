"""The defects table: a row for each defect of a tallied tree, read and checked."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from standmap.products import DEFECT_KINDS, DEFECT_SIZES, SIZE_LIMITS, ProductSpec
from standmap.tract.columns import Column, Found, find_columns, mapped_names
from standmap.tract.findings import Findings, did_you_mean, some
from standmap.tract.plots import numbers
from standmap.tract.settings import DefectsTable
from standmap.tract.sources import Sources
from standmap.tract.tables import Table, read_table
from standmap.tract.tree_checks import MOST_HEIGHT_FT
from standmap.units import FT_PER_M, IN_PER_CM

DEFECT_COLUMNS: Final = (
    Column("plot", required=True, number=False),
    Column("tree", required=True, number=False),
    Column("kind", required=True, number=False),
    Column("from_ft", required=True, metric={"from_m": FT_PER_M}),
    Column("to_ft", metric={"to_m": FT_PER_M}),
    Column("width_in", metric={"width_cm": IN_PER_CM}),
    Column("height_in", metric={"height_cm": IN_PER_CM}),
    Column("departure_in", metric={"departure_cm": IN_PER_CM}),
    Column("angle_deg"),
    Column("percent"),
    Column("grade"),
)
KIND_WORDS: Final = {
    **{kind: kind for kind in DEFECT_KINDS},
    "rot": "cut out",
    "shake": "cut out",
    "ring shake": "cut out",
    "hollow": "cut out",
    "squared defect": "squared",
}
"""What may stand under `kind`, and the kind it is."""
SIZES: Final = tuple(SIZE_LIMITS)

BoolArray = npt.NDArray[np.bool_]


def read_defects(
    table: DefectsTable | None, sources: Sources, trees: pd.DataFrame | None, *, tally_file: str
) -> pd.DataFrame | None:
    """Read the defects and check each against its tree.

    Parameters
    ----------
    table : DefectsTable or None
        ``[defects]`` of the tract file.
    sources : Sources
        Where files are found and faults go.
    trees : DataFrame or None
        The tally as read; None where it could not be.
    tally_file : str
        Its name, for messages.

    Returns
    -------
    DataFrame or None
        ``tree_row`` (the tree's ``source_row`` in the tally), ``kind`` (of ``DEFECT_KINDS``),
        ``from_ft, to_ft, grade, width_in, height_in, departure_in, angle_deg, percent,
        source_row``: the defects of trees that are used. None where there is no table, or it could
        not be read.
    """
    if table is None:
        return None
    findings, file = sources.findings, table.file
    path = sources.find(file, "[defects]")
    read = None if path is None else read_table(path, file, findings, sheet=table.sheet)
    if read is None:
        return None
    found = find_columns(
        read.header,
        DEFECT_COLUMNS,
        mapped_names(table, DEFECT_COLUMNS),
        file=file,
        findings=findings,
    )
    if any(column.required and column.name not in found for column in DEFECT_COLUMNS):
        return None
    rows, unread = _frame(read, found, findings)
    check = _Checks(rows, found, file, findings, bad=unread)
    kinds = _check_kinds(check)
    _check_ends(check, kinds)
    _check_sizes(check, kinds)
    if trees is None:
        return None
    rows["kind"] = kinds
    return _of_trees(check, trees, tally_file)


def check_quality_limits(
    specs: Sequence[ProductSpec],
    trees: pd.DataFrame,
    defects: pd.DataFrame | None,
    *,
    file: str,
    findings: Findings,
) -> None:
    """Warn of limits of grade or cull that nothing in the tally can be held against."""
    used = trees[trees["used"].to_numpy(dtype=bool)]
    none = defects is None or defects.empty
    graded = [spec.product for spec in specs if np.isfinite(spec.max_grade)]
    if graded and used["grade"].isna().all() and (none or not (defects["kind"] == "grade").any()):  # type: ignore[index]
        findings.warn(
            file,
            f"no tree of the tally has a grade: nothing is cut for {some(graded)} but what was "
            "called",
            "Grade the butt logs in the tally, or blank max_grade.",
            column="max_grade",
        )
    limited = [spec.product for spec in specs if spec.max_cull_pct < 100]
    if limited and not used["defect_pct"].any() and none:
        findings.warn(
            file,
            f"no defect is recorded on any tree: every tree passes for {some(limited)}",
            "Write defect_pct in the tally, or a [defects] table, if there was any.",
            column="max_cull_pct",
        )


class _Checks:
    """Reports masked rows of the table, each value as it was typed."""

    def __init__(
        self,
        rows: pd.DataFrame,
        found: Mapping[str, Found],
        file: str,
        findings: Findings,
        *,
        bad: BoolArray,
    ) -> None:
        self.rows, self.found, self.file, self.findings = rows, found, file, findings
        self.at = rows["source_row"].to_numpy(dtype=np.int64)
        self.bad = bad

    def header(self, name: str) -> str:
        """Return the header that a column goes by in the file."""
        return self.found[name].header if name in self.found else name

    def tell(
        self,
        mask: BoolArray,
        name: str,
        what: str,
        mend: str | Sequence[str],
        severity: str = "error",
    ) -> None:
        """Report the masked rows in one column; rows in error are told of once."""
        is_error = severity == "error"
        mask = mask & ~self.bad if is_error else mask
        if not isinstance(mend, str):
            mend = [mend[i] for i in np.flatnonzero(mask).tolist()]
        values = self.rows[name].to_numpy(dtype=object)[mask]
        if name in self.found and len(values) and isinstance(values[0], float):
            factor = self.found[name].factor
            values = np.array(
                ["" if np.isnan(v) else f"{v / factor:.10g}" for v in values], dtype=object
            )
        blank = all(str(value) in ("", "nan") for value in values)
        self.findings.rows(
            "error" if is_error else "warning",
            self.file,
            what,
            mend,
            rows=self.at[mask],
            column=self.header(name),
            values=None if blank else values,
        )
        if is_error:
            self.bad |= mask


def _frame(
    read: Table, found: Mapping[str, Found], findings: Findings
) -> tuple[pd.DataFrame, BoolArray]:
    """Return every canonical column, and which rows have text where a number should be."""
    columns: dict[str, object] = {}
    unread = np.zeros(len(read), dtype=np.bool_)
    for column in DEFECT_COLUMNS:
        where = found.get(column.name)
        if not column.number:
            columns[column.name] = read.text(found[column.name].at)
        elif where is None:
            columns[column.name] = np.full(len(read), np.nan)
        else:
            columns[column.name] = numbers(read, where, findings)
            unread |= read.number(where.at)[1]
    return pd.DataFrame({**columns, "source_row": read.rows}), unread


def _check_kinds(check: _Checks) -> pd.Series:
    typed = check.rows["kind"]
    kinds = typed.str.casefold().str.split().str.join(" ").map(KIND_WORDS)
    hints = {t: did_you_mean(t, list(KIND_WORDS), all_known="Kinds") for t in typed.unique()}
    blank = (typed == "").to_numpy(dtype=bool)
    words = f"Type one of: {', '.join(DEFECT_KINDS)}."
    check.tell(blank, "kind", "the defect has no kind", words)
    unknown = kinds.isna().to_numpy(dtype=bool)
    check.tell(unknown, "kind", "unknown kind of defect", [hints[t] for t in typed])
    return kinds.fillna("")


def _check_ends(check: _Checks, kinds: pd.Series) -> None:
    low, high = (check.rows[name].to_numpy(dtype=float) for name in ("from_ft", "to_ft"))
    fork = (kinds == "fork").to_numpy(dtype=bool)
    check.tell(
        np.isnan(low), "from_ft", "the defect has no beginning", "Type its height; 0 is the ground."
    )
    check.tell(
        np.isnan(high) & ~fork, "to_ft", "the defect has no end", "Type the height where it ends."
    )
    check.tell(low < 0, "from_ft", "a height cannot be negative", "Type 0 or more.")
    upside = (high < low) | ((high == low) & ~fork)
    check.tell(upside, "to_ft", "the defect ends where it begins, or below", "Swap the two ends.")
    high = np.where(np.isnan(high), low, high)
    check.tell(
        high > MOST_HEIGHT_FT,
        "to_ft",
        f"the height is over {MOST_HEIGHT_FT:g} feet",
        "Look for a missing decimal point.",
    )
    check.rows["to_ft"] = high


def _check_sizes(check: _Checks, kinds: pd.Series) -> None:
    for name in SIZES:
        size = check.rows[name].to_numpy(dtype=float)
        needed = [kind for kind, sizes in DEFECT_SIZES.items() if name in sizes]
        asks = kinds.isin(needed).to_numpy(dtype=bool)
        least, most = SIZE_LIMITS[name]
        bare = [f"Type {name}, or write 'cut out' if no saw log may hold it." for _ in size]
        if name == "grade":
            bare = ["Type the grade of the stretch, 1 the best." for _ in size]
        missing = asks & np.isnan(size)
        what = f"this kind of defect needs {name}"
        check.tell(missing, name, what, bare)
        whole = (size % 1 != 0) if name == "grade" else np.zeros(len(size), dtype=np.bool_)
        check.tell(
            asks & ((size < least) | (size > most) | (whole & np.isfinite(size))),
            name,
            f"{name} must be {'a whole number ' if name == 'grade' else ''}"
            f"from {least:g} to {most:g}",
            "Type it as measured.",
        )
        check.tell(
            ~asks & (kinds != "").to_numpy(dtype=bool) & ~np.isnan(size),
            name,
            f"{name} is not used for this kind of defect",
            f"Delete it, or change the kind to {' or '.join(repr(k) for k in needed)}.",
            severity="warning",
        )


def _of_trees(check: _Checks, trees: pd.DataFrame, tally_file: str) -> pd.DataFrame | None:
    """Match each defect to its tree; set aside those that concern no log."""
    keys = pd.MultiIndex.from_frame(trees[["plot", "tree"]])
    wanted = pd.MultiIndex.from_frame(check.rows[["plot", "tree"]])
    twice = keys[keys.duplicated()]
    check.tell(
        wanted.isin(twice),
        "tree",
        f"{tally_file} has two trees of this number on the plot",
        "Give one of the two another number, here and in the tally.",
    )
    first = ~keys.duplicated()
    at = pd.Series(np.flatnonzero(first), index=keys[first]).reindex(wanted).to_numpy()
    lost = np.isnan(at)
    on_plot = {str(plot): list(of) for plot, of in trees.groupby("plot", sort=False)["tree"]}
    bare = ~check.rows["plot"].isin(list(on_plot)).to_numpy(dtype=bool)
    mends = [
        did_you_mean(p, list(on_plot), all_known="Plots tallied") if b else ""
        for p, b in zip(check.rows["plot"], bare, strict=True)
    ]
    check.tell(bare, "plot", f"{tally_file} has no tree on such a plot", mends)
    mends = [
        f"Plot {p} has trees {some(on_plot[p])}." if p in on_plot else ""
        for p in check.rows["plot"]
    ]
    check.tell(lost, "tree", f"{tally_file} has no such tree on the plot", mends)
    tree = trees.iloc[np.where(lost, 0, at).astype(np.int64)].reset_index(drop=True)
    top = np.fmin(tree["height_ft"].to_numpy(float), tree["broken_height_ft"].to_numpy(float))
    for name in ("from_ft", "to_ft"):
        ends = check.rows[name].to_numpy(dtype=float)
        check.tell(
            ends > top,
            name,
            f"the defect {'begins' if name == 'from_ft' else 'ends'} above the top of its tree",
            [f"The tree's height is {h:g} ft: one of the two is wrong." for h in top],
        )
    if check.bad.any():
        return None
    used = tree["used"].to_numpy(dtype=bool)
    aside = check.rows[~used]
    check.findings.ledger.add_rows(
        check.file,
        rows=aside["source_row"].to_numpy(dtype=np.int64),
        action="set aside",
        why=[f"a defect of a tree that is not used: {w}" for w in tree["why_not"][~used]],
        old=[
            f"plot / tree / kind: {plot} / {number} / {kind}"
            for plot, number, kind in zip(aside["plot"], aside["tree"], aside["kind"], strict=True)
        ],
    )
    kept = check.rows[used]
    return pd.DataFrame(
        {
            "tree_row": tree["source_row"].to_numpy(dtype=np.int64)[used],
            **{name: kept[name].to_numpy() for name in ("kind", "from_ft", "to_ft", *SIZES)},
            "source_row": kept["source_row"].to_numpy(dtype=np.int64),
        }
    )
