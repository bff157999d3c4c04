"""From the checked tally to stems: heights filled in, and one profile for every tree."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from standmap.errors import DomainError, InputError, Problem
from standmap.products import saw_top_from_logs
from standmap.species import form_class_default
from standmap.tract import Ledger, Settings
from standmap.trees import (
    HeightCurves,
    Stems,
    fit_heights,
    form_class_stems,
    join_stems,
    national_stems,
)

BoolArray = npt.NDArray[np.bool_]
FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class GrownTally:
    """A tally with a stem for each of its trees.

    Attributes
    ----------
    trees : DataFrame
        The trees used, numbered from 0, with ``height_used_ft`` and ``height_source``
        ("measured", "fitted" or "form class").
    stems : Stems
        Their stems, in the same order.
    curves : HeightCurves or None
        The height curves fitted to the tract; None where every height was measured or none was.
    """

    trees: pd.DataFrame
    stems: Stems
    curves: HeightCurves | None


def grow_stems(trees: pd.DataFrame, settings: Settings, *, file: str, ledger: Ledger) -> GrownTally:
    """Give every tree a stem by the source the tract file chose.

    A tree with a total height, measured or filled from the tract's own height curve, takes the
    national profile; a tree with logs alone takes form class. With ``source = "form_class"``
    every tree with sawlogs takes form class and the rest take the national profile.

    Parameters
    ----------
    trees : DataFrame
        The used rows of the tally, in the canonical columns.
    settings : Settings
        The tract file.
    file : str
        Name of the tally, for the ledger.
    ledger : Ledger
        Every height filled in is entered here.

    Raises
    ------
    InputError
        If some trees have neither a height, nor a curve to take one from, nor a log count.
    """
    trees = trees.reset_index(drop=True)
    heights, source, curves = _heights(trees)
    by_form_class = _takes_form_class(trees, heights, settings)
    _refuse_shapeless(trees, heights, by_form_class, file=file)
    filled = (source == "fitted") & ~by_form_class
    source = np.where(by_form_class & (source != "measured"), "form class", source)
    ledger.extend_filled(
        file=file,
        rows=trees["source_row"].to_numpy()[filled],
        column="height_ft",
        values=heights[filled],
        why="no height measured; taken from the height curve of this tract's measured trees",
    )
    trees = trees.assign(height_used_ft=heights, height_source=source)
    return GrownTally(
        trees=trees, stems=_stems(trees, heights, by_form_class, settings), curves=curves
    )


def _heights(
    trees: pd.DataFrame,
) -> tuple[FloatArray, npt.NDArray[np.object_], HeightCurves | None]:
    """Return each tree's height, where it came from, and the curves used."""
    heights = trees["height_ft"].to_numpy(dtype=float).copy()
    missing = np.isnan(heights)
    source = np.where(missing, "", "measured").astype(object)
    if not missing.any():
        return heights, source, None
    whole = ~missing & trees["broken_height_ft"].isna().to_numpy()
    dbh = trees["dbh_in"].to_numpy(dtype=float)
    codes = trees["species_code"].to_numpy(dtype=np.int64)
    try:
        curves = fit_heights(dbh[whole], heights[whole], codes[whole])
    except DomainError:  # too few heights for any curve: log counts must serve
        return heights, source, None
    heights[missing] = curves.predict(codes[missing], dbh[missing])
    got = missing & ~np.isnan(heights)
    source[got] = "fitted"
    return heights, source, curves


def _takes_form_class(trees: pd.DataFrame, heights: FloatArray, settings: Settings) -> BoolArray:
    has_logs = trees["saw_logs"].to_numpy(dtype=float) > 0
    if settings.volume.source == "form_class":
        return np.asarray(has_logs)
    return np.asarray(has_logs & np.isnan(heights))


def _refuse_shapeless(
    trees: pd.DataFrame, heights: FloatArray, by_form_class: BoolArray, *, file: str
) -> None:
    shapeless = np.isnan(heights) & ~by_form_class
    if not shapeless.any():
        return
    raise InputError(
        Problem(
            severity="error",
            file=file,
            row=int(row),
            column="height_ft",
            what="this tree has no height and no log count, and too few trees of the tract have a "
            "measured height to fit a curve",
            mend="Measure ten or more total heights over the range of diameters.",
        )
        for row in trees.loc[shapeless, "source_row"]
    )


def _stems(
    trees: pd.DataFrame, heights: FloatArray, by_form_class: BoolArray, settings: Settings
) -> Stems:
    """Build both kinds of stem and put them back in tally order."""
    codes = trees["species_code"].to_numpy(dtype=np.int64)
    dbh = trees["dbh_in"].to_numpy(dtype=float)
    broken = trees["broken_height_ft"].to_numpy(dtype=float)
    parts, orders = [], []
    national = ~by_form_class
    if national.any():
        parts.append(
            national_stems(
                codes[national],
                dbh[national],
                heights[national],
                ecodivision=settings.tract.ecodivision,
                planted=settings.tract.planted,
                broken_height_ft=broken[national],
            )
        )
        orders.append(np.flatnonzero(national))
    if by_form_class.any():
        parts.append(
            form_class_stems(
                codes[by_form_class],
                dbh[by_form_class],
                trees["saw_logs"].to_numpy(dtype=float)[by_form_class],
                form_class=_form_class(trees, settings)[by_form_class],
                height_ft=_above_the_logs(trees, heights, settings)[by_form_class],
                stump_ft=settings.volume.stump_ft,
                trim_ft=settings.volume.trim_ft,
                broken_height_ft=broken[by_form_class],
            )
        )
        orders.append(np.flatnonzero(by_form_class))
    return join_stems(parts, np.concatenate(orders) if orders else np.array([], dtype=np.int64))


def _above_the_logs(trees: pd.DataFrame, heights: FloatArray, settings: Settings) -> FloatArray:
    """Return heights, blank where a curve's height falls short of the logs that were tallied."""
    volume = settings.volume
    tops = saw_top_from_logs(
        trees["saw_logs"].to_numpy(dtype=float), stump_ft=volume.stump_ft, trim_ft=volume.trim_ft
    )
    return np.where(heights <= tops, np.nan, heights)


def _form_class(trees: pd.DataFrame, settings: Settings) -> FloatArray:
    """Return form class: the tree's own, else the tract file's, else the species' default."""
    own = trees["form_class"].to_numpy(dtype=float)
    if settings.volume.form_class is not None:
        rest = np.full(len(trees), float(settings.volume.form_class))
    else:
        rest = np.asarray(form_class_default(trees["species_code"].to_numpy(dtype=np.int64)), float)
    return np.where(np.isnan(own), rest, own)
