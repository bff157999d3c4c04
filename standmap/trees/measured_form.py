"""Girard form class measured on the tract, by species and DBH class."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from ..errors import DomainError
from ..species import catalogue, form_class_default
from ._checks import Array, attribute, columns, require, require_dbh

TREE_SD: Final = 4.0
"""Spread of single trees about their class, in points of form class, until a tract has
`_FREEDOM_TO_POOL` degrees of freedom to measure its own (assumption, no source)."""

SPECIES_SD: Final = 4.0
"""How far a species on one tract may be expected from its default, in points (assumption, no
source): 19 tracts in 20 within 8 points of it."""

CLASS_SD: Final = 2.0
"""How far a DBH class may be expected from its species on the tract, in points (assumption, no
source)."""

CLASS_IN: Final = 2.0
"""Width of the DBH classes, with even midpoints, as in the stand table. [in]"""

_FREEDOM_TO_POOL = 5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FormClasses:
    """Form class measured on a tract, and what to use for every tree.

    Attributes
    ----------
    report : DataFrame
        One row per species (``dbh_class_in`` missing) and per measured DBH class below it:
        ``species_code``, ``species``, ``dbh_class_in``, ``n`` trees measured, their weighted
        ``mean`` and its standard error ``se`` (missing for a single tree), the form class
        ``used``, its ``used_se`` and the species' ``default``.
    tree_sd : float
        Spread of single trees about their class that the shrinkage rests on. [points]
    """

    report: pd.DataFrame
    tree_sd: float

    def __repr__(self) -> str:
        """One line: how many trees of how many species."""
        species = self.report[self.report["dbh_class_in"].isna()]
        return f"FormClasses({int(species['n'].sum())} trees of {len(species)} species)"

    def predict(self, species_code: npt.ArrayLike, dbh_in: npt.ArrayLike) -> Array:
        """Return the form class to use for each tree.

        Parameters
        ----------
        species_code : array_like of int
            Species codes.
        dbh_in : array_like
            Diameter at breast height. [in]

        Returns
        -------
        ndarray
            Form class of the tree's DBH class where trees of it were measured, else of its
            species, else the species' default. A missing DBH takes the species'.
        """
        code, dbh = columns(species_code, dbh_in)
        return self._look_up(code.astype(np.int64), dbh, "used", form_class_default(code))

    def predict_se(self, species_code: npt.ArrayLike, dbh_in: npt.ArrayLike) -> Array:
        """Return the standard error of `predict` in points; a bare default's is `SPECIES_SD`."""
        code, dbh = columns(species_code, dbh_in)
        bare = np.full(len(code), SPECIES_SD)
        return self._look_up(code.astype(np.int64), dbh, "used_se", bare)

    def _look_up(
        self, codes: npt.NDArray[np.int64], dbh_in: Array, column: str, out: Array
    ) -> Array:
        out = np.array(out, dtype=np.float64)
        rows = self.report[["species_code", "dbh_class_in", column]].itertuples(index=False)
        classes = _class_of(dbh_in)
        for code, dbh_class, value in rows:  # species come before their classes
            mine = codes == code
            out[mine if np.isnan(dbh_class) else mine & (classes == dbh_class)] = value
        return out


def _class_of(dbh_in: Array) -> Array:
    # A diameter converted from centimetres may fall a hair short of the line it stands on.
    return np.asarray(CLASS_IN * np.floor(np.round(dbh_in, 6) / CLASS_IN + 0.5))


def _names(codes: npt.NDArray[np.int64]) -> npt.NDArray[np.object_]:
    return catalogue()["common_name"].reindex(codes).to_numpy(dtype=object)


