"""How the trees were chosen: points, plots, strips, complete tallies, and mixtures of them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from standmap.cruise import _kernels
from standmap.errors import DomainError

Floats = NDArray[np.float64]
DesignKind = Literal["point", "fixed", "strip", "complete"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One rule by which trees were tallied.

    Attributes
    ----------
    design : {"point", "fixed", "strip", "complete"}
        Point sample by basal area factor; fixed-area plot; strip; 100 percent tally.
    baf : float
        Basal area factor of a point sample; NaN where every plot states its own. [sq ft/acre]
    plot_acres : float
        Area of a plot or strip; NaN where every plot states its own. [acres]
    stratum : str
        The stratum it holds for; blank for all.
    min_dbh_in, max_dbh_in : float
        Trees from ``min_dbh_in`` up to, not including, ``max_dbh_in``. [in]

    Raises
    ------
    DomainError
        If the design is not one of the four, a size is not above 0 or belongs to another design,
        or the DBH range is empty.

    Examples
    --------
    >>> Part(design="point", baf=10).design
    'point'
    """

    design: DesignKind
    baf: float = math.nan
    plot_acres: float = math.nan
    stratum: str = ""
    min_dbh_in: float = 0.0
    max_dbh_in: float = math.inf

    def __post_init__(self) -> None:
        if self.design not in get_args(DesignKind):
            raise DomainError(
                f"'design' must be one of {', '.join(get_args(DesignKind))}; got {self.design!r}."
            )
        for name, value in (("baf", self.baf), ("plot_acres", self.plot_acres)):
            if not math.isnan(value) and not 0 < value < math.inf:
                raise DomainError(f"'{name}' must be above 0; got {value:g}.")
        if self.design == "point" and not math.isnan(self.plot_acres):
            raise DomainError("A point sample has a 'baf', not 'plot_acres'.")
        if self.design != "point" and not math.isnan(self.baf):
            raise DomainError(f"A {self.design} design has no 'baf'; give 'plot_acres'.")
        if not 0 <= self.min_dbh_in < self.max_dbh_in:
            raise DomainError(
                f"The DBH range of a part must run upwards from 0 in or more; got "
                f"{self.min_dbh_in:g} to {self.max_dbh_in:g} in."
            )

    @property
    def size(self) -> float:
        """Basal area factor of a point, acres of anything else; NaN where each plot says."""
        return self.baf if self.design == "point" else self.plot_acres

    @property
    def bounded(self) -> bool:
        """Whether the part takes a DBH range only."""
        return self.min_dbh_in > 0 or self.max_dbh_in < math.inf

    def overlaps(self, other: Part) -> bool:
        """Whether some tree would fall under both parts with equal right."""
        return (
            self.stratum == other.stratum
            and self.bounded == other.bounded
            and self.min_dbh_in < other.max_dbh_in
            and other.min_dbh_in < self.max_dbh_in
        )


