"""Stands, strata and tracts from their plots: published totals and hand-countable cases."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from standmap.cruise import Sample, acres_by, estimate, ratio_of_means
from standmap.errors import DomainError
from standmap.units import SQM_PER_ACRE

REFERENCE = Path(__file__).parents[1] / "reference"
ACRES_PER_HA = 10_000 / SQM_PER_ACRE


def stand_table(**stands: tuple[str, float]) -> pd.DataFrame:
    return pd.DataFrame(
        [(name, stratum, acres) for name, (stratum, acres) in stands.items()],
        columns=["stand", "stratum", "acres"],
    )


def cruise(stands: pd.DataFrame, **plots: list[float]) -> Sample:
    """One attribute, plots listed by stand."""
    stand = [name for name, values in plots.items() for _ in values]
    return Sample(
        values=[[v] for values in plots.values() for v in values],
        plots=[f"P{i}" for i in range(len(stand))],
        stand=stand,
        attributes=["cords"],
        stands=stands,
    )


def acres_of(sample: Sample) -> pd.Series:
    return sample.stands.set_index("stand")["acres"].rename("tract")


def test_cunia_stratified_total() -> None:
    # Cunia 1979, as used in Gregoire and Valentine 2007: 60 plots of 0.1 ha in three strata. The
    # total, 8,411,193 m3, and its standard error, 704,207, were recomputed from the data by the
    # stratified formulas without finite population correction.
    plots = pd.read_csv(REFERENCE / "cruise_plots_cunia_1979.csv", comment="#")
    hectares = {"softwood": 42_541, "mixed": 17_250, "hardwood": 32_435}
    sample = Sample(
        values=plots[["volume_m3_per_plot"]] / (0.1 * ACRES_PER_HA),
        plots=plots.index,
        stand=plots["stratum"],
        attributes=["volume_m3"],
        stands=stand_table(**{s: (s, ha * ACRES_PER_HA) for s, ha in hectares.items()}),
    )
    total = estimate(sample).total(acres_of(sample)).one("tract", "volume_m3")
    assert total.mean == pytest.approx(8_411_193, abs=0.5)
    assert total.se == pytest.approx(704_207, abs=0.5)
    assert total.n == 60


def test_a_stand_is_a_simple_random_sample() -> None:
    # Freese 1962, Handbook 232: mean 10.7, variance 13.4842 of 20 units (no correction here).
    freese = [10, 9, 10, 9, 11, 16, 11, 7, 12, 12, 11, 3, 5, 11, 14, 8, 13, 12, 20, 10]
    table = estimate(cruise(stand_table(A=("pine", 40)), A=freese)).per_acre()
    one = table.one("A", "cords")
    assert one.mean == pytest.approx(10.7, abs=0.05)
    assert one.se**2 * 20 == pytest.approx(13.4842, abs=0.00005)
    assert (one.n, one.df, table.borrowed[0]) == (20, 19, "")


BORROWING = cruise(
    stand_table(A=("pine", 40), B=("pine", 10), C=("pine", 40)), A=[8, 12, 10], C=[20, 22]
)


def test_a_stand_without_plots_takes_its_stratums_mean() -> None:
    # By hand: donor means 10 and 21 of equal weight; their variances 4/3 and 1; the spread between
    # them 11^2 / 2 = 60.5. Variance 1/4 (4/3 + 1) + 60.5 (1 + 1/4 + 1/4).
    table = estimate(BORROWING).per_acre()
    one = table.one("B", "cords")
    assert one.mean == pytest.approx(15.5, rel=1e-12)
    assert one.se**2 == pytest.approx((4 / 3 + 1) / 4 + 60.5 * 1.5, rel=1e-12)
    assert one.n == 5
    assert table.borrowed.tolist() == ["", "stratum", ""]
    parts = np.array([1 / 3, 1 / 4, 90.75])
    assert one.df == pytest.approx(parts.sum() ** 2 / (parts**2 / [2, 1, 1]).sum(), rel=1e-12)


def test_donors_that_enter_a_total_twice_are_one_figure() -> None:
    # By hand: each donor speaks for 40 + 5 acres, so 45^2 (4/3 + 1); between stands the departures
    # count 5, 5 and -10 acres: 150 x 60.5.
    total = estimate(BORROWING).total(acres_of(BORROWING)).one("tract", "cords")
    assert total.mean == pytest.approx(40 * 10 + 10 * 15.5 + 40 * 21, rel=1e-12)
    assert total.se**2 == pytest.approx(45**2 * (4 / 3 + 1) + 150 * 60.5, rel=1e-12)


def test_donors_weigh_by_acres() -> None:
    stands = stand_table(A=("pine", 30), B=("pine", 10), C=("pine", 10))
    table = estimate(cruise(stands, A=[8, 12, 10], C=[20, 22])).per_acre()
    assert table.one("B", "cords").mean == pytest.approx(0.75 * 10 + 0.25 * 21, rel=1e-12)


def test_a_lone_plot_counts_in_the_mean_its_stand_borrows() -> None:
    stands = stand_table(A=("pine", 10), B=("pine", 10), C=("pine", 20))
    sample = cruise(stands, A=[8, 12, 10], B=[30], C=[20, 22])
    stands_ = estimate(sample)
    table = stands_.per_acre()
    mean = (10 * 10 + 10 * 30 + 20 * 21) / 40
    assert table.one("B", "cords").mean == pytest.approx(mean, rel=1e-12)
    assert table.borrowed.tolist() == ["", "stratum", ""]
    assert stands_.n_plots.tolist() == [3, 1, 2]
    # By hand: the lone plot varies as plots do within A and C, pooled (8 + 2) / 3; its stand
    # departs by its own quarter of the mean less itself; spread from A and C alone, 60.5.
    sampled = (4 / 3) / 16 + (10 / 3) / 16 + 1 / 4
    between = 60.5 * (1 / 16 + (1 / 4 - 1) ** 2 + 1 / 4)
    assert table.one("B", "cords").se ** 2 == pytest.approx(sampled + between, rel=1e-12)


def test_a_stratum_of_lone_plots_is_estimated_from_the_differences_between_them() -> None:
    # Each plot speaks for its own stand, so the total is sum a y and, plots differing by s^2 = 4,
    # its variance sum a^2 s^2 (collapsed strata, Cochran 1977).
    stands = stand_table(A=("pine", 10), B=("pine", 20), C=("pine", 30))
    sample = cruise(stands, A=[8], B=[10], C=[12])
    total = estimate(sample).total(acres_of(sample)).one("tract", "cords")
    assert total.mean == pytest.approx(80 + 200 + 360, rel=1e-12)
    assert total.se**2 == pytest.approx((100 + 400 + 900) * 4, rel=1e-12)
    assert total.df == pytest.approx(2, rel=1e-12)


def test_one_cruised_stand_lends_with_its_plots_spread() -> None:
    # No spread between stands can be seen; that between plots, s^2 = 4 on 3 plots, stands in.
    sample = cruise(stand_table(A=("pine", 40), B=("pine", 10)), A=[8, 12, 10])
    one = estimate(sample).per_acre().one("B", "cords")
    assert one.se**2 == pytest.approx(4 / 3 + 4 * 2, rel=1e-12)


def test_an_uncruised_stratum_takes_the_tracts_figures_loudly() -> None:
    stands = stand_table(A=("pine", 40), C=("pine", 40), X=("oak", 10), Y=("oak", 20))
    sample = cruise(stands, A=[8, 12, 10], C=[20, 22])
    stands_ = estimate(sample)
    assert stands_.per_acre().borrowed.tolist() == ["", "", "tract", "tract"]
    frame = stands_.borrowers()
    assert frame["stand"].tolist() == ["X", "Y"]
    assert frame[["borrowed", "donor_stands", "donor_plots"]].drop_duplicates().to_numpy(
    ).tolist() == [["tract", 2, 5]]  # fmt: skip
    # The two oak stands are likely to be wrong together: 30^2, not 10^2 + 20^2.
    oak = stands_.total(pd.Series({"X": 10.0, "Y": 20.0}, name="oak")).one("oak", "cords")
    assert oak.se**2 == pytest.approx(15**2 * (4 / 3 + 1) + 60.5 * (15**2 * 2 + 30**2), rel=1e-12)


def test_stands_without_a_stratum_borrow_from_the_tract_each_for_itself() -> None:
    stands = stand_table(A=("pine", 40), C=("pine", 40), X=("", 10), Y=("", 20))
    stands_ = estimate(cruise(stands, A=[8, 12, 10], C=[20, 22]))
    assert stands_.per_acre().borrowed.tolist() == ["", "", "tract", "tract"]
    both = stands_.total(pd.Series({"X": 10.0, "Y": 20.0}, name="both")).one("both", "cords")
    assert both.se**2 == pytest.approx(
        15**2 * (4 / 3 + 1) + 60.5 * (15**2 * 2 + 10**2 + 20**2), rel=1e-12
    )


def test_a_domain_says_whether_any_acre_is_borrowed() -> None:
    stands_ = estimate(BORROWING)
    rows = pd.DataFrame([[1.0, 0, 0], [1, 1, 0], [0, 0, 0]], index=list("xyz"), columns=list("ABC"))
    table = stands_.total(rows)
    assert table.borrowed.tolist() == ["", "stratum", ""]
    assert table.n.tolist() == [3, 5, 0]
    assert table.wide()["cords"].tolist() == pytest.approx([10, 25.5, 0])
    means = stands_.mean(rows).wide()["cords"]
    assert means.tolist()[:2] == pytest.approx([10, 12.75])
    assert np.isnan(means["z"])


def test_a_complete_tally_has_no_sampling_error() -> None:
    # Two sheets of one tally, of 10 and 30 acres: the mean weighs them by acres.
    sample = Sample(
        values=[[40.0], [20.0], [8.0], [12.0]],
        plots=list("1234"),
        stand=list("AABB"),
        attributes=["cords"],
        stands=stand_table(A=("oak", 40), B=("oak", 10)),
        weight=[10.0, 30.0, 1.0, 1.0],
        complete=[True, True, False, False],
    )
    stands_ = estimate(sample)
    one = stands_.per_acre().one("A", "cords")
    assert (one.mean, one.se, one.n) == (25.0, 0.0, 2)
    assert one.interval == (25.0, 25.0)
    total = stands_.total(acres_of(sample)).one("tract", "cords")
    assert total.mean == pytest.approx(1100)
    assert total.se == pytest.approx(10 * 2.0, rel=1e-12)
    assert total.df == pytest.approx(1, rel=1e-12)


def test_one_sheet_of_a_complete_tally_needs_no_second() -> None:
    sample = Sample(
        values=[[40.0]], plots=["1"], stand=["A"], attributes=["cords"],
        stands=stand_table(A=("oak", 40)), complete=[True],
    )  # fmt: skip
    one = estimate(sample).total(acres_of(sample)).one("tract", "cords")
    assert (one.mean, one.se) == (1600.0, 0.0)


def test_strips_of_unequal_length_are_a_ratio_of_means() -> None:
    # Volume on each strip over its acres: the ratio estimator of the same figures.
    volume, acres = np.array([30.0, 80.0, 95.0, 20.0]), np.array([2.0, 4.0, 5.0, 1.0])
    sample = Sample(
        values=(volume / acres)[:, None], plots=list("1234"), stand=list("AAAA"),
        attributes=["cords"], stands=stand_table(A=("oak", 40)), weight=acres,
    )  # fmt: skip
    one = estimate(sample).per_acre().one("A", "cords")
    ratio = ratio_of_means(volume, acres)
    assert (one.mean, one.se, one.df) == pytest.approx((ratio.mean, ratio.se, ratio.df), rel=1e-12)


def test_plots_without_trees_count() -> None:
    stands = stand_table(A=("pine", 40))
    with_empty = estimate(cruise(stands, A=[10, 10, 0, 0])).per_acre().one("A", "cords")
    assert (with_empty.mean, with_empty.n) == (5.0, 4)


def test_nothing_tallied_is_zero_with_no_stated_percentage() -> None:
    table = estimate(cruise(stand_table(A=("pine", 40)), A=[0, 0, 0])).per_acre()
    one = table.one("A", "cords")
    assert (one.mean, one.se, one.df) == (0.0, 0.0, 2.0)
    assert np.isnan(one.sampling_error_pct)
    assert np.isnan(table.error_pct).all()


def test_the_tidy_table_agrees_with_the_single_estimates() -> None:
    table = estimate(BORROWING).per_acre()
    frame = table.to_frame()
    assert list(frame.columns) == [
        "row", "attribute", "estimate", "se", "error_pct", "low", "high", "df", "n", "borrowed",
    ]  # fmt: skip
    for line in frame.itertuples():
        one = table.one(line.row, line.attribute)
        assert (line.low, line.high) == pytest.approx(one.interval, rel=1e-12)
        assert line.error_pct == pytest.approx(one.sampling_error_pct, rel=1e-12)


def test_strata_from_labels() -> None:
    sample = cruise(
        stand_table(A=("pine", 40), B=("oak", 10), C=("pine", 5)), A=[8, 12], B=[3, 5], C=[1, 3]
    )
    by = sample.stands.set_index("stand")
    table = estimate(sample).total(acres_by(by["stratum"], by["acres"]))
    assert table.rows == ("pine", "oak")
    assert table.wide()["cords"].tolist() == [410.0, 40.0]


GOOD = {
    "values": [[1.0], [2.0]],
    "plots": ["1", "2"],
    "stand": ["A", "A"],
    "attributes": ["cords"],
    "stands": stand_table(A=("pine", 40)),
}


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        ({"plots": ["1", "1"]}, "plot '1' is listed more than once"),
        ({"stand": ["A", "Z"]}, "lies in stand 'Z'"),
        ({"values": [[1.0], [np.nan]]}, "no finite 'cords'"),
        ({"values": [[1.0, 2.0], [1.0, 2.0]]}, "must be plots x attributes"),
        ({"stands": stand_table(A=("pine", -1))}, "acres of 0 or more"),
        ({"stands": pd.DataFrame({"stand": ["A"], "acres": [1.0]})}, "lacks the column 'stratum'"),
        ({"complete": [True, False]}, "mixes a complete tally"),
        ({"weight": [1.0, 0.0]}, "'weight' must be above 0"),
        ({"weight": [1.0]}, "one value for each of the 2 plots"),
        ({"confidence": 90}, "fraction between 0 and 1"),
    ],
)
def test_samples_that_cannot_be(wrong: dict[str, object], message: str) -> None:
    with pytest.raises(DomainError, match=message):
        Sample(**{**GOOD, **wrong})  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("acres", "message"),
    [
        (pd.Series({"Z": 1.0}), "stand 'Z', which is not"),
        (pd.Series({"A": -1.0}), "0 or more; got -1"),
        (pd.Series({"A": np.nan}), "0 or more; got nan"),
        (pd.Series([1.0, 2.0], index=["A", "A"]), "more than once"),
    ],
)
def test_acres_that_cannot_be(acres: pd.Series, message: str) -> None:
    with pytest.raises(DomainError, match=message):
        estimate(Sample(**GOOD)).total(acres)  # type: ignore[arg-type]


def test_one_plot_or_none_is_not_a_sample() -> None:
    one = {**GOOD, "values": [[1.0]], "plots": ["1"], "stand": ["A"]}
    with pytest.raises(DomainError, match="nothing of its own error"):
        estimate(Sample(**one))  # type: ignore[arg-type]
    none = {**GOOD, "values": np.zeros((0, 1)), "plots": [], "stand": []}
    with pytest.raises(DomainError, match="no plots"):
        estimate(Sample(**none))  # type: ignore[arg-type]


def test_a_figure_that_is_not_there_names_those_that_are() -> None:
    table = estimate(BORROWING).per_acre()
    with pytest.raises(DomainError, match="No attribute 'tons' in the table; it has cords"):
        table.one("A", "tons")
