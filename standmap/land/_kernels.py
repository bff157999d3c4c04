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


def gradient_horn1981(elevation: Floats, cell_x: float, cell_y: float) -> tuple[Floats, Floats]:
    """Return the rise eastward and northward of each cell from the eight around it.

    Parameters
    ----------
    elevation : ndarray
        (rows, columns), north up, in the same unit as the cell sizes; NaN where unknown.
    cell_x, cell_y : float
        Cell width and height.

    Returns
    -------
    rise_x, rise_y : ndarray
        Rise over run, NaN along the edge and wherever any of the nine cells is unknown.

    References
    ----------
    .. [1] Horn, B.K.P. 1981. Hill shading and the reflectance map. Proceedings of the IEEE
       69(1): 14-47.
    """
    rise_x = np.full(elevation.shape, np.nan)
    rise_y = np.full(elevation.shape, np.nan)
    if min(elevation.shape) < 3:
        return rise_x, rise_y
    north, middle, south = elevation[:-2], elevation[1:-1], elevation[2:]
    columns = north + 2 * middle + south
    rows = elevation[:, :-2] + 2 * elevation[:, 1:-1] + elevation[:, 2:]
    # The centre cell does not enter the formula; adding 0 x centre lets its NaN through.
    unknown = 0 * middle[:, 1:-1]
    rise_x[1:-1, 1:-1] = (columns[:, 2:] - columns[:, :-2]) / (8 * cell_x) + unknown
    rise_y[1:-1, 1:-1] = (rows[:-2] - rows[2:]) / (8 * cell_y) + unknown
    return rise_x, rise_y


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
    rise_x, rise_y = gradient_horn1981(elevation, cell_x, cell_y)
    return 100 * np.hypot(rise_x, rise_y)


def aspect_degrees(rise_x: Floats, rise_y: Floats) -> Floats:
    """Return the compass bearing the ground faces, downhill: 0 north, 90 east.

    NaN where the ground is level or unknown.

    Examples
    --------
    Ground that rises northward faces south:

    >>> float(aspect_degrees(np.array([0.0]), np.array([0.1]))[0])
    180.0
    """
    bearing = np.degrees(np.arctan2(-rise_x, -rise_y)) % 360
    return np.where((rise_x == 0) & (rise_y == 0), np.nan, bearing)


def relief_shade(rise_x: Floats, rise_y: Floats, sun_azimuth: float, sun_altitude: float) -> Floats:
    r"""Return how brightly the sun lights the ground, 0 (in its own shade) to 1.

    Parameters
    ----------
    rise_x, rise_y : ndarray
        Rise over run eastward and northward.
    sun_azimuth, sun_altitude : float
        Where the sun stands. [degrees, clockwise from north; above the horizon]

    Returns
    -------
    ndarray
        Cosine of the angle between sun and ground's normal, 0 where the ground faces away.

    Notes
    -----
    .. math:: R = \frac{1 + p p_s + q q_s}{\sqrt{1 + p^2 + q^2} \sqrt{1 + p_s^2 + q_s^2}}

    with the sun's gradient p_s, q_s, here as the product of unit vectors.

    References
    ----------
    .. [1] Horn, B.K.P. 1981. Hill shading and the reflectance map. Proceedings of the IEEE
       69(1): 14-47.
    """
    azimuth, altitude = np.radians(sun_azimuth), np.radians(sun_altitude)
    east, north = np.sin(azimuth) * np.cos(altitude), np.cos(azimuth) * np.cos(altitude)
    light = np.sin(altitude) - rise_x * east - rise_y * north
    return np.asarray(np.maximum(light / np.sqrt(1 + rise_x**2 + rise_y**2), 0))


def operability_class(slope_pct: Floats, limits_pct: Floats) -> Ints:
    """Return the class of each slope: 0 to the first limit, 1 over it, ...; -1 where unknown.

    A slope on a limit is within it.
    """
    found = np.searchsorted(limits_pct, slope_pct, side="left")
    return np.where(np.isnan(slope_pct), -1, found).astype(np.int64)
