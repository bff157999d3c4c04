"""Figures as people read them: rounded to what their error supports, never further."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import numpy.typing as npt

NOT_KNOWN: Final = "\N{EN DASH}"
"""Printed where there is no figure."""


def decimals_supported(half_width: float, *, most: int = 0) -> int:
    """Return the decimal place an estimate may be printed to.

    The half-width of the interval is held to two significant digits and the estimate is printed
    to the same place, but never finer than `most` decimals.

    Parameters
    ----------
    half_width : float
        Half-width of the confidence interval, in the units of the estimate. NaN or zero where
        the error is not known: then `most` alone decides.
    most : int
        Most decimals ever printed.

    Returns
    -------
    int
        Decimals; negative means tens, hundreds and so on.

    Notes
    -----
    Two significant digits of the uncertainty, and the estimate rounded to match, is the advice of
    JCGM 100:2008 (GUM), section 7.2.6 (section number from memory).

    Examples
    --------
    >>> decimals_supported(246.9)
    -1
    >>> decimals_supported(0.031, most=2)
    2
    """
    if not math.isfinite(half_width) or half_width <= 0:
        return most
    return min(1 - math.floor(math.log10(half_width)), most)


def figure(value: float, error_pct: float = math.nan, *, most: int = 0) -> str:
    """Print an estimate to the place its sampling error supports.

    Parameters
    ----------
    value : float
        The estimate. NaN prints as a dash.
    error_pct : float
        Its sampling error: half-width as percent of the estimate. NaN where not known.
    most : int
        Most decimals ever printed.

    Examples
    --------
    >>> figure(1234.5, 20.0)
    '1,230'
    >>> figure(1234.5)
    '1,234'
    >>> figure(float("nan"))
    '–'
    """
    if value is None or not math.isfinite(value):
        return NOT_KNOWN
    places = decimals_supported(abs(value * error_pct) / 100, most=most)
    rounded = round(float(value), places)
    text = f"{rounded:,.{max(places, 0)}f}"
    return text.removeprefix("-") if float(text.replace(",", "")) == 0 else text


def dollars(value: float, error_pct: float = math.nan, *, cents: bool = False) -> str:
    """Print money: a dollar sign, the place its error supports.

    Examples
    --------
    >>> dollars(1_234_567, 11.0)
    '$1,230,000'
    >>> dollars(9.5, cents=True)
    '$9.50'
    >>> dollars(-1200.0)
    '-$1,200'
    """
    text = figure(value, error_pct, most=2 if cents else 0)
    if text == NOT_KNOWN:
        return text
    return f"-${text[1:]}" if text.startswith("-") else f"${text}"


def dollars_apart(difference_usd: float, error_pct: float) -> str:
    r"""Print a difference in dollars with its own half-width in dollars, kept on one line.

    Parameters
    ----------
    difference_usd : float
        The difference.
    error_pct : float
        Its paired sampling error, as percent of the difference; NaN where not known.

    Examples
    --------
    >>> dollars_apart(12_345.0, 18.0), dollars_apart(-800.0, 250.0)
    ('$12,300\xa0±\xa0$2,200', '-$800\xa0±\xa0$2,000')
    """
    text = dollars(difference_usd, error_pct)
    half = abs(difference_usd * error_pct) / 100
    if not math.isfinite(half):
        return text
    return f"{text}\N{NO-BREAK SPACE}±\N{NO-BREAK SPACE}{dollars(half, 100.0)}"


def told_apart(error_pct: float) -> bool:
    """Tell whether a difference is wider than its error: the cruise can tell it from nothing.

    Examples
    --------
    >>> told_apart(18.0), told_apart(140.0), told_apart(float("nan"))
    (True, False, False)
    """
    return math.isfinite(error_pct) and abs(error_pct) < 100


def percent(error_pct: float) -> str:
    """Print a sampling error: two significant digits.

    Examples
    --------
    >>> percent(5.44), percent(18.2), percent(float("nan"))
    ('5.4%', '18%', '–')
    """
    if error_pct is None or not math.isfinite(error_pct):
        return NOT_KNOWN
    if error_pct > 999:
        return "over 999%"
    return f"{error_pct:.1f}%" if error_pct < 9.95 else f"{error_pct:.0f}%"


def plus_minus(error_pct: float) -> str:
    r"""Print a sampling error with its sign, kept on one line, or say that it is not known.

    Examples
    --------
    >>> plus_minus(18.2), plus_minus(float("nan"))
    ('±\xa018%', 'error not known')
    """
    text = percent(error_pct)
    return "error not known" if text == NOT_KNOWN else f"±\N{NO-BREAK SPACE}{text}"


def acres(value: float) -> str:
    """Print acres to a tenth; a small piece to a hundredth.

    Examples
    --------
    >>> acres(641.26), acres(0.04), acres(0.0)
    ('641.3', '0.04', '0.0')
    """
    return figure(value, most=2 if 0.005 <= abs(value) < 0.095 else 1)


def hundredths(value: float) -> str:
    """Print acres, or feet, to a hundredth: lines are pulled back by them, and borders measured.

    Examples
    --------
    >>> hundredths(2.418)
    '2.42'
    """
    return figure(value, most=2)


def signed(value: float, *, places: int = 1) -> str:
    """Print a change with its sign.

    Examples
    --------
    >>> signed(1.24), signed(-0.079, places=3)
    ('+1.2', '−0.079')
    """
    return f"{value:+.{places}f}".replace("-", "−") if math.isfinite(value) else NOT_KNOWN


def count(value: float) -> str:
    """Print a whole number of things.

    Examples
    --------
    >>> count(1046)
    '1,046'
    """
    return figure(value, most=0)


def class_breaks(values: npt.ArrayLike, *, classes: int = 5) -> list[float]:
    """Return round breaks that part values into classes of about equal number.

    Parameters
    ----------
    values : array_like
        One value per stand; missing values are left out.
    classes : int
        Most classes wanted. Fewer come back where the values do not support them.

    Returns
    -------
    list of float
        Inner breaks, ascending, each rounded to two significant digits; ``len + 1`` classes.

    Examples
    --------
    >>> class_breaks([110, 240, 390, 810, 1490, 2210, 2950, 3333, 4100, 5020])
    [360.0, 1200.0, 2500.0, 3500.0]
    >>> class_breaks([7.0, 7.0])
    []
    """
    known = np.asarray(values, dtype=float)
    known = known[np.isfinite(known)]
    if known.size == 0 or known.min() == known.max():
        return []
    cuts = np.quantile(known, np.arange(1, classes) / classes)
    rounded = {float(f"{cut:.2g}") for cut in cuts}
    return sorted(cut for cut in rounded if known.min() < cut <= known.max())
