"""Defects of standing stems: stretches to cut out, forks, grades, and what comes off the scale."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from difflib import get_close_matches
from typing import Final

import numpy as np
from numpy.typing import NDArray

from standmap.errors import DomainError
from standmap.products import _span_kernels as kernels
from standmap.products.eligibility import Floats, refuse

DEFECT_KINDS: Final = (
    "cut out",
    "fork",
    "grade",
    "squared",
    "sweep",
    "crook",
    "wedge",
    "percent",
)
"""What a defect may be; the kernels' code of a kind is its place here."""

DEFECT_SIZES: Final[dict[str, tuple[str, ...]]] = {
    "cut out": (),
    "fork": (),
    "grade": ("grade",),
    "squared": ("width_in", "height_in"),
    "sweep": ("departure_in",),
    "crook": ("departure_in",),
    "wedge": ("angle_deg",),
    "percent": ("percent",),
}
"""What must be measured of each kind."""

SIZE_LIMITS: Final[dict[str, tuple[float, float]]] = {
    "grade": (1.0, 9.0),
    "width_in": (0.0, 120.0),
    "height_in": (0.0, 120.0),
    "departure_in": (0.0, 120.0),
    "angle_deg": (0.0, 360.0),
    "percent": (0.0, 100.0),
}
"""Least and most of each size: bounds that catch slips of the pen. Common practice, no source."""


