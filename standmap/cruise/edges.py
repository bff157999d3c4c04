"""Stand edges: what a circle that crosses the line misses, and how tallies put it right.

A tree near the edge of a stand can be reached from fewer points than one in the middle, for no
point is laid beyond the line. Unless the tally makes up for it, every figure of the stand is low.
Walkthrough and mirage make up for it tree by tree, by tallying some of them more than once. A
half circle turned away from the line, each tree of it counting twice (Grosenbaugh, L.R. 1958,
Point-sampling and line-sampling, USDA Forest Service Southern Forest Experiment Station Occasional
Paper 160, half sweeps, from memory), is right on average only where the woods by the line are like
the rest: a tree on the line itself is met from nowhere.
"""

from __future__ import annotations

from typing import Final, Literal

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from standmap.cruise import _edge_kernels
from standmap.cruise.designs import PlotParts
from standmap.errors import DomainError

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
EdgeMethod = Literal["none", "walkthrough", "mirage", "half_plot"]

EDGE_METHODS: Final[tuple[EdgeMethod, ...]] = ("none", "walkthrough", "mirage", "half_plot")
MOST_TIMES: Final = {"none": 1, "walkthrough": 2, "mirage": 4, "half_plot": 1}
"""How often one tree can count at one point: twice by walkthrough; by mirage once more for each
line and, in a square corner, once more for both."""


def tree_limits_ft(parts: PlotParts, plot_index: ArrayLike, dbh_in: ArrayLike) -> Floats:
    """Farthest each tree may stand from its plot's centre and still count.

    Parameters
    ----------
    parts : PlotParts
        The design, spelt out for the plots.
    plot_index : array_like of int
        Row of each tree's plot; negative for a tree that was set aside.
    dbh_in : array_like
        Diameters. [in]

    Returns
    -------
    ndarray
        Level distance to the middle of the stem: limiting distance on a point, radius on a plot
        (a strip or a complete tally is taken as a circle of its acres, which it is not: leave
        those out); NaN where no part takes the tree. [ft]

    Examples
    --------
    >>> from standmap.cruise import Design, Part
    >>> laid = Design.of(Part(design="point", baf=10)).lay_out(["oak"])
    >>> tree_limits_ft(laid, [0, 0], [12.0, 20.0])
    array([33., 55.])
    """
    return np.asarray(
        _edge_kernels.limiting_distances(
            np.ascontiguousarray(plot_index, dtype=np.intp),
            np.ascontiguousarray(dbh_in, dtype=np.float64),
            parts.kind,
            parts.size,
            parts.min_dbh_in,
            parts.max_dbh_in,
        )
    )


def share_inside_line(distance_ft: ArrayLike, radius_ft: ArrayLike) -> Floats:
    """Share of a circle that lies on the near side of a straight line.

    Parameters
    ----------
    distance_ft : array_like
        From the centre to the line; the centre is on the near side. [ft]
    radius_ft : array_like
        Radius of the circle. [ft]

    Returns
    -------
    ndarray
        From 0.5, centre on the line, to 1, line out of reach.

    Raises
    ------
    DomainError
        If a distance is negative or a radius not above 0.

    Notes
    -----
    One less the circular segment, with u = distance / radius:
    1 - (arccos u - u sqrt(1 - u^2)) / pi.

    Examples
    --------
    >>> share_inside_line([0, 16.5, 33, 50], 33).round(4)
    array([0.5   , 0.8045, 1.    , 1.    ])
    """
    distance = np.asarray(distance_ft, dtype=np.float64)
    radius = np.asarray(radius_ft, dtype=np.float64)
    if np.any(distance < 0) or np.any(~(radius > 0)):
        raise DomainError("'distance_ft' must be 0 or more and 'radius_ft' above 0.")
    u = np.minimum(distance / radius, 1.0)
    return np.asarray(1 - (np.arccos(u) - u * np.sqrt(1 - u**2)) / np.pi)


