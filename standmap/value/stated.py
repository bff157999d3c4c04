"""Products sent to a stated mill, whatever the others would pay."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from difflib import get_close_matches
from typing import Final

from standmap.errors import Problem
from standmap.value.mills import MillSheet

SEND_KEY: Final = "mills.send"
"""Key of the tract file that states the mill of a product."""


def send_to(
    sheet: MillSheet, send: Mapping[str, str], *, file: str, products: Sequence[str]
) -> tuple[MillSheet, list[Problem]]:
    """Keep, for each product that has a stated mill, that mill's lines alone.

    Parameters
    ----------
    sheet : MillSheet
        What the mills buy.
    send : mapping of str to str
        Mill of each product that has a stated one.
    file : str
        Where it was stated, for messages.
    products : sequence of str
        Names of the product specs.

    Returns
    -------
    MillSheet
        With ``stated``, and without the lines of other mills for those products.
    list of Problem
        A product or mill that is not there, and a mill that does not buy the product.

    Examples
    --------
    >>> from standmap.value import MillLine
    >>> sheet = MillSheet(lines=tuple(MillLine(mill=mill, product="sawlog", price_usd=60,
    ...     unit="ton", basis="stumpage") for mill in ("Ridge Mill", "Creek Mill")))
    >>> sent, problems = send_to(sheet, {"sawlog": "creek mill"}, file="tract.toml",
    ...                          products=["sawlog"])
    >>> [line.mill for line in sent.lines], problems
    (['Creek Mill'], [])
    >>> wrong = send_to(sheet, {"sawlog": "Ridge"}, file="tract.toml", products=["sawlog"])[1]
    >>> print(wrong[0].mend)
    Did you mean 'Ridge Mill'?
    """
    stated: dict[str, str] = {}
    problems: list[Problem] = []
    for asked_product, asked_mill in send.items():
        product, fault = _known(asked_product, products, "no product spec has this name")
        if fault is not None:
            problems.append(_problem(file, SEND_KEY, asked_product, *fault))
            continue
        key = f"{SEND_KEY}.{product}"
        mill, fault = _known(asked_mill, sheet.mills, "the mills table has no such mill")
        if fault is not None:
            problems.append(_problem(file, key, asked_mill, *fault))
            continue
        buyers = [x.mill for x in sheet.lines if x.product.casefold() == product.casefold()]
        if mill not in buyers:
            named = ", ".join(dict.fromkeys(buyers)) or "no mill"
            what = f"'{mill}' has no line for '{product}' in the mills table"
            mend = f"Send it to a mill that buys it ({named}), or add the line."
            problems.append(_problem(file, key, asked_mill, what, mend))
            continue
        stated[product] = mill
    by_key = {product.casefold(): mill for product, mill in stated.items()}
    kept = tuple(x for x in sheet.lines if by_key.get(x.product.casefold(), x.mill) == x.mill)
    return replace(sheet, lines=kept, stated=stated), problems


def _known(name: str, known: Sequence[str], what: str) -> tuple[str, tuple[str, str] | None]:
    """Return a name as it is known, or the fault and its mend."""
    folded = {k.casefold(): k for k in known}
    key = name.strip().casefold()
    if key in folded:
        return folded[key], None
    near = get_close_matches(key, list(folded), n=1)
    mend = f"Did you mean '{folded[near[0]]}'?" if near else f"Known: {', '.join(known)}."
    return name, (what, mend)


def _problem(file: str, column: str, value: str, what: str, mend: str) -> Problem:
    return Problem(severity="error", file=file, column=column, value=value, what=what, mend=mend)
