"""The limiting-distance table of a point sample."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from standmap.cruise import limiting_distance_ft

TABLE_DBH_IN: Final = tuple(range(4, 41))


def limiting_distance_table(baf: float, dbh_in: ArrayLike = TABLE_DBH_IN) -> pd.DataFrame:
    """How far a tree may stand from the point and still count.

    Parameters
    ----------
    baf : float
        Basal area factor. [sq ft/acre]
    dbh_in : array_like
        Diameters. [in]

    Returns
    -------
    DataFrame
        ``dbh_in``, ``to_centre_ft`` and ``to_face_ft``: level feet from the point to the middle of
        the stem (seen from the side) and to its near face, at breast height.

    Raises
    ------
    DomainError
        If the factor or a diameter is not above 0.

    Examples
    --------
    A 12-inch tree at BAF 10 counts to 33 ft (Iles, wrong plot radius factor):

    >>> limiting_distance_table(10, [12])["to_centre_ft"].tolist()
    [33.0]
    """
    dbh = np.asarray(dbh_in, dtype=np.float64)
    return pd.DataFrame(
        {
            "dbh_in": dbh,
            "to_centre_ft": limiting_distance_ft(dbh, baf),
            "to_face_ft": limiting_distance_ft(dbh, baf, to="face"),
        }
    )
