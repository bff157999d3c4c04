"""A second look at a cruise: the plot that moves the total most, and plots re-drawn."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from standmap.cruise import (
    Sample,
    bootstrap_mean,
    bootstrap_ratio,
    estimate,
    plot_leverage,
    ratio_of_means,
    simple_random_mean,
    stratified_mean,
)


def two_stands(values: list[float], stand: str, weight: list[float] | None = None) -> Sample:
    return Sample(
        values=[[v] for v in values],
        plots=list(range(len(values))),
        stand=list(stand),
        attributes=["cords"],
        stands=pd.DataFrame(
            {"stand": ["A", "B"], "stratum": ["pine", "oak"], "acres": [40.0, 10.0]}
        ),
        weight=weight,
    )


@pytest.mark.parametrize("weight", [None, [1.0, 2.0, 1.5, 1.0, 1.0, 3.0, 2.0]])
def test_leverage_is_the_cruise_without_the_plot(weight: list[float] | None) -> None:
    values, stand = [8.0, 12.0, 40.0, 9.0, 20.0, 22.0, 5.0], "AAAABBB"
    acres = pd.Series({"A": 40.0, "B": 10.0}, name="tract")
    table = plot_leverage(estimate(two_stands(values, stand, weight)), acres, "cords")
    assert table["share_pct"].sum() == pytest.approx(100, rel=1e-9)
    assert table["plot"].iloc[0] == "2"
    for row in table.itertuples():
        keep = [i for i in range(7) if str(i) != row.plot]
        without = two_stands(
            [values[i] for i in keep],
            "".join(stand[i] for i in keep),
            None if weight is None else [weight[i] for i in keep],
        )
        total = estimate(without).total(acres).one("tract", "cords").mean
        assert row.total_without == pytest.approx(total, rel=1e-9)


def test_leverage_of_the_only_plot_of_a_stand_cannot_be_seen() -> None:
    acres = pd.Series({"A": 40.0, "B": 10.0}, name="tract")
    table = plot_leverage(estimate(two_stands([8.0, 12.0, 40.0, 9.0], "AAAB")), acres, "cords")
    assert table.set_index("plot")["change_pct"].isna().to_dict()["3"]
    assert len(plot_leverage(estimate(two_stands([8.0, 12.0, 40.0, 9.0, 7.0], "AAABB")),
                             pd.Series({"A": 40.0}, name="a"), "cords")) == 3  # fmt: skip


def test_bootstrap_of_many_even_plots_is_near_t() -> None:
    y = np.random.default_rng(6).normal(100, 20, 200)
    found = bootstrap_mean(y, rng=np.random.default_rng(7))
    plain = simple_random_mean(y)
    assert found.estimate.se == pytest.approx(plain.se, rel=0.05)
    assert (found.low, found.high) == pytest.approx(plain.interval, rel=0.01)


def test_bootstrap_by_strata_and_ratio() -> None:
    rng = np.random.default_rng(9)
    y = np.concatenate([rng.normal(50, 5, 80), rng.normal(200, 30, 80)])
    stratum = np.repeat(["oak", "pine"], 80)
    found = bootstrap_mean(
        y, stratum=stratum, sizes={"oak": 30, "pine": 10}, rng=rng, method="percentile"
    )
    book = stratified_mean([simple_random_mean(y[:80]), simple_random_mean(y[80:])], [30, 10])
    assert found.estimate.mean == pytest.approx(book.mean, rel=1e-12)
    assert found.estimate.se == pytest.approx(book.se, rel=0.06)
    basal = rng.gamma(4, 25, 150)
    volume = 20 + 1.5 * basal + rng.normal(0, 15, 150)
    ratio = bootstrap_ratio(volume, basal, rng=rng)
    assert ratio.estimate.se == pytest.approx(ratio_of_means(volume, basal).se, rel=0.06)


def test_bootstrap_of_plots_all_alike_has_no_width() -> None:
    rng = np.random.default_rng(1)
    found = bootstrap_mean([5.0] * 6, rng=rng)
    assert (found.low, found.high, found.estimate.se) == (5, 5, 0)
    assert bootstrap_ratio([2.0, 4.0], [1.0, 2.0], rng=rng).high == 2


def test_the_same_seed_finds_the_same_interval() -> None:
    y = [0, 0, 0, 40, 0, 5, 0, 10, 0, 90]
    one, other = (bootstrap_mean(y, rng=np.random.default_rng(4), draws=300) for _ in range(2))
    assert (one.low, one.high) == (other.low, other.high)
    assert "\n" not in repr(one)