def edge_shortfall(perimeter_ft: ArrayLike, acres: ArrayLike, radius_ft: ArrayLike) -> Floats:
    r"""Share by which a cruise with no edge correction is expected to fall short.

    Parameters
    ----------
    perimeter_ft : array_like
        Length of the stand's lines, holes included. [ft]
    acres : array_like
        Its acres. [acres]
    radius_ft : array_like
        Radius of the plots, or mean limiting distance of the trees of a point sample. [ft]

    Returns
    -------
    ndarray
        Share of the trees' circles that lies outside the stand, from 0 to 1; the estimate is low
        by as much, if trees stand no thicker by the line than elsewhere and none from across it
        were tallied.

    Notes
    -----
    Points are laid evenly over the stand, so a tree is met in proportion to the part of its circle
    inside. Across a straight line the part outside, over distances 0 to R, has the mean width

    .. math:: \frac{1}{\pi R^2} \int_0^R R^2 (\arccos u - u \sqrt{1 - u^2}) \, dt = \frac{2R}{3\pi}

    with u = t / R, and so the share is 2 R P / (3 pi A). It takes lines as straight and the stand
    as wide: corners take off a little, of order (R / width)^2.

    References
    ----------
    .. [1] Our own integral of the circular segment, checked by simulation (tests/cruise).

    Examples
    --------
    A 40-acre square, BAF 10, trees of 14 inches: 2.5 percent low.

    >>> float(edge_shortfall(4 * 1320, 40, 38.5).round(4))
    0.0248
    """
    area = np.asarray(acres, dtype=np.float64) * 43_560.0
    reach = np.asarray(radius_ft, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = 2 * reach * np.asarray(perimeter_ft, dtype=np.float64) / (3 * np.pi * area)
    return np.asarray(np.minimum(share, 1.0))


def walkthrough_times(
    point_xy: ArrayLike, tree_xy: ArrayLike, stand: shapely.Polygon | shapely.MultiPolygon
) -> Ints:
    """How often each tallied tree counts by the walkthrough method.

    Parameters
    ----------
    point_xy, tree_xy : array_like, shape (n, 2)
        Where each tally's point and tree stand, in a plane.
    stand : Polygon or MultiPolygon
        The stand, in the same plane.

    Returns
    -------
    ndarray of int, shape (n,)
        2 where the spot beyond the tree, in line with the point and as far again, is off the
        stand; else 1. Whether the tree is in at all is the caller's to know.

    Notes
    -----
    Walk from the point to the tree and the same distance on; if that ends outside, tally the tree
    twice. A spot and its opposite take each other's place over the tree's circle, so the spots
    inside whose opposite is outside make up for those outside, whatever the line's shape. Only
    where a spot and its opposite are both outside does a little stay missing: in sharp corners
    that point outwards, and where the ground is narrower than a tree's circle.

    References
    ----------
    .. [1] Ducey, M.J., J.H. Gove, and H.T. Valentine. 2004. A walkthrough solution to the boundary
       overlap problem. Forest Science 50:427-435 (from memory).

    Examples
    --------
    A point 10 ft inside a line, trees towards and away from it:

    >>> stand = shapely.box(0, 0, 1000, 1000)
    >>> walkthrough_times([[10, 500], [10, 500]], [[4, 500], [16, 500]], stand)
    array([2, 1])
    """
    point, tree = _pairs(point_xy, tree_xy)
    ring_xy, ring_start = _rings(stand)
    return np.asarray(_edge_kernels.walkthrough_times(point, tree, ring_xy, ring_start))


def mirage_times(
    point_xy: ArrayLike, tree_xy: ArrayLike, radius: ArrayLike, stand: shapely.Polygon
) -> Ints:
    """How often each tree counts by the mirage method.

    Parameters
    ----------
    point_xy, tree_xy : array_like, shape (n, 2)
        Where each tally's point and tree stand, in a plane.
    radius : array_like, shape (n,)
        Farthest the tree may stand from a point and count, in the unit of the plane.
    stand : Polygon
        The stand; its lines should be straight over a circle's width and its corners square.

    Returns
    -------
    ndarray of int, shape (n,)
        Times the tree is in: from the point, from its image over each line, and from its image
        over both lines of a square corner. 0 where it is out from all.

    Notes
    -----
    The part of a tree's circle beyond a straight line, folded back over it, lies inside, so that
    images make up for it exactly. In a corner that is not square, or by a crooked line, they do
    not: use the walkthrough there. The cruiser must be able to stand on the image beyond the line.

    References
    ----------
    .. [1] Schmid-Haas, P. 1969. Stichproben am Waldrand. Mitteilungen der Schweizerischen Anstalt
       fuer das Forstliche Versuchswesen 45:234-303 (from memory).
    .. [2] Beers, T.W. 1977. Practical correction of boundary overlap. Southern Journal of Applied
       Forestry 1:16-18 (from memory).

    Examples
    --------
    A point 10 ft from a line: a tree 12 ft from it is in from the image 10 ft beyond, too.

    >>> stand = shapely.box(0, 0, 1000, 1000)
    >>> mirage_times([[10, 500], [10, 500]], [[12, 500], [30, 500]], [25, 25], stand)
    array([2, 1])
    """
    point, tree = _pairs(point_xy, tree_xy)
    reach = np.ascontiguousarray(np.broadcast_to(radius, point.shape[:1]), dtype=np.float64)
    return np.asarray(_edge_kernels.mirage_times(point, tree, reach, _lines(stand)))


def _pairs(point_xy: ArrayLike, tree_xy: ArrayLike) -> tuple[Floats, Floats]:
    point = np.ascontiguousarray(point_xy, dtype=np.float64)
    tree = np.ascontiguousarray(tree_xy, dtype=np.float64)
    if point.shape != tree.shape or point.ndim != 2 or point.shape[1] != 2:
        raise DomainError(
            "'point_xy' and 'tree_xy' must be two columns of the same length; got "
            f"{point.shape} and {tree.shape}."
        )
    return point, tree


def _rings(stand: shapely.Polygon | shapely.MultiPolygon) -> tuple[Floats, Ints]:
    """Return the corners of every ring, one after the other, and where each begins."""
    rings = shapely.get_rings(stand)
    xy, ring = shapely.get_coordinates(rings, return_index=True)
    sizes = np.bincount(ring, minlength=len(rings))
    return np.ascontiguousarray(xy), np.concatenate([[0], np.cumsum(sizes)]).astype(np.int64)


def _lines(stand: shapely.Polygon) -> Floats:
    """Return a point on each side of a polygon and its unit normal; sides in line are one."""
    plain = shapely.normalize(shapely.simplify(stand, 0.0))
    corners = shapely.get_coordinates(shapely.get_exterior_ring(plain))
    along = np.diff(corners, axis=0)
    along = along / np.hypot(along[:, 0], along[:, 1])[:, None]
    return np.ascontiguousarray(np.column_stack([corners[:-1], -along[:, 1], along[:, 0]]))
