"""What holds for every cruise: order, addition, scale, covariance, and the promised coverage."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from standmap.cruise import (
    Estimate,
    Sample,
    acres_by,
    estimate,
    stratified_mean,
)

SampleMaker = Callable[..., Sample]
SEEDS = st.integers(0, 2**32 - 1)
QUICK = settings(max_examples=40, deadline=None)
RTOL = 1e-9


def some_acres(sample: Sample, seed: int) -> pd.Series:
    rng = np.random.default_rng(seed)
    stands = sample.stands["stand"]
    return pd.Series(
        rng.uniform(0, 50, len(stands)) * (rng.random(len(stands)) > 0.3), index=stands, name="d"
    )


@QUICK
@given(seed=SEEDS)
def test_the_order_of_the_plots_does_not_matter(sample_maker: SampleMaker, seed: int) -> None:
    sample = sample_maker(seed)
    shuffled = np.random.default_rng(seed).permutation(sample.plots.size)
    again = replace(
        sample,
        values=sample.values[shuffled],  # noqa: PD011 - not a frame
        plots=sample.plots[shuffled],
        stand=sample.stand[shuffled],
        weight=sample.plot_weight[shuffled],
        complete=sample.is_complete[shuffled],
    )
    one, other = estimate(sample).per_acre(), estimate(again).per_acre()
    for figure in ("estimate", "se", "df"):
        np.testing.assert_allclose(getattr(one, figure), getattr(other, figure), rtol=RTOL)


@QUICK
@given(seed=SEEDS)
@example(seed=0)  # a stand without plots beside a lone plot, both borrowing from the tract
def test_stand_totals_sum_to_the_tract(sample_maker: SampleMaker, seed: int) -> None:
    sample = sample_maker(seed)
    acres = sample.stands.set_index("stand")["acres"]
    stands = estimate(sample)
    each = stands.total(acres_by(pd.Series(acres.index, index=acres.index), acres))
    tract = stands.total(acres)
    np.testing.assert_allclose(each.estimate.sum(axis=0), tract.estimate[0], rtol=RTOL)
    per_acre = stands.per_acre()
    np.testing.assert_allclose(
        each.estimate, per_acre.estimate * acres.to_numpy()[:, None], rtol=RTOL
    )
    np.testing.assert_allclose(each.se, per_acre.se * acres.to_numpy()[:, None], rtol=RTOL)
    np.testing.assert_allclose(each.df, per_acre.df, rtol=RTOL)
    assert each.borrowed.tolist() == per_acre.borrowed.tolist()
    assert each.n.tolist() == per_acre.n.tolist()


@QUICK
@given(seed=SEEDS)
def test_domains_add_with_their_covariance(sample_maker: SampleMaker, seed: int) -> None:
    sample = sample_maker(seed)
    stands = estimate(sample)
    a, b = some_acres(sample, seed + 1), some_acres(sample, seed + 2)
    one, other, both = stands.total(a), stands.total(b), stands.total(a + b)
    np.testing.assert_allclose(one.estimate + other.estimate, both.estimate, rtol=RTOL, atol=1e-6)
    cov = np.diag(stands.covariance(a, b))
    np.testing.assert_allclose(
        one.se[0] ** 2 + other.se[0] ** 2 + 2 * cov, both.se[0] ** 2, rtol=1e-7, atol=1e-6
    )


@QUICK
@given(seed=SEEDS)
def test_products_add_with_their_covariance(sample_maker: SampleMaker, seed: int) -> None:
    # value_usd is pulp_usd + saw_usd on every plot, and so in every estimate and its error.
    sample = sample_maker(seed)
    stands, acres = estimate(sample), some_acres(sample, seed + 1)
    table, cov = stands.total(acres), stands.covariance(acres)
    pulp, saw, value = (table.attributes.index(a) for a in ("pulp_usd", "saw_usd", "value_usd"))
    assert table.estimate[0, pulp] + table.estimate[0, saw] == pytest.approx(
        table.estimate[0, value], rel=RTOL
    )
    np.testing.assert_allclose(np.diag(cov), table.se[0] ** 2, rtol=1e-7, atol=1e-6)
    parts = cov.loc["pulp_usd", "pulp_usd"] + cov.loc["saw_usd", "saw_usd"]
    assert parts + 2 * cov.loc["pulp_usd", "saw_usd"] == pytest.approx(
        cov.loc["value_usd", "value_usd"], rel=1e-7, abs=1e-6
    )
    assert np.linalg.eigvalsh(cov).min() >= -1e-7 * max(1.0, float(np.trace(cov)))


@QUICK
@given(seed=SEEDS, factor=st.floats(0.1, 10))
def test_acres_scale_totals_and_errors_alike(
    sample_maker: SampleMaker, seed: int, factor: float
) -> None:
    sample = sample_maker(seed)
    stands, acres = estimate(sample), some_acres(sample, seed + 1)
    one, more = stands.total(acres), stands.total(acres * factor)
    np.testing.assert_allclose(one.estimate * factor, more.estimate, rtol=RTOL)
    np.testing.assert_allclose(one.se * factor, more.se, rtol=RTOL)
    np.testing.assert_allclose(one.df, more.df, rtol=1e-7)
    np.testing.assert_allclose(stands.mean(acres).se * acres.sum(), one.se, rtol=1e-7)


@QUICK
@given(seed=SEEDS)
def test_the_plots_add_up_to_the_total(sample_maker: SampleMaker, seed: int) -> None:
    sample = sample_maker(seed)
    stands, acres = estimate(sample), some_acres(sample, seed + 1)
    weights = stands.plot_weights(acres)
    assert weights.sum() == pytest.approx(acres.sum(), rel=RTOL)
    added = np.einsum("p,pa->a", weights.to_numpy(), sample.values)
    np.testing.assert_allclose(added, stands.total(acres).estimate[0], rtol=RTOL, atol=1e-6)


@QUICK
@given(seed=SEEDS)
def test_without_borrowing_it_is_the_textbook_stratified_total(
    sample_maker: SampleMaker, seed: int
) -> None:
    drawn = sample_maker(seed)
    sample = replace(
        drawn,
        values=np.tile(drawn.values, (2, 1)) + np.arange(2 * drawn.plots.size)[:, None],
        plots=np.array([f"{half}{p}" for half in "ab" for p in drawn.plots]),
        stand=np.tile(drawn.stand, 2),
        weight=None,
        complete=None,
    )  # every stand that has plots now has two or more
    cruised = sample.stands[sample.stands["stand"].isin(sample.stand)]
    stands = estimate(replace(sample, stands=cruised))
    table = stands.per_acre()
    total = stands.total(cruised.set_index("stand")["acres"].rename("tract"))
    acres = cruised["acres"].to_numpy()
    for attribute in table.attributes:
        book = stratified_mean([table.one(s, attribute) for s in table.rows], acres)
        mine: Estimate = total.one("tract", attribute)
        assert mine.mean == pytest.approx(book.mean * acres.sum(), rel=RTOL)
        assert mine.se == pytest.approx(book.se * acres.sum(), rel=RTOL)
        assert mine.df == pytest.approx(book.df, rel=RTOL)
        assert table.df[:, 0].min() - 1e-9 <= mine.df <= table.df[:, 0].sum() + 1e-9


def draw_tracts(
    tracts: int, *, donors: int, plots: int, between: float, within: float, seed: int
) -> tuple[Sample, np.ndarray]:
    """Many strata of some cruised stands and one without plots, and the true stand means."""
    rng = np.random.default_rng(seed)
    per_tract = donors + 1
    truth = 100 + between * rng.standard_normal((tracts, per_tract))
    plot_values = truth[:, :donors, None] + within * rng.standard_normal((tracts, donors, plots))
    names = np.array([[f"{t}-{s}" for s in range(per_tract)] for t in range(tracts)])
    sample = Sample(
        values=plot_values.reshape(-1, 1),
        plots=np.arange(plot_values.size),
        stand=np.repeat(names[:, :donors].ravel(), plots),
        attributes=["cords"],
        stands=pd.DataFrame(
            {
                "stand": names.ravel(),
                "stratum": np.repeat([str(t) for t in range(tracts)], per_tract),
                "acres": rng.uniform(10, 60, names.size),
            }
        ),
    )
    return sample, truth.ravel()


@pytest.fixture(scope="module")
def redrawn() -> tuple[Sample, np.ndarray]:
    # Stand means vary by 20 around 100, plots by 50 around their stand.
    return draw_tracts(400, donors=5, plots=6, between=20, within=50, seed=11)


def test_own_stands_are_covered_as_promised(redrawn: tuple[Sample, np.ndarray]) -> None:
    sample, truth = redrawn
    table = estimate(sample).per_acre()
    covered = (table.low[:, 0] <= truth) & (truth <= table.high[:, 0])
    # 2,000 stands at 90 percent: three binomial standard errors are 2 points.
    assert covered[table.borrowed == ""].mean() == pytest.approx(0.90, abs=0.02)


def test_borrowed_stands_are_covered_at_least_as_promised(
    redrawn: tuple[Sample, np.ndarray],
) -> None:
    # The spread between stand means holds plot noise too, so the interval leans to the safe side.
    sample, truth = redrawn
    table = estimate(sample).per_acre()
    covered = (table.low[:, 0] <= truth) & (truth <= table.high[:, 0])
    assert 0.88 <= covered[table.borrowed == "stratum"].mean() <= 0.99


def test_the_stratums_own_error_alone_would_not_cover_a_borrowing_stand(
    redrawn: tuple[Sample, np.ndarray],
) -> None:
    # Why the spread between stands is in the error: the sampling error of the stratum's mean alone
    # misses its borrowing stands far more often than one time in ten.
    sample, truth = redrawn
    stands = estimate(sample)
    table = stands.per_acre()
    donors = sample.stands["stand"].isin(sample.stand).to_numpy()
    acres = sample.stands.set_index("stand")["acres"].where(donors, 0.0)
    by = acres_by(sample.stands.set_index("stand")["stratum"], acres)
    bare = stands.mean(by)
    inside = (bare.low[:, 0] <= truth[~donors]) & (truth[~donors] <= bare.high[:, 0])
    np.testing.assert_allclose(bare.estimate[:, 0], table.estimate[~donors, 0], rtol=1e-9)
    assert inside.mean() < 0.70


def test_totals_with_borrowed_acres_are_covered(redrawn: tuple[Sample, np.ndarray]) -> None:
    sample, truth = redrawn
    by = sample.stands.set_index("stand")
    table = estimate(sample).total(acres_by(by["stratum"], by["acres"]))
    true = (sample.stands["acres"] * truth).groupby(sample.stands["stratum"], sort=False).sum()
    covered = (table.low[:, 0] <= true.to_numpy()) & (true.to_numpy() <= table.high[:, 0])
    assert 0.86 <= covered.mean() <= 0.98
