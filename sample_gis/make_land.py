"""Land of the sample tract: its outline, stands, streams, exclusions and harvest units.

Every line follows the ground. Stands meet where ridges, draws and slope breaks part them, and are
built from shared border lines, so that they tile the tract with no gap and no overlap.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import contourpy
import geopandas as gpd
import numpy as np
import shapely
from make_terrain import (
    CELL_M,
    CRS,
    FT,
    NORTH_M,
    WEST_M,
    Grid,
    Ground,
    above_channel,
    smooth_noise,
)
from numpy.typing import NDArray
from scipy import ndimage, sparse
from scipy.sparse import csgraph
from shapely.geometry import LineString, MultiLineString, Point, Polygon
from shapely.geometry.base import BaseGeometry

# Corners of the tract as (column, row) of the ground grid, clockwise from the north-west, with
# straight calls between them but for RIDGE_CALLS, which run "with the crest of the ridge".
CORNERS = (
    (101, 136), (129, 128), (146, 109), (181, 113), (198, 122), (233, 130), (257, 161),
    (253, 205), (242, 243), (229, 264), (217, 305), (172, 313), (149, 301), (112, 308),
    (103, 270), (107, 243), (97, 208), (93, 182),
)  # fmt: skip
RIDGE_CALLS = (14, 15, 16, 17)

# (stand, stratum, points inside it as (column, row)); several points make a stand long.
STANDS = (
    ("1", "upland oak-hickory", ((104, 147), (100, 165), (97, 186), (116, 140))),
    ("2", "cove hardwood", ((112, 176), (122, 196), (112, 199))),
    ("3", "upland oak-hickory", ((104, 224), (120, 234), (140, 233), (150, 236))),
    ("4", "cove hardwood", ((125, 246), (142, 254), (153, 256))),
    ("5", "upland oak-hickory", ((112, 258), (124, 272), (114, 290), (132, 264))),
    ("6", "white pine-hardwood", ((146, 278), (158, 292), (166, 276), (150, 268))),
    ("7", "bottomland hardwood", ()),
    ("8", "loblolly pine plantation", ((196, 163), (207, 181), (200, 148))),
    ("9", "young regeneration", ((152, 158), (167, 152), (141, 168))),
    ("10", "upland oak-hickory", ((176, 186), (182, 204), (184, 222), (162, 186))),
    ("11", "white pine-hardwood", ((137, 212), (160, 216), (150, 204))),
    ("12", "upland oak-hickory", ((150, 124), (170, 128), (135, 136))),
    ("13", "redcedar old field", ((236, 186), (240, 170), (238, 203))),
    ("14", "loblolly pine plantation", ((209, 244), (208, 262), (222, 232), (227, 254))),
    ("15", "cove hardwood", ((204, 207), (200, 220), (190, 197))),
    ("16", "upland oak-hickory", ((207, 285), (199, 296), (201, 275))),
    ("17", "cove hardwood", ((176, 262), (176, 282), (172, 297))),
)
NEVER_CRUISED = "12"
HOLE = ((221, 246), 70.0)  # a neighbour's hay field inside stand 14, part of no stand: centre, m
BOTTOM = "7"

# Points and lines as (column, row) of the ground grid.
LANDINGS = {"A": (200, 195), "B": (177, 209), "C": (170, 289)}
GATE = (253, 196)  # where the roads leave the tract, for the county road to the east
ROADS = (("landing road", "A"), ("ridge road", "B"), ("south road", "C"))
CROSSINGS = (
    ("temporary bridge", ((205.0, 178.0), (205.0, 182.2))),
    ("temporary bridge", ((205.0, 164.0), (205.0, 168.6))),
    ("temporary bridge", ((154.5, 290.0), (160.5, 290.0))),
    ("power line crossing", ((164.0, 186.4), (168.0, 190.4))),
)

STREAM_CLASSES = (("perennial", 60.0), ("intermittent", 9.0), ("ephemeral", 2.8))
"""Class, and the ground it takes to feed one. [ha]"""
CLEAR_FT = {"perennial": 75.0, "intermittent": 50.0, "ephemeral": 25.0}
"""How far from the mapped line units B and C were laid out; the rules are in rules.csv. [ft]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Land:
    """The vector layers of the tract, in ``CRS``.

    Attributes
    ----------
    stands : GeoDataFrame
        ``stand``, ``type`` and polygons that share their borders exactly.
    streams : GeoDataFrame
        ``class`` (perennial, intermittent, ephemeral), ``channel_ft`` (from bank to bank) and
        lines, drawn downstream.
    exclusions : GeoDataFrame
        ``reason`` and polygons: ground that no cruise and no harvest enters.
    units : GeoDataFrame
        ``unit`` and polygons of the three proposed harvest units.
    landings : GeoDataFrame
        ``unit`` and the point each unit's logs are brought to; flat places that a truck can reach.
    roads : GeoDataFrame
        ``name``, ``kind`` and lines from the gate to each landing; old ones, laid out for easy
        grades close beside the water.
    crossings : GeoDataFrame
        ``kind`` and the lines where logs may be skidded over ground that stays.
    """

    stands: gpd.GeoDataFrame
    streams: gpd.GeoDataFrame
    exclusions: gpd.GeoDataFrame
    units: gpd.GeoDataFrame
    landings: gpd.GeoDataFrame
    crossings: gpd.GeoDataFrame
    roads: gpd.GeoDataFrame


