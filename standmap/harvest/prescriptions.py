r"""Prescriptions, applied tree by tree to the plots.

A thinning is aimed at the average of a stand, not of each plot. A point or a small plot holds a
handful of trees, so most of the difference between plots of one stand is the luck of the count: a
stand at 100 sq ft everywhere has BAF 10 points that count 6 and points that count 14. Thinned plot
by plot to 80, the poor plots would be left alone and the rich ones cut, and the cut would come out
larger than the crew's, who see the stand and not the point. So every stand gets one marking rule,
the diameter up to (or down to) which trees go, set so that the stand's average is what was asked
for, and all its plots are cut by that rule.

The rule rests on the same plots as the volumes. Were the plots drawn again, the rule would move,
and with it the cut: a fuller sample is cut harder, down to the same residual. `Cutting.held` and
`Cutting.margin` let the error count that (the linearization of an implicit parameter; Binder 1983,
International Statistical Review 51: 279-292, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, get_args

import numpy as np
import numpy.typing as npt

from standmap.errors import DomainError
from standmap.harvest._kernels import take_in_order
from standmap.units import BASAL_AREA_CONSTANT

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

CutKind = Literal["clearcut", "thin_below", "thin_above", "diameter_limit", "seed_tree", "marked"]
CUTS: Final[tuple[CutKind, ...]] = get_args(CutKind)

MARGIN_IN: Final = 2.0
"""Trees within one 2-inch class of the diameter at which a cut stops show what a little more or
less cutting would bring. [in]"""

NEEDS: Final[dict[str, str]] = {
    "thin_below": "residual_ba_sqft",
    "thin_above": "residual_ba_sqft",
    "diameter_limit": "min_dbh_in",
    "seed_tree": "seed_trees_per_acre",
}
"""The number that a kind of cut cannot do without."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Prescription:
    """What is cut on a piece of ground, and what is left.

    Attributes
    ----------
    cut : str
        ``"clearcut"``: everything. ``"thin_below"``, ``"thin_above"``: the smallest, or the
        largest, trees first until the stand's average basal area is ``residual_ba_sqft``.
        ``"diameter_limit"``: every tree from ``min_dbh_in`` up. ``"seed_tree"``: all but the
        largest ``seed_trees_per_acre`` of ``seed_codes``. ``"marked"``: the marked trees.
    residual_ba_sqft : float or None
        Basal area to be left, trees that are never cut included. [sq ft/acre]
    seed_trees_per_acre : float or None
        Trees to be left for seed.
    min_dbh_in, max_dbh_in : float or None
        Only trees from the first up to and with the second are cut. [in]
    leave_codes : frozenset of int
        Species that are never cut.
    seed_codes : frozenset of int
        Species left for seed; empty for any.
    products : tuple of str
        With ``"marked"``: trees that yield one of these are the marked ones; empty: the tally says.
    leave_species, seed_species : tuple of str
        The two as the user wrote them, for print.

    Raises
    ------
    DomainError
        If the kind is unknown or lacks the number it needs.

    Examples
    --------
    >>> Prescription(cut="thin_below", residual_ba_sqft=60).words()
    'Thin from below to 60 sq ft of basal area per acre'
    >>> Prescription(cut="seed_tree")
    Traceback (most recent call last):
        ...
    standmap.errors.DomainError: a cut of the kind 'seed_tree' needs 'seed_trees_per_acre'.
    """

    cut: CutKind
    residual_ba_sqft: float | None = None
    seed_trees_per_acre: float | None = None
    min_dbh_in: float | None = None
    max_dbh_in: float | None = None
    leave_codes: frozenset[int] = frozenset()
    seed_codes: frozenset[int] = frozenset()
    products: tuple[str, ...] = ()
    leave_species: tuple[str, ...] = ()
    seed_species: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.cut not in CUTS:
            raise DomainError(f"'cut' must be one of {', '.join(CUTS)}; got {self.cut!r}.")
        needed = NEEDS.get(self.cut)
        if needed is not None and getattr(self, needed) is None:
            raise DomainError(f"a cut of the kind {self.cut!r} needs {needed!r}.")

    def words(self) -> str:
        """Return the prescription as a forester would write it on the map."""
        seeds = " and ".join(self.seed_species) or "trees"
        head = {
            "clearcut": "Cut all trees",
            "thin_below": f"Thin from below to {self.residual_ba_sqft or 0:g} sq ft of basal area "
            "per acre",
            "thin_above": f"Thin from above to {self.residual_ba_sqft or 0:g} sq ft of basal area "
            "per acre",
            "diameter_limit": f"Cut all trees of {self.min_dbh_in or 0:g} in and more",
            "seed_tree": f"Leave the {self.seed_trees_per_acre or 0:g} largest {seeds} per acre "
            "for seed, cut the rest",
            "marked": "Cut the trees that yield " + " or ".join(self.products)
            if self.products
            else "Cut the marked trees",
        }[self.cut]
        if self.min_dbh_in is not None and self.cut != "diameter_limit":
            head += f", none under {self.min_dbh_in:g} in"
        if self.max_dbh_in is not None:
            head += f", none over {self.max_dbh_in:g} in"
        if self.leave_species:
            head += f"; leave all {' and '.join(self.leave_species)}"
        return head


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Standing:
    """The tallied trees as a prescription sees them.

    Attributes
    ----------
    stand : ndarray of int, shape (trees,)
        Which stand (or pool of plots) each tree is judged with, from 0.
    n_stands : int
        How many there are.
    dbh_in : ndarray, shape (trees,)
        Diameter. [in]
    species_code : ndarray of int, shape (trees,)
        Species.
    per_acre : ndarray, shape (trees,)
        Trees per acre in its stand's average that each stands for; a stand's sum is its trees per
        acre.
    marked : ndarray of bool, shape (trees,)
        Marked for cutting.
    """

    stand: Ints
    n_stands: int
    dbh_in: Floats
    species_code: Ints
    per_acre: Floats
    marked: Bools

    @property
    def section_sqft(self) -> Floats:
        """Basal area of each tree, in square feet."""
        return np.asarray(BASAL_AREA_CONSTANT * self.dbh_in**2)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cutting:
    """What a prescription takes of each tree, and what it holds to.

    Attributes
    ----------
    share : ndarray, shape (trees,)
        Share of each tree that is cut, 0 to 1. Only trees of the diameter at which a cut stops are
        cut in part.
    held : ndarray, shape (trees,)
        What each tree, standing or not, adds to the amount that the prescription holds to (square
        feet of basal area left, or seed trees left), for the tree itself; zeros where it holds to
        none.
    level : float
        The amount per acre it holds to; NaN where it holds to none.
    reached : ndarray of bool, shape (stands,)
        Whether a stand has enough to be cut down to just that amount.
    margin : ndarray, shape (trees,)
        1 for trees near the diameter at which their stand's cut stops, else 0.
    margin_amount : ndarray, shape (trees,)
        What one more such tree cut would take from the amount held.
    """

    share: Floats
    held: Floats
    level: float
    reached: Bools
    margin: Floats
    margin_amount: Floats


