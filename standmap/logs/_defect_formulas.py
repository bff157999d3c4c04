"""Deduction formulas as plain arithmetic: floats or arrays in, the same out, nothing checked.

Written once for both builds: the public functions call them on arrays, and the kernels of bucking
compile them (`standmap._jit`) for one log at a time. Sources are told in
:mod:`standmap.logs.defects`.
"""

from __future__ import annotations

from typing import Any

import numpy as np

LEAST = 1e-300
"""Stands for a whole of nothing, of which any part is all."""


def section_share(defect_length_ft: Any, length_ft: Any) -> Any:
    """Share of a log whose whole section is unsound over a length: l / L."""
    return np.minimum(np.maximum(defect_length_ft, 0.0) / np.maximum(length_ft, LEAST), 1.0)


def wedge_share(defect_length_ft: Any, length_ft: Any, angle_deg: Any) -> Any:
    """Share of a log in a wedge: (l / L)(angle / 360)."""
    long = np.minimum(np.maximum(defect_length_ft, 0.0) / np.maximum(length_ft, LEAST), 1.0)
    return long * angle_deg / 360.0


def sweep_share(departure_in: Any, dib_in: Any, length_ft: Any) -> Any:
    """Share of a log lost to sweep: (departure - L / 8) / d."""
    over_in = np.maximum(departure_in - length_ft / 8.0, 0.0)
    return np.minimum(over_in / np.maximum(dib_in, LEAST), 1.0)


def crook_share(deflection_in: Any, dib_in: Any, defect_length_ft: Any, length_ft: Any) -> Any:
    """Share of a log lost to crook: (deflection / d)(l / L)."""
    long = np.minimum(np.maximum(defect_length_ft, 0.0) / np.maximum(length_ft, LEAST), 1.0)
    bent = np.minimum(np.maximum(deflection_in, 0.0) / np.maximum(dib_in, LEAST), 1.0)
    return bent * long


def interior_share(
    long_axis_in: Any, short_axis_in: Any, dib_in: Any, defect_length_ft: Any, length_ft: Any
) -> Any:
    """Share of a log lost inside it: ((a + 1)(b + 1) / (d - 1)^2)(l / L); 0 without defect."""
    long = np.minimum(np.maximum(defect_length_ft, 0.0) / np.maximum(length_ft, LEAST), 1.0)
    core_in = np.maximum(dib_in - 1.0, 0.0)
    box = (long_axis_in + 1.0) * (short_axis_in + 1.0) / np.maximum(core_in * core_in, LEAST)
    there = (long_axis_in > 0.0) & (short_axis_in > 0.0)
    return np.minimum(box, 1.0) * long * there


def squared_loss_bf(width_in: Any, height_in: Any, defect_length_ft: Any) -> Any:
    """Scribner board feet lost to a boxed defect: (W + 1)(H + 1) l / 15; 0 without defect."""
    there = (width_in > 0.0) & (height_in > 0.0)
    return (width_in + 1.0) * (height_in + 1.0) * defect_length_ft / 15.0 * there


def arc_departure_in(departure_in: Any, span_ft: Any, part_ft: Any) -> Any:
    """Departure of a part of a swept stretch, as of an even arc: with the square of its length."""
    part = np.minimum(np.maximum(part_ft, 0.0) / np.maximum(span_ft, LEAST), 1.0)
    return departure_in * part * part