@dataclass(frozen=True, slots=True)
class Design:
    """A cruise design: one part, or several by stratum and DBH range.

    A tree belongs to the narrowest part that takes it: first the parts that name the plot's
    stratum, then those for all strata; within each, first those with a DBH range.

    Attributes
    ----------
    parts : tuple of Part
        At least one; no two may claim the same tree with equal right.

    Raises
    ------
    DomainError
        If there are no parts, two overlap, or a complete tally is mixed with another part of the
        same stratum.

    Examples
    --------
    BAF 10 points with a hundredth-acre plot for trees under 5 inches:

    >>> design = Design.of(Part(design="point", baf=10),
    ...                    Part(design="fixed", plot_acres=0.01, max_dbh_in=5))
    >>> trees_per_acre([3.0, 12.0], design).round(2)
    array([100. ,  12.73])
    """

    parts: tuple[Part, ...]

    def __post_init__(self) -> None:
        if not self.parts:
            raise DomainError("A design needs at least one part.")
        for one, other in combinations(self.parts, 2):
            where = f"stratum {one.stratum!r}" if one.stratum else "all strata"
            if one.overlaps(other):
                raise DomainError(
                    f"Two parts of the design for {where} claim the same trees, "
                    f"{max(one.min_dbh_in, other.min_dbh_in):g} to "
                    f"{min(one.max_dbh_in, other.max_dbh_in):g} in DBH. Make their ranges meet, "
                    "not overlap."
                )
            if one.stratum == other.stratum and "complete" in (one.design, other.design):
                raise DomainError(
                    f"A complete tally cannot be mixed with another part for {where}."
                )

    @classmethod
    def of(cls, *parts: Part) -> Design:
        """Make a design of parts.

        Parameters
        ----------
        *parts : Part
            In any order.

        Returns
        -------
        Design
        """
        return cls(tuple(parts))

    def for_stratum(self, stratum: str) -> tuple[Part, ...]:
        """Parts that hold in a stratum, the narrowest first.

        Parameters
        ----------
        stratum : str
            Stratum of a plot.

        Returns
        -------
        tuple of Part

        Raises
        ------
        DomainError
            If no part holds there, or a complete tally comes with other parts.
        """
        found = [p for p in self.parts if p.stratum in ("", stratum)]
        found.sort(key=lambda p: (p.stratum == "", not p.bounded))
        # A part for all of a stratum's trees leaves nothing for the parts behind it.
        for i, part in enumerate(found):
            if not part.bounded:
                found = found[: i + 1]
                break
        if not found:
            raise DomainError(
                f"No part of the design holds in stratum {stratum!r}. Give a part without a "
                "stratum, or one for this stratum."
            )
        if len(found) > 1 and any(p.design == "complete" for p in found):
            raise DomainError(
                f"In stratum {stratum!r} a complete tally is mixed with another part."
            )
        return tuple(found)

    def lay_out(
        self,
        strata: Sequence[str] | NDArray[np.object_],
        *,
        baf: ArrayLike | None = None,
        plot_acres: ArrayLike | None = None,
        tally_acres: ArrayLike | None = None,
    ) -> PlotParts:
        """Spell the design out for each plot.

        Parameters
        ----------
        strata : sequence of str
            Stratum of each plot (of its stand); blank for none.
        baf, plot_acres : array_like, optional
            A plot's own factor or area, which replaces that of the design's parts of that kind;
            NaN for none. Under a one-part design it also replaces the kind, so that a cruise may
            mix points and plots. [sq ft/acre, acres]
        tally_acres : array_like, optional
            For complete tallies: acres of ground each plot record covers. [acres]

        Returns
        -------
        PlotParts

        Raises
        ------
        DomainError
            If a plot is left without a factor or an area, or states one that its parts cannot use.

        Examples
        --------
        Points of BAF 10, except the second, a tenth-acre plot:

        >>> laid = Design.of(Part(design="point", baf=10)).lay_out(
        ...     ["oak", "oak"], plot_acres=[float("nan"), 0.1])
        >>> laid.trees_per_acre([0, 1], [12.0, 12.0]).round(2)
        array([12.73, 10.  ])
        """
        labels = np.asarray([str(s) for s in strata], dtype=object)
        n = labels.size
        own_baf = _per_plot(baf, n, "baf")
        own_acres = _per_plot(plot_acres, n, "plot_acres")
        covered = _per_plot(tally_acres, n, "tally_acres")
        by_stratum = {s: self.for_stratum(s) for s in dict.fromkeys(labels)}
        # Most plots share one of a few layouts: make each once, then hand it out by number.
        known: dict[tuple[str, float | None, float | None, float | None], int] = {}
        made: list[tuple[Part, ...]] = []
        which = np.empty(n, dtype=np.intp)
        for i, sizes in enumerate(zip(own_baf, own_acres, covered, strict=True)):
            key = (labels[i], *(None if math.isnan(v) else float(v) for v in sizes))
            if key not in known:
                known[key] = len(made)
                made.append(_own_parts(i, by_stratum[labels[i]], *sizes))
            which[i] = known[key]
        return PlotParts.of_layouts(made, which)


def _per_plot(values: ArrayLike | None, n: int, name: str) -> Floats:
    array = np.full(n, np.nan) if values is None else np.asarray(values, dtype=np.float64)
    if array.shape != (n,):
        raise DomainError(f"'{name}' must have one value for each of the {n} plots.")
    bad = np.flatnonzero(~np.isnan(array) & ~((array > 0) & (array < np.inf)))
    if bad.size:
        raise DomainError(
            f"'{name}' must be above 0; got {array[bad[0]]:g} at plot rows {bad[:5].tolist()} "
            f"({bad.size} of {n}). Blank the cell where the design's own value holds."
        )
    return array