def cut_trees(prescription: Prescription, trees: Standing) -> Cutting:
    """Return what a prescription cuts of each tree.

    Parameters
    ----------
    prescription : Prescription
        What to cut.
    trees : Standing
        The trees.

    Examples
    --------
    A stand of three trees, each standing for 50 to the acre, thinned from below to 60 sq ft:

    >>> trees = Standing(stand=np.zeros(3, int), n_stands=1, dbh_in=np.array([6.0, 10.0, 14.0]),
    ...                  species_code=np.array([802, 802, 802]), per_acre=np.full(3, 50.0),
    ...                  marked=np.zeros(3, bool))
    >>> plan = Prescription(cut="thin_below", residual_ba_sqft=60)
    >>> cut_trees(plan, trees).share.round(3)
    array([1.  , 0.76, 0.  ])
    """
    may = _may_be_cut(prescription, trees)
    if prescription.cut in ("thin_below", "thin_above"):
        return _thin(prescription, trees, may)
    if prescription.cut == "seed_tree":
        return _leave_seed(prescription, trees, may)
    if prescription.cut == "marked":
        may = may & trees.marked
    nothing = np.zeros(len(may))
    return Cutting(
        share=may.astype(np.float64),
        held=nothing,
        level=np.nan,
        reached=np.zeros(trees.n_stands, dtype=bool),
        margin=nothing,
        margin_amount=nothing,
    )


