"""Which streamside rule each class of water of a tract falls under."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

from standmap.errors import DomainError, InputError
from standmap.land import (
    BufferRule,
    StreamRule,
    fixed_width,
    packaged_rules,
    read_rules,
    stream_rule,
)
from standmap.tract.findings import Findings, did_you_mean, some, toml_key
from standmap.tract.land_settings import BuffersTable
from standmap.tract.sources import Sources

NOTHING_STAYS: Final = "none"
"""Value of ``[buffers.classes]`` for a class along which nothing must stay."""

Rules = dict[str, StreamRule | None]
Place = tuple[str, int, str]


def rules_of_classes(
    table: BuffersTable, classes: Mapping[str, Place], sources: Sources, *, ground: bool
) -> Rules | None:
    """Return the rule of each class of water, or report what is wrong.

    Parameters
    ----------
    table : BuffersTable
        ``[buffers]``.
    classes : mapping of str to tuple
        Classes of the tract's water, as its layers have them: the file, the row and the column
        where each stands first.
    sources : Sources
        Where the user's own table is found.
    ground : bool
        Whether slopes are known, from a raster or stated.

    Returns
    -------
    dict or None
        Class to rule; None for a class along which nothing must stay. None where a table or a
        class is at fault.
    """
    findings, before = sources.findings, sources.findings.errors
    known = _table_of_rules(table, sources)
    jurisdiction = None if known is None else _jurisdiction(table, known, sources)
    _check_keys(table, list(classes), sources)
    if findings.errors > before:
        return None
    found: Rules = {}
    for name, place in classes.items():
        found[name] = _rule_of(table, name, known, jurisdiction, sources, place)
    if findings.errors > before:
        return None
    _remark(table, found, sources, ground)
    return None if findings.errors > before else found


def _table_of_rules(table: BuffersTable, sources: Sources) -> tuple[BufferRule, ...] | None:
    """Return the table to look rules up in; None where widths alone are given."""
    if table.rules is None:
        return None if table.rule is None else packaged_rules()
    path = sources.find(table.rules, "[buffers] rules")
    if path is None:
        return None
    try:
        rules, problems = read_rules(path)
    except InputError as error:
        rules, problems = (), list(error.problems)
    for fault in problems:
        sources.findings.add(
            fault.severity,
            table.rules,
            fault.what.replace(str(path), table.rules),
            fault.mend,
            row=fault.row,
            column=fault.column,
            value=fault.value,
        )
    if not rules and not any(fault.severity == "error" for fault in problems):
        sources.findings.error(table.rules, "the table has no rules", "Give it a row a rule.")
    return rules


def _jurisdiction(
    table: BuffersTable, known: tuple[BufferRule, ...], sources: Sources
) -> str | None:
    """Return whose rule applies: named, or the only one the user's table has."""
    places = sorted({rule.jurisdiction for rule in known})
    if table.rule is None:
        if len(places) > 1:
            sources.findings.error(
                sources.tract_file,
                f"the table {table.rules} has rules of several jurisdictions",
                f'Name the one that applies here, rule = "...": {some(places)}.',
                column="buffers.rule",
            )
        return places[0] if places else None
    if places and table.rule.casefold() not in {place.casefold() for place in places}:
        sources.findings.error(
            sources.tract_file,
            "no streamside rule is known by this name",
            did_you_mean(table.rule, places, all_known="Known")
            + ' Or give a table of your own, rules = "my_rules.csv" (`standmap guide rules`).',
            column="buffers.rule",
            value=table.rule,
        )
    return table.rule


def _check_keys(table: BuffersTable, classes: Sequence[str], sources: Sources) -> None:
    """Report keys no water has, and classes answered twice."""
    findings, file = sources.findings, sources.tract_file
    present = {name.casefold() for name in classes}
    for key in ("widths_ft", "classes"):
        for name in getattr(table, key):
            if name.casefold() not in present:
                findings.warn(
                    file,
                    "no stream is of this class",
                    f"The layer has: {some(list(classes))}.",
                    column=f"buffers.{key}.{name}",
                )
    twice = {name.casefold() for name in table.widths_ft} & {
        name.casefold() for name in table.classes
    }
    for name in sorted(twice):
        findings.error(
            file,
            "the class has both a width of your own and a class of the rule",
            "Keep it in [buffers.widths_ft] or in [buffers.classes], not in both.",
            column=f"buffers.classes.{name}",
        )
    if table.classes and table.rule is None and table.rules is None:
        findings.error(
            file,
            "classes are mapped to a rule's, but no rule is named",
            'Name one, rule = "...", in [buffers], or a table of your own, rules = "...".',
            column="buffers.classes",
        )


