"""From the checked tally to stems: heights filled in, and one profile for every tree."""

from __future__ import annotations

import warnings
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from standmap.errors import DomainError, InputError, Problem, Severity, StandmapWarning
from standmap.products import saw_top_from_logs
from standmap.species import form_class_default
from standmap.steps.heights import FilledHeights, fill_heights
from standmap.tract import Ledger, Settings
from standmap.trees import (
    FormClasses,
    HeightCurves,
    Stems,
    TaperForms,
    TaperTable,
    form_class_stems,
    join_stems,
    measured_form_class,
    national_stems,
    taper_stems,
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
    form_classes : FormClasses or None
        Form class from the butt logs measured on the tract; None where none was measured.
    problems : list of Problem
        What is doubtful about the curves.
    """

    trees: pd.DataFrame
    stems: Stems
    curves: HeightCurves | None
    form_classes: FormClasses | None
    problems: list[Problem]


def grow_stems(
    trees: pd.DataFrame,
    settings: Settings,
    *,
    taper: TaperTable | TaperForms | None,
    file: str,
    ledger: Ledger,
) -> GrownTally:
    """Give every tree a stem by the source the tract file chose.

    With ``source = "national"`` a tree with a total height, measured or filled from the tract's
    own height curves, takes the national profile, and a tree with logs alone takes form class.
    With ``"form_class"`` every tree with sawlogs takes form class and the rest take the national
    profile. With ``"taper"`` the user's own table stands where the national profile would.

    Parameters
    ----------
    trees : DataFrame
        The used rows of the tally, in the canonical columns, with ``stand`` and
        ``trees_per_acre``.
    settings : Settings
        The tract file.
    taper : TaperTable, TaperForms or None
        The user's own stem profiles.
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
    filled = fill_heights(trees, file=file)
    by_form_class = _takes_form_class(trees, filled.height_ft, settings)
    _refuse_shapeless(trees, filled.height_ft, by_form_class, file=file)
    _enter_filled(trees, filled, by_form_class, file=file, ledger=ledger)
    source = np.where(by_form_class & (filled.source != "measured"), "form class", filled.source)
    form_classes = _measured(trees)
    grown = _Growth(trees, filled.height_ft, settings, taper, form_classes)
    with warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always", StandmapWarning)
        stems = _shaped(grown, by_form_class)
    doubts = [_doubt(note, settings) for note in said if issubclass(note.category, StandmapWarning)]
    return GrownTally(
        trees=trees.assign(height_used_ft=filled.height_ft, height_source=source),
        stems=stems,
        curves=filled.curves,
        form_classes=form_classes,
        problems=[*filled.problems, *doubts],
    )


def _shaped(grown: _Growth, by_form_class: BoolArray) -> Stems:
    """Build the stems; a taper of the user's own that does not serve is a fault of its file."""
    try:
        return grown.stems(by_form_class)
    except DomainError as error:
        if grown.taper is None:
            raise
        raise InputError([_taper_problem("error", str(error), grown.settings)]) from error


def _doubt(note: warnings.WarningMessage, settings: Settings) -> Problem:
    """Turn a warning about the user's own taper into one that the report carries."""
    return _taper_problem("warning", str(note.message), settings)


def _taper_problem(severity: Severity, what: str, settings: Settings) -> Problem:
    return Problem(
        severity=severity,
        file=settings.volume.taper or "taper",
        what=what.rstrip("."),
        mend="Mend the taper, or leave [volume] source at national.",
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherStems:
    """The stems of a tally by the form class it would have had with no butt log measured.

    Attributes
    ----------
    stems : Stems
        The stems, in the order of the trees.
    moved : ndarray of bool, shape (trees,)
        Stems that the measured form class shapes, and that differ without it.
    form_class, form_class_used : ndarray, shape (trees,)
        Form class without the measured butt logs, and with them; meant only where moved.
    """

    stems: Stems
    moved: BoolArray
    form_class: FloatArray
    form_class_used: FloatArray


def without_measured_form(
    grown: GrownTally, settings: Settings, taper: TaperTable | TaperForms | None
) -> OtherStems | None:
    """Grow the stems as if no butt log had been measured; None where that moves no stem.

    Parameters
    ----------
    grown : GrownTally
        The tally as it was grown.
    settings : Settings
        The tract file.
    taper : TaperTable, TaperForms or None
        The user's own stem profiles.
    """
    if grown.form_classes is None:
        return None
    trees, height = grown.trees, grown.trees["height_used_ft"].to_numpy(dtype=float)
    by_form_class = _takes_form_class(trees, height, settings)
    used = _Growth(trees, height, settings, taper, grown.form_classes).form_class()
    other = _Growth(trees.assign(butt_dib_in=np.nan), height, settings, taper, None)
    usual = other.form_class()
    moved = by_form_class & (used != usual)
    if not moved.any():
        return None
    return OtherStems(
        stems=other.stems(by_form_class), moved=moved, form_class=usual, form_class_used=used
    )


def with_heights(
    grown: GrownTally,
    height_ft: FloatArray,
    settings: Settings,
    taper: TaperTable | TaperForms | None,
) -> GrownTally:
    """Grow the same trees again with other heights, each by the kind of stem it had.

    Parameters
    ----------
    grown : GrownTally
        The tally as it was grown.
    height_ft : ndarray, shape (trees,)
        Total heights. [ft]
    settings : Settings
        The tract file.
    taper : TaperTable, TaperForms or None
        The user's own stem profiles.
    """
    by_form_class = _takes_form_class(
        grown.trees, grown.trees["height_used_ft"].to_numpy(dtype=float), settings
    )
    growth = _Growth(grown.trees, height_ft, settings, taper, grown.form_classes)
    trees = grown.trees.assign(height_used_ft=height_ft)
    return replace(grown, trees=trees, stems=growth.stems(by_form_class))


def _enter_filled(
    trees: pd.DataFrame,
    filled: FilledHeights,
    by_form_class: BoolArray,
    *,
    file: str,
    ledger: Ledger,
) -> None:
    """Enter the heights that stand in for a blank in the ledger."""
    put_in = (filled.source == "fitted") & ~by_form_class
    ledger.extend_filled(
        file=file,
        rows=trees["source_row"].to_numpy()[put_in],
        column="height_ft",
        values=filled.height_ft[put_in],
        why="no height measured; taken from the height curve of this tract's measured trees",
    )


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


def _measured(trees: pd.DataFrame) -> FormClasses | None:
    """Return form class from the butt logs that were measured; None where none was."""
    butt = trees["butt_dib_in"].to_numpy(dtype=float)
    if np.isnan(butt).all():
        return None
    return measured_form_class(
        trees["species_code"].to_numpy(dtype=np.int64),
        trees["dbh_in"].to_numpy(dtype=float),
        butt,
        trees["trees_per_acre"].to_numpy(dtype=float),
    )


@dataclass(frozen=True, slots=True)
class _Growth:
    """What stems are grown from."""

    trees: pd.DataFrame
    height_ft: FloatArray
    settings: Settings
    taper: TaperTable | TaperForms | None
    form_classes: FormClasses | None

    def stems(self, by_form_class: BoolArray) -> Stems:
        """Build both kinds of stem and put them back in tally order."""
        parts, orders = [], []
        if by_form_class.any():
            parts.append(self._by_form_class(by_form_class))
            orders.append(np.flatnonzero(by_form_class))
        if not by_form_class.all() or not len(by_form_class):
            parts.append(self._by_height(~by_form_class))
            orders.append(np.flatnonzero(~by_form_class))
        return join_stems(parts, np.concatenate(orders))

    def _by_height(self, rows: BoolArray) -> Stems:
        codes, dbh, height, broken = (
            self.trees["species_code"].to_numpy(dtype=np.int64)[rows],
            self.trees["dbh_in"].to_numpy(dtype=float)[rows],
            self.height_ft[rows],
            self.trees["broken_height_ft"].to_numpy(dtype=float)[rows],
        )
        if self.taper is not None:
            return taper_stems(codes, dbh, height, self.taper, broken_height_ft=broken)
        return national_stems(
            codes,
            dbh,
            height,
            ecodivision=self.settings.tract.ecodivision,
            planted=self.settings.tract.planted,
            broken_height_ft=broken,
        )

    def _by_form_class(self, rows: BoolArray) -> Stems:
        volume = self.settings.volume
        logs = self.trees["saw_logs"].to_numpy(dtype=float)
        tops = saw_top_from_logs(logs, stump_ft=volume.stump_ft, trim_ft=volume.trim_ft)
        # A curve's height may fall short of the logs that were tallied: then the logs are right.
        above = np.where(self.height_ft <= tops, np.nan, self.height_ft)
        return form_class_stems(
            self.trees["species_code"].to_numpy(dtype=np.int64)[rows],
            self.trees["dbh_in"].to_numpy(dtype=float)[rows],
            logs[rows],
            form_class=self.form_class()[rows],
            height_ft=above[rows],
            stump_ft=volume.stump_ft,
            trim_ft=volume.trim_ft,
            broken_height_ft=self.trees["broken_height_ft"].to_numpy(dtype=float)[rows],
        )

    def form_class(self) -> FloatArray:
        """Return form class, the nearest to the tree first.

        The tree's own, as written or from its measured butt log; that of measured trees of its
        species; the tract file's; the species' default.
        """
        codes = self.trees["species_code"].to_numpy(dtype=np.int64)
        dbh = self.trees["dbh_in"].to_numpy(dtype=float)
        form = self.trees["form_class"].to_numpy(dtype=float)
        butt = self.trees["butt_dib_in"].to_numpy(dtype=float)
        form = np.where(np.isnan(form), 100.0 * butt / dbh, form)
        if self.form_classes is not None:
            known = np.isin(codes, self.form_classes.report["species_code"].to_numpy())
            form = np.where(np.isnan(form) & known, self.form_classes.predict(codes, dbh), form)
        if self.settings.volume.form_class is not None:
            return np.where(np.isnan(form), self.settings.volume.form_class, form)
        return np.where(np.isnan(form), np.asarray(form_class_default(codes), float), form)
