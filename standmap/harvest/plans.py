"""Plans: a prescription for each harvest unit, and the alternatives held beside it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from standmap.harvest.prescriptions import Prescription


@dataclass(frozen=True, slots=True, kw_only=True)
class Alternative:
    """Another plan for the same ground.

    Attributes
    ----------
    name : str
        What it is called.
    prescriptions : mapping of str to Prescription
        By unit; units that are left out or have none are not cut.
    wider_buffers_ft : float
        How much farther every stream buffer reaches, on every side. [ft]
    """

    name: str
    prescriptions: Mapping[str, Prescription]
    wider_buffers_ft: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class HarvestPlan:
    """What is to be cut where.

    Attributes
    ----------
    prescriptions : mapping of str to Prescription
        By unit, in the order of the tract file.
    alternatives : tuple of Alternative
        Plans held beside it.
    """

    prescriptions: Mapping[str, Prescription] = field(default_factory=dict)
    alternatives: tuple[Alternative, ...] = ()
