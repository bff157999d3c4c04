"""The sheets of a sale: product specs, prices, mills and offers."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from standmap.errors import InputError, Problem
from standmap.products import ProductSpec, example_products, specs_from_frame
from standmap.species import species_mask
from standmap.tract.columns import Column, find_columns, mapped_names
from standmap.tract.findings import Findings
from standmap.tract.sale_settings import (
    CostsTable,
    MillsTable,
    OffersTable,
    PricesTable,
    ProductsTable,
)
from standmap.tract.sources import Sources
from standmap.tract.tables import read_table
from standmap.trees import TaperForms, TaperTable, own_taper
from standmap.value import PriceSheet, price_sheet_from_frame
from standmap.value.mill_table import mills_from_frame
from standmap.value.mills import Costs, MillSheet
from standmap.value.offers import Offer, offers_from_frame
from standmap.value.stated import send_to

PRICE_COLUMNS: Final = ("product", "species", "price_usd", "unit", "log_rule")


@dataclass(frozen=True, slots=True)
class ProductSheet:
    """The products of a tract as read.

    Attributes
    ----------
    specs : list of ProductSpec or None
        None where the table has faults.
    names : list of str
        Every product named, also where its row has faults: other files may refer to it.
    bulk : list of str
        Those weighed or stacked.
    rows : ndarray of int
        Row of each spec; empty for the packaged examples.
    """

    specs: list[ProductSpec] | None
    names: list[str]
    bulk: list[str]
    rows: npt.NDArray[np.int64]


def read_products(
    table: ProductsTable | None, sources: Sources, aliases: Mapping[str, str]
) -> ProductSheet | None:
    """Read the product specs, or take the packaged examples where the tract names none.

    Returns
    -------
    ProductSheet or None
        None where the file cannot be read at all.
    """
    findings = sources.findings
    if table is None:
        why = "no [products]: the packaged example products are used"
        findings.warn(
            sources.tract_file,
            why,
            "Give the buyers' own specs before money changes hands.",
            column="products",
        )
        findings.ledger.add(sources.tract_file, column="products", action="filled in", why=why)
        return _sheet(example_products(), np.array([], dtype=np.int64))
    canonical = [name for name in ProductsTable.model_fields if name not in ("file", "sheet")]
    read = _read(table, canonical, sources, "[products]")
    if read is None:
        return None
    frame, rows = read
    try:
        return _sheet(specs_from_frame(frame, file=table.file, aliases=aliases), rows)
    except InputError as error:
        findings.problems += _on_their_rows(error.problems, rows)
    if not {"product", "kind"} <= set(frame.columns):
        return None
    bulk = frame.loc[frame["kind"].str.lower() == "bulk", "product"]
    return ProductSheet(None, list(frame["product"]), list(bulk), rows)


def _sheet(specs: list[ProductSpec], rows: npt.NDArray[np.int64]) -> ProductSheet:
    bulk = [spec.product for spec in specs if spec.kind == "bulk"]
    return ProductSheet(specs, [spec.product for spec in specs], bulk, rows)


def read_prices(
    table: PricesTable | None,
    sources: Sources,
    products: ProductSheet | None,
    aliases: Mapping[str, str],
    *,
    mills: bool,
) -> PriceSheet | None:
    """Read the price sheet; None where there is none or the products could not be read.

    ``mills``: there is a mills table, which gives a value without a price sheet.
    """
    findings = sources.findings
    if table is None:
        if not mills:
            findings.warn(
                sources.tract_file,
                "no [prices]: volumes are appraised, and nothing has a value",
                'Add [prices] file = "..." or [mills] file = "..." for dollars.',
                column="prices",
            )
        return None
    read = _read(table, PRICE_COLUMNS, sources, "[prices]")
    if read is None or products is None:
        return None
    frame, rows = read
    sheet, problems = price_sheet_from_frame(
        frame,
        file=table.file,
        products=products.names,
        aliases=aliases,
        bulk_products=products.bulk,
    )
    findings.problems += _on_their_rows(problems, rows)
    prices = tuple(
        price if price.row is None else replace(price, row=int(rows[price.row - 2]))
        for price in sheet.prices
    )
    return replace(sheet, prices=prices)


def read_mills(
    table: MillsTable | None,
    costs: CostsTable,
    sources: Sources,
    products: ProductSheet | None,
    aliases: Mapping[str, str],
    *,
    as_of: date | None,
) -> MillSheet | None:
    """Read the mills table; None where there is none or the products could not be read."""
    if table is None:
        return None
    canonical = [n for n in MillsTable.model_fields if n not in ("file", "sheet", "send")]
    read = _read(table, canonical, sources, "[mills]")
    if read is None or products is None:
        return None
    frame, rows = read
    sheet, problems = mills_from_frame(
        frame,
        file=table.file,
        products=products.names,
        aliases=aliases,
        bulk_products=products.bulk,
        costs=_costs(costs, sources),
        as_of=as_of,
    )
    sources.findings.problems += _on_their_rows(problems, rows)
    sent, problems = send_to(sheet, table.send, file=sources.tract_file, products=products.names)
    sources.findings.problems += problems
    return sent


def read_taper(
    file: str | None, source: str, sources: Sources, aliases: Mapping[str, str]
) -> TaperTable | TaperForms | None:
    """Read the user's own stem profiles; None where the tract does not use any."""
    findings = sources.findings
    if source != "taper":
        if file is not None:
            findings.warn(
                sources.tract_file,
                "a taper file is named, but stems come from another source",
                'Set source = "taper" under [volume] to use it.',
                column="volume.taper",
                value=file,
            )
        return None
    if file is None:
        findings.error(
            sources.tract_file,
            'source = "taper" needs a file of stem profiles',
            'Add taper = "..." under [volume].',
            column="volume.taper",
        )
        return None
    path = sources.find(file, "[volume] taper")
    read = None if path is None else read_table(path, file, findings)
    if read is None:
        return None
    try:
        return own_taper(read.named(), file=file, aliases=dict(aliases))
    except InputError as error:
        findings.problems += _on_their_rows(error.problems, read.rows)
        return None


