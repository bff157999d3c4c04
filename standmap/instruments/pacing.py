"""The pace card: chains into the user's own paces."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from standmap.errors import DomainError

Floats = NDArray[np.float64]

CHAIN_FT: Final = 66.0
"""Feet in a surveyor's chain; 80 to the mile, 10 square chains to the acre."""

CARD_CHAINS: Final = (0.25, 0.5, 0.75, 1, 1.5, 2, 2.5, 3, 4, 5, 6, 8, 10)
CARD_SLOPES_PCT: Final = (0, 20, 40, 60)


def paces(distance_ft: ArrayLike, paces_per_chain: float, *, slope_pct: ArrayLike = 0.0) -> Floats:
    """Paces that cover a level distance.

    Parameters
    ----------
    distance_ft : array_like
        Level distance, 0 or more. [ft]
    paces_per_chain : float
        The walker's own count over a taped chain of 66 ft, single or double steps alike, as long
        as they are counted the same way in the woods.
    slope_pct : array_like
        Slope along the line walked. [percent]

    Returns
    -------
    ndarray
        Paces: distance x sqrt(1 + (slope / 100)^2) / 66 x count. The ground is that much longer;
        steps that shorten on a slope are not in it.

    Raises
    ------
    DomainError
        If a distance is negative, or the count is not 5 to 60 per chain.

    Examples
    --------
    >>> paces([66, 330], 12.5)
    array([12.5, 62.5])
    """
    if not 5 <= paces_per_chain <= 60:
        raise DomainError(
            f"'paces_per_chain' must be 5 to 60; got {paces_per_chain:g}. Count your paces over "
            "a taped chain (66 ft), several times, on ground like the tract's."
        )
    distance = np.asarray(distance_ft, dtype=np.float64)
    if not np.all(distance >= 0):
        raise DomainError("'distance_ft' must be 0 ft or more.")
    slope = np.asarray(slope_pct, dtype=np.float64) / 100
    return np.asarray(distance * np.sqrt(1 + slope**2) / CHAIN_FT * paces_per_chain)


def pace_card(paces_per_chain: float) -> pd.DataFrame:
    """Chains, feet and paces, flat and on slopes.

    Parameters
    ----------
    paces_per_chain : float
        The walker's own count; see `paces`.

    Returns
    -------
    DataFrame
        ``chains``, ``feet``, and ``paces_0_pct``, ``paces_20_pct``, ... by slope.

    Raises
    ------
    DomainError
        If the count is not 5 to 60 per chain.

    Examples
    --------
    >>> pace_card(12.5).query("chains == 2")[["feet", "paces_0_pct"]].to_numpy().tolist()
    [[132.0, 25.0]]
    """
    chains = np.asarray(CARD_CHAINS)
    feet = chains * CHAIN_FT
    return pd.DataFrame(
        {
            "chains": chains,
            "feet": feet,
            **{
                f"paces_{slope}_pct": paces(feet, paces_per_chain, slope_pct=slope)
                for slope in CARD_SLOPES_PCT
            },
        }
    )
