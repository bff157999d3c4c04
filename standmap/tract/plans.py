"""The harvest plan: prescriptions and alternatives of the tract file, checked against its data."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Final

import geopandas as gpd
import pandas as pd

from standmap.errors import DomainError
from standmap.harvest import Alternative, HarvestPlan, Prescription
from standmap.harvest.prescriptions import NEEDS
from standmap.species import UnknownSpeciesError, entry_codes
from standmap.tract.columns import Column, find_columns
from standmap.tract.findings import Findings, did_you_mean, some
from standmap.tract.land_settings import CrossingsTable, LandingsTable, TerrainTable
from standmap.tract.layers import placed_only, to_stands
from standmap.tract.sale_settings import AlternativeTable, PrescriptionTable
from standmap.tract.settings import Settings
from standmap.tract.sources import Sources
from standmap.tract.stands import text_column
from standmap.tract.tract_file import line_of
from standmap.tract.vectors import open_layer

MARKED_WORDS: Final = {"": False, "no": False, "n": False, "0": False, "false": False,
                       "yes": True, "y": True, "x": True, "1": True, "true": True}  # fmt: skip
"""What a cell of the tally's column ``marked`` may say."""

PLAN_NAME: Final = "as planned"
"""What the plan itself is called beside its alternatives."""


def read_plan(
    settings: Settings,
    findings: Findings,
    *,
    file: str,
    text: str,
    units: gpd.GeoDataFrame | None,
    trees: pd.DataFrame | None,
    products: Sequence[str] | None,
) -> HarvestPlan:
    """Read ``[[prescriptions]]`` and ``[[alternatives]]``; every fault goes to ``findings``.

    Parameters
    ----------
    settings : Settings
        The tract file.
    findings : Findings
        Where faults go.
    file : str
        Name of the tract file.
    text : str
        What it says, to name the line at fault.
    units : GeoDataFrame or None
        The harvest units; None where there are none or they could not be read.
    trees : DataFrame or None
        The tally, to know whether any tree is marked.
    products : sequence of str or None
        Names of the products.
    """
    asked = settings.prescriptions, settings.alternatives
    if not any(asked):
        return HarvestPlan()
    if settings.units is None:
        findings.error(
            file,
            "prescriptions are for harvest units, and the tract has none",
            "Name the layer of units in [units], or delete the prescriptions.",
            column="prescriptions" if asked[0] else "alternatives",
        )
        return HarvestPlan()
    known = _unit_names(units, settings.units.file, findings)
    reader = _Reader(settings, findings, file, text, known, trees, products)
    planned = reader.prescriptions(settings.prescriptions, "prescriptions")
    names: set[str] = {PLAN_NAME}
    alternatives = []
    for nth, table in enumerate(settings.alternatives):
        alternatives.append(reader.alternative(nth, table, planned, names))
        names.add(table.name)
    return HarvestPlan(prescriptions=planned, alternatives=tuple(alternatives))


def _unit_names(units: gpd.GeoDataFrame | None, file: str, findings: Findings) -> list[str] | None:
    """Return the names of the harvest units; None where some may be wanting."""
    faulty = any(p.severity == "error" and p.file == file for p in findings.problems)
    return None if units is None or faulty else list(dict.fromkeys(units["unit"].astype(str)))


