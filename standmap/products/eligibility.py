"""Which trees each product takes, and where on a stem its logs may lie."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from standmap.errors import DomainError
from standmap.products.specs import ProductSpec
from standmap.species import species_mask
from standmap.units import LOG_FT, STUMP_FT, TRIM_FT

Floats = NDArray[np.float64]


def saw_top_from_logs(
    saw_logs: ArrayLike, stump_ft: float = STUMP_FT, trim_ft: float = TRIM_FT
) -> Floats:
    """Height of the top of the sawtimber from a tally in 16-foot logs and halves.

    Parameters
    ----------
    saw_logs : array_like
        Logs to the nearest half; 0 says that there is no sawlog, NaN that nobody counted.
    stump_ft : float
        Stump height. [ft]
    trim_ft : float
        Trim on each log and on the half log. [ft]

    Returns
    -------
    ndarray
        Height above ground. [ft] NaN where ``saw_logs`` is.

    Raises
    ------
    DomainError
        If a count is negative or not in halves.

    Notes
    -----
    Stump + whole logs x (16 + trim) + half log x (8 + trim): the stick of the form-class tables
    (Mesavage and Girard 1946). Specs with more trim than this cut shorter logs from the same
    tally.

    Examples
    --------
    >>> saw_top_from_logs([1, 2.5, 0, float("nan")])
    array([17.3, 41.9,  1. ,  nan])
    """
    logs = np.asarray(saw_logs, dtype=np.float64)
    wrong = (logs < 0) | (~np.isnan(logs) & (2 * logs != np.floor(2 * logs)))
    refuse(wrong, logs, "saw_logs", "must be >= 0 in halves", "Blank the cell if not counted.")
    whole = np.floor(logs)
    half = logs - whole > 0
    return np.asarray(
        stump_ft + whole * (LOG_FT + trim_ft) + np.where(half, LOG_FT / 2 + trim_ft, 0.0)
    )


def eligibility(
    species_code: ArrayLike,
    dbh_in: ArrayLike,
    specs: Sequence[ProductSpec],
    *,
    cull: ArrayLike | None = None,
    grade: ArrayLike | None = None,
    defect_pct: ArrayLike | None = None,
    aliases: Mapping[str, str] | None = None,
) -> NDArray[np.bool_]:
    """Which trees each product takes, by species, DBH, grade and defect.

    Parameters
    ----------
    species_code : array_like of int, shape (n,)
        FIA species codes.
    dbh_in : array_like, shape (n,)
        Diameter at breast height. [in]
    specs : sequence of ProductSpec
        The products.
    cull : array_like of bool, shape (n,), optional
        Trees unfit for saw products.
    grade : array_like, shape (n,), optional
        Grade of the butt log, 1 the best; NaN where nobody graded.
    defect_pct : array_like, shape (n,), optional
        Defect of the tree; NaN counts as 0. [%]
    aliases : mapping, optional
        The tract's own species names.

    Returns
    -------
    ndarray of bool, shape (n, specs)
        False throughout for products that only a cruiser's call can make, and, for products with
        a worst grade, on trees that nobody graded.

    Raises
    ------
    UnknownSpeciesError
        If a spec names a species that is not in the catalogue.

    Examples
    --------
    >>> pulp = ProductSpec(product="pine pulpwood", kind="bulk", rank=1, species="pine",
    ...                    min_dbh_in=4.5, min_top_in=3, min_length_ft=8, max_length_ft=40)
    >>> eligibility([131, 131, 802], [6.0, 4.0, 9.0], [pulp]).ravel()
    array([ True, False, False])
    """
    dbh = np.asarray(dbh_in, dtype=np.float64)
    n = len(dbh)
    of_tree, codes = pd.factorize(np.asarray(species_code, dtype=np.int64))
    takes = np.zeros((n, len(specs)), dtype=np.bool_)
    fit_to_saw = None if cull is None else ~np.asarray(cull, dtype=np.bool_)
    graded = per_stem(grade, n, "grade", missing=np.nan)
    defect = np.nan_to_num(per_stem(defect_pct, n, "defect_pct", missing=0.0), nan=0.0)
    for s, spec in enumerate(specs):
        if spec.called_only:
            continue
        takes[:, s] = species_mask(spec.species, codes, aliases=aliases)[of_tree]
        takes[:, s] &= (dbh >= spec.min_dbh_in) & (dbh <= spec.max_dbh_in)
        if spec.kind == "saw" and fit_to_saw is not None:
            takes[:, s] &= fit_to_saw
        if spec.max_grade < np.inf:
            takes[:, s] &= graded <= spec.max_grade
        if spec.max_cull_pct < 100:
            takes[:, s] &= defect <= spec.max_cull_pct
    return takes


def refuse(wrong: NDArray[np.bool_], values: Floats, name: str, rule: str, mend: str) -> None:
    """Raise DomainError for the rows marked wrong, naming the first few."""
    rows = np.flatnonzero(wrong)
    if len(rows):
        raise DomainError(
            f"'{name}' {rule}; got {np.ravel(values)[rows[0]]:g} at rows {rows[:5].tolist()} "
            f"({len(rows)} of {wrong.size}). {mend}"
        )


def per_stem(values: ArrayLike | None, n: int, name: str, *, missing: float) -> Floats:
    """Return one number per stem; ``missing`` throughout where none were given."""
    if values is None:
        return np.full(n, missing)
    # A copy: a read-only column would have the kernels compiled anew.
    array = np.array(values, dtype=np.float64)
    if array.shape != (n,):
        raise DomainError(f"'{name}' must have one value per stem ({n}); got {array.shape}.")
    return array