def _rule_of(
    table: BuffersTable,
    name: str,
    known: tuple[BufferRule, ...] | None,
    jurisdiction: str | None,
    sources: Sources,
    place: Place,
) -> StreamRule | None:
    """Return the rule of one class of water."""
    findings = sources.findings
    file, row, column = place
    own = {key.casefold(): width for key, width in table.widths_ft.items()}
    width = own.get(name.casefold())
    if width is not None:
        if known is not None and width > 0:
            findings.warn(
                sources.tract_file,
                f"your own width of {width:g} ft stands in place of the rule of {jurisdiction}",
                "Check that it is not narrower than the rule asks for.",
                column=f"buffers.widths_ft.{name}",
            )
        source = f"[buffers.widths_ft] of {sources.tract_file}"
        return fixed_width(name, width, source=source) if width > 0 else None
    if known is None or jurisdiction is None:
        hint = did_you_mean(name, list(table.widths_ft)) if table.widths_ft and name else ""
        findings.error(
            file,
            "streams of this class have no buffer width",
            "Name a rule in [buffers], or give the class a width in [buffers.widths_ft], 0 where "
            f"nothing must stay. {hint}".strip(),
            row=row,
            column=column,
            value=name,
        )
        return None
    mapped = {key.casefold(): value for key, value in table.classes.items()}
    water = mapped.get(name.casefold(), name)
    if water.casefold() == NOTHING_STAYS:
        return None
    try:
        rule = stream_rule(
            jurisdiction,
            water,
            limits=table.limits,
            option=_option(table, known, jurisdiction, water),
            rules=known,
        )
    except DomainError as error:
        _report_no_rule(str(error), name, findings, place)
        return None
    if not rule.fixed:
        findings.error(
            file,
            f"the rule of {rule.jurisdiction} fixes no width for {water!r} "
            f"({rule.rows[0].caution or rule.rows[0].keep.text or 'it is left to judgement'})",
            "Decide one on the ground, and give it in [buffers.widths_ft]: "
            f"{toml_key(name)} = 50, say.",
            row=row,
            column=column,
            value=name,
        )
        return None
    return rule


def _option(
    table: BuffersTable, known: tuple[BufferRule, ...], jurisdiction: str, water: str
) -> str:
    """Return the option to look up: the one named, if this water has it, else its only one."""
    here = [
        rule.option
        for rule in known
        if rule.jurisdiction.casefold() == jurisdiction.casefold()
        and rule.limits == table.limits
        and water.casefold() in {name.casefold() for name in rule.water_classes}
    ]
    options = list(dict.fromkeys(here))
    if len(options) == 1:
        return options[0]
    return table.option or ""


def _report_no_rule(said: str, name: str, findings: Findings, place: Place) -> None:
    """Turn a failed look-up into a problem that shows how to map the class."""
    what, _, known = said.partition(" Known: ")
    if what.startswith("no option"):
        mend = f'Name one in [buffers], option = "...": {known}'
    elif what.startswith("no rule of"):
        mend = f'Say what its width limits, limits = "..." in [buffers]: {known}'
    else:
        mend = (
            f'Map it in [buffers.classes], {toml_key(name)} = "...", to one of {known} Or give it '
            "a width of its own in [buffers.widths_ft]."
        )
    file, row, column = place
    findings.error(file, what.rstrip("."), mend, row=row, column=column, value=name)


def _remark(table: BuffersTable, found: Rules, sources: Sources, ground: bool) -> None:
    """Warn of rules nobody read; ask for slopes where a rule needs them."""
    findings, file = sources.findings, sources.tract_file
    needs = [name for name, rule in found.items() if rule is not None and rule.depends_on_slope]
    if needs and not ground:
        findings.error(
            file,
            f"the width along {some(needs)} depends on the slope of the bank, and no slope is "
            "known",
            "Name an elevation raster in [rasters], or state one slope, slope_pct, in [buffers].",
            column="buffers.rule",
        )
    for name, rule in found.items():
        if rule is None or rule.verified:
            continue
        how = some(list(dict.fromkeys(row.evidence for row in rule.rows if not row.verified)))
        findings.warn(
            file,
            f"the rule of {rule.jurisdiction} for {name!r} is unverified ({how}): it settles "
            "nothing by itself",
            "Look up the current rule with the state forestry agency before relying on it.",
            column="buffers.rule",
            value=rule.jurisdiction,
        )
    if table.limits != "harvest" and any(rule is not None for rule in found.values()):
        findings.warn(
            file,
            f"the widths limit {table.limits}, not the cutting of trees",
            "Their acres are taken out of the harvest here all the same; ask what may be cut "
            "there.",
            column="buffers.limits",
            value=table.limits,
        )