def to_map(col: object, row: object) -> tuple[Grid, Grid]:
    """Return the map coordinates of the centres of grid cells, in metres."""
    x = WEST_M + (np.asarray(col, dtype=float) + 0.5) * CELL_M
    y = NORTH_M - (np.asarray(row, dtype=float) + 0.5) * CELL_M
    return x, y


def smooth_line(xy: Grid, sigma_m: float, *, step_m: float = 4.0) -> Grid:
    """Round the corners of a line; an open line keeps its ends, a ring stays closed."""
    line = LineString(xy)
    n = max(int(line.length / step_m), 4)
    along = shapely.line_interpolate_point(line, np.linspace(0, 1, n + 1), normalized=True)
    points = shapely.get_coordinates(along)
    sigma = sigma_m / (line.length / n)
    if np.array_equal(xy[0], xy[-1]):
        ring = ndimage.gaussian_filter1d(points[:-1], sigma, axis=0, mode="wrap")
        return np.vstack([ring, ring[:1]])
    # Reflected through each end point, a line keeps its ends exactly where they were.
    longer = np.vstack([2 * points[0] - points[:0:-1], points, 2 * points[-1] - points[-2::-1]])
    smoothed = ndimage.gaussian_filter1d(longer, min(sigma, n / 4), axis=0, mode="nearest")
    inner: Grid = smoothed[n : 2 * n + 1]
    inner[0], inner[-1] = points[0], points[-1]
    return inner


def tract_outline() -> Polygon:
    """Outline of the tract: surveyed calls, but the west side runs with the crest of the ridge."""
    points = []
    for k, corner in enumerate(CORNERS):
        end = CORNERS[(k + 1) % len(CORNERS)]
        points.append(np.column_stack(to_map(*corner)))
        if k in RIDGE_CALLS:
            t = np.linspace(0, 1, 12)[1:-1, None]
            bow = np.sin(np.pi * t) * np.array([[26.0, -9.0]]) * (-1) ** k
            straight = points[-1] * (1 - t) + np.column_stack(to_map(*end)) * t
            points.append(straight + bow)
    return Polygon(np.vstack(points))


def _stand_labels(ground: Ground) -> NDArray[np.int64]:
    """Give every cell to the stand that reaches it with the least change of site on the way."""
    shape = ground.moisture.shape
    site = ndimage.gaussian_filter(ground.moisture, 1.5)
    rng = np.random.default_rng(77)
    site = site + 0.35 * smooth_noise(rng, shape, 6.0)
    index = np.arange(site.size).reshape(shape)
    start, end, cost = [], [], []
    for dr, dc in ((0, 1), (1, 0), (1, 1), (1, -1)):
        a = index[: shape[0] - dr, max(0, -dc) : shape[1] - max(0, dc)]
        b = index[dr:, max(0, dc) : shape[1] - max(0, -dc)]
        change = np.abs(site.ravel()[a] - site.ravel()[b])
        start.append(a.ravel())
        end.append(b.ravel())
        cost.append((np.hypot(dr, dc) * (1 + 9.0 * change)).ravel())
    graph = sparse.coo_matrix(
        (np.concatenate(cost), (np.concatenate(start), np.concatenate(end))),
        shape=(site.size, site.size),
    ).tocsr()
    seeds, owner = [], []
    for k, (_, _, points) in enumerate(STANDS):
        for col, row in points:
            seeds.append(row * shape[1] + col)
            owner.append(k)
    _, _, source = csgraph.dijkstra(
        graph, directed=False, indices=seeds, min_only=True, return_predecessors=True
    )
    of_seed = np.full(site.size, -1)
    of_seed[seeds] = owner
    labels = of_seed[source].reshape(shape)
    labels = _round_off(labels)
    bottom = ndimage.gaussian_filter(above_channel(ground, 150.0), 1.5) < 3.2
    pieces, count = ndimage.label(bottom)
    sizes = ndimage.sum_labels(bottom, pieces, np.arange(count + 1))
    labels[np.isin(pieces, np.flatnonzero(sizes > 600)) & bottom] = [s[0] for s in STANDS].index(
        BOTTOM
    )
    return _round_off(labels)


