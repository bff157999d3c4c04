"""Green weight and cords of a piece of stem."""

from __future__ import annotations

from functools import cache

import numpy as np
import numpy.typing as npt

from .._tables import load_table
from ..units import LB_PER_CUFT_WATER, LB_PER_TON, STACKED_CUFT_PER_CORD
from ._checks import Array, attribute, columns, require


def green_weight(
    species_code: npt.ArrayLike, wood_cuft: npt.ArrayLike, bark_cuft: npt.ArrayLike = 0.0
) -> Array:
    """Return green weight from the volumes of wood and bark.

    Parameters
    ----------
    species_code : array_like of int
        Species codes.
    wood_cuft, bark_cuft : array_like
        Solid volume of wood and of bark. [cu ft]

    Returns
    -------
    ndarray
        Green weight. [tons of 2,000 lb]

    Raises
    ------
    DomainError
        If a species code is not in the catalogue.

    Notes
    -----
    Volume x specific gravity (dry weight over green volume) x 62.4 x (1 + moisture / 100), wood
    and bark each with their own gravity and moisture [1]_. These are species averages at felling:
    logs dry in the yard, and where a mill has its own factor, that one should be used.

    References
    ----------
    .. [1] Miles, P.D. and Smith, W.B. 2009. Specific gravity and other properties of wood and
       bark for 156 tree species found in North America. Res. Note NRS-38. USDA Forest Service.

    Examples
    --------
    >>> green_weight(131, [100.0], [15.0]).round(2).tolist()  # loblolly pine
    [2.96]
    """
    codes, wood, bark = columns(species_code, wood_cuft, bark_cuft)
    code = codes.astype(np.int64)
    pounds = wood * _density(code, "wood") + bark * _density(code, "bark")
    return pounds / LB_PER_TON


def _density(code: npt.NDArray[np.int64], part: str) -> Array:
    """Return green density of wood or bark in pounds per cubic foot."""
    gravity = attribute(code, f"{part}_specific_gravity")
    moisture = attribute(code, f"{part}_moisture_pct")
    return gravity * LB_PER_CUFT_WATER * (1.0 + moisture / 100.0)


@cache
def _solid_cuft_per_cord() -> dict[str, float]:
    table = load_table("cord_solid_cuft")
    return dict(zip(table["kind"], table["cuft_per_cord"], strict=True))


def cords(
    species_code: npt.ArrayLike,
    wood_cuft: npt.ArrayLike,
    *,
    cuft_per_cord: float | npt.ArrayLike | None = None,
) -> Array:
    """Return standard cords (128 stacked cu ft) that hold a solid volume of wood.

    Parameters
    ----------
    species_code : array_like of int
        Species codes.
    wood_cuft : array_like
        Solid wood, inside bark. [cu ft]
    cuft_per_cord : float or array_like, optional
        Solid wood in a cord; by default 81 for softwoods and 80 for hardwoods.

    Returns
    -------
    ndarray
        Cords.

    Raises
    ------
    DomainError
        If ``cuft_per_cord`` is not between 0 and the 128 cu ft of the stack.

    Notes
    -----
    The defaults are Midsouth pulpwood of 1965 as given by the Southern Regional Extension
    Forestry handbook. Other regions and years of that source print 75 to 82, and crooked or small
    wood holds less: use the local figure where there is one.

    Examples
    --------
    >>> cords([131, 802], [810.0, 800.0]).tolist()
    [10.0, 10.0]
    """
    codes, wood = columns(species_code, wood_cuft)
    if cuft_per_cord is None:
        solid = _solid_cuft_per_cord()
        softwood = attribute(codes.astype(np.int64), "softwood") == 1.0
        return wood / np.where(softwood, solid["softwood"], solid["hardwood"])
    (per_cord,) = columns(np.broadcast_to(np.asarray(cuft_per_cord, dtype=np.float64), len(wood)))
    require(
        (per_cord > 0) & (per_cord <= STACKED_CUFT_PER_CORD), "cuft_per_cord",
        "above 0 and at most 128", per_cord, "A cord is 128 cu ft stacked; the wood in it is less.",
    )  # fmt: skip
    return wood / per_cord