def _own_parts(
    plot: int, parts: tuple[Part, ...], baf: float, acres: float, covered: float
) -> tuple[Part, ...]:
    """Parts of one plot, its own factor or area put in."""
    has_baf, has_acres = not math.isnan(baf), not math.isnan(acres)
    if has_baf and not any(p.design == "point" for p in parts):
        if len(parts) > 1 or has_acres:
            raise DomainError(
                f"Plot row {plot} states a BAF, but its design has no point part. Blank its 'baf'."
            )
        parts = (replace(parts[0], design="point", baf=baf, plot_acres=math.nan),)
    elif has_acres and all(p.design == "point" for p in parts):
        if len(parts) > 1 or has_baf:
            raise DomainError(
                f"Plot row {plot} states plot acres, but its design has point parts only. "
                "Blank its 'plot_acres'."
            )
        parts = (replace(parts[0], design="fixed", baf=math.nan, plot_acres=acres),)
    made = []
    for part in parts:
        if part.design == "point":
            own = replace(part, baf=baf) if has_baf else part
        elif has_acres:
            own = replace(part, plot_acres=acres)
        elif part.design == "complete" and not math.isnan(covered):
            own = replace(part, plot_acres=covered)
        else:
            own = part
        if math.isnan(own.size):
            need = {"point": "a 'baf'", "complete": "the acres it covers"}.get(
                own.design, "'plot_acres'"
            )
            raise DomainError(
                f"Plot row {plot} ({own.design}) needs {need}, in the design or on the plot."
            )
        made.append(own)
    return tuple(made)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class PlotParts:
    """A design spelt out plot by plot, ready for the kernels.

    Attributes
    ----------
    kind : ndarray of int8, shape (plots, parts)
        0 point, 1 area.
    size : ndarray, shape (plots, parts)
        Basal area factor or acres. [sq ft/acre or acres]
    min_dbh_in, max_dbh_in : ndarray, shape (plots, parts)
        DBH range of each part, upper end open. [in]
    weight : ndarray, shape (plots,)
        Weight of the plot in its stand's mean: acres for strips and complete tallies, else 1.
    complete : ndarray of bool, shape (plots,)
        Whether the plot is (a sheet of) a 100 percent tally.
    """

    kind: NDArray[np.int8]
    size: Floats
    min_dbh_in: Floats
    max_dbh_in: Floats
    weight: Floats
    complete: NDArray[np.bool_]

    @classmethod
    def of_layouts(cls, listed: Sequence[tuple[Part, ...]], which: NDArray[np.intp]) -> PlotParts:
        """Pack layouts into arrays and hand them out to the plots.

        Parameters
        ----------
        listed : sequence of tuples of Part
            The different layouts, each with its narrowest part first.
        which : ndarray of int
            Layout of each plot.

        Returns
        -------
        PlotParts
        """
        shape = (len(listed), max((len(r) for r in listed), default=1))
        kind = np.full(shape, _kernels.AREA, dtype=np.int8)
        size, low, high = np.ones(shape), np.full(shape, np.inf), np.full(shape, np.inf)
        weight, complete = np.ones(shape[0]), np.zeros(shape[0], dtype=bool)
        for i, parts in enumerate(listed):
            for k, part in enumerate(parts):
                kind[i, k] = _kernels.POINT if part.design == "point" else _kernels.AREA
                size[i, k] = part.size
                low[i, k], high[i, k] = part.min_dbh_in, part.max_dbh_in
            if parts[-1].design in ("strip", "complete"):
                weight[i] = parts[-1].plot_acres
            complete[i] = parts[-1].design == "complete"
        return cls(
            kind=kind[which],
            size=size[which],
            min_dbh_in=low[which],
            max_dbh_in=high[which],
            weight=weight[which],
            complete=complete[which],
        )

    def trees_per_acre(
        self, plot_index: ArrayLike, dbh_in: ArrayLike, count: ArrayLike = 1.0
    ) -> Floats:
        """Trees per acre that each tally line stands for on its plot.

        Parameters
        ----------
        plot_index : array_like of int
            Row of the tree's plot; negative for a tree that was set aside.
        dbh_in : array_like
            Diameter at breast height. [in]
        count : array_like
            Trees on the tally line.

        Returns
        -------
        ndarray
            Expansion factor x count; 0 for a tree outside every DBH range of its plot, or set
            aside. [trees/acre]

        Raises
        ------
        DomainError
            If a diameter of a used tree is not above 0, a count is negative, or a plot index is
            past the last plot.
        """
        index = np.asarray(plot_index, dtype=np.intp)
        dbh = np.asarray(dbh_in, dtype=np.float64)
        times = np.array(np.broadcast_to(np.asarray(count, dtype=np.float64), dbh.shape))
        if index.shape != dbh.shape or dbh.ndim != 1:
            raise DomainError("'plot_index' and 'dbh_in' must be lists of the same length.")
        if index.size and int(index.max()) >= self.weight.size:
            raise DomainError(
                f"'plot_index' goes to {index.max()}, past the last of {self.weight.size} plots."
            )
        used = index >= 0
        wrong = (
            ("dbh_in", "above 0 in", used & ~((dbh > 0) & (dbh < np.inf))),
            ("count", "0 or more", used & ~((times >= 0) & (times < np.inf))),
        )
        for name, need, bad in wrong:
            rows = np.flatnonzero(bad)
            if rows.size:
                raise DomainError(
                    f"'{name}' must be {need} on every tree used; see rows "
                    f"{rows[:5].tolist()} ({rows.size} of {index.size})."
                )
        return np.asarray(
            _kernels.tree_factors(
                index, dbh, times, self.kind, self.size, self.min_dbh_in, self.max_dbh_in
            )
        )


