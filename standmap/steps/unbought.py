"""Products that nobody pays for, said aloud."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np
import numpy.typing as npt

from standmap.errors import Problem
from standmap.products import Logs, eligibility
from standmap.steps.cutting import recorded, stem_prices
from standmap.steps.stems import GrownTally
from standmap.tract import Tract
from standmap.value import LogLot, value_offers
from standmap.value.stated import SEND_KEY

NAMED: Final = 6
"""Species named in a warning; the rest are counted."""


def species_text(species_code: npt.ArrayLike, species_name: Mapping[int, str]) -> str:
    """Return the names of the species among some trees or logs, for a message.

    Examples
    --------
    >>> species_text([802, 621, 802], {802: "white oak"})
    '621, white oak'
    """
    who = [species_name.get(int(c), str(c)) for c in np.unique(np.asarray(species_code))]
    more = f" and {len(who) - NAMED} more" if len(who) > NAMED else ""
    return ", ".join(who[:NAMED]) + more


def never_cut(
    tract: Tract, grown: GrownTally, logs: Logs, species_name: Mapping[int, str]
) -> list[Problem]:
    """Return a warning for each product that best value passes by because nobody pays for it.

    The other ways cut such logs, and the sale tells of them.
    """
    prices = stem_prices(tract, grown)
    if tract.settings.bucking.method != "best_value" or prices is None:
        return []
    how, stems = recorded(tract, grown), grown.stems
    takes = eligibility(
        stems.species_code,
        stems.dbh_in,
        tract.products,
        cull=how["cull"],
        grade=how["grade"],
        defect_pct=how["defect_pct"],
        aliases=how["aliases"],
    )
    called = grown.trees["product"].astype(str).str.strip().str.casefold().to_numpy()
    for s, spec in enumerate(tract.products):
        takes[:, s] |= called == spec.product.casefold()
    row = prices.rows_of(stems.species_code)
    sheet = tract.settings.prices or tract.settings.mills
    stated = {} if tract.mills is None or tract.prices is not None else tract.mills.stated
    made = np.bincount(logs.product, minlength=len(tract.products))
    problems = []
    for s, spec in enumerate(tract.products):
        loose = takes[:, s] & ~prices.bought(s)[row]
        file, column, mend = sheet.file if sheet else "", "product", "Add a line that pays for it."
        what = "nobody pays for this product in {who}: best value cuts none of it there"
        if not loose.any() and not made[s] and spec.product in stated:
            loose = takes[:, s]
            file, column = tract.path.name, f"{SEND_KEY}.{spec.product}"
            what = f"'{stated[spec.product]}', where this product is sent, takes none in {{who}}"
            mend = "Check that mill's species, sizes and haul, or send the product elsewhere."
        if loose.any():
            problems.append(
                Problem(
                    severity="warning",
                    file=file,
                    column=column,
                    value=spec.product,
                    what=what.format(who=species_text(stems.species_code[loose], species_name)),
                    mend=mend,
                )
            )
    return problems


def unpriced_by_offers(tract: Tract, lot: LogLot, species_name: Mapping[int, str]) -> list[Problem]:
    """Return a warning for each offer that leaves logs unpriced, naming products and species."""
    if not tract.offers or tract.settings.offers is None:
        return []
    values = value_offers(lot, tract.offers)
    problems = []
    for offer, left in zip(values.offers, values.unpriced.T, strict=True):
        if not left.any():
            continue
        parts = [
            f"{lot.products[int(product)]} "
            f"({species_text(lot.species_code[left & (lot.product == product)], species_name)})"
            for product in np.unique(lot.product[left])
        ]
        problems.append(
            Problem(
                severity="warning",
                file=tract.settings.offers.file,
                column="offer",
                value=offer,
                what=f"this offer has no price for {int(left.sum())} of {len(lot)} tallied logs, "
                f"which count for nothing under it: {'; '.join(parts)}",
                mend="Ask the buyer whether they are bought, and for how much.",
            )
        )
    return problems
