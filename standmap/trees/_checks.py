"""Checks and columns shared by the stem makers."""

from __future__ import annotations

from functools import cache

import numpy as np
import numpy.typing as npt

from ..errors import DomainError
from ..species import catalogue

Array = npt.NDArray[np.float64]
Codes = npt.NDArray[np.int64]


def as_column(values: npt.ArrayLike) -> Array:
    """Return values as a 1-D float column."""
    return np.atleast_1d(np.asarray(values, dtype=np.float64)).ravel()


def columns(*values: npt.ArrayLike) -> list[Array]:
    """Return the values as 1-D float columns of one length."""
    given = [as_column(value) for value in values]
    try:
        return [np.array(column) for column in np.broadcast_arrays(*given)]
    except ValueError:
        raise DomainError(
            f"Columns must have one value or the same length; got {[len(v) for v in given]}."
        ) from None


def require(ok: npt.NDArray[np.bool_], name: str, rule: str, values: Array, mend: str) -> None:
    """Raise a DomainError naming the rows where the rule is broken; missing values pass."""
    bad = np.flatnonzero(~ok & ~np.isnan(values))
    if bad.size:
        raise DomainError(
            f"'{name}' must be {rule}; got {values[bad[0]]:g} at rows {bad[:10].tolist()} "
            f"({bad.size} of {values.size}). {mend}"
        )


def require_dbh(dbh_in: Array) -> None:
    """Raise where a DBH is zero or negative."""
    require(dbh_in > 0, "dbh_in", "above 0 in", dbh_in, "Blank the cell if not measured.")


@cache
def _by_code(column: str) -> Array:
    """Return a species attribute by code, NaN where the catalogue has no such code."""
    values = catalogue()[column]
    out = np.full(int(values.index.max()) + 1, np.nan)
    out[values.index] = values.to_numpy(dtype=np.float64, na_value=np.nan)
    return out


@cache
def _known_codes() -> npt.NDArray[np.bool_]:
    codes = catalogue().index.to_numpy()
    out = np.zeros(int(codes.max()) + 1, dtype=bool)
    out[codes] = True
    return out


def attribute(species_code: Codes, column: str) -> Array:
    """Return a species attribute for every tree; raise for codes the catalogue does not know."""
    known = _known_codes()
    inside = (species_code >= 0) & (species_code < len(known))
    if not (inside.all() and known[species_code].all()):
        bad = np.unique(species_code[~inside | ~known[np.where(inside, species_code, 0)]])
        raise DomainError(
            f"Species codes {bad.tolist()} are not in the catalogue. "
            "Give a species code below 1000, or map the name in [species.aliases]."
        )
    return _by_code(column)[species_code]
