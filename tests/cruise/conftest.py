"""Small made-up cruises for the property tests."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest

from standmap.cruise import Sample
from standmap.guide import page

SampleMaker = Callable[..., Sample]


def draw_sample(seed: int, *, max_plots: int = 4, strata: int = 3, stands: int = 7) -> Sample:
    """Stands of 0 to ``max_plots`` plots, at least two in the first; the last column sums two."""
    rng = np.random.default_rng(seed)
    plots = rng.integers(0, max_plots + 1, stands)
    plots[0] = max(plots[0], 2)
    stand = np.repeat([f"S{i}" for i in range(stands)], plots)
    base = rng.gamma(2.0, 500.0, (stand.size, 3)) * (rng.random((stand.size, 3)) > 0.2)
    values = np.column_stack([base, base[:, 0] + base[:, 1]])
    return Sample(
        values=values,
        plots=[f"P{i}" for i in range(stand.size)],
        stand=stand,
        attributes=["pulp_usd", "saw_usd", "trees", "value_usd"],
        stands=pd.DataFrame(
            {
                "stand": [f"S{i}" for i in range(stands)],
                "stratum": rng.choice([f"H{i}" for i in range(strata)] + [""], stands),
                "acres": rng.uniform(2.0, 60.0, stands),
            }
        ),
        weight=rng.uniform(0.5, 2.0, stand.size),
    )


@pytest.fixture(scope="session")
def sample_maker() -> SampleMaker:
    return draw_sample


@pytest.fixture(scope="session")
def told() -> dict[str, tuple[float, ...]]:
    """Figures of every design re-drawn, as the guide page prints them."""
    rows = (line.strip("| ").split(" | ") for line in page("redrawn").splitlines() if "|" in line)
    return {
        name.strip(): tuple(float(f) for f in figures)
        for name, *figures in rows
        if len(figures) == 3 and figures[0].strip().lstrip("-").replace(".", "").isdigit()
    }
