"""Tables for the field: how far a tree may stand and count, on the flat and on slopes."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from standmap.cruise import limiting_distance_ft, plot_radius_factor, plot_radius_ft
from standmap.cruise.field import To
from standmap.errors import DomainError

TABLE_DBH_IN: Final = tuple(range(4, 41))
TABLE_SLOPES_PCT: Final = (0.0, 10.0, 20.0, 30.0, 40.0, 50.0, 60.0, 70.0)
"""Slopes of a printed table; under 10 percent the correction is under half of one percent."""
IN_PER_HALF_STEM: Final = 24.0
"""Inches of diameter to a foot of half a diameter: how much nearer than its middle a stem's face
is."""


def limiting_distance_table(baf: float, dbh_in: ArrayLike = TABLE_DBH_IN) -> pd.DataFrame:
    """How far a tree may stand from the point and still count.

    Parameters
    ----------
    baf : float
        Basal area factor. [sq ft/acre]
    dbh_in : array_like
        Diameters. [in]

    Returns
    -------
    DataFrame
        ``dbh_in``, ``to_centre_ft`` and ``to_face_ft``: level feet from the point to the middle of
        the stem (seen from the side) and to its near face, at breast height.

    Raises
    ------
    DomainError
        If the factor or a diameter is not above 0.

    Examples
    --------
    A 12-inch tree at BAF 10 counts to 33 ft (Iles, wrong plot radius factor):

    >>> limiting_distance_table(10, [12])["to_centre_ft"].tolist()
    [33.0]
    """
    dbh = np.asarray(dbh_in, dtype=np.float64)
    return pd.DataFrame(
        {
            "dbh_in": dbh,
            "to_centre_ft": limiting_distance_ft(dbh, baf),
            "to_face_ft": limiting_distance_ft(dbh, baf, to="face"),
        }
    )


def distance_table(
    *,
    baf: float | None = None,
    plot_acres: float | None = None,
    dbh_in: ArrayLike = TABLE_DBH_IN,
    slope_pct: ArrayLike = TABLE_SLOPES_PCT,
    to: To = "centre",
) -> pd.DataFrame:
    """How far along the tape a tree may stand and count, by diameter and slope.

    Parameters
    ----------
    baf : float, optional
        Basal area factor of a point; or else give ``plot_acres``. [sq ft/acre]
    plot_acres : float, optional
        Acres of a circular plot.
    dbh_in : array_like
        Diameters. [in]
    slope_pct : array_like
        Slopes of the tape to that tree. [percent]
    to : {"centre", "face"}
        Where the tape is held on the tree: the middle of the stem seen from the side, or the
        near face, half a diameter nearer.

    Returns
    -------
    DataFrame
        Indexed by ``dbh_in``, a column for each slope. [ft] On a plot, taped to the middle, every
        diameter has the same distance, and the one row is 0.

    Raises
    ------
    DomainError
        If not just one of ``baf`` and ``plot_acres`` is given, or one is not above 0.

    Notes
    -----
    The level distance times sqrt(1 + (slope / 100)^2): the tape is longer than its shadow.

    Examples
    --------
    >>> distance_table(baf=10, dbh_in=[12], slope_pct=[0, 50]).round(1)
            0.0   50.0
    dbh_in
    12.0   33.0   36.9
    >>> distance_table(plot_acres=0.1, slope_pct=[0, 50]).round(1)
            0.0   50.0
    dbh_in
    0.0    37.2   41.6
    """
    if (baf is None) == (plot_acres is None):
        raise DomainError("Give one of 'baf' and 'plot_acres': a point or a plot.")
    slopes = np.atleast_1d(np.asarray(slope_pct, dtype=np.float64))
    dbh = np.atleast_1d(np.asarray(dbh_in, dtype=np.float64))
    if baf is not None:
        feet = limiting_distance_ft(dbh[:, None], baf, to=to, slope_pct=slopes)
    else:
        assert plot_acres is not None
        plot_radius_factor(1, to=to)  # refuses a word it does not know
        dbh = dbh if to == "face" else np.zeros(1)
        level = plot_radius_ft(plot_acres) - dbh[:, None] / IN_PER_HALF_STEM
        feet = level * np.sqrt(1 + (slopes / 100) ** 2)
    return pd.DataFrame(feet, index=pd.Index(dbh, name="dbh_in"), columns=slopes)


def plot_circle_table(plot_acres: float, slope_pct: ArrayLike = TABLE_SLOPES_PCT) -> pd.DataFrame:
    """Radius at which a circle is laid out on a slope so that it covers the plot's level acres.

    Parameters
    ----------
    plot_acres : float
        Acres of the plot, level.
    slope_pct : array_like
        Slopes of the ground. [percent]

    Returns
    -------
    DataFrame
        ``slope_pct``, ``radius_ft`` (of the circle on the ground, see
        :func:`standmap.cruise.plot_radius_ft`).

    Raises
    ------
    DomainError
        If ``plot_acres`` is not above 0.

    Examples
    --------
    >>> plot_circle_table(0.1, [0, 50])["radius_ft"].round(1).tolist()
    [37.2, 39.4]
    """
    slopes = np.atleast_1d(np.asarray(slope_pct, dtype=np.float64))
    return pd.DataFrame(
        {"slope_pct": slopes, "radius_ft": plot_radius_ft(plot_acres, slope_pct=slopes)}
    )


def distance_text(
    *,
    baf: float | None = None,
    plot_acres: float | None = None,
    dbh_in: ArrayLike = TABLE_DBH_IN,
    slope_pct: ArrayLike = TABLE_SLOPES_PCT,
    to: To = "centre",
) -> str:
    """Return the tables of a point or a plot as text to print.

    Parameters
    ----------
    baf, plot_acres, dbh_in, slope_pct, to
        As for :func:`distance_table`.

    Raises
    ------
    DomainError
        As for :func:`distance_table`.

    Examples
    --------
    >>> print(distance_text(plot_acres=0.1, slope_pct=[0, 50]))
    Plot of 0.1 acre, radius 37.24 ft level.
    Feet along the tape from the plot's centre to the middle of the stem, at breast height.
    <BLANKLINE>
                  slope of the tape, percent
                       0      50
    any tree       37.24   41.63
    <BLANKLINE>
    A circle laid out on the slope (its level shadow has the plot's acres):
    radius         37.24   39.37
    """
    table = distance_table(
        baf=baf, plot_acres=plot_acres, dbh_in=dbh_in, slope_pct=slope_pct, to=to
    )
    where = "the middle of the stem" if to == "centre" else "the near face of the stem"
    if baf is not None:
        factor = float(plot_radius_factor(baf, to=to))
        head = f"Point of BAF {baf:g}: {factor:.4f} ft for each inch of DBH, level."
        start = "point"
    else:
        assert plot_acres is not None
        radius = float(plot_radius_ft(plot_acres))
        head = f"Plot of {plot_acres:.4g} acre, radius {radius:.2f} ft level."
        start = "plot's centre"
    slopes = "".join(f"{s:8g}" for s in table.columns)
    lines = [
        head,
        f"Feet along the tape from the {start} to {where}, at breast height.",
        "",
        f"{'':14}slope of the tape, percent",
        f"{'' if baf is None and to == 'centre' else 'DBH, in':12}{slopes}",
    ]
    for dbh, row in zip(table.index, table.to_numpy(), strict=True):
        name = "any tree" if dbh == 0 else f"{dbh:7g}"
        lines.append(f"{name:12}" + "".join(f"{v:8.2f}" for v in row))
    if plot_acres is not None:
        circle = plot_circle_table(plot_acres, slope_pct)["radius_ft"]
        lines += [
            "",
            "A circle laid out on the slope (its level shadow has the plot's acres):",
            f"{'radius':12}" + "".join(f"{v:8.2f}" for v in circle),
        ]
    return "\n".join(lines)
