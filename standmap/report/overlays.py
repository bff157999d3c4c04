"""Rasters as quiet pictures under the map: relief and canopy height."""

from __future__ import annotations

import io
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import matplotlib.image
import numpy as np
import numpy.typing as npt
from affine import Affine
from matplotlib.colors import LinearSegmentedColormap
from pyproj import Transformer
from rasterio.enums import Resampling
from rasterio.vrt import WarpedVRT

from standmap._rasters import ft_per_unit, open_raster
from standmap.land import SUN_ALTITUDE, SUN_AZIMUTH, gradient_horn1981, relief_shade
from standmap.report.colours import CANOPY_RAMP
from standmap.report.offline import data_uri

if TYPE_CHECKING:
    from standmap.appraisal import Appraisal

MOST_PIXELS: Final = 900
"""Longer side of a picture. [px]"""

_MARGIN: Final = 0.06

FloatArray = npt.NDArray[np.float64]


def overlays(appraisal: Appraisal) -> list[dict[str, Any]]:
    """Return the pictures that the tract's rasters give, each placed by its corners.

    Parameters
    ----------
    appraisal : Appraisal
        With the tract's raster files still where they were.

    Returns
    -------
    list of dict
        ``key``, ``name``, ``image`` (a data address), ``bounds`` (south-west and north-east as
        latitude, longitude), ``shown``, ``opacity``, ``note``. None for a tract with no rasters.
    """
    named = appraisal.settings.rasters
    folder = Path(appraisal.tract.path)
    folder = folder if folder.is_dir() else folder.parent
    frame = _frame(appraisal.stands.total_bounds)
    made = []
    if named is not None and named.elevation:
        height, cell_m = _read(folder / named.elevation, frame)
        height *= ft_per_unit(named.elevation_units) / ft_per_unit("m")
        made.append(
            {
                "key": "relief",
                "name": "Relief",
                "image": _picture(_relief(height, cell_m)),
                "bounds": frame.corners,
                "shown": True,
                "opacity": 0.55,
                "note": "shaded from the elevation raster, light from the north-west",
            }
        )
    if named is not None and named.canopy:
        canopy_ft, _ = _read(folder / named.canopy, frame)
        canopy_ft *= ft_per_unit(named.canopy_units)
        pixels, top_ft = _canopy(canopy_ft)
        made.append(
            {
                "key": "canopy",
                "name": "Canopy height",
                "image": _picture(pixels),
                "bounds": frame.corners,
                "shown": False,
                "opacity": 0.9,
                "note": f"0 to {top_ft:.0f} ft and over",
                "ramp": list(CANOPY_RAMP),
            }
        )
    return made


class _Frame:
    """The picture's place on the web map: its Mercator box, size and corners."""

    def __init__(self, left: float, bottom: float, right: float, top: float) -> None:
        self.box = (left, bottom, right, top)
        scale = MOST_PIXELS / max(right - left, top - bottom)
        self.width = max(2, round((right - left) * scale))
        self.height = max(2, round((top - bottom) * scale))
        back = Transformer.from_crs(3857, 4326, always_xy=True)
        west, south = back.transform(left, bottom)
        east, north = back.transform(right, top)
        self.corners = [[round(south, 6), round(west, 6)], [round(north, 6), round(east, 6)]]
        # Mercator stretches lengths by 1 / cos(latitude).
        self.ground = math.cos(math.radians((south + north) / 2))


def _frame(bounds: npt.NDArray[np.float64]) -> _Frame:
    """Return the frame around a box in degrees, with a margin."""
    there = Transformer.from_crs(4326, 3857, always_xy=True)
    left, bottom = there.transform(bounds[0], bounds[1])
    right, top = there.transform(bounds[2], bounds[3])
    margin = _MARGIN * max(right - left, top - bottom)
    return _Frame(left - margin, bottom - margin, right + margin, top + margin)


def _read(path: Path, frame: _Frame) -> tuple[FloatArray, float]:
    """Return a raster warped into the frame, and the ground size of a pixel in metres.

    Only what the picture needs is read, so a raster of any size costs the same memory.
    """
    left, bottom, right, top = frame.box
    pixel_x, pixel_y = (right - left) / frame.width, (top - bottom) / frame.height
    place = Affine(pixel_x, 0.0, left, 0.0, -pixel_y, top)
    with (
        open_raster(path) as source,
        WarpedVRT(
            source,
            crs="EPSG:3857",
            transform=place,
            width=frame.width,
            height=frame.height,
            resampling=Resampling.bilinear,
            add_alpha=source.nodata is None,
        ) as warped,
    ):
        band = warped.read(1, masked=True)
        values = band.astype(np.float64).filled(np.nan) * source.scales[0] + source.offsets[0]
        if source.nodata is None:
            values[warped.dataset_mask() == 0] = np.nan
    return values, pixel_x * frame.ground


def _relief(height_m: FloatArray, cell_m: float) -> npt.NDArray[np.uint8]:
    """Return grey relief shading, clear where no data."""
    light = relief_shade(*gradient_horn1981(height_m, cell_m, cell_m), SUN_AZIMUTH, SUN_ALTITUDE)
    known = np.isfinite(light)
    grey = np.where(known, np.clip(light, 0, 1), 0.0)
    pixels = np.zeros((*grey.shape, 4), dtype=np.uint8)
    pixels[..., :3] = np.round(60 + 195 * grey)[..., None]
    pixels[..., 3] = np.where(known, 255, 0)
    return pixels


def _canopy(height_ft: FloatArray) -> tuple[npt.NDArray[np.uint8], float]:
    """Return canopy height on one ramp, and the height its darkest shade begins at."""
    known = np.isfinite(height_ft)
    tops = height_ft[known]
    top_ft = max(10.0, 10.0 * round(float(np.quantile(tops, 0.99)) / 10)) if tops.size else 10.0
    ramp = LinearSegmentedColormap.from_list("canopy", CANOPY_RAMP)
    pixels = ramp(np.clip(np.where(known, height_ft, 0) / top_ft, 0, 1), bytes=True)
    pixels[..., 3] = np.where(known, 255, 0)
    return pixels, top_ft


def _picture(pixels: npt.NDArray[np.uint8]) -> str:
    """Return pixels as a PNG that fades out over the margin around the tract."""
    rows, columns = pixels.shape[:2]
    reach = max(2.0, 0.8 * _MARGIN * max(rows, columns))
    edge = np.minimum.outer(_from_edge(rows), _from_edge(columns))
    pixels = pixels.copy()
    pixels[..., 3] = np.round(pixels[..., 3] * np.clip(edge / reach, 0, 1))
    out = io.BytesIO()
    matplotlib.image.imsave(out, pixels, format="png", metadata={"Software": ""})
    return data_uri(out.getvalue(), "image/png")


def _from_edge(n: int) -> FloatArray:
    """Return each pixel's distance to the nearer end of its row or column."""
    at = np.arange(n, dtype=np.float64)
    return np.minimum(at, n - 1 - at)