def trees_per_acre(
    dbh_in: ArrayLike, design: Design | Part, *, stratum: str = "", count: ArrayLike = 1.0
) -> Floats:
    """Trees per acre that each tallied tree stands for on one plot.

    Parameters
    ----------
    dbh_in : array_like
        Diameter at breast height. [in]
    design : Design or Part
        How the trees were chosen, sizes given.
    stratum : str
        Stratum of the plot, where the design differs by stratum.
    count : array_like
        Trees on the tally line.

    Returns
    -------
    ndarray
        Point: BAF / (0.005454154 DBH^2); plot, strip or complete tally: 1 / acres; each times
        ``count``; 0 outside every DBH range of the design. [trees/acre]

    Raises
    ------
    DomainError
        If a diameter is not above 0 or a part has no size.

    References
    ----------
    .. [1] Grosenbaugh, L.R. 1952. Plotless timber estimates: new, fast, easy. J. Forestry
       50:32-37 (from memory).

    Examples
    --------
    >>> trees_per_acre([10, 12, 20, 22], Part(design="point", baf=10)).round(2)
    array([18.33, 12.73,  4.58,  3.79])
    >>> trees_per_acre([10, 12], Part(design="fixed", plot_acres=0.1))
    array([10., 10.])
    >>> trees_per_acre([], Part(design="fixed", plot_acres=0.1))
    array([], dtype=float64)
    """
    dbh = np.atleast_1d(np.asarray(dbh_in, dtype=np.float64))
    whole = Design.of(design) if isinstance(design, Part) else design
    here = np.zeros(dbh.shape, dtype=np.intp)
    return whole.lay_out([stratum]).trees_per_acre(here, dbh, count)


def share_acres(stand: Sequence[str] | NDArray[np.object_], acres: ArrayLike) -> Floats:
    """Acres each sheet of a complete tally covers: its stand's acres, shared among its sheets.

    Parameters
    ----------
    stand : sequence of str
        Stand of each plot record.
    acres : array_like
        Acres of that stand. [acres]

    Returns
    -------
    ndarray
        Acres per plot record, for :meth:`Design.lay_out`. [acres]

    Examples
    --------
    >>> share_acres(["A", "A", "B"], [40, 40, 10])
    array([20., 20., 10.])
    """
    _, place, sheets = np.unique(
        np.asarray([str(s) for s in stand], dtype=str), return_inverse=True, return_counts=True
    )
    return np.asarray(np.asarray(acres, dtype=np.float64) / sheets[place])