@dataclass(frozen=True, kw_only=True, eq=False)
class StemDefects:
    """Defects of stems, one value for each of m defects; a stem may have many.

    Attributes
    ----------
    tree : ndarray of int, shape (m,)
        Place of the stem among those that are bucked, from 0.
    kind : tuple of str
        Of ``DEFECT_KINDS``: "cut out", "fork", "grade", "squared", "sweep", "crook", "wedge",
        "percent".
    from_ft, to_ft : ndarray
        Ends above ground. [ft] A fork may be at one height: ``to_ft`` NaN.
    width_in, height_in : ndarray
        Box about a squared defect, as measured. [in]
    departure_in : ndarray
        Greatest departure of a swept or crooked stretch from a straight line between its ends. [in]
    angle_deg : ndarray
        Angle at the pith of a wedge. [deg]
    percent : ndarray
        Share of the scale of the stretch that is lost. [%]
    grade : ndarray
        Grade of the stretch, 1 the best.

    Raises
    ------
    DomainError
        If a kind is unknown, an end or a size that the kind needs is missing or out of bounds, or
        the arrays disagree in length.

    Notes
    -----
    **Cut out**: no saw log may hold any of it, trim included: the length cut, made on the stem.
    **Fork**: no log of any product may cross it; the stem as tallied goes on above.
    **Grade**: a log is graded by the worst part of it, trim included; stem without a graded stretch
    has the grade of its tree. The others come off the board feet of the log that holds them, each
    by the length of it inside the log's scaled length; shares add, and stop at the whole log:

    - squared: (W + 1)(H + 1) l / 15 board feet by Scribner and Decimal C (National Forest Log
      Scaling Handbook, FSH 2409.11, ch. 20, formula from memory); by the other rules the share
      ((W + 1)(H + 1) / (d - 1)^2)(l / L) (Grosenbaugh 1952, rule 5, from memory).
    - sweep: (departure - L / 8) / d (Grosenbaugh 1952, rule 3, from memory). A log that takes a
      part of the stretch takes the departure of that part, as of an even arc: with the square of
      its length (geometry of a flat arc; its use here is our own).
    - crook: (departure / d)(l / L) (Grosenbaugh 1952, rule 4, from memory).
    - wedge: (angle / 360)(l / L) (Grosenbaugh 1952, rule 2, from memory).
    - percent: (percent / 100)(l / L), arithmetic.

    Decimal C is not rounded to tens after a deduction.

    Examples
    --------
    >>> defects = StemDefects(tree=[0, 0], kind=["cut out", "sweep"], from_ft=[9, 14],
    ...                       to_ft=[11.5, 30], departure_in=[np.nan, 5])
    >>> defects
    <StemDefects: 2 of 1 trees>
    >>> StemDefects(tree=[0], kind=["sweap"], from_ft=[1], to_ft=[17])
    Traceback (most recent call last):
    standmap.errors.DomainError: 'kind' must be one of cut out, fork, grade, squared, sweep, crook,
    wedge, percent; got 'sweap'. Did you mean 'sweep'?
    """

    tree: NDArray[np.int64]
    kind: tuple[str, ...]
    from_ft: Floats
    to_ft: Floats
    width_in: Floats | None = None
    height_in: Floats | None = None
    departure_in: Floats | None = None
    angle_deg: Floats | None = None
    percent: Floats | None = None
    grade: Floats | None = None

    def __post_init__(self) -> None:
        """Make arrays of what was given, and check them."""
        object.__setattr__(self, "tree", np.array(self.tree, dtype=np.int64))
        object.__setattr__(self, "kind", tuple(str(kind) for kind in self.kind))
        for name in (f.name for f in fields(self)[2:]):
            object.__setattr__(self, name, self._column(name))
        for kind in dict.fromkeys(self.kind):
            if kind not in DEFECT_KINDS:
                near = get_close_matches(kind, DEFECT_KINDS, n=1)
                hint = f" Did you mean '{near[0]}'?" if near else ""
                raise DomainError(
                    f"'kind' must be one of {', '.join(DEFECT_KINDS)}; got {kind!r}.{hint}"
                )
        is_fork = self.is_kind("fork")
        top = np.where(is_fork & np.isnan(self.to_ft), self.from_ft, self.to_ft)
        object.__setattr__(self, "to_ft", top)
        refuse(
            ~(self.from_ft >= 0),
            self.from_ft,
            "from_ft",
            "must be a height >= 0 ft",
            "Give the lower end, in feet above ground.",
        )
        refuse(
            ~(top > self.from_ft) & ~(is_fork & (top == self.from_ft)),
            top,
            "to_ft",
            "must be above 'from_ft'",
            "Give the upper end, in feet above ground.",
        )
        for kind, sizes in DEFECT_SIZES.items():
            for name in sizes:
                size, (least, most) = getattr(self, name), SIZE_LIMITS[name]
                refuse(
                    self.is_kind(kind) & ~((size >= least) & (size <= most)),
                    size,
                    name,
                    f"must be {least:g} to {most:g} for a defect of kind '{kind}'",
                    "Measure it, or write the kind that needs no such size.",
                )

    def _column(self, name: str) -> Floats:
        given = getattr(self, name)
        n = len(self.tree)
        column = np.full(n, math.nan) if given is None else np.array(given, dtype=np.float64)
        if column.shape != (n,) or len(self.kind) != n:
            raise DomainError(
                f"'{name}' and 'kind' must have one value per defect ({n}); "
                f"got {column.shape} and {len(self.kind)}."
            )
        return column

    def is_kind(self, kind: str) -> NDArray[np.bool_]:
        """Mark the defects of one kind."""
        return np.array([k == kind for k in self.kind], dtype=np.bool_)

    def __len__(self) -> int:
        """Count the defects."""
        return len(self.tree)

    def __repr__(self) -> str:
        """One line."""
        return f"<StemDefects: {len(self)} of {len(np.unique(self.tree))} trees>"


def best_grade(defects: StemDefects | None, grade: Floats) -> Floats:
    """Return the best grade anywhere on each stem: of its tree or of a graded stretch."""
    best = grade.copy()
    if defects is not None:
        graded = defects.is_kind("grade")
        np.fmin.at(best, defects.tree[graded], getattr(defects, "grade")[graded])  # noqa: B009
    return best


