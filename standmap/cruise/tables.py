"""Stand and stock tables: what stands on an acre by DBH class and species."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from standmap.cruise.field import basal_area_sqft
from standmap.errors import DomainError
from standmap.units import BASAL_AREA_CONSTANT

Floats = NDArray[np.float64]
_KEYS = ("species", "dbh_class_in")


def dbh_class(dbh_in: ArrayLike, *, width_in: float = 2.0, midpoint_in: float = 0.0) -> Floats:
    """DBH class of trees, named by its midpoint.

    Parameters
    ----------
    dbh_in : array_like
        Diameter at breast height. [in]
    width_in : float
        Width of a class. [in]
    midpoint_in : float
        Any midpoint of the series: 0 gives 2, 4, 6, ...; 1 gives 1, 3, 5, ... [in]

    Returns
    -------
    ndarray
        Class midpoint. [in] A tree on the line goes up: 2-inch class 4 holds 3.0 to 4.9 in.

    Raises
    ------
    DomainError
        If ``width_in`` is not above 0.

    Notes
    -----
    Even midpoints with the lower limit included are the forest inventory's 2-inch classes (from
    memory: the 6-inch class runs from 5.0 to 6.9 in).

    Examples
    --------
    >>> dbh_class([1.0, 2.9, 3.0, 11.9, float("nan")])
    array([ 2.,  2.,  4., 12., nan])
    """
    if not width_in > 0:
        raise DomainError(f"'width_in' must be above 0; got {width_in:g}.")
    # A diameter converted from centimetres may fall a hair short of the line it stands on.
    dbh = np.round(np.asarray(dbh_in, dtype=np.float64), 6)
    return np.asarray(width_in * np.floor((dbh - midpoint_in) / width_in + 0.5) + midpoint_in)


def stand_table(
    species: ArrayLike,
    dbh_in: ArrayLike,
    trees_per_acre: ArrayLike,
    *,
    by: Sequence[str] = _KEYS,
    width_in: float = 2.0,
    midpoint_in: float = 0.0,
) -> pd.DataFrame:
    """Trees and basal area per acre by species and DBH class.

    Parameters
    ----------
    species : array_like
        Species of each tally line.
    dbh_in : array_like
        Diameter at breast height. [in]
    trees_per_acre : array_like
        Trees per acre of the whole domain that the line stands for: its expansion factor x the
        weight of its plot (:meth:`StandEstimates.plot_weights`, over the domain's acres).
        [trees/acre]
    by : sequence of {"species", "dbh_class_in"}
        Keys; one alone gives a margin of the table, none the total.
    width_in, midpoint_in : float
        Classes, as in :func:`dbh_class`. [in]

    Returns
    -------
    DataFrame
        The keys, ``trees_per_acre``, ``basal_area_sqft_per_acre``, ``qmd_in`` (diameter of the
        tree of mean basal area), sorted by the keys; classes without trees are left out.

    Raises
    ------
    DomainError
        If the columns differ in length or a key is unknown.

    Examples
    --------
    >>> stand_table(["oak", "oak", "pine"], [11.5, 12.4, 8.0], [10.0, 10.0, 20.0]).round(1)
      species  dbh_class_in  trees_per_acre  basal_area_sqft_per_acre  qmd_in
    0     oak          12.0            20.0                      15.6    12.0
    1    pine           8.0            20.0                       7.0     8.0
    """
    trees = np.asarray(trees_per_acre, dtype=np.float64)
    table = _grouped(
        species,
        dbh_in,
        {"trees_per_acre": trees, "basal_area_sqft_per_acre": trees * basal_area_sqft(dbh_in)},
        by,
        width_in,
        midpoint_in,
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = table["basal_area_sqft_per_acre"] / table["trees_per_acre"]
    return table.assign(qmd_in=np.sqrt(mean / BASAL_AREA_CONSTANT))


def stock_table(
    species: ArrayLike,
    dbh_in: ArrayLike,
    trees_per_acre: ArrayLike,
    amounts: Mapping[str, ArrayLike] | pd.DataFrame,
    *,
    by: Sequence[str] = _KEYS,
    width_in: float = 2.0,
    midpoint_in: float = 0.0,
) -> pd.DataFrame:
    """Volume, weight or value per acre by species and DBH class.

    Parameters
    ----------
    species, dbh_in, trees_per_acre
        As in :func:`stand_table`.
    amounts : mapping of str to array_like, or DataFrame
        What one tree of the line holds, units on the name, such as ``volume_cuft``.
    by, width_in, midpoint_in
        As in :func:`stand_table`.

    Returns
    -------
    DataFrame
        The keys, ``trees_per_acre``, and ``<amount>_per_acre`` of each amount.

    Raises
    ------
    DomainError
        If the columns differ in length or a key is unknown.

    Examples
    --------
    >>> stock_table(["oak", "oak"], [11.5, 12.4], [10.0, 10.0], {"volume_cuft": [20.0, 24.0]})
      species  dbh_class_in  trees_per_acre  volume_cuft_per_acre
    0     oak          12.0            20.0                 440.0
    """
    trees = np.asarray(trees_per_acre, dtype=np.float64)
    columns = {"trees_per_acre": trees}
    for name, amount in amounts.items():
        held = np.asarray(amount, dtype=np.float64)
        if held.shape != trees.shape:
            raise DomainError(f"'{name}' must have one value for each of the {trees.size} trees.")
        columns[f"{name}_per_acre"] = trees * held
    return _grouped(species, dbh_in, columns, by, width_in, midpoint_in)


def _grouped(
    species: ArrayLike,
    dbh_in: ArrayLike,
    columns: Mapping[str, Floats],
    by: Sequence[str],
    width_in: float,
    midpoint_in: float,
) -> pd.DataFrame:
    unknown = [key for key in by if key not in _KEYS]
    if unknown:
        raise DomainError(f"'by' takes 'species' and 'dbh_class_in'; got {unknown[0]!r}.")
    kinds = np.asarray(species, dtype=object)
    dbh = np.asarray(dbh_in, dtype=np.float64)
    if any(c.shape != dbh.shape for c in (kinds, *columns.values())):
        raise DomainError("The columns must have one value for each tree.")
    keys = {
        "species": kinds,
        "dbh_class_in": dbh_class(dbh, width_in=width_in, midpoint_in=midpoint_in),
    }
    frame = pd.DataFrame({**{key: keys[key] for key in by}, **columns})
    if not by:
        return frame.sum().to_frame().T
    return frame.groupby(list(by), sort=True, as_index=False).sum()
