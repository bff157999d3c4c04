"""The harvest plan: prescriptions and alternatives of the tract file, checked against its data."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
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
from standmap.tract.sale_settings import AlternativeTable, PrescriptionTable
from standmap.tract.settings import Settings
from standmap.tract.sources import Sources
from standmap.tract.stands import text_column
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
    known = None if units is None else list(dict.fromkeys(units["unit"].astype(str)))
    reader = _Reader(settings, findings, file, known, trees, products)
    planned = reader.prescriptions(settings.prescriptions, "prescriptions")
    names: set[str] = {PLAN_NAME}
    alternatives = []
    for table in settings.alternatives:
        if table.name in names:
            findings.error(
                file,
                "two plans of one name",
                f"Give each its own; '{PLAN_NAME}' is the plan itself.",
                column="alternatives.name",
                value=table.name,
            )
        names.add(table.name)
        alternatives.append(reader.alternative(table, planned))
    return HarvestPlan(prescriptions=planned, alternatives=tuple(alternatives))


class _Reader:
    """Turns tables of the tract file into prescriptions, telling of what cannot be."""

    def __init__(
        self,
        settings: Settings,
        findings: Findings,
        file: str,
        units: list[str] | None,
        trees: pd.DataFrame | None,
        products: Sequence[str] | None,
    ) -> None:
        self._aliases = settings.species.aliases
        self._findings, self._file, self._units = findings, file, units
        self._trees, self._products = trees, products

    def prescriptions(
        self, tables: Sequence[PrescriptionTable], key: str
    ) -> dict[str, Prescription]:
        """Return the prescription of each unit."""
        found: dict[str, Prescription] = {}
        for table in tables:
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
        self, table: AlternativeTable, planned: Mapping[str, Prescription]
    ) -> Alternative:
        """Return an alternative: the plan, less what is left out, with what it changes."""
        key = "alternatives"
        changed = self.prescriptions(table.prescriptions, f"{key}.prescriptions")
        for unit in table.leave_out:
            if self._known_unit(unit, f"{key}.leave_out") and unit in changed:
                self._error(
                    f"the alternative '{table.name}' leaves this unit out and prescribes for it",
                    "Keep one of the two.",
                    f"{key}.leave_out",
                    unit,
                )
        if not (table.prescriptions or table.leave_out or table.wider_buffers_ft):
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
            self._error(f"a cut of this kind needs {needed}", f"Add {needed}.", f"{key}.cut",
                        table.cut)  # fmt: skip
            return None
        low, high = table.min_dbh_in, table.max_dbh_in
        if low is not None and high is not None and low >= high:
            self._error("max_dbh_in must be over min_dbh_in", "Swap them, or drop one.",
                        f"{key}.max_dbh_in", high)  # fmt: skip
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
            if getattr(table, name) and table.cut not in cuts:
                self._error(
                    f"a cut of the kind '{table.cut}' does not use {name}",
                    f"Delete it, or write cut = {' or '.join(map(repr, cuts))}.",
                    f"{key}.{name}",
                    getattr(table, name),
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
                mend = str(error)
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

    def _error(self, what: str, mend: str, column: str, value: object) -> None:
        self._findings.error(self._file, what, mend, column=column, value=value)


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
    if units is not None:
        known = set(units["unit"].astype(str))
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
    layer = layer[~(layer.geometry.isna() | layer.geometry.is_empty)].reset_index(drop=True)
    return layer if stands is None else layer.to_crs(stands.crs)
