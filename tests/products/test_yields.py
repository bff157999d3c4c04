"""Adding up: logs to trees, trees to plots, plots per acre."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standmap.errors import DomainError
from standmap.products import (
    YIELD_MEASURES,
    buck_top_down,
    example_products,
    per_acre_by_plot,
    tree_yields,
)
from standmap.trees import national_stems


@pytest.fixture(scope="module")
def logs():
    rng = np.random.default_rng(11)
    dbh = rng.uniform(4, 28, 60)
    stems = national_stems(rng.choice([802, 131, 621], 60), dbh, 25 + 2.5 * dbh)
    return buck_top_down(stems, example_products(), defect_pct=rng.uniform(0, 30, 60))


def test_a_tree_yields_the_sum_of_its_logs(logs):
    frame = logs.to_frame()
    yields = tree_yields(logs)
    by_tree = frame.groupby("tree")[list(YIELD_MEASURES)].sum().reindex(range(60), fill_value=0)
    np.testing.assert_allclose(yields.sum(axis=1), by_tree, rtol=1e-12, atol=1e-12)
    by_product = frame.groupby("product")[list(YIELD_MEASURES)].sum()
    by_product = by_product.reindex(logs.products, fill_value=0)
    np.testing.assert_allclose(yields.sum(axis=0), by_product, rtol=1e-12, atol=1e-12)
    np.testing.assert_allclose(
        logs.totals()[list(YIELD_MEASURES)], by_product, rtol=1e-12, atol=1e-12
    )


def test_a_plot_of_two_trees_by_hand(logs):
    yields = tree_yields(logs)
    plot = np.full(60, -1)
    plot[[4, 9]] = 1
    factor = np.zeros(60)
    factor[[4, 9]] = [10.0, 2.5]
    per_acre = per_acre_by_plot(logs, plot, factor, n_plots=3)
    np.testing.assert_allclose(per_acre[1], 10 * yields[4] + 2.5 * yields[9], rtol=1e-12)
    assert not per_acre[[0, 2]].any()  # a plot with no trees is a plot with no volume


@settings(max_examples=30, deadline=None)
@given(plot=st.lists(st.integers(-1, 6), min_size=60, max_size=60))
def test_plots_are_the_sum_of_their_trees_in_any_order(logs, plot):
    plot = np.array(plot)
    factor = np.linspace(0.5, 30, 60)
    want = np.zeros((7, *tree_yields(logs).shape[1:]))
    used = plot >= 0
    np.add.at(want, plot[used], (factor[:, None, None] * tree_yields(logs))[used])
    got = per_acre_by_plot(logs, plot, factor, n_plots=7)
    np.testing.assert_allclose(got, want, rtol=1e-12, atol=1e-12)


@pytest.mark.parametrize(
    ("plot", "factor", "said"),
    [
        ([0] * 59, [1.0] * 60, "'plot_index' must have one value per tree"),
        ([0] * 60, [1.0] * 61, "'trees_per_acre' must have one value per tree"),
        ([3] * 60, [1.0] * 60, "'plot_index' must be -1 to 2"),
        ([-2] * 60, [1.0] * 60, "'plot_index' must be -1 to 2"),
    ],
)
def test_a_wrong_index_is_refused(logs, plot, factor, said):
    with pytest.raises(DomainError, match=said):
        per_acre_by_plot(logs, plot, factor, n_plots=3)
