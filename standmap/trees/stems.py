"""Stems: one row of profile parameters per tree, and the questions asked of them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt
import pandas as pd

from ..errors import DomainError
from . import _kernels as kernels

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stems:
    """The profiles of n trees, each national, form class or a user's table, in tally order.

    Attributes
    ----------
    kind : int8 ndarray, shape (n,)
        Profile of each tree: ``NATIONAL``, ``FORM_CLASS`` or ``TABLE`` of ``standmap.trees``.
    params : float64 ndarray, shape (n, 23 or more)
        Profile parameters; laid out in ``standmap.trees._kernels``. Wider than 23 only where
        taper tables of more than six heights ask for it.
    dbh_in : ndarray, shape (n,)
        Diameter at breast height, outside bark. [in]
    species_code : int64 ndarray, shape (n,)
        Species codes.
    total_height_ft : ndarray, shape (n,)
        Height of the tip the profile runs to. [ft]
    usable_top_ft : ndarray, shape (n,)
        Where the stem ends for use: the break or fork, otherwise the tip. [ft]
    height_source : object ndarray, shape (n,)
        Where the tip came from: "measured", "fitted" or "form_class" (implied by the log tally).
    """

    kind: npt.NDArray[np.int8]
    params: Array
    dbh_in: Array
    species_code: npt.NDArray[np.int64]
    total_height_ft: Array
    usable_top_ft: Array
    height_source: npt.NDArray[np.object_]

    def __post_init__(self) -> None:
        for field in fields(self):
            got = getattr(self, field.name).shape
            want: tuple[int, ...] = (len(self),)
            if field.name == "params":
                wide = len(got) == 2 and got[1] >= kernels.N_PARAMS
                want = (len(self), got[1] if wide else kernels.N_PARAMS)
            if got != want:
                raise DomainError(f"'{field.name}' must have shape {want}; got {got}.")

    def __len__(self) -> int:
        """Return the number of trees."""
        return len(self.kind)

    def __repr__(self) -> str:
        """One line: how many stems of each profile."""
        forms = int(np.count_nonzero(self.kind == kernels.FORM_CLASS))
        tables = int(np.count_nonzero(self.kind == kernels.TABLE))
        national = len(self) - forms - tables
        own = f", {tables} taper table" if tables else ""
        return f"Stems({len(self)} trees: {national} national, {forms} form class{own})"

    def take(self, rows: npt.ArrayLike) -> Stems:
        """Return the stems at these positions, or where this mask is true.

        Parameters
        ----------
        rows : array_like of int or bool
            Positions in any order, or a mask of length n.
        """
        index = np.asarray(rows)
        return Stems(**{f.name: getattr(self, f.name)[index] for f in fields(self)})

    def dib_in(self, height_ft: npt.ArrayLike) -> Array:
        """Return diameter inside bark at a height above ground.

        Parameters
        ----------
        height_ft : array_like
            One height for all trees, one per tree (n,), or several per tree (n, k). [ft]

        Returns
        -------
        ndarray
            Diameters, (n,) or (n, k). [in] 0 at the tip and above. Below half a foot the
            national profile is held at its half-foot diameter.

        Examples
        --------
        >>> from standmap.trees import national_stems
        >>> oak = national_stems(802, 20.0, 85.0)
        >>> bool(oak.dib_in(17.3)[0] > oak.dib_in(33.6)[0])
        True
        """
        return self._ask(kernels.dib_many, height_ft)

    def dob_in(self, height_ft: npt.ArrayLike) -> Array:
        """Return diameter outside bark at a height above ground in inches, as `dib_in` does."""
        return self._ask(kernels.dob_many, height_ft)

    def height_to_dib_ft(self, dib_in: npt.ArrayLike) -> Array:
        """Return the greatest height where the stem is this thick inside bark.

        Parameters
        ----------
        dib_in : array_like
            One diameter for all trees, one per tree (n,), or several per tree (n, k). [in]

        Returns
        -------
        ndarray
            Heights above ground, (n,) or (n, k). [ft] 0.0 where the stem is never so thick;
            the tip for a diameter of 0.
        """
        return self._ask(kernels.height_at_dib_many, dib_in)

    def height_to_dob_ft(self, dob_in: npt.ArrayLike) -> Array:
        """Return the greatest height this thick outside bark, as `height_to_dib_ft` does."""
        return self._ask(kernels.height_at_dob_many, dob_in)

    def wood_cuft(self, low_ft: npt.ArrayLike = 0.0, high_ft: npt.ArrayLike = np.inf) -> Array:
        """Return wood volume between two heights; by default the whole stem.

        Parameters
        ----------
        low_ft, high_ft : array_like
            Heights above ground: one for all trees, one per tree (n,), or (n, k). [ft]

        Returns
        -------
        ndarray
            Volume inside bark, exact from the profile. [cu ft]
        """
        return self._ask(kernels.wood_cuft_many, low_ft, high_ft)

    def bark_cuft(self, low_ft: npt.ArrayLike = 0.0, high_ft: npt.ArrayLike = np.inf) -> Array:
        """Return bark volume between two heights in cubic feet, as `wood_cuft` does."""
        both = self._ask(kernels.ob_cuft_many, low_ft, high_ft)
        return both - self.wood_cuft(low_ft, high_ft)

    def bark_share(self, low_ft: npt.ArrayLike = 0.0, high_ft: npt.ArrayLike = np.inf) -> Array:
        """Return the part of the volume between two heights that is bark, 0 to 1.

        Parameters
        ----------
        low_ft, high_ft : array_like
            Heights above ground: one for all trees, one per tree (n,), or (n, k). [ft]

        Returns
        -------
        ndarray
            Bark over wood and bark; NaN where there is no stem between the heights.
        """
        both = self._ask(kernels.ob_cuft_many, low_ft, high_ft)
        wood = self.wood_cuft(low_ft, high_ft)
        return np.divide(both - wood, both, out=np.full_like(both, np.nan), where=both > 0)

    def surface_sqft(self, low_ft: npt.ArrayLike = 0.0, high_ft: npt.ArrayLike = np.inf) -> Array:
        r"""Return the surface of the bark between two heights; by default the whole stem.

        Parameters
        ----------
        low_ft, high_ft : array_like
            Heights above ground: one for all trees, one per tree (n,), or (n, k). [ft]

        Returns
        -------
        ndarray
            :math:`\int \pi d_{ob}(h)/12 \, dh`. [sq ft] Girth times height: the slant of the stem,
            a few parts in a hundred thousand, is left out. Exact on straight tapers, and to about
            a part in a million on the national profile.
        """
        return self._ask(kernels.surface_sqft_many, low_ft, high_ft)

    def outline(self, *, points: int = 60) -> pd.DataFrame:
        """Return every stem as points to draw, from half a foot up to the tip.

        Parameters
        ----------
        points : int
            Heights to a stem, evenly spaced.

        Returns
        -------
        DataFrame
            ``tree`` (place among the stems, from 0), ``height_ft``, ``dib_in`` and ``dob_in``.

        Examples
        --------
        >>> from standmap.trees import national_stems
        >>> national_stems(802, 20.0, 85.0).outline(points=3).round(1).to_numpy().tolist()
        [[0.0, 0.5, 25.2, 26.6], [0.0, 42.8, 10.8, 11.7], [0.0, 85.0, 0.0, 0.0]]
        """
        share = np.linspace(0.0, 1.0, points)
        low = kernels.LOWEST_FT
        heights = low + share * (self.total_height_ft[:, np.newaxis] - low)
        return pd.DataFrame(
            {
                "tree": np.repeat(np.arange(len(self)), points),
                "height_ft": heights.ravel(),
                "dib_in": self.dib_in(heights).ravel(),
                "dob_in": self.dob_in(heights).ravel(),
            }
        )

    def _ask(self, kernel: Callable[..., Array], *values: npt.ArrayLike) -> Array:
        """Broadcast the values to trees by columns, run the kernel, give the shape back."""
        given = [np.asarray(value, dtype=np.float64) for value in values]
        columns = [v[:, None] if v.ndim == 1 else v for v in given]
        width = max((v.shape[1] for v in columns if v.ndim == 2), default=1)
        try:
            wide = [np.ascontiguousarray(np.broadcast_to(v, (len(self), width))) for v in columns]
        except ValueError:
            raise DomainError(
                f"Give one value, {len(self)} values (one per tree), or one row per tree; "
                f"got shapes {[v.shape for v in given]} for {len(self)} trees."
            ) from None
        out = kernel(self.kind, self.params, *wide)
        return out if any(v.ndim == 2 for v in given) else out[:, 0]


def join_stems(parts: Sequence[Stems], order: npt.ArrayLike) -> Stems:
    """Merge stems of different kinds back into tally order.

    Parameters
    ----------
    parts : sequence of Stems
        Stems to merge.
    order : array_like of int
        Tally position of every stem of the first part, then the second, and so on: a
        permutation of 0 .. n-1.

    Returns
    -------
    Stems
        All stems; the one said to be at position 0 comes first.

    Raises
    ------
    DomainError
        If ``order`` does not name every position once.

    Examples
    --------
    >>> from standmap.trees import form_class_stems, national_stems
    >>> both = join_stems(
    ...     [national_stems(802, [20.0, 12.0], 85.0), form_class_stems(802, 24.0, 3.0)],
    ...     [0, 2, 1],
    ... )
    >>> both.dbh_in.tolist()
    [20.0, 24.0, 12.0]
    """
    places = np.concatenate([np.atleast_1d(np.asarray(order, dtype=np.int64)).ravel()])
    count = sum(len(part) for part in parts)
    if not np.array_equal(np.sort(places), np.arange(count)):
        raise DomainError(
            f"'order' must name each of the {count} tally positions 0 to {count - 1} once."
        )
    rows = np.argsort(places)
    width = max((part.params.shape[1] for part in parts), default=kernels.N_PARAMS)
    columns = {
        f.name: np.concatenate([getattr(part, f.name) for part in parts])[rows]
        for f in fields(Stems)
        if f.name != "params"
    }
    return Stems(params=np.concatenate([_widened(p.params, width) for p in parts])[rows], **columns)


def _widened(params: Array, width: int) -> Array:
    """Return parameter rows with empty columns added up to a width."""
    return np.pad(params, ((0, 0), (0, width - params.shape[1])))