def _round_off(labels: NDArray[np.int64], cells: float = 1.5) -> NDArray[np.int64]:
    """Give each cell to the stand that holds most of its surroundings."""
    hold = [ndimage.gaussian_filter((labels == k).astype(float), cells) for k in range(len(STANDS))]
    return np.argmax(hold, axis=0)


def _border_lines(labels: NDArray[np.int64]) -> list[LineString]:
    """Borders between unlike cells, joined from corner to corner and smoothed."""
    r, c = np.nonzero(labels[:, 1:] != labels[:, :-1])
    upright = np.stack([np.stack([c + 1, r], -1), np.stack([c + 1, r + 1], -1)], 1)
    r, c = np.nonzero(labels[1:, :] != labels[:-1, :])
    level = np.stack([np.stack([c, r + 1], -1), np.stack([c + 1, r + 1], -1)], 1)
    edges = np.vstack([upright, level]) * CELL_M
    edges = edges * [1, -1] + [WEST_M, NORTH_M]
    merged = shapely.line_merge(MultiLineString(list(edges)))
    return [LineString(smooth_line(shapely.get_coordinates(g), 16.0)) for g in merged.geoms]


def make_stands(ground: Ground) -> gpd.GeoDataFrame:
    """Stand polygons that tile the tract, from one set of shared border lines."""
    labels = _stand_labels(ground)
    outline = tract_outline()
    hole = blob(HOLE[0], HOLE[1], seed=5)
    lines = [line.simplify(0.7) for line in _border_lines(labels)]
    network = shapely.union_all([*lines, outline.exterior, hole.exterior], grid_size=0.01)
    faces = gpd.GeoSeries(shapely.get_parts(shapely.polygonize([network])), crs=CRS)
    inner = faces.representative_point()
    faces = faces[inner.within(outline) & ~inner.within(hole)].reset_index(drop=True)
    inner = faces.representative_point()
    col = ((inner.x - WEST_M) / CELL_M).astype(int)
    row = ((NORTH_M - inner.y) / CELL_M).astype(int)
    owner = labels[row, col]
    owner = _absorb_scraps(faces, owner)
    stands = gpd.GeoDataFrame({"k": owner}, geometry=faces).dissolve("k").reset_index()
    stands["stand"] = [STANDS[k][0] for k in stands["k"]]
    stands["type"] = [STANDS[k][1] for k in stands["k"]]
    return stands[["stand", "type", "geometry"]]


def _absorb_scraps(faces: gpd.GeoSeries, owner: NDArray[np.int64]) -> NDArray[np.int64]:
    """Give every piece cut off from the main body of its stand to the neighbour it touches most."""
    owner = owner.copy()
    area = faces.area.to_numpy()
    main = {k: int(np.argmax(np.where(owner == k, area, 0))) for k in np.unique(owner)}
    scraps = [i for i in np.argsort(area) if i not in main.values()]
    for i in scraps:
        shared = faces.intersection(faces.iloc[i]).length.to_numpy(copy=True)
        shared[i] = 0
        owner[i] = owner[int(np.argmax(shared))]
    return owner


def blob(
    centre: tuple[float, float], radius_m: float, *, seed: int, stretch: float = 1.25
) -> Polygon:
    """Return a rounded, uneven patch such as an old field or a home site leaves."""
    rng = np.random.default_rng(seed)
    angle = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    reach = np.ones_like(angle)
    for wave in (2, 3, 4, 5, 7):
        reach += 0.22 / wave * rng.standard_normal() * np.cos(wave * angle + rng.uniform(0, 6.3))
    x0, y0 = to_map(*centre)
    turn = rng.uniform(0, np.pi)
    x, y = radius_m * reach * np.cos(angle) * stretch, radius_m * reach * np.sin(angle) / stretch
    return Polygon(
        np.column_stack(
            [
                x0 + x * np.cos(turn) - y * np.sin(turn),
                y0 + x * np.sin(turn) + y * np.cos(turn),
            ]
        )
    )