class _Reader:
    """Turns tables of the tract file into prescriptions, telling of what cannot be."""

    def __init__(
        self,
        settings: Settings,
        findings: Findings,
        file: str,
        text: str,
        units: list[str] | None,
        trees: pd.DataFrame | None,
        products: Sequence[str] | None,
    ) -> None:
        self._aliases = settings.species.aliases
        self._findings, self._file, self._text, self._units = findings, file, text, units
        self._at: tuple[str, int] = ("", 0)
        self._trees, self._products = trees, products

    def prescriptions(
        self, tables: Sequence[PrescriptionTable], key: str
    ) -> dict[str, Prescription]:
        """Return the prescription of each unit."""
        found: dict[str, Prescription] = {}
        for nth, table in enumerate(tables):
            if key == "prescriptions":
                self._at = key, nth
            made = self._one(table, key)
            for unit in table.unit:
                if not self._known_unit(unit, f"{key}.unit"):
                    continue
                if unit in found:
                    self._error("this unit has two prescriptions", "Keep one.", f"{key}.unit", unit)
                elif made is not None:
                    found[unit] = made
        return found

    def alternative(
        self,
        nth: int,
        table: AlternativeTable,
        planned: Mapping[str, Prescription],
        names: Collection[str],
    ) -> Alternative:
        """Return an alternative: the plan, less what is left out, with what it changes."""
        key = "alternatives"
        self._at = key, nth
        if table.name in names:
            self._error(
                "two plans of one name",
                f"Give each its own; '{PLAN_NAME}' is the plan itself.",
                f"{key}.name",
                table.name,
            )
        changed = self.prescriptions(table.prescriptions, f"{key}.prescriptions")
        for unit in table.leave_out:
            if self._known_unit(unit, f"{key}.leave_out") and unit in changed:
                self._error(
                    f"the alternative '{table.name}' leaves this unit out and prescribes for it",
                    "Keep one of the two.",
                    f"{key}.leave_out",
                    unit,
                )
        asks = table.prescriptions or table.leave_out or table.wider_buffers_ft
        if not asks and not self._told_of(f"{key}.wider_buffers_ft"):
            self._error(
                "this alternative changes nothing",
                "Give it leave_out, wider_buffers_ft or prescriptions.",
                f"{key}.name",
                table.name,
            )
        both = {**planned, **changed}
        return Alternative(
            name=table.name,
            prescriptions={u: p for u, p in both.items() if u not in table.leave_out},
            wider_buffers_ft=table.wider_buffers_ft,
        )

    def _one(self, table: PrescriptionTable, key: str) -> Prescription | None:
        needed = NEEDS.get(table.cut)
        if needed is not None and getattr(table, needed) is None:
            if not self._told_of(f"{key}.{needed}"):
                self._error(f"a cut of this kind needs {needed}", f"Add {needed}.", f"{key}.cut",
                            table.cut)  # fmt: skip
            return None
        low, high = table.min_dbh_in, table.max_dbh_in
        if low is not None and high is not None and low >= high:
            self._error("max_dbh_in must be over min_dbh_in", "Swap them, or drop one.",
                        f"{key}.max_dbh_in", f"{high:g}")  # fmt: skip
        self._no_idle_keys(table, key)
        if table.cut == "marked" and not self._any_marked(table, key):
            return None
        return Prescription(
            cut=table.cut,
            residual_ba_sqft=table.residual_ba_sqft,
            seed_trees_per_acre=table.seed_trees_per_acre,
            min_dbh_in=low,
            max_dbh_in=high,
            leave_codes=self._codes(table.leave_species, f"{key}.leave_species"),
            seed_codes=self._codes(table.seed_species, f"{key}.seed_species"),
            products=table.products,
            leave_species=self._spelt(table.leave_species),
            seed_species=self._spelt(table.seed_species),
        )

    def _no_idle_keys(self, table: PrescriptionTable, key: str) -> None:
        """Refuse a number that this kind of cut would pass over in silence."""
        uses = {
            "residual_ba_sqft": ("thin_below", "thin_above"),
            "seed_trees_per_acre": ("seed_tree",),
            "seed_species": ("seed_tree",),
            "products": ("marked",),
        }
        for name, cuts in uses.items():
            value = getattr(table, name)
            if value and table.cut not in cuts:
                self._error(
                    f"a cut of the kind '{table.cut}' does not use {name}",
                    f"Delete it, or write cut = {' or '.join(map(repr, cuts))}.",
                    f"{key}.{name}",
                    f"{value:g}" if isinstance(value, float) else ", ".join(value),
                )

    def _any_marked(self, table: PrescriptionTable, key: str) -> bool:
        unknown = [p for p in table.products if self._products and p not in self._products]
        for product in unknown:
            hint = did_you_mean(product, list(self._products or ()), all_known="Products")
            self._error("no product spec has this name", hint, f"{key}.products", product)
        if table.products or self._trees is None:
            return not unknown
        if self._trees["marked"].any():
            return True
        self._error(
            "no tree of the tally is marked",
            "Write yes in the tally's column marked, or name products.",
            f"{key}.cut",
            table.cut,
        )
        return False

    def _codes(self, names: Sequence[str], key: str) -> frozenset[int]:
        codes: set[int] = set()
        for name in names:
            try:
                codes |= entry_codes(name, aliases=self._aliases)
            except (UnknownSpeciesError, DomainError) as error:
                _, known, mend = str(error).partition(f"{name!r}. ")  # the rest is said already
                mend = mend if known else str(error)
                self._error("unknown species or group", mend[0].upper() + mend[1:], key, name)
        return frozenset(codes)

    def _spelt(self, names: Sequence[str]) -> tuple[str, ...]:
        """Return species as printed: the tract's own codes written out."""
        return tuple(str(self._aliases.get(name, name)) for name in names)

    def _known_unit(self, unit: str, key: str) -> bool:
        if self._units is None:
            return False
        if unit in self._units:
            return True
        hint = did_you_mean(unit, self._units, all_known="Units")
        self._error("there is no such harvest unit", hint, key, unit)
        return False

    def _told_of(self, column: str) -> bool:
        """Whether a value that is wanting was given, and told of as wrong."""
        return any(p.column == column and p.file == self._file for p in self._findings.problems)

    def _error(self, what: str, mend: str, column: str, value: object) -> None:
        key = column.rpartition(".")[2]
        row = line_of(self._text, (*self._at, key)) or line_of(self._text, self._at)
        self._findings.error(self._file, what, mend, row=row, column=column, value=value)


