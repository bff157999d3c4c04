"""Reading a tract that no one has cruised: its ground, and how it is to be cruised."""

from __future__ import annotations

import logging
from pathlib import Path

from standmap.cruise import Design
from standmap.errors import InputError
from standmap.tract.designs import cruise_design
from standmap.tract.findings import Findings
from standmap.tract.ground import Ground
from standmap.tract.layers import find_rasters
from standmap.tract.reading import check_steep, read_layers
from standmap.tract.settings import GroundSettings
from standmap.tract.sources import Sources, sha256
from standmap.tract.stands import read_stands
from standmap.tract.tract_file import locate, read_settings
from standmap.tract.water import read_water

log = logging.getLogger(__name__)


def read_ground(path: str | Path) -> Ground:
    """Read a tract's ground and check it; plots and trees, if there are any, are not looked at.

    Parameters
    ----------
    path : path
        A tract file, or the folder that holds ``tract.toml``. It needs ``[stands]`` only.

    Returns
    -------
    Ground
        Ready to lay out plots on.

    Raises
    ------
    InputError
        With every problem of every file, warnings included, if any of them stops the run.

    Examples
    --------
    >>> from standmap.tract import sample_folder
    >>> len(read_ground(sample_folder()).stands)
    17
    """
    tract_path = locate(path)
    findings = Findings()
    settings = read_settings(tract_path, findings, GroundSettings)
    if settings is None:
        raise InputError(findings.problems)
    sources = Sources(tract_path.parent, tract_path.name, findings)
    sources.hashes[tract_path.name] = sha256(tract_path)
    log.info("reading the ground of %s", tract_path)
    drawn = read_stands(settings.stands, settings.tract, sources)
    stands = None if drawn is None else drawn.stands
    design: Design | None = None
    if settings.cruise is not None:
        design = cruise_design(
            settings.cruise, own_sizes=False, file=tract_path.name, findings=findings
        )
    rasters = find_rasters(settings.rasters, sources, stands)
    check_steep(settings, tract_path.name, findings)
    water = read_water(settings, sources, stands, ground="elevation" in rasters)
    layers = read_layers(settings, sources, stands)
    if findings.failed or drawn is None or stands is None:
        raise InputError(findings.problems)
    return Ground(
        path=tract_path,
        settings=settings,
        crs=stands.crs,
        stands=stands,
        design=design,
        streams=water.streams,
        stream_rules=water.rules,
        exclusions=layers["exclusions"],
        units=layers["units"],
        rasters=rasters,
        problems=tuple(findings.problems),
        ledger=findings.ledger,
        hashes=dict(sources.hashes),
        grid=drawn.grid,
        mends=drawn.mends,
    )