def make_streams(ground: Ground, outline: Polygon) -> gpd.GeoDataFrame:
    """Streams where the ground gathers water, from each head or fork down to the next."""
    drainage = ground.drainage_ha.ravel()
    down = ground.downstream.ravel()
    rank = np.full(drainage.size, -1)
    for k, (_, least) in reversed(list(enumerate(STREAM_CLASSES))):
        rank[drainage >= least] = k
    wet = np.flatnonzero(rank >= 0)
    feeders = np.bincount(down[wet], minlength=drainage.size)
    # A line begins at a head, at a fork, and where the class changes; it runs to the next such.
    stops = {*wet[feeders[wet] != 1].tolist(), *down[wet][rank[down[wet]] != rank[wet]].tolist()}
    shape = ground.moisture.shape
    rng = np.random.default_rng(11)
    # Water wanders: one smooth shift field moves every line, so that forks stay joined.
    wander = [7.0 * smooth_noise(rng, shape, 3.5) for _ in range(2)]
    names, lines, widths = [], [], []
    for k in sorted(stops):
        path = [k]
        while down[path[-1]] != path[-1]:
            path.append(down[path[-1]])
            if path[-1] in stops:
                break
        if len(path) < 2:
            continue
        row, col = np.divmod(np.array(path), shape[1])
        x, y = to_map(col, row)
        xy = np.column_stack([x + wander[0][row, col], y + wander[1][row, col]])
        names.append(STREAM_CLASSES[rank[k]][0])
        widths.append(channel_ft(float(np.median(drainage[path[:-1]]))))
        lines.append(LineString(smooth_line(xy, 14.0)).simplify(0.5))
    near = outline.buffer(40.0)
    streams = gpd.GeoDataFrame({"class": names, "channel_ft": widths}, geometry=lines, crs=CRS)
    streams = streams[streams.intersects(outline)].copy()
    streams["geometry"] = streams.intersection(near)
    streams = streams.explode(ignore_index=True)
    return streams[streams.length > 1.0].reset_index(drop=True)


def channel_ft(drainage_ha: float) -> float:
    """Return the width of a channel from the ground that feeds it, invented: to the half foot."""
    square_miles = drainage_ha / 258.998811
    return round(2 * 12.0 * square_miles**0.43) / 2


def contour(values: Grid, level: float) -> BaseGeometry:
    """Polygons where smoothed grid values are above a level (the mask of a patch, or a depth)."""
    rows, cols = values.shape
    x, y = to_map(np.arange(cols), np.arange(rows))
    drawn = contourpy.contour_generator(x, y, values, fill_type=contourpy.FillType.OuterOffset)
    points, offsets = drawn.filled(level, np.inf)
    parts = [
        Polygon(p[o[0] : o[1]], [p[a:b] for a, b in pairwise(o[1:])])
        for p, o in zip(points, offsets, strict=True)
    ]
    return shapely.union_all(parts)


def power_line() -> Polygon:
    """Right-of-way of the power line, 100 feet wide, on beyond the tract at both ends."""
    line = LineString(np.column_stack(to_map([232, 214, 128, 60], [94, 141, 226, 257])))
    return line.buffer(50 * FT, cap_style="flat", join_style="mitre")


def make_exclusions(ground: Ground, outline: Polygon) -> gpd.GeoDataFrame:
    """Home site, graveyard, wetland and power line: ground that stays as it is."""
    rows, cols = np.indices(ground.moisture.shape)
    near = np.exp(-(((rows - 243) ** 2 + (cols - 187) ** 2) / 14.0**2))
    depth = ndimage.gaussian_filter(above_channel(ground, 150.0), 1.0)
    wetland = max(shapely.get_parts(contour(near - 0.30 * depth, 0.16)), key=lambda part: part.area)
    home = blob((231, 194), 38.0, seed=8)
    graves = blob((128, 141), 17.0, seed=9)
    made = gpd.GeoDataFrame(
        {"reason": ["old home site", "graveyard", "wetland", "power line"]},
        geometry=[home, graves, wetland, power_line()],
        crs=CRS,
    )
    made["geometry"] = made.intersection(outline)
    return made


