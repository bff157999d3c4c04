"""Checking and shaping the columns a log is described by."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from standmap.errors import DomainError

MAX_DIB_IN = 120.0
"""Thickest log believed: anything above is a slip of the pen. [in]"""

MAX_LENGTH_FT = 150.0
"""Longest piece believed; poles are sold to 125 ft (ANSI O5.1). [ft]"""

_LIMITS = {"in": MAX_DIB_IN, "ft": MAX_LENGTH_FT, "pct": 100.0, "deg": 360.0, "bf": np.inf}


def column(name: str, values: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Return values as floats, refusing what no log can measure.

    The unit is the ending of the name. Missing values (NaN) pass.
    """
    unit = name.rpartition("_")[2]
    most = _LIMITS[unit]
    numbers = np.asarray(values, dtype=np.float64)
    bad = np.flatnonzero((numbers < 0) | (numbers > most))
    if bad.size:
        rows = f"rows {bad[:5].tolist()} ({bad.size} of {numbers.size})"
        raise DomainError(
            f"{name!r} must be from 0 to {most:g} {unit}; got {numbers.flat[bad[0]]:g} at {rows}. "
            "Leave it blank where it was not measured."
        )
    return numbers


def flat(values: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Return a flat, writable copy, so that one compiled kernel serves every caller."""
    return np.array(values, dtype=np.float64).ravel()


def check_ends(small_in: npt.NDArray[np.float64], large_in: npt.NDArray[np.float64]) -> None:
    """Refuse logs whose large end is the smaller."""
    bad = np.flatnonzero(large_in < small_in - 1e-9)
    if bad.size:
        raise DomainError(
            f"'large_dib_in' must not be below 'dib_in'; it is at rows {bad[:5].tolist()} "
            f"({bad.size} of {large_in.size}). Swap the two ends."
        )


def like(result: npt.NDArray[np.float64], *given: Any, name: str) -> Any:
    """Return a result in the kind given: a Series with its index, an array, or a plain float."""
    for values in given:
        if isinstance(values, pd.Series):
            return pd.Series(result, index=values.index, name=name)
    return float(result) if result.ndim == 0 else result
