"""Array kernels of the land: ring areas on the ellipsoid, and slope of a grid."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from pyproj import Geod

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def ring_areas_sqm(lon: Floats, lat: Floats, starts: Ints, geod: Geod) -> Floats:
    """Return the signed geodesic area of each ring.

    Parameters
    ----------
    lon, lat : ndarray
        Vertices of all rings, one after the other. [degrees]
    starts : ndarray
        Where each ring begins, and at the end the number of vertices; length rings + 1.
    geod : Geod
        The ellipsoid.

    Returns
    -------
    ndarray
        Area of each ring, positive where it runs counter-clockwise. [m2]

    Notes
    -----
    PROJ takes one ring a call; the vertices, where the time goes (about 0.4 microseconds
    each), are summed in C.
    """
    area = geod.polygon_area_perimeter
    return np.fromiter(
        (area(lon[a:b], lat[a:b])[0] for a, b in pairwise(starts)),
        dtype=np.float64,
        count=len(starts) - 1,
    )


def slope_pct_horn1981(elevation: Floats, cell_x: float, cell_y: float) -> Floats:
    r"""Return the slope of each cell from the eight around it.

    Parameters
    ----------
    elevation : ndarray
        (rows, columns), in the same unit as the cell sizes; NaN where unknown.
    cell_x, cell_y : float
        Cell width and height.

    Returns
    -------
    ndarray
        Slope in percent, NaN along the edge and wherever any of the nine cells is unknown.

    Notes
    -----
    .. math:: p = \frac{(c + 2f + i) - (a + 2d + g)}{8 \Delta x}, \quad
              q = \frac{(a + 2b + c) - (g + 2h + i)}{8 \Delta y}, \quad
              s = 100 \sqrt{p^2 + q^2}

    with the neighbourhood a b c / d e f / g h i read from the north-west.

    References
    ----------
    .. [1] Horn, B.K.P. 1981. Hill shading and the reflectance map. Proceedings of the IEEE
       69(1): 14-47.

    Examples
    --------
    A plane that rises 1 in 10 eastward:

    >>> import numpy as np
    >>> slope_pct_horn1981(np.array([[0.0, 1, 2], [0, 1, 2], [0, 1, 2]]), 10.0, 10.0)[1, 1]
    np.float64(10.0)
    """
    slope = np.full(elevation.shape, np.nan)
    if min(elevation.shape) < 3:
        return slope
    north, middle, south = elevation[:-2], elevation[1:-1], elevation[2:]
    columns = north + 2 * middle + south
    rows = elevation[:, :-2] + 2 * elevation[:, 1:-1] + elevation[:, 2:]
    rise_x = (columns[:, 2:] - columns[:, :-2]) / (8 * cell_x)
    rise_y = (rows[:-2] - rows[2:]) / (8 * cell_y)
    # The centre cell does not enter the formula; adding 0 x centre lets its NaN through.
    slope[1:-1, 1:-1] = 100 * np.hypot(rise_x, rise_y) + 0 * middle[:, 1:-1]
    return slope
