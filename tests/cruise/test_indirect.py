"""Figures by way of something cheaper, held to the textbook estimators of one variable."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from standmap.cruise import (
    DIRECT,
    UNUSED,
    Indirect,
    Sample,
    bootstrap_total,
    count_measure_mean,
    double_ratio_mean,
    double_regression_mean,
    estimate,
    plot_leverage,
    post_stratified_mean,
    ratio_of_means,
    regression_mean,
    sample_tree_total,
    successive_difference_mean,
    three_p_total,
    two_stage_mean,
)
from standmap.errors import DomainError

RNG = np.random.default_rng(42)
N, M = 30, 10
X = RNG.gamma(6, 20, N)
Y = np.where(np.arange(N) % 3 == 0, 25 * X * RNG.gamma(20, 1 / 20, N), 0.0)
MEASURED = np.arange(N) % 3 == 0
TRACT = pd.Series({"A": 40.0}, name="tract")


def one_stand(indirect: Indirect, values: np.ndarray, **more: object) -> Sample:
    n = len(indirect.x_plot)
    return Sample(
        values=np.column_stack([values, 2 * values]),
        plots=[f"P{i}" for i in range(n)],
        stand=["A"] * n,
        attributes=["y", "twice"],
        stands=pd.DataFrame({"stand": ["A"], "stratum": [""], "acres": [40.0]}),
        indirect=indirect,
        **more,
    )


def by_plots(kind: str = "ratio", **more: object) -> Indirect:
    return Indirect(
        kind=kind,
        plot_of_row=np.arange(N),
        class_of_row=np.where(MEASURED, 0, UNUSED),
        x_row=X,
        x_plot=X[:, None],
        group_of_stand=np.zeros(1, dtype=np.intp),
        groups=("",),
        **more,
    )


def agrees(sample: Sample, known: object, acres: float = 1.0) -> None:
    found = estimate(sample)
    for one in (found.per_acre().one("A", "y"), found.mean(TRACT).one("tract", "y")):
        assert acres * one.mean == pytest.approx(known.mean, rel=1e-12)
        assert acres * one.se == pytest.approx(known.se, rel=1e-9)
        assert one.df == pytest.approx(known.df, rel=1e-9)
    cov = found.covariance(TRACT)
    se = found.total(TRACT).one("tract", "y").se
    assert cov.loc["y", "y"] == pytest.approx(se**2, rel=1e-9)
    assert cov.loc["y", "twice"] == pytest.approx(2 * se**2, rel=1e-9)
    weights = found.row_weights(TRACT)
    total = found.total(TRACT).one("tract", "y").mean
    brought = weights @ sample.values[:, 0]  # noqa: PD011 - not a frame
    assert brought == pytest.approx(total, rel=1e-12)


def test_a_ratio_over_sampled_plots_is_double_sampling_linearised() -> None:
    known = double_ratio_mean(Y[MEASURED], X[MEASURED], X, linearised=True)
    agrees(one_stand(by_plots(), Y), known)
    counts = count_measure_mean(X / 10, np.where(MEASURED, Y, np.nan), baf=10)
    assert known.mean == pytest.approx(counts.mean, rel=1e-12)


def test_degrees_of_freedom_never_fall_below_those_of_the_measured_plots() -> None:
    # Timber that hardly goes with the cheap figure, measured on 25 of 30 plots: residuals fall as
    # it rises, their covariance takes variance away, and Satterthwaite's rule would give one.
    many = np.arange(N) % 6 != 0
    flat = np.where(many, 3_000 + RNG.normal(0, 40, N), 0.0)
    known = double_ratio_mean(flat[many], X[many], X, linearised=True)
    assert known.df == 24
    indirect = replace(by_plots(), class_of_row=np.where(many, 0, UNUSED))
    agrees(one_stand(indirect, flat), known)


def test_the_linearised_error_is_the_textbook_s_in_a_large_sample() -> None:
    # The textbook takes the spread of the measured plots alone: near, not the same.
    rng = np.random.default_rng(8)
    x = rng.gamma(6, 20, 6_000)
    y = 25 * x * rng.gamma(20, 1 / 20, 6_000)
    textbook = double_ratio_mean(y[::3], x[::3], x)
    linearised = double_ratio_mean(y[::3], x[::3], x, linearised=True)
    assert linearised.se == pytest.approx(textbook.se, rel=0.02)
    assert linearised.df > textbook.df


def test_a_line_over_sampled_plots_is_double_regression() -> None:
    known = double_regression_mean(Y[MEASURED], X[MEASURED], X, linearised=True)
    agrees(one_stand(by_plots("line"), Y), known)


def test_a_ratio_to_a_known_mean() -> None:
    known = ratio_of_means(Y[MEASURED], X[MEASURED]).times(130.0)
    agrees(one_stand(by_plots(x_stand=np.array([[130.0]])), Y), known)


def test_a_line_to_a_known_mean() -> None:
    known = regression_mean(Y[MEASURED], X[MEASURED], 130.0)
    agrees(one_stand(by_plots("line", x_stand=np.array([[130.0]])), Y), known)


def test_mapped_types_are_post_strata_taken_as_the_plots_fell() -> None:
    kinds = np.array(["oak", "pine"])[(np.arange(N) % 4 == 0).astype(int)]
    y = RNG.gamma(3, 400, N)
    known = post_stratified_mean(y, kinds, {"oak": 30.0, "pine": 10.0}, conditional=True)
    indirect = Indirect(
        kind="ratio",
        plot_of_row=np.arange(N),
        class_of_row=(kinds == "pine").astype(np.intp),
        x_row=np.ones(N),
        x_plot=np.column_stack([kinds == "oak", kinds == "pine"]).astype(float),
        x_stand=np.array([[0.75, 0.25]]),
        group_of_stand=np.zeros(1, dtype=np.intp),
        groups=("",),
        classes=("oak", "pine"),
    )
    agrees(one_stand(indirect, y), known)


def test_three_p_trees_of_a_complete_tally() -> None:
    called = RNG.gamma(4, 50, 200)
    ceiling = 500.0
    drawn = RNG.random(200) < np.minimum(called / ceiling, 1)
    volume = called * RNG.gamma(30, 1 / 30, 200)
    sure = called >= ceiling
    y, p = volume[drawn], called[drawn]
    left = float(called[~sure].sum())
    known = three_p_total(y, p, ceiling=ceiling, prediction_sum=left)
    direct = p >= ceiling
    indirect = Indirect(
        kind="ratio",
        plot_of_row=np.zeros(y.size, dtype=np.intp),
        class_of_row=np.where(direct, DIRECT, 0),
        x_row=np.where(direct, 0.0, 1.0),
        x_plot=np.array([[left / 40]]),
        group_of_stand=np.zeros(1, dtype=np.intp),
        groups=("",),
        left=1 - np.minimum(p / ceiling, 1),
    )
    rows = np.where(direct, y / 40, y / p)
    sample = one_stand(indirect, rows, complete=np.ones(1, dtype=bool))
    agrees(sample, known, acres=40.0)


def test_sample_trees_of_a_complete_tally() -> None:
    volume = np.array([100.0, 140, 120, 300, 260])
    group = np.array([0, 0, 0, 1, 1])
    known = sample_tree_total(volume, ["oak"] * 3 + ["walnut"] * 2, {"oak": 40, "walnut": 2})
    indirect = Indirect(
        kind="ratio",
        plot_of_row=np.zeros(5, dtype=np.intp),
        class_of_row=group,
        x_row=np.ones(5),
        x_plot=np.array([[40 / 40, 2 / 40]]),
        group_of_stand=np.zeros(1, dtype=np.intp),
        groups=("",),
        classes=("oak", "walnut"),
        left=np.where(group == 0, 1 - 3 / 40, 0.0),
    )
    sample = one_stand(indirect, volume, complete=np.ones(1, dtype=bool))
    found = estimate(sample).total(TRACT).one("tract", "y")
    assert found.mean == pytest.approx(known.mean, rel=1e-12)
    assert found.se == pytest.approx(known.se, rel=1e-9)
    assert found.df == 2  # the walnuts, measured to the last, add none


def plain(values: np.ndarray, stand: list[str], **more: object) -> Sample:
    names = list(dict.fromkeys(stand))
    return Sample(
        values=values[:, None],
        plots=[f"P{i}" for i in range(len(stand))],
        stand=stand,
        attributes=["y"],
        stands=pd.DataFrame({"stand": names, "stratum": "", "acres": 40.0}),
        **more,
    )


def test_clusters_are_what_was_drawn() -> None:
    y = RNG.gamma(3, 400, 12)
    even = np.repeat(list("abcd"), 3)
    found = estimate(plain(y, ["A"] * 12, cluster=even)).per_acre().one("A", "y")
    known = two_stage_mean(y, even)
    assert (found.mean, found.df) == (pytest.approx(known.mean, rel=1e-12), known.df)
    assert found.se == pytest.approx(known.se, rel=1e-9)
    uneven = np.repeat(list("abcd"), [1, 2, 4, 5])
    found = estimate(plain(y, ["A"] * 12, cluster=uneven)).per_acre().one("A", "y")
    # A ratio to size, the size of a cluster being its plots.
    means = np.array([y[uneven == c].mean() for c in "abcd"])
    many = np.array([1, 2, 4, 5])
    apart = many * (means - y.mean())
    assert found.mean == pytest.approx(y.mean(), rel=1e-12)
    assert found.se == pytest.approx(np.sqrt((apart**2).sum() / 3 * 4) / 12, rel=1e-9)


def test_neighbours_on_lines() -> None:
    y = RNG.gamma(3, 400, 14)
    lines = np.repeat(list("abc"), [5, 6, 3])
    sample = plain(np.tile(y, 2), ["A"] * 14 + ["B"] * 14, line=np.tile(lines, 2))
    known = successive_difference_mean(y, line=lines)
    for stand in "AB":
        found = estimate(sample).per_acre().one(stand, "y")
        assert found.mean == pytest.approx(known.mean, rel=1e-12)
        assert found.se == pytest.approx(known.se, rel=1e-9)
        assert found.df == pytest.approx(known.df, rel=1e-12)


def test_a_stand_without_neighbours_takes_its_plots_as_random() -> None:
    y = RNG.gamma(3, 400, 6)
    apart = estimate(plain(y, ["A"] * 6, line=list("abcdef"))).per_acre().one("A", "y")
    random = estimate(plain(y, ["A"] * 6)).per_acre().one("A", "y")
    assert apart.se == pytest.approx(random.se, rel=1e-12)
    assert apart.df == random.df


def test_ground_that_was_seen_needs_no_guess() -> None:
    y = RNG.gamma(3, 400, 6)
    random = estimate(plain(y, ["A"] * 6)).per_acre().one("A", "y")
    seen = estimate(plain(y, ["A"] * 6, seen=np.array([0.19]))).per_acre().one("A", "y")
    assert seen.se == pytest.approx(0.9 * random.se, rel=1e-12)


def test_too_little_measured_is_said() -> None:
    thin = np.zeros(N, dtype=bool)
    thin[3] = True
    indirect = Indirect(
        kind="ratio",
        plot_of_row=np.arange(N),
        class_of_row=np.where(thin, 0, UNUSED),
        x_row=X,
        x_plot=X[:, None],
        group_of_stand=np.zeros(1, dtype=np.intp),
        groups=("oak",),
    )
    with pytest.raises(DomainError, match="Too little was measured in oak"):
        estimate(one_stand(indirect, Y))


def test_a_bootstrap_of_the_total_has_the_stated_error() -> None:
    # Stretched, the re-drawn figures have the variance that t takes, stands of few plots or not.
    y = RNG.gamma(4, 300, 13)
    stand = ["A"] * 4 + ["B"] * 9
    stands = pd.DataFrame({"stand": ["A", "B"], "stratum": "", "acres": [20.0, 60.0]})
    found = estimate(Sample(values=y[:, None], plots=range(13), stand=stand, attributes=["y"],
                            stands=stands))  # fmt: skip
    acres = pd.Series({"A": 20.0, "B": 60.0}, name="tract")
    again = bootstrap_total(found, acres, "y", rng=np.random.default_rng(5), draws=20_000)
    total = found.total(acres).one("tract", "y")
    assert again.estimate.mean == pytest.approx(total.mean, rel=1e-12)
    assert again.estimate.se == pytest.approx(total.se, rel=0.02)


def test_a_bootstrap_holds_what_a_shared_ratio_does() -> None:
    found = estimate(one_stand(by_plots(), Y))
    again = bootstrap_total(found, TRACT, "y", rng=np.random.default_rng(5), draws=20_000)
    total = found.total(TRACT).one("tract", "y")
    # Its residuals are re-drawn among all 30 points, 20 of which have none.
    assert again.estimate.se == pytest.approx(total.se, rel=0.06)
    known = estimate(one_stand(by_plots(x_stand=np.array([[130.0]])), Y))
    again = bootstrap_total(known, TRACT, "y", rng=np.random.default_rng(5), draws=20_000)
    se = known.total(TRACT).one("tract", "y").se
    assert again.estimate.se == pytest.approx(se, rel=0.03)


def test_leaving_a_plot_out_is_what_leverage_says() -> None:
    found = estimate(one_stand(by_plots(x_stand=np.array([[130.0]])), Y))
    table = plot_leverage(found, TRACT, "y").set_index("plot")
    keep = MEASURED.copy()
    keep[3] = False
    without = 130.0 * Y[keep].sum() / X[keep].sum() * 40
    assert table.loc["P3", "total_without"] == pytest.approx(without, rel=1e-9)
    assert table["share_pct"].sum() == pytest.approx(100.0, rel=1e-9)
    line = estimate(one_stand(by_plots("line", x_stand=np.array([[130.0]])), Y))
    table = plot_leverage(line, TRACT, "y").set_index("plot")
    without = regression_mean(Y[keep], X[keep], 130.0).mean * 40
    assert table.loc["P3", "total_without"] == pytest.approx(without, rel=1e-9)


def test_the_quick_bootstrap_is_the_library_s() -> None:
    from scipy.stats import bootstrap

    rng = np.random.default_rng(3)
    parts = [rng.gamma(1, 10, n) for n in (12, 30, 7)]
    stand = np.repeat(list("ABC"), [12, 30, 7])
    found = estimate(
        Sample(
            values=np.concatenate(parts)[:, None],
            plots=range(49),
            stand=stand,
            attributes=["y"],
            stands=pd.DataFrame({"stand": list("ABC"), "stratum": "", "acres": 1.0}),
        )
    )
    acres = pd.Series(1.0, index=list("ABC"), name="tract")
    quick = bootstrap_total(found, acres, "y", rng=np.random.default_rng(5), draws=100_000)
    stretched = [p.mean() + (p - p.mean()) * np.sqrt(p.size / (p.size - 1)) for p in parts]
    known = bootstrap(
        stretched,
        lambda *p, axis=-1: sum(q.mean(axis=axis) for q in p),
        vectorized=True,
        n_resamples=100_000,
        batch=10_000,
        confidence_level=0.90,
        method="BCa",
        random_state=np.random.default_rng(6),
    )
    # Two draws of 100,000: ends agree within the luck of the draws.
    assert quick.low == pytest.approx(known.confidence_interval.low, rel=5e-3)
    assert quick.high == pytest.approx(known.confidence_interval.high, rel=5e-3)
    assert quick.estimate.se == pytest.approx(known.standard_error, rel=1e-2)
