"""From the rasters to a top height and a slope for every stand, where there are rasters."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from standmap.canopy import (
    CanopyFit,
    fit_top_height,
    footprint_metrics,
    plot_top_height_ft,
    stand_top_heights,
)
from standmap.cruise import plot_radius_ft
from standmap.errors import Problem, StandmapWarning
from standmap.land import set_back
from standmap.steps.plots import TallyFigures
from standmap.tract import Tract

FOOTPRINT_ACRES: Final = 0.1
"""Canopy is measured over a tenth-acre circle (37.2 ft) round each plot centre: about the reach
of a BAF 10 point to its larger trees. Common practice, no source."""

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class CanopyFigures:
    """What the canopy raster says.

    Attributes
    ----------
    by_stand : dict of str to ndarray
        ``canopy_height_ft`` (fitted top height), ``canopy_error_ft`` (leave-one-out error of one
        footprint), ``canopy_extrapolated_pct``; NaN without a fit.
    fit : CanopyFit or None
        The fit.
    problems : list of Problem
        Why there is none, or what was extrapolated.
    """

    by_stand: dict[str, FloatArray]
    fit: CanopyFit | None
    problems: list[Problem]


def canopy_of_stands(tract: Tract, tally: TallyFigures) -> CanopyFigures:
    """Fit plot top height to the canopy raster and read it off for every stand."""
    nothing = np.full(len(tract.stands), np.nan)
    by_stand = {
        "canopy_height_ft": nothing,
        "canopy_error_ft": nothing,
        "canopy_extrapolated_pct": nothing,
    }
    path = tract.rasters.get("canopy")
    if path is None:
        return CanopyFigures(by_stand=by_stand, fit=None, problems=[])
    units = tract.settings.rasters.canopy_units
    located = tract.plots[tract.plots["stand"] != ""].set_index("plot")
    located = located[~(located.geometry.isna() | located.geometry.is_empty)]
    trees = tally.trees
    top = plot_top_height_ft(
        trees["plot"].to_numpy(dtype=object),
        trees["dbh_in"].to_numpy(dtype=float),
        trees["height_used_ft"].to_numpy(dtype=float),
        trees["trees_per_acre"].to_numpy(dtype=float),
    )
    footprints = set_back(located, float(plot_radius_ft(FOOTPRINT_ACRES)), crs=tract.crs)
    with warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always", StandmapWarning)
        metrics = footprint_metrics(path, footprints, units=units)
        fit = fit_top_height(metrics, top)
    file = tract.settings.rasters.canopy or ""
    problems = [
        Problem(
            severity="warning",
            file=file,
            what=str(note.message).rstrip("."),
            mend="Stand heights from the canopy are left blank.",
        )
        for note in said
        if issubclass(note.category, StandmapWarning)
    ]
    if fit is None:
        return CanopyFigures(by_stand=by_stand, fit=None, problems=problems)
    heights = stand_top_heights(
        path, tract.stands, fit, footprint_acres=FOOTPRINT_ACRES, units=units
    )
    by_stand = {
        "canopy_height_ft": heights["top_height_ft"].to_numpy(dtype=float),
        "canopy_error_ft": np.full(len(tract.stands), fit.rmse_ft),
        "canopy_extrapolated_pct": heights["outside_pct"].to_numpy(dtype=float),
    }
    return CanopyFigures(by_stand=by_stand, fit=fit, problems=problems)
