"""Logs to sell, made by hand or at random."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pytest

from standmap.logs import board_feet
from standmap.trees import cords, green_weight
from standmap.units import LOG_RULES
from standmap.value import LogLot

MakeLot = Callable[..., LogLot]
PRODUCTS = ("sawlog", "pulpwood")


@pytest.fixture(scope="session")
def make_lot() -> MakeLot:
    """Return a maker of lots: logs given by small end, length, species, product and tree."""

    def make(
        dib_in: Sequence[float],
        *,
        length_ft: float | Sequence[float] = 16.0,
        species: int | Sequence[int] = 802,
        product: int | Sequence[int] = 0,
        tree: Sequence[int] | None = None,
        tons: float | Sequence[float] | None = None,
    ) -> LogLot:
        dib = np.asarray(dib_in, dtype=float)
        n = len(dib)
        length = np.broadcast_to(np.asarray(length_ft, dtype=float), n).copy()
        codes = np.broadcast_to(np.asarray(species, dtype=np.int64), n).copy()
        of_product = np.broadcast_to(np.asarray(product, dtype=np.int64), n).copy()
        large = dib + length / 8  # an inch of taper in eight feet
        wood = np.pi / 576 * (dib**2 + large**2) / 2 * length
        saw = (of_product == 0).astype(float)
        bf = np.column_stack([board_feet(dib, length, rule) for rule in LOG_RULES])
        weight = green_weight(codes, wood, 0.15 * wood)
        if tons is not None:
            weight = np.broadcast_to(np.asarray(tons, dtype=float), n).copy()
        return LogLot(
            products=PRODUCTS,
            tree=np.arange(n) if tree is None else np.asarray(tree, dtype=np.int64),
            product=of_product,
            species_code=codes,
            small_dib_in=dib,
            large_dib_in=large,
            length_ft=length,
            bf=bf * saw[:, np.newaxis],
            cords=cords(codes, wood) * (1 - saw),
            weight_tons=weight,
            volume_cuft=wood,
        )

    return make


@pytest.fixture(scope="session")
def random_lot(make_lot: MakeLot) -> Callable[[int, int], LogLot]:
    """Return a maker of random lots, by number of logs and seed."""

    def make(n: int, seed: int) -> LogLot:
        rng = np.random.default_rng(seed)
        return make_lot(
            rng.uniform(6, 26, n),
            length_ft=rng.choice([8.0, 10.0, 12.0, 14.0, 16.0], n),
            species=rng.choice([802, 833, 621, 131], n),
            product=rng.integers(0, 2, n),
            tree=np.sort(rng.integers(0, max(1, n // 3), n)),
        )

    return make
