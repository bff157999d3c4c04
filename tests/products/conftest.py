"""Stems whose diameters can be worked out in the head."""

import numpy as np
import pytest

from standmap.products import ProductSpec
from standmap.trees import FORM_CLASS, N_PARAMS, Stems
from standmap.trees._kernels import KNOT_DIB, KNOT_HEIGHT

YELLOW_POPLAR = 621


def build_cone(n=1, *, usable_top_ft=100.0, species_code=YELLOW_POPLAR, dbh_in=19.0):
    """Cones 20 inches inside bark at the ground, an inch less every 5 feet, tip at 100 feet.

    Outside bark is 1.25 times inside. DBH is only what eligibility looks at.
    """
    params = np.zeros((n, N_PARAMS))
    params[:, 0] = 100.0
    params[:, 1] = 1.25
    params[:, 2] = 1
    params[:, KNOT_HEIGHT] = 0.0
    params[:, KNOT_DIB] = 20.0
    return Stems(
        kind=np.full(n, FORM_CLASS, dtype=np.int8),
        params=params,
        dbh_in=np.broadcast_to(np.asarray(dbh_in, dtype=float), n).copy(),
        species_code=np.broadcast_to(np.asarray(species_code, dtype=np.int64), n).copy(),
        total_height_ft=np.full(n, 100.0),
        usable_top_ft=np.full(n, float(usable_top_ft)),
        height_source=np.full(n, "measured", dtype=object),
    )


@pytest.fixture
def cone():
    return build_cone


def build_saw(product="sawlog", rank=1, min_top_in=12, **limits):
    """A saw product of 8 to 16 feet by twos, without trim."""
    lengths = {} if "lengths_ft" in limits else {"min_length_ft": 8, "max_length_ft": 16}
    return ProductSpec(
        product=product, kind="saw", rank=rank, min_top_in=min_top_in, **(lengths | limits)
    )


def build_bulk(product="pulpwood", rank=9, min_top_in=4, **limits):
    """Pulpwood of 8 to 40 feet by feet, to 4 inches outside bark."""
    lengths = {"min_length_ft": 8, "max_length_ft": 40, "length_step_ft": 1, "top_bark": "ob"}
    return ProductSpec(
        product=product, kind="bulk", rank=rank, min_top_in=min_top_in, **(lengths | limits)
    )


def list_cuts(logs):
    """Each log as (product, bottom, length)."""
    names = [logs.products[s] for s in logs.product]
    bottoms = logs.bottom_ft.round(9).tolist()
    return list(zip(names, bottoms, logs.length_ft.tolist(), strict=True))


@pytest.fixture
def saw():
    return build_saw


@pytest.fixture
def bulk():
    return build_bulk


@pytest.fixture
def cuts():
    return list_cuts