def measured_form_class(
    species_code: npt.ArrayLike,
    dbh_in: npt.ArrayLike,
    butt_dib_in: npt.ArrayLike,
    weight: npt.ArrayLike = 1.0,
    *,
    species_sd: float = SPECIES_SD,
    class_sd: float = CLASS_SD,
) -> FormClasses:
    r"""Return form class by species and DBH class from measured butt logs.

    Parameters
    ----------
    species_code : array_like of int
        Species codes.
    dbh_in : array_like
        Diameter at breast height, outside bark. [in]
    butt_dib_in : array_like
        Diameter inside bark at the top of the butt log, 17.3 ft above ground; NaN where not
        measured. [in]
    weight : array_like
        Trees that each one stands for (trees per acre); a point cruise's big trees stand for few.
    species_sd, class_sd : float
        How far a species may lie from its default, and a DBH class from its species. [points]
        The defaults are assumptions without a source.

    Returns
    -------
    FormClasses
        ``.predict(species_code, dbh_in)`` for every tree, ``.report`` to show.

    Raises
    ------
    DomainError
        If no tree has both diameters, a DBH is not above 0, a weight is not above 0, or a form
        class falls outside 40 to 100.

    Notes
    -----
    Girard form class is :math:`100 \, d_{17.3} / DBH` [1]_. Means are weighted; the standard error
    is :math:`\sqrt{n/(n-1) \sum w^2 (x - \bar x)^2} / \sum w`.

    A mean of few trees is not used as it stands but drawn toward what is known without it: a
    class toward its species, a species toward its default, as far as its variance bids
    (best linear unbiased prediction [2]_):

    .. math:: \hat c = k \bar x_c + (1 - k) \hat s, \quad
              k = \frac{\sigma_c^2}{\sigma_c^2 + \sigma^2 \sum w^2 / (\sum w)^2}

    with :math:`\sigma` the spread of trees within their classes, pooled over the tract, or
    4 points where fewer than 5 degrees of freedom measure it. :math:`\hat s` weighs the classes
    of a species by their variances beside its default, whose variance is ``species_sd`` squared.
    So two trees move a default of 78 part of the way to what they say, and thirty all the way.

    References
    ----------
    .. [1] Mesavage, C. and Girard, J.W. 1946. Tables for estimating board-foot volume of timber.
       USDA Forest Service.
    .. [2] Henderson, C.R. 1975. Best linear unbiased estimation and prediction under a selection
       model. Biometrics 31:423-447. (From memory.)

    Examples
    --------
    >>> oak = measured_form_class(802, [16.0, 17.0, 20.0], [12.8, 13.9, 16.4])
    >>> oak.report["used"].round(1).tolist()  # species, then the classes of 16, 18 and 20 in
    [80.3, 80.2, 80.6, 80.6]
    """
    code, dbh, butt, given = columns(species_code, dbh_in, butt_dib_in, weight)
    require_dbh(dbh)
    require(given > 0, "weight", "above 0", given, "A tree that stands for none is not measured.")
    form = 100.0 * butt / dbh
    require(
        (form >= 40) & (form <= 100), "butt_dib_in", "40 to 100 percent of DBH", form,
        "Measure inside bark at 17.3 ft, in inches.",
    )  # fmt: skip
    if not (species_sd > 0 and class_sd > 0):
        raise DomainError(
            f"'species_sd' and 'class_sd' must be above 0 points; got {species_sd:g}, {class_sd:g}."
        )
    measured = ~np.isnan(form) & ~np.isnan(code) & ~np.isnan(given)
    if not measured.any():
        raise DomainError("No tree has both 'dbh_in' and 'butt_dib_in': measure a few butt logs.")
    trees = pd.DataFrame(
        {"species_code": code.astype(np.int64), "dbh_class_in": _class_of(dbh),
         "form": form, "weight": given}
    )[measured]  # fmt: skip
    attribute(trees["species_code"].to_numpy(), "species_group")  # raises for unknown codes
    tree_sd = _pooled_sd(trees)
    rows = [
        row
        for species, part in trees.groupby("species_code")
        for row in _species_rows(int(str(species)), part, tree_sd**2, species_sd**2, class_sd**2)
    ]
    return FormClasses(report=pd.DataFrame(rows), tree_sd=tree_sd)


def _pooled_sd(trees: pd.DataFrame) -> float:
    """Return the spread of trees within their classes, pooled; `TREE_SD` where too few tell."""
    classes = trees.groupby(["species_code", "dbh_class_in"])["form"]
    freedom = len(trees) - classes.ngroups
    if freedom < _FREEDOM_TO_POOL:
        return TREE_SD
    squares = float(((trees["form"] - classes.transform("mean")) ** 2).sum())
    # Diameters taken to the inch can agree by chance; no spread at all would end all shrinkage.
    return max(float(np.sqrt(squares / freedom)), 0.5)


def _species_rows(
    species: int, trees: pd.DataFrame, tree_var: float, species_var: float, class_var: float
) -> list[dict[str, object]]:
    """Return the report rows of one species: itself, then its measured classes."""
    default = float(form_class_default([species])[0])
    classes = [(float(str(dbh)), part) for dbh, part in trees.groupby("dbh_class_in")]
    means = np.array([np.average(part["form"], weights=part["weight"]) for _, part in classes])
    variance = tree_var * np.array(
        [(part["weight"] ** 2).sum() / part["weight"].sum() ** 2 for _, part in classes]
    )
    precision = 1.0 / (variance + class_var)
    all_var = 1.0 / (precision.sum() + 1.0 / species_var)
    used = all_var * ((precision * means).sum() + default / species_var)
    share = class_var / (class_var + variance)
    class_used = share * means + (1.0 - share) * used
    class_se = np.sqrt(share * variance + (1.0 - share) ** 2 * all_var)

    def row(dbh: float, part: pd.DataFrame, value: float, error: float) -> dict[str, object]:
        return {
            "species_code": species, "species": _names(np.array([species]))[0],
            "dbh_class_in": dbh, "n": len(part),
            "mean": float(np.average(part["form"], weights=part["weight"])),
            "se": _standard_error(part), "used": value, "used_se": error, "default": default,
        }  # fmt: skip

    # A class not yet measured lies about its species as the measured ones do.
    species_row = row(np.nan, trees, float(used), float(np.sqrt(all_var + class_var)))
    return [
        species_row,
        *(row(dbh, part, float(class_used[i]), float(class_se[i]))
          for i, (dbh, part) in enumerate(classes)),
    ]  # fmt: skip


def _standard_error(trees: pd.DataFrame) -> float:
    n = len(trees)
    if n < 2:
        return float("nan")
    weight = trees["weight"].to_numpy()
    miss = trees["form"].to_numpy() - np.average(trees["form"], weights=weight)
    return float(np.sqrt(n / (n - 1) * (weight**2 * miss**2).sum()) / weight.sum())
