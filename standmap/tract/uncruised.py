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
from standmap.tract.stands import read_stands
from standmap.tract.tract_file import open_tract
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
    findings = Findings()
    opened = open_tract(path, findings, GroundSettings)
    if opened is None:
        raise InputError(findings.problems)
    settings, sources = opened
    log.info("reading the ground of %s", sources.path)
    drawn = read_stands(settings.stands, settings.tract, sources)
    stands = None if drawn is None else drawn.stands
    design: Design | None = None
    if settings.cruise is not None:
        design = cruise_design(
            settings.cruise, own_sizes=False, file=sources.tract_file, findings=findings
        )
    rasters = find_rasters(settings.rasters, sources, stands)
    check_steep(settings, sources.tract_file, findings)
    water = read_water(settings, sources, stands, ground="elevation" in rasters)
    layers = read_layers(settings, sources, stands)
    if findings.failed or drawn is None or stands is None:
        raise InputError(findings.problems)
    return Ground(
        path=sources.path,
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