def check_terrain(table: TerrainTable, findings: Findings, file: str) -> None:
    """Tell of slope limits that cannot be: one alone, or not rising."""
    low, high = table.ground_pct, table.cable_pct
    if (low is None) != (high is None):
        lacking = "ground_pct" if low is None else "cable_pct"
        findings.error(
            file,
            "one slope limit is given without the other",
            f"Add {lacking}, or leave out both.",
            column=f"terrain.{lacking}",
        )
    elif low is not None and high is not None and low >= high:
        findings.error(
            file,
            "ground-based machines cannot be planned on steeper ground than cable machines",
            "cable_pct must be over ground_pct.",
            column="terrain.ground_pct",
            value=f"{low:g}",
        )


def settle_marked(trees: pd.DataFrame, file: str, findings: Findings, column: str) -> None:
    """Turn the tally's ``marked`` into true and false, in place; other words are errors."""
    said = trees["marked"].astype(str).str.strip().str.casefold()
    wrong = ~said.isin(list(MARKED_WORDS)).to_numpy(dtype=bool)
    findings.rows(
        "error",
        file,
        "a tree is marked or it is not",
        "Type yes, or leave the cell blank.",
        rows=trees["source_row"].to_numpy()[wrong],
        column=column,
        values=trees["marked"].to_numpy(dtype=object)[wrong],
    )
    trees["marked"] = said.map(MARKED_WORDS).eq(True).to_numpy(dtype=bool)


def read_landings(
    table: LandingsTable,
    sources: Sources,
    stands: gpd.GeoDataFrame | None,
    units: gpd.GeoDataFrame | None,
    *,
    units_file: str,
) -> gpd.GeoDataFrame | None:
    """Read the landings: ``unit`` ("" serves every unit without its own) and points."""
    layer = _placed(table, sources, stands, key="[landings]", kinds=("point",))
    if layer is None:
        return None
    findings, file = sources.findings, table.file
    header = [str(c) for c in layer.columns if c not in ("geometry", "source_row")]
    mapped = {"unit": table.unit} if "unit" in table.model_fields_set and table.unit else {}
    column = Column("unit", number=False)
    found = find_columns(header, (column,), mapped, file=file, findings=findings)
    unit = text_column(layer, found["unit"].header) if "unit" in found else [""] * len(layer)
    made = gpd.GeoDataFrame(
        {"unit": unit, "source_row": layer["source_row"].to_numpy()},
        geometry=layer.geometry.to_numpy(),
        crs=layer.crs,
    )
    names = _unit_names(units, units_file, findings)
    if names is not None:
        known = set(names)
        strange = ~made["unit"].isin([*known, ""]).to_numpy(dtype=bool)
        findings.rows(
            "error",
            file,
            "there is no such harvest unit",
            f"Units: {some(sorted(known))}. Blank serves every unit that has no other landing.",
            rows=made["source_row"].to_numpy()[strange],
            column="unit",
            values=made["unit"].to_numpy(dtype=object)[strange],
        )
    return made


def read_crossings(
    table: CrossingsTable, sources: Sources, stands: gpd.GeoDataFrame | None
) -> gpd.GeoDataFrame | None:
    """Read the crossings: points or lines."""
    layer = _placed(table, sources, stands, key="[crossings]", kinds=("point", "line"))
    return None if layer is None else layer[["geometry", "source_row"]]


def _placed(
    table: LandingsTable | CrossingsTable,
    sources: Sources,
    stands: gpd.GeoDataFrame | None,
    *,
    key: str,
    kinds: tuple[str, ...],
) -> gpd.GeoDataFrame | None:
    layer = open_layer(table.file, table, sources, key=key, kinds=kinds)
    if layer is None:
        return None
    layer = placed_only(layer, table.file, sources.findings)
    return to_stands(layer, stands, table.file, sources.findings, key)