def make_spans(
    defects: StemDefects | None,
    waste_from_ft: Floats,
    waste_to_ft: Floats,
    grade: Floats,
    stump_ft: float,
) -> kernels.Spans:
    """Lay out the defects of every tree as the kernels take them.

    Parameters
    ----------
    defects : StemDefects or None
        Defects by tree.
    waste_from_ft, waste_to_ft : ndarray, shape (n,)
        One stretch to cut out of each tree; NaN for none. [ft]
    grade : ndarray, shape (n,)
        Grade of each tree, which stem outside a graded stretch has; NaN where nobody graded.
    stump_ft : float
        Stump height: what ends below it concerns no log. [ft]

    Raises
    ------
    DomainError
        If a defect is of no tree.
    """
    n = len(grade)
    waste = np.flatnonzero(~np.isnan(waste_from_ft))
    none = np.full(len(waste), math.nan)
    parts = [(waste, np.full(len(waste), kernels.CUT_OUT), waste_from_ft[waste],
              waste_to_ft[waste], none, none)]  # fmt: skip
    if defects is not None and len(defects):
        refuse(
            (defects.tree < 0) | (defects.tree >= n),
            defects.tree.astype(float),
            "tree",
            f"must be a place among the stems, 0 to {n - 1}",
            "Count the stems from 0.",
        )
        code = np.array([DEFECT_KINDS.index(kind) for kind in defects.kind])
        size, other = np.full(len(defects), math.nan), np.full(len(defects), math.nan)
        for name_of_kind, names in DEFECT_SIZES.items():
            rows = defects.is_kind(name_of_kind)
            for column, name in zip((size, other), names, strict=False):
                column[rows] = getattr(defects, name)[rows]
        parts.append((defects.tree, code, defects.from_ft, defects.to_ft, size, other))
        parts.append(_between_grades(defects, grade))
    tree, kind, low, high, size, other = (
        np.concatenate(columns) for columns in zip(*parts, strict=True)
    )
    above = high > stump_ft
    tree, kind, low, high, size, other = (
        column[above] for column in (tree, kind, low, high, size, other)
    )
    order = np.lexsort((high, low, tree))
    # A deduction alone is no place to go on from, or more defect could make more cuts legal.
    breaks = np.isfinite(high) & (kind <= kernels.GRADE)
    tops = np.unique(np.column_stack([tree, high])[breaks], axis=0)
    places = np.arange(n + 1)
    return kernels.Spans(
        first=np.searchsorted(tree[order], places).astype(np.int64),
        kind=kind[order].astype(np.int8),
        from_ft=low[order].astype(np.float64),
        to_ft=high[order].astype(np.float64),
        size=size[order],
        other=other[order],
        first_top=np.searchsorted(tops[:, 0], places).astype(np.int64),
        top_ft=np.ascontiguousarray(tops[:, 1]),
    )


def _between_grades(
    defects: StemDefects, grade: Floats
) -> tuple[NDArray[np.int64], NDArray[np.int64], Floats, Floats, Floats, Floats]:
    """Return the stretches between, below and above the graded ones, with the tree's own grade."""
    rows = np.flatnonzero(defects.is_kind("grade"))
    rows = rows[np.lexsort((defects.from_ft[rows], defects.tree[rows]))]
    tree, low, high = defects.tree[rows], defects.from_ft[rows], defects.to_ft[rows]
    is_first = np.append(True, tree[1:] != tree[:-1])[: len(rows)]
    # Heights of one tree lie above all those of the trees before it, so that one running maximum
    # serves them all.
    lift = tree * (1.0 + 2.0 * np.max(high, initial=0.0))
    reached = np.maximum.accumulate(high + lift) - lift if len(rows) else high
    below = np.where(is_first, 0.0, np.append(0.0, reached[:-1])[: len(rows)])
    is_last = np.append(is_first[1:], True)[: len(rows)]
    gap = low > below + kernels.SLACK_FT
    of_tree = np.concatenate([tree[gap], tree[is_last]])
    own = np.where(np.isnan(grade[of_tree]), math.inf, grade[of_tree])
    return (
        of_tree,
        np.full(len(of_tree), kernels.GRADE),
        np.concatenate([below[gap], reached[is_last]]),
        np.concatenate([low[gap], np.full(int(is_last.sum()), math.inf)]),
        own,
        np.full(len(of_tree), math.nan),
    )
