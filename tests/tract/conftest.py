"""A hand-made tract of two square stands, small enough to count by eye (wiring, not forestry)."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pytest
import shapely

from standmap.errors import Problem
from standmap.tract import Tract, check_tract, read_tract

CRS = "EPSG:32617"
EAST, NORTH = 500_000.0, 4_000_000.0
SIDE_M = 400.0

TOML = """\
[tract]
name = "Two Squares"

[stands]
file = "stands.gpkg"

[plots]
file = "plots.csv"
crs = "EPSG:32617"

[trees]
file = "tally.csv"

[cruise]
design = "point"
baf = 10

[products]
file = "products.csv"

[prices]
file = "prices.csv"
"""
PLOTS = """\
plot,x,y
A1,500100,4000100
A2,500300,4000300
B1,500500,4000100
B2,500700,4000300
"""
TALLY = """\
plot,species,dbh_in,saw_logs,height_ft
A1,white oak,18.2,2.5,84
A1,yellow-poplar,14.0,2,88
A2,white oak,9.1,,61
B1,loblolly pine,12.5,1.5,70
B2,loblolly pine,10.4,,66
"""
PRODUCTS = """\
product,kind,species,min_dbh_in,min_top_in,min_length_ft,max_length_ft
sawlog,saw,any,10,8,8,16
pulpwood,bulk,any,4,3,8,40
"""
PRICES = """\
product,price_usd,unit,log_rule
sawlog,300,mbf,doyle
pulpwood,8,ton,
"""


def square(column: float, *, shift: float = 0.0, size: float = SIDE_M) -> shapely.Polygon:
    """Return a square of 400 m; column 0 is the western one."""
    west = EAST + column * SIDE_M + shift
    return shapely.box(west, NORTH, west + size, NORTH + size)


class TinyTract:
    """A tract folder that tests spoil in one place at a time."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        for name, text in (
            ("tract.toml", TOML),
            ("plots.csv", PLOTS),
            ("tally.csv", TALLY),
            ("products.csv", PRODUCTS),
            ("prices.csv", PRICES),
        ):
            self.write(name, text)
        self.layer("stands.gpkg", [square(0), square(1)], stand=["A", "B"], stratum=["oak", "pine"])

    def write(self, name: str, text: str | bytes) -> None:
        path = self.folder / name
        path.write_bytes(text if isinstance(text, bytes) else text.encode())

    def swap(self, name: str, old: str, new: str) -> None:
        """Replace text that must be there in one file."""
        text = (self.folder / name).read_text()
        assert old in text, f"{old!r} is not in {name}"
        self.write(name, text.replace(old, new, 1))

    def add(self, name: str, text: str) -> None:
        self.write(name, (self.folder / name).read_text() + text)

    def layer(
        self, name: str, shapes: list[object], *, crs: str | None = CRS, **columns: list[object]
    ) -> None:
        path = self.folder / name
        path.unlink(missing_ok=True)
        gpd.GeoDataFrame(columns, geometry=shapes, crs=crs).to_file(path)

    def check(self) -> list[Problem]:
        """Return what is wrong, but for the one remark that every tract without water gets."""
        return [p for p in check_tract(self.folder) if "no stream layer is named" not in p.what]

    def read(self) -> Tract:
        return read_tract(self.folder)


@pytest.fixture
def tiny(tmp_path: Path) -> TinyTract:
    return TinyTract(tmp_path)
