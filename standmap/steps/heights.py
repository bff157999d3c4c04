"""Heights for every tallied tree: as measured, or from the tract's own height curves."""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from standmap.errors import DomainError, Problem, StandmapWarning
from standmap.trees import HeightCurves, fit_heights

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class FilledHeights:
    """A height for every tree that can have one.

    Attributes
    ----------
    height_ft : ndarray
        Total height; NaN where none was measured and no curve could be fitted. [ft]
    source : ndarray of str
        "measured", "fitted" or blank.
    curves : HeightCurves or None
        The curves; None where every height was measured, or too few to fit any.
    problems : list of Problem
        What is doubtful about the curves.
    """

    height_ft: FloatArray
    source: npt.NDArray[np.object_]
    curves: HeightCurves | None
    problems: list[Problem]


def fill_heights(trees: pd.DataFrame, *, file: str) -> FilledHeights:
    """Fill missing heights from curves fitted to the measured trees, stand by stand.

    Parameters
    ----------
    trees : DataFrame
        ``dbh_in``, ``height_ft``, ``broken_height_ft``, ``species_code`` and ``stand``.
    file : str
        Name of the tally, for messages.
    """
    heights = trees["height_ft"].to_numpy(dtype=float).copy()
    missing = np.isnan(heights)
    source = np.where(missing, "", "measured").astype(object)
    if not missing.any():
        return FilledHeights(height_ft=heights, source=source, curves=None, problems=[])
    dbh = trees["dbh_in"].to_numpy(dtype=float)
    codes = trees["species_code"].to_numpy(dtype=np.int64)
    stand = trees["stand"].to_numpy(dtype=object)
    whole = np.flatnonzero(~missing & trees["broken_height_ft"].isna().to_numpy())
    # In an order of their own, so that the order of the tally does not move the fit.
    whole = whole[np.lexsort((stand[whole].astype(str), heights[whole], dbh[whole], codes[whole]))]
    with warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always", StandmapWarning)
        try:
            curves = fit_heights(dbh[whole], heights[whole], codes[whole], stand=stand[whole])
        except DomainError:  # too few heights for any curve: log counts must serve
            return FilledHeights(height_ft=heights, source=source, curves=None, problems=[])
    heights[missing] = curves.predict(codes[missing], dbh[missing], stand[missing])
    source[missing & ~np.isnan(heights)] = "fitted"
    problems = [_doubt(note, file) for note in said if issubclass(note.category, StandmapWarning)]
    return FilledHeights(height_ft=heights, source=source, curves=curves, problems=problems)


def _doubt(note: warnings.WarningMessage, file: str) -> Problem:
    """Turn a warning about the height curves into one that the report carries."""
    return Problem(
        severity="warning",
        file=file,
        column="height_ft",
        what=str(note.message).rstrip("."),
        mend="Measure more total heights, over the range of diameters.",
    )
