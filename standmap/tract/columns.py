"""The columns each table may have, how they are found under other names, and metric units."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from standmap.tract.findings import Findings, nearest, some
from standmap.units import FT_PER_M, IN_PER_CM, SQM_PER_ACRE

FT2_AC_PER_M2_HA: Final = FT_PER_M**2 * SQM_PER_ACRE / 10_000
"""Square feet per acre in a square metre per hectare: 4.356."""
ACRES_PER_HA: Final = 10_000 / SQM_PER_ACRE
"""Acres in a hectare: 2.471."""


@dataclass(frozen=True, slots=True)
class Column:
    """A column of the contract between a table and the reader.

    Attributes
    ----------
    name : str
        Canonical name, with its unit.
    required : bool
        Whether the table is of no use without it.
    number : bool
        Whether its cells are numbers.
    metric : mapping of str to float
        Other names it may come by, each with the factor that brings it to the canonical unit.
    """

    name: str
    required: bool = False
    number: bool = True
    metric: Mapping[str, float] = field(default_factory=dict)


def _text(name: str, *, required: bool = False) -> Column:
    return Column(name, required=required, number=False)


TREE_COLUMNS: Final = (
    _text("plot", required=True),
    _text("tree"),
    _text("species", required=True),
    Column("dbh_in", required=True, metric={"dbh_cm": IN_PER_CM}),
    Column("count"),
    Column("times"),
    Column("distance_ft", metric={"distance_m": FT_PER_M}),
    Column("slope_pct"),
    Column("saw_logs"),
    Column("saw_height_ft", metric={"saw_height_m": FT_PER_M}),
    Column("height_ft", metric={"height_m": FT_PER_M}),
    Column("broken_height_ft", metric={"broken_height_m": FT_PER_M}),
    Column("form_class"),
    Column("butt_dib_in", metric={"butt_dib_cm": IN_PER_CM}),
    Column("grade"),
    Column("defect_pct"),
    Column("defect_from_ft", metric={"defect_from_m": FT_PER_M}),
    Column("defect_to_ft", metric={"defect_to_m": FT_PER_M}),
    _text("product"),
    _text("status"),
    _text("marked"),
    Column("kpi"),
    _text("measured"),
    _text("sample_group"),
)
PLOT_COLUMNS: Final = (
    _text("plot", required=True),
    Column("x"),
    Column("y"),
    _text("stand"),
    Column("baf", metric={"baf_sqm_ha": FT2_AC_PER_M2_HA}),
    Column("plot_acres", metric={"plot_ha": ACRES_PER_HA}),
    _text("edge"),
    Column("share"),
    Column("tree_count"),
    Column("covariate"),
    _text("measured"),
    _text("cluster"),
    _text("line"),
    _text("type"),
)
INDIRECT_COLUMNS: Final = ("tree_count", "covariate", "measured", "cluster", "line", "type")
"""Columns of the plot list that only some cruise designs need."""


@dataclass(frozen=True, slots=True)
class Found:
    """Where a canonical column stands in a table, and what brings it to the canonical unit."""

    at: int
    header: str
    factor: float = 1.0


def find_columns(
    header: Sequence[str],
    columns: Sequence[Column],
    mapped: Mapping[str, str],
    *,
    file: str,
    findings: Findings,
    hints: bool = True,
) -> dict[str, Found]:
    """Find each canonical column in a header.

    A name mapped in the tract file comes first, then the canonical name, then its metric names. An
    exact match wins over one that differs only in case. A required column that is nowhere, or a
    mapped name that does not exist, is an error; a header that looks like a misspelt column is a
    warning, since its cells would otherwise be passed over in silence.

    Returns
    -------
    dict
        From canonical name to where it stands; optional columns that are absent are left out.
    """
    found: dict[str, Found] = {}
    absent: list[Column] = []
    unmapped: list[Column] = []
    for column in columns:
        names = {column.name: 1.0, **column.metric}
        asked = {name: mapped[name] for name in names if name in mapped}
        for name, theirs in (asked or {name: name for name in names}).items():
            at = _position(header, theirs, file=file, findings=findings)
            if at is not None and column.name in found:
                findings.warn(
                    file,
                    f"both '{found[column.name].header}' and '{header[at]}' give {column.name}",
                    f"'{found[column.name].header}' is used; delete or map the one you mean.",
                    column=header[at],
                )
            elif at is not None:
                found[column.name] = Found(at, header[at], names[name])
            elif asked:
                near = nearest(theirs, [h for h in header if h])
                findings.error(
                    file,
                    f"there is no such column, though the tract file maps {name} to it",
                    f"Did you mean '{near}'?" if near else f"The header has: {some(header)}.",
                    column=theirs,
                )
        if asked and column.name not in found:
            unmapped.append(column)
        elif column.required and column.name not in found:
            absent.append(column)
    for column in absent:
        _missing(column, header, found, file, findings)
    if hints:
        _hint_misspelt(header, columns, found, [*absent, *unmapped], file, findings)
    for name, where in found.items():
        if where.factor != 1.0:
            findings.ledger.add(
                file,
                column=where.header,
                action="noted",
                why=f"metric column; each value times {where.factor:.6g} gives {name}",
            )
    return found


def _fold(name: str) -> str:
    return name.strip().casefold()


def _position(header: Sequence[str], name: str, *, file: str, findings: Findings) -> int | None:
    """Return where a name stands in the header; two equal candidates are an error."""
    exact = [at for at, head in enumerate(header) if head == name]
    places = exact or [at for at, head in enumerate(header) if _fold(head) == _fold(name)]
    if len(places) > 1:
        findings.error(
            file,
            f"{len(places)} columns have this name",
            "Rename or delete all but one.",
            column=name,
        )
    return places[0] if places else None


def _missing(
    column: Column,
    header: Sequence[str],
    found: Mapping[str, Found],
    file: str,
    findings: Findings,
) -> None:
    free = [h for at, h in enumerate(header) if h and at not in {f.at for f in found.values()}]
    near = nearest(column.name, free)
    what = "the column is missing"
    if near:
        mend = f"If it is '{near}', write {column.name} = \"{near}\" in the tract file."
    else:
        mend = (
            f'Add it, or map yours in the tract file ({column.name} = "your column"). '
            f"The header has: {some([h for h in header if h])}."
        )
    findings.error(file, what, mend, column=column.name)


def _hint_misspelt(
    header: Sequence[str],
    columns: Sequence[Column],
    found: Mapping[str, Found],
    told_of: Sequence[Column],
    file: str,
    findings: Findings,
) -> None:
    used = {where.at for where in found.values()}
    told = {column.name for column in told_of}
    free = [
        name
        for column in columns
        if column.name not in found and column.name not in told
        for name in (column.name, *column.metric)
    ]
    for at, head in enumerate(header):
        near = None if at in used or not head else nearest(head, free, cutoff=0.85)
        if near:
            findings.warn(
                file,
                "this column is not used",
                f'If it is {near}, write {near} = "{head}" in the tract file.',
                column=head,
            )


def mapped_names(table: Any, columns: Sequence[Column]) -> dict[str, str]:
    """Return the names a table of the tract file maps, from canonical or metric to theirs."""
    names = [name for column in columns for name in (column.name, *column.metric)]
    return {name: theirs for name in names if (theirs := getattr(table, name, None)) is not None}
