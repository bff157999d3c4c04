"""Cubic feet of logs by Smalian, Huber and Newton."""

from __future__ import annotations

from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from standmap.errors import DomainError
from standmap.logs._columns import check_ends, column, flat, like
from standmap.logs._kernels import HUBER, NEWTON, SMALIAN, cuft_logs

CubicFormula = Literal["smalian", "huber", "newton"]

_CODES = {"smalian": SMALIAN, "huber": HUBER, "newton": NEWTON}
_NEEDS = {
    "smalian": ("large_dib_in",),
    "huber": ("mid_dib_in",),
    "newton": ("mid_dib_in", "large_dib_in"),
}


def cubic_feet(
    dib_in: npt.ArrayLike,
    length_ft: npt.ArrayLike,
    *,
    large_dib_in: npt.ArrayLike | None = None,
    mid_dib_in: npt.ArrayLike | None = None,
    formula: CubicFormula = "smalian",
) -> Any:
    """Cubic feet of wood in logs, from the diameters of their ends and middle.

    Parameters
    ----------
    dib_in : array_like
        Small-end diameter inside bark. Huber's formula makes no use of it. [in]
    length_ft : array_like
        Length. [ft]
    large_dib_in : array_like, optional
        Large-end diameter inside bark; Smalian and Newton need it. [in]
    mid_dib_in : array_like, optional
        Diameter inside bark halfway along; Huber and Newton need it. [in]
    formula : {"smalian", "huber", "newton"}
        Whose formula.

    Returns
    -------
    float, ndarray or Series
        Cubic feet, of the kind given. NaN where a value is missing. Give diameters outside bark
        and it is the volume outside bark.

    Raises
    ------
    DomainError
        If a value is negative or absurd, a large end is below its small end, or the formula lacks
        a diameter.

    Notes
    -----
    With cross-sections b (small end), m (middle) and B (large end) in square feet, pi d^2 / 576,
    and length L: Smalian (b + B) / 2 L; Huber m L; Newton (b + 4 m + B) / 6 L. Newton is exact for
    cylinders, cones and paraboloids; Smalian is high and Huber low where a butt flares.

    References
    ----------
    .. [1] University of Idaho, FOR 274, Tree and wood volume.

    Examples
    --------
    >>> round(cubic_feet(6, 16, large_dib_in=9), 3)
    5.105
    >>> round(cubic_feet(6, 16, mid_dib_in=8, large_dib_in=9, formula="newton"), 3)
    5.425
    """
    given = {"mid_dib_in": mid_dib_in, "large_dib_in": large_dib_in}
    if formula not in _NEEDS:
        raise DomainError(f"no cubic formula {formula!r}. Choose one of {', '.join(_NEEDS)}.")
    for needed in _NEEDS[formula]:
        if given[needed] is None:
            raise DomainError(f"the formula of {formula.capitalize()} needs '{needed}'.")
    small, length, mid, large = np.broadcast_arrays(
        column("dib_in", dib_in),
        column("length_ft", length_ft),
        column("mid_dib_in", np.nan if mid_dib_in is None else mid_dib_in),
        column("large_dib_in", np.nan if large_dib_in is None else large_dib_in),
    )
    check_ends(small, large)
    volume = cuft_logs(_CODES[formula], flat(small), flat(mid), flat(large), flat(length))
    inputs = (dib_in, length_ft, large_dib_in, mid_dib_in)
    return like(volume.reshape(small.shape), *inputs, name="cubic_feet")