def make_units(
    ground: Ground, stands: gpd.GeoDataFrame, streams: gpd.GeoDataFrame
) -> gpd.GeoDataFrame:
    """Three harvest units; the first was laid out without looking at the creek."""
    shape = stands.set_index("stand").geometry
    rows, cols = np.indices(ground.moisture.shape)
    rng = np.random.default_rng(21)
    ragged = 3.0 * smooth_noise(rng, rows.shape, 5.0)

    def around(centre: tuple[float, float], reach: float, lean: float, tall: float) -> BaseGeometry:
        x, y = cols - centre[0], rows - centre[1]
        u = x * np.cos(lean) + y * np.sin(lean)
        v = -x * np.sin(lean) + y * np.cos(lean)
        within = reach + ragged - np.hypot(u / tall, v * tall)
        return contour(ndimage.gaussian_filter(within, 1.0), 0.0)

    widths = streams["class"].map(CLEAR_FT).to_numpy() * FT
    kept = shapely.union_all(streams.buffer(widths + 6.0).to_numpy())
    creek = around((209, 172), 15.5, 1.3, 1.15).intersection(
        shapely.union_all(shape[["8", BOTTOM]].to_numpy())
    )
    ridge = around((177, 194), 15.5, 1.2, 1.12).intersection(shape["10"]).difference(kept)
    south = around((120, 274), 18.0, 1.1, 1.1).intersection(shape["5"]).difference(kept)
    parts = []
    for unit in (creek, ridge, south):
        tidy = unit.buffer(-9.0).buffer(18.0).buffer(-9.0).intersection(unit)
        parts.append(max(shapely.get_parts(tidy), key=lambda part: part.area).simplify(0.7))
    return gpd.GeoDataFrame({"unit": ["A", "B", "C"]}, geometry=parts, crs=CRS)


def make_landings() -> gpd.GeoDataFrame:
    """Return a landing for each unit."""
    points = [Point(to_map(*place)) for place in LANDINGS.values()]
    return gpd.GeoDataFrame({"unit": list(LANDINGS)}, geometry=points, crs=CRS)


def make_crossings() -> gpd.GeoDataFrame:
    """Where logs may be skidded over a draw or under the power line, from bank to bank."""
    lines = [LineString(np.column_stack(to_map(*zip(*ends, strict=True)))) for _, ends in CROSSINGS]
    return gpd.GeoDataFrame({"kind": [kind for kind, _ in CROSSINGS]}, geometry=lines, crs=CRS)


def make_roads(ground: Ground, outline: Polygon) -> gpd.GeoDataFrame:
    """Roads from the gate to each landing, over the easiest ground; later ones join earlier."""
    shape = ground.elevation_m.shape
    index = np.arange(ground.elevation_m.size).reshape(shape)
    z = ground.elevation_m.ravel()
    x, y = to_map(*np.indices(shape)[::-1])
    off = ~shapely.contains_xy(outline, x.ravel(), y.ravel())
    bed = ndimage.binary_dilation(ground.drainage_ha >= STREAM_CLASSES[-1][1]).ravel()
    start, end, run = [], [], []
    for dr, dc in ((0, 1), (1, 0), (1, 1), (1, -1)):
        a = index[: shape[0] - dr, max(0, -dc) : shape[1] - max(0, dc)].ravel()
        b = index[dr:, max(0, dc) : shape[1] - max(0, -dc)].ravel()
        start.append(a)
        end.append(b)
        run.append(np.full(a.size, np.hypot(dr, dc) * CELL_M))
    a, b, far = (np.concatenate(part) for part in (start, end, run))
    cost = far * (1 + (np.abs(z[a] - z[b]) / far / 0.06) ** 2) * np.where(off[a] | off[b], 50, 1)
    cost = cost * np.where(bed[a] | bed[b], 8, 1)  # beside the water, but not in it
    joined = np.array([index[GATE[::-1]]])
    lines = []
    for _, unit in ROADS:
        graph = sparse.coo_matrix((cost, (a, b)), shape=(z.size, z.size)).tocsr()
        col, row = LANDINGS[unit]
        _, before, source = csgraph.dijkstra(
            graph, directed=False, indices=joined, min_only=True, return_predecessors=True
        )
        path = [index[row, col]]
        while path[-1] != source[path[0]]:
            path.append(before[path[-1]])
        joined = np.union1d(joined, path)
        rows, cols = np.divmod(np.array(path[::-1]), shape[1])
        line = LineString(smooth_line(np.column_stack(to_map(cols, rows)), 12.0))
        lines.append(line.simplify(0.5))
    names = [name for name, _ in ROADS]
    return gpd.GeoDataFrame({"name": names, "kind": "road"}, geometry=lines, crs=CRS)


def make_land(ground: Ground) -> Land:
    """Lay stands, streams, exclusions and units on the ground."""
    outline = tract_outline()
    stands = make_stands(ground)
    streams = make_streams(ground, outline)
    return Land(
        stands=stands,
        streams=streams,
        exclusions=make_exclusions(ground, outline),
        units=make_units(ground, stands, streams),
        landings=make_landings(),
        crossings=make_crossings(),
        roads=make_roads(ground, outline),
    )