def _costs(table: CostsTable, sources: Sources) -> Costs | None:
    """Return the costs where all three are given; some without the others is an error."""
    given = {name: value for name, value in table if value is not None}
    missing = [name for name, value in table if value is None]
    if not given:
        return None
    for name in missing:
        sources.findings.error(
            sources.tract_file,
            "one of the three costs is missing",
            "Give cut_load_usd_per_ton, haul_usd_per_loaded_mile and load_tons together; ask "
            "loggers near the tract.",
            column=f"costs.{name}",
        )
    return None if missing else Costs(**given)


def read_offers(
    table: OffersTable | None,
    sources: Sources,
    products: ProductSheet | None,
    aliases: Mapping[str, str],
) -> list[Offer]:
    """Read the offers; none where there is no table or the products could not be read."""
    if table is None:
        return []
    canonical = [name for name in OffersTable.model_fields if name not in ("file", "sheet")]
    read = _read(table, canonical, sources, "[offers]")
    if read is None or products is None:
        return []
    frame, rows = read
    offers, problems = offers_from_frame(
        frame,
        file=table.file,
        products=products.names,
        aliases=aliases,
        bulk_products=products.bulk,
    )
    sources.findings.problems += _on_their_rows(problems, rows)
    return offers


def _read(
    table: ProductsTable | PricesTable | MillsTable | OffersTable,
    canonical: Sequence[str],
    sources: Sources,
    key: str,
) -> tuple[pd.DataFrame, npt.NDArray[np.int64]] | None:
    """Read a sheet under the canonical names of its columns."""
    path = sources.find(table.file, key)
    read = (
        None if path is None else read_table(path, table.file, sources.findings, sheet=table.sheet)
    )
    if read is None:
        return None
    columns = tuple(Column(name, number=False) for name in canonical)
    before = len(sources.findings.problems)
    found = find_columns(
        read.header,
        columns,
        mapped_names(table, columns),
        file=read.file,
        findings=sources.findings,
        hints=False,
    )
    if len(sources.findings.problems) > before:
        return None
    taken = {where.at for where in found.values()}
    rest = {
        name: at
        for at, name in enumerate(read.header)
        if name and at not in taken and name not in found  # nameless columns hold nothing
    }
    places = {**{name: where.at for name, where in found.items()}, **rest}
    return pd.DataFrame({name: read.text(at) for name, at in places.items()}), read.rows


def _on_their_rows(problems: Sequence[Problem], rows: npt.NDArray[np.int64]) -> list[Problem]:
    """Put the file's own rows on problems that count records from row 2."""
    return [
        p
        if p.row is None or not 0 <= p.row - 2 < len(rows)
        else replace(p, row=int(rows[p.row - 2]))
        for p in problems
    ]


def check_makeable(
    sheet: ProductSheet,
    trees: pd.DataFrame,
    aliases: Mapping[str, str],
    *,
    file: str,
    findings: Findings,
) -> None:
    """Warn of products that no tree of the tally can be, by species, diameter or call."""
    used = trees[trees["used"].to_numpy(dtype=bool)]
    codes = used["species_code"].to_numpy(dtype=np.int64)
    dbh = used["dbh_in"].to_numpy(dtype=float)
    called = set(used["product"].unique())
    for spec, row in zip(sheet.specs or [], sheet.rows, strict=True):
        if spec.product in called:
            continue
        right = species_mask(spec.species, codes, aliases=dict(aliases))
        if spec.called_only:
            why = "None was called for it."
        elif not right.any():
            why = "None is of its species."
        elif not (right & (dbh >= spec.min_dbh_in) & (dbh <= spec.max_dbh_in)).any():
            most = "up" if math.isinf(spec.max_dbh_in) else f"to {spec.max_dbh_in:g} in"
            why = f"None of its species has a DBH of {spec.min_dbh_in:g} in {most}."
        elif not (right & (dbh >= spec.min_top_in)).any():
            why = f"None is as thick as its top, {spec.min_top_in:g} in."
        else:
            continue
        findings.warn(
            file,
            "no tree of the tally can make this product",
            f"{why} Check its species and limits; else leave it.",
            row=int(row),
            column="product",
            value=spec.product,
        )
