"""Parts of stands where figures come by way of something cheaper, or of clusters of plots."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from standmap.cruise import (
    DIRECT,
    UNUSED,
    Indirect,
    Sample,
    double_ratio_mean,
    estimate,
    estimate_domains,
    two_stage_mean,
)

STAND = np.repeat(list("ABC"), [9, 8, 6])
STANDS = pd.DataFrame({"stand": list("ABC"), "stratum": "oak", "acres": [40.0, 25.0, 10.0]})
MEASURED = np.arange(STAND.size) % 2 == 0
WHOLE = pd.DataFrame([STANDS["acres"].to_numpy()], columns=list("ABC"), index=["all"])
RNG = np.random.default_rng(12)
X = RNG.gamma(6, 20, STAND.size)
Y = np.where(MEASURED, 25 * X * RNG.gamma(20, 1 / 20, STAND.size), 0.0)


def leaning(kind: str, **more: object) -> Indirect:
    return Indirect(
        kind=kind,
        plot_of_row=np.arange(STAND.size),
        class_of_row=np.where(MEASURED, 0, UNUSED),
        x_row=X,
        x_plot=X[:, None],
        group_of_stand=np.zeros(3, dtype=np.intp),
        groups=("",),
        **more,
    )


def drawn_trees() -> tuple[Indirect, np.ndarray]:
    """Point-3P: a row for the drawn trees of each point, one for those sure to be measured."""
    n = STAND.size
    sure = np.where(np.arange(n) % 5 == 0, 300.0, 0.0)
    indirect = Indirect(
        kind="ratio",
        plot_of_row=np.tile(np.arange(n), 2),
        class_of_row=np.repeat([0, DIRECT], n),
        x_row=np.concatenate([np.where(MEASURED, X, 0.0), np.zeros(n)]),
        x_plot=X[:, None],
        group_of_stand=np.zeros(3, dtype=np.intp),
        groups=("",),
    )
    return indirect, np.concatenate([Y, sure])


def sample(indirect: Indirect | None, y: np.ndarray, **more: object) -> Sample:
    return Sample(
        values=np.column_stack([y, y**1.1]),
        plots=range(STAND.size),
        stand=STAND,
        attributes=("y", "other"),
        stands=STANDS,
        indirect=indirect,
        **more,
    )


def cruises() -> dict[str, Sample]:
    called, rows = drawn_trees()
    every = 25 * X + 300 * RNG.normal(size=STAND.size)
    pairs = [f"{stand}{k // 2}" for k, stand in enumerate(STAND)]
    return {
        "counts": sample(leaning("ratio"), Y),
        "line": sample(leaning("line"), Y),
        "point 3P": sample(called, rows),
        "clusters": sample(None, every, cluster=pairs),
        "strips": sample(None, every, weight=RNG.uniform(0.5, 2, STAND.size)),
        "big plots": sample(None, every, seen=np.array([0.2, 0.1, 0.3])),
    }


@pytest.mark.parametrize("design", cruises())
def test_a_part_that_is_the_whole_is_the_stands_to_the_last_digit(design: str) -> None:
    # Every plot lies inside: each stand is its own part, and the domain the tract.
    found = estimate(cruises()[design])
    made = estimate_domains(found, WHOLE, np.ones((1, STAND.size), dtype=bool), min_plots=2)
    assert made.cells["source"].tolist() == ["own plots"] * 3
    tract, stands = found.total(WHOLE), found.per_acre()
    for figure in ("estimate", "se", "df", "n"):
        np.testing.assert_allclose(
            getattr(made.totals, figure), getattr(tract, figure), rtol=1e-9, err_msg=figure
        )
        np.testing.assert_allclose(
            getattr(made.per_acre, figure), getattr(stands, figure), rtol=1e-9, err_msg=figure
        )


@pytest.mark.parametrize("design", ["counts", "point 3P"])
def test_own_parts_and_borrowed_ones_share_the_error_of_their_ratio(design: str) -> None:
    # A stands by its own part, which is all of it; B and C by their stands: the tract all the same.
    found = estimate(cruises()[design])
    made = estimate_domains(found, WHOLE, [STAND == "A"], min_plots=2)
    assert made.cells["source"].tolist() == ["own plots", "stand", "stand"]
    tract = found.total(WHOLE)
    np.testing.assert_allclose(made.totals.estimate, tract.estimate, rtol=1e-9)
    np.testing.assert_allclose(made.totals.se, tract.se, rtol=1e-9)
    np.testing.assert_allclose(made.totals.df, tract.df, rtol=1e-9)


def test_a_part_takes_its_own_counts_and_the_ratio_of_its_group() -> None:
    found = estimate(cruises()["counts"])
    inside = (STAND == "A") & (np.arange(STAND.size) < 5)
    part = pd.DataFrame({"A": [12.0]}, index=["hollow"])
    made = estimate_domains(found, part, [inside], min_plots=3)
    ratio = Y.sum() / X[MEASURED].sum()
    assert made.totals.one("hollow", "y").mean == pytest.approx(12 * ratio * X[inside].mean())
    alone = double_ratio_mean(
        Y[inside & MEASURED], X[inside & MEASURED], X[inside], linearised=True
    )
    # Measured plots of the whole tract make the ratio surer than the part's own would.
    assert made.per_acre.se[0, 0] < 1.5 * alone.se


def test_of_clusters_it_is_clusters_that_are_counted() -> None:
    cruise = cruises()["clusters"]
    found = estimate(cruise)
    inside = (STAND == "A") & (np.arange(STAND.size) < 6)  # three clusters of two
    part = pd.DataFrame({"A": [12.0]}, index=["hollow"])
    few = estimate_domains(found, part, [inside], min_plots=4)
    assert few.cells[["plots", "source"]].iloc[0].tolist() == [6, "stand"]
    made = estimate_domains(found, part, [inside], min_plots=3).per_acre.one("hollow | A", "y")
    y = cruise.values[inside, 0]  # noqa: PD011 - not a frame
    known = two_stage_mean(y, cruise.cluster[inside])
    assert (made.mean, made.se) == pytest.approx((known.mean, known.se), rel=1e-12)
    assert made.df == 2


def test_a_figure_known_for_the_stand_and_not_for_its_part_lends() -> None:
    mapped = leaning("ratio", x_stand=np.array([[110.0], [120.0], [130.0]]))
    made = estimate_domains(
        estimate(sample(mapped, Y)), WHOLE, np.ones((1, STAND.size), dtype=bool), min_plots=2
    )
    assert set(made.cells["source"]) == {"stand"}


# --- re-drawn ------------------------------------------------------------------------------------

DRAWS, AT_ONCE, PLACES, N = 2_000, 100, 400, 14
RIDGE_ACRES = np.array([20.0, 30.0])
WOOD = np.random.default_rng(5)
ON_RIDGE = np.arange(PLACES) < 240
HERE = np.where(ON_RIDGE, 130.0, 70.0) * WOOD.gamma(9, 1 / 9, (2, PLACES))
TIMBER = 22 * HERE * WOOD.gamma(16, 1 / 16, (2, PLACES))
OF_STAND = np.repeat([0, 1], N)


def redrawn() -> np.ndarray:
    """Estimate, variance, low and high of the ridge over the truth, of every cruise."""
    rng = np.random.default_rng(2_004)
    true = float(RIDGE_ACRES @ TIMBER[:, ON_RIDGE].mean(axis=1))
    found = []
    measured = np.tile(np.arange(2 * N) % 3 == 0, AT_ONCE)
    stand = np.concatenate([2 * i + OF_STAND for i in range(AT_ONCE)])
    acres = np.kron(np.eye(AT_ONCE), RIDGE_ACRES)
    for _ in range(DRAWS // AT_ONCE):
        at = rng.integers(0, PLACES, stand.size)
        x, y = HERE[stand % 2, at], TIMBER[stand % 2, at]
        indirect = Indirect(
            kind="ratio",
            plot_of_row=np.arange(stand.size),
            class_of_row=np.where(measured, 0, UNUSED),
            x_row=x,
            x_plot=x[:, None],
            group_of_stand=np.repeat(np.arange(AT_ONCE), 2),
            groups=tuple(map(str, range(AT_ONCE))),
        )
        names = [str(k) for k in range(2 * AT_ONCE)]
        cruise = Sample(
            values=np.where(measured, y, 0.0)[:, None],
            plots=range(stand.size),
            stand=stand,
            attributes=["y"],
            stands=pd.DataFrame({"stand": names, "stratum": "", "acres": 60.0}),
            indirect=indirect,
        )
        inside = (stand // 2 == np.arange(AT_ONCE)[:, None]) & ON_RIDGE[at]
        total = estimate_domains(
            estimate(cruise), pd.DataFrame(acres, columns=names), inside, min_plots=2
        ).totals
        found.append(np.column_stack([total.estimate, total.se, total.low, total.high]) / true)
    mean, se, low, high = np.concatenate(found).T
    return np.column_stack([mean, se**2, low, high])


def test_a_ridge_re_drawn_two_thousand_times_is_told_apart_from_its_stands() -> None:
    mean, variance, low, high = redrawn().T
    error = mean.std(ddof=1)
    assert abs(mean.mean() - 1) <= 3 * error / np.sqrt(DRAWS) + error / 10
    assert variance.mean() / mean.var(ddof=1) == pytest.approx(1, abs=0.12)
    covered = ((low <= 1) & (high >= 1)).mean()
    assert 0.88 <= covered <= 0.92, covered