def _may_be_cut(prescription: Prescription, trees: Standing) -> Bools:
    may = ~np.isin(trees.species_code, list(prescription.leave_codes))
    if prescription.min_dbh_in is not None:
        may &= trees.dbh_in >= prescription.min_dbh_in
    if prescription.max_dbh_in is not None:
        may &= trees.dbh_in <= prescription.max_dbh_in
    return np.asarray(may, dtype=np.bool_)


def _thin(prescription: Prescription, trees: Standing, may: Bools) -> Cutting:
    level = float(prescription.residual_ba_sqft or 0.0)
    section = trees.section_sqft
    amount = trees.per_acre * section
    standing = np.bincount(trees.stand, weights=amount, minlength=trees.n_stands)
    at_hand = np.bincount(trees.stand, weights=amount * may, minlength=trees.n_stands)
    wanted = np.maximum(standing - level, 0.0)
    key = trees.dbh_in if prescription.cut == "thin_below" else -trees.dbh_in
    taken = take_in_order(trees.stand[may], key[may], amount[may], wanted)
    share = np.zeros(len(may))
    share[may] = taken.share
    return Cutting(
        share=share,
        held=section * (1 - share),
        level=level,
        reached=(wanted > 0) & (wanted <= at_hand),
        margin=_near(np.abs(taken.stops_at), trees, may),
        margin_amount=section,
    )


def _leave_seed(prescription: Prescription, trees: Standing, may: Bools) -> Cutting:
    level = float(prescription.seed_trees_per_acre or 0.0)
    fit = np.ones(len(may), dtype=np.bool_)
    if prescription.seed_codes:
        fit = np.isin(trees.species_code, list(prescription.seed_codes))
    wanted = np.full(trees.n_stands, level)
    taken = take_in_order(trees.stand[fit], -trees.dbh_in[fit], trees.per_acre[fit], wanted)
    left = np.zeros(len(may))
    left[fit] = taken.share
    there = np.bincount(trees.stand, weights=trees.per_acre * fit, minlength=trees.n_stands)
    return Cutting(
        share=np.where(may, 1 - left, 0.0),
        held=left,
        level=level,
        reached=there >= level,
        margin=_near(np.abs(taken.stops_at), trees, fit),
        margin_amount=np.ones(len(may)),
    )


def _near(stops_at_in: Floats, trees: Standing, may: Bools) -> Floats:
    """Mark the trees about as large as those at which their stand's cut stops."""
    with np.errstate(invalid="ignore"):  # a stand that nothing stops has no such trees
        apart = np.abs(trees.dbh_in - stops_at_in[trees.stand])
        return np.asarray((apart <= MARGIN_IN) & may, dtype=np.float64)


def steer(
    cut: Floats,
    cutting: Cutting,
    *,
    held: Floats,
    brings: Floats,
    takes: Floats,
    stand_of_plot: Ints,
    steers: Bools,
) -> Floats:
    """Put the error of the marking rule into what is cut on each plot.

    Parameters
    ----------
    cut : ndarray, shape (plots, attributes)
        What is cut on each plot by the rule, per acre.
    cutting : Cutting
        The rule.
    held : ndarray, shape (plots,)
        What each plot has left, per acre, of the amount held to.
    brings : ndarray, shape (stands, attributes)
        What cutting the trees at the margin would bring, per acre of each stand.
    takes : ndarray, shape (stands,)
        What it would take from the amount held to.
    stand_of_plot : ndarray of int, shape (plots,)
        As `Standing.stand`.
    steers : ndarray of bool, shape (stands,)
        Stands whose own plots set their rule.

    Returns
    -------
    ndarray, shape (plots, attributes)
        The same stand averages as ``cut``, and plots that vary as the cut of a new sample, marked
        by a rule of its own, would: a plot with more left than the level stands for a sample that
        would be cut harder, by what the margin brings for it.
    """
    on = cutting.reached & steers
    if not on.any():
        return cut
    apart = np.where(on[stand_of_plot], held - cutting.level, 0.0)
    per = np.zeros_like(brings)
    np.divide(brings, takes[:, np.newaxis], out=per, where=takes[:, np.newaxis] > 0)
    return np.asarray(cut + apart[:, np.newaxis] * per[stand_of_plot])
