"""Harvest prescriptions: which share of each tree a cut takes, and what it holds back."""

from standmap.harvest.plans import Alternative, HarvestPlan
from standmap.harvest.prescriptions import (
    CUTS,
    MARGIN_IN,
    CutKind,
    Cutting,
    Prescription,
    Standing,
    cut_trees,
    steer,
)

__all__ = [
    "CUTS",
    "MARGIN_IN",
    "Alternative",
    "CutKind",
    "Cutting",
    "HarvestPlan",
    "Prescription",
    "Standing",
    "cut_trees",
    "steer",
]
