"""Product specifications: what may be written, and what is said when it may not."""

import math

import numpy as np
import pandas as pd
import pytest

from standmap._tables import load_table
from standmap.errors import DomainError, InputError
from standmap.products import ProductSpec, eligibility, example_products, specs_from_frame

RED_OAK, LOBLOLLY, REDCEDAR = 833, 131, 68


def sheet(**columns):
    """Two good rows, with columns changed or added."""
    good = {
        "product": ["oak sawlog", "pulpwood"],
        "kind": ["saw", "bulk"],
        "species": ["oak", ""],
        "min_top_in": [10, 4],
        "min_length_ft": [8, 8],
        "max_length_ft": [16, 40],
    }
    return pd.DataFrame(good | columns)


def problems_of(frame, **options):
    with pytest.raises(InputError, match="to mend") as caught:
        specs_from_frame(frame, **options)
    return [(p.row, p.column) for p in caught.value.problems], caught.value


def test_lengths_run_from_the_shortest_by_the_step_and_never_past_the_longest():
    spec = ProductSpec(
        product="tie",
        kind="saw",
        rank=1,
        min_top_in=9,
        min_length_ft=8.5,
        max_length_ft=17.0,
        length_step_ft=4,
    )
    np.testing.assert_array_equal(spec.legal_lengths_ft, [8.5, 12.5, 16.5])
    tenths = ProductSpec(
        product="bolt",
        kind="bulk",
        rank=1,
        min_top_in=9,
        min_length_ft=1.0,
        max_length_ft=1.3,
        length_step_ft=0.1,
    )
    assert tenths.n_lengths == 4  # although 0.3 / 0.1 is 2.999... in binary


def test_blank_cells_take_the_defaults_and_rank_follows_the_rows():
    oak, pulp = specs_from_frame(sheet(max_dbh_in=["", 11]))
    assert (oak.rank, pulp.rank) == (1, 2)
    assert (oak.max_dbh_in, pulp.max_dbh_in) == (math.inf, 11)
    assert (pulp.species, oak.top_bark, oak.called_only) == ("any", "ib", False)


def test_a_list_of_lengths_stands_for_the_shortest_the_longest_and_the_step():
    frame = sheet(lengths_ft=["16; 8;12", ""], min_length_ft=["", 8], max_length_ft=["", 40])
    oak, pulp = specs_from_frame(frame)
    np.testing.assert_array_equal(oak.legal_lengths_ft, [8, 12, 16])
    assert (oak.min_length_ft, oak.max_length_ft, oak.n_lengths) == (8, 16, 3)
    assert pulp.lengths_ft == () and pulp.n_lengths == 17
    alone = frame.iloc[:1].drop(columns=["min_length_ft", "max_length_ft"])
    assert specs_from_frame(alone) == [oak]


def test_without_a_list_both_ends_are_needed():
    blank = sheet(lengths_ft=["8;16", ""], min_length_ft=["", ""], max_length_ft=["", 40])
    assert problems_of(blank)[0] == [(3, "min_length_ft")]
    found, _ = problems_of(sheet().drop(columns=["max_length_ft"]))
    assert found == [(None, "max_length_ft")]


def test_what_a_buyer_asks_of_quality_is_read():
    (spec, _) = specs_from_frame(
        sheet(max_grade=[2, ""], butt_only=["yes", ""], max_cull_pct=[40, ""], min_logs=[2, ""])
    )
    assert (spec.max_grade, spec.butt_only, spec.max_cull_pct, spec.min_logs) == (2, True, 40, 2)


def test_grade_and_defect_of_the_trees_taken():
    frame = sheet(max_grade=[2, ""], max_cull_pct=["", 30])
    oak, pulp = specs_from_frame(frame)
    takes = eligibility(
        [RED_OAK] * 4, [20.0] * 4, [oak, pulp], grade=[1, 3, np.nan, 2], defect_pct=[0, 30, 31, 0]
    )
    assert takes[:, 0].tolist() == [True, False, False, True]
    assert takes[:, 1].tolist() == [True, True, False, True]


def test_a_spec_names_every_contradiction_at_once():
    with pytest.raises(DomainError, match=r"(?s)kind.*trim_ft.*feet, not inches"):
        ProductSpec(
            product="log",
            kind="sawn",
            rank=1,
            min_top_in=8,
            min_length_ft=8,
            max_length_ft=16,
            trim_ft=4,
        )


@pytest.mark.parametrize(
    ("column", "values", "row"),
    [
        ("min_top_in", ["ten", 4], 2),
        ("min_top_in", [10, -1], 3),
        ("min_top_in", [10, float("nan")], 3),
        ("kind", ["saw", "pulp"], 3),
        ("product", ["", "pulpwood"], 2),
        ("species", ["oka", ""], 2),
        ("rank", [1.5, 2], 2),
        ("rank", [1, 0], 3),
        ("rank", ["inf", 2], 2),
        ("max_length_ft", [16, 6], 3),
        ("max_length_ft", [192, 40], 2),
        ("length_step_ft", [0, 2], 2),
        ("trim_ft", [4, 0], 2),
        ("max_dbh_in", [9, 20], None),
        ("max_large_in", [9, 20], 2),
        ("top_bark", ["ib", "over"], 3),
        ("called_only", ["perhaps", "no"], 2),
        ("product", ["pulpwood", "Pulpwood"], 3),
        ("max_grade", [0, 2], 2),
        ("max_grade", ["A", 2], 2),
        ("max_cull_pct", [101, 50], 2),
        ("min_logs", [0, 1], 2),
        ("min_logs", [1, 1.5], 3),
        ("butt_only", ["mostly", "no"], 2),
        ("lengths_ft", ["8;10;16", "8;40;x"], 3),
        ("lengths_ft", ["8;8;16", ""], 2),
        ("lengths_ft", ["8;12", ""], 2),  # the other columns say 8 to 16
    ],
)
def test_one_bad_cell_is_one_problem_with_its_row_and_column(column, values, row):
    found, _ = problems_of(sheet(**{column: values}))
    expected = (2, "min_top_in") if row is None else (row, column)  # narrower trees than tops
    assert found == [expected]


def test_all_problems_of_a_table_come_together():
    bad = sheet(kind=["saw", "heap"], min_top_in=["wide", 4], species=["oka", "piine"])
    found, error = problems_of(bad, file="mill.csv")
    assert found == [(2, "min_top_in"), (2, "species"), (3, "kind"), (3, "species")]
    assert "mill.csv, row 2, column 'min_top_in': not a number (got 'wide')" in str(error)


def test_missing_and_misspelt_columns_are_named():
    found, error = problems_of(sheet(min_dbh=[1, 2]).drop(columns="kind"))
    assert found == [(None, "kind"), (None, "min_dbh")]
    assert "Did you mean 'min_dbh_in'?" in str(error)


def test_an_empty_table_is_a_problem():
    _, error = problems_of(sheet().iloc[:0])
    assert "no products" in str(error)


def test_aliases_of_the_tract_are_understood():
    (spec, _) = specs_from_frame(sheet(species=["YP", ""]), aliases={"YP": "yellow-poplar"})
    assert spec.species == "YP"
    takes = eligibility([621, 802], [20.0, 20.0], [spec], aliases={"YP": "yellow-poplar"})
    assert takes.ravel().tolist() == [True, False]


def test_diameter_limits_include_both_ends():
    spec = ProductSpec(
        product="small pine",
        kind="bulk",
        rank=1,
        species="pine",
        min_dbh_in=8.5,
        max_dbh_in=11.5,
        min_top_in=6,
        min_length_ft=16,
        max_length_ft=40,
    )
    dbh = [8.4, 8.5, 11.5, 11.6, 10.0]
    takes = eligibility([LOBLOLLY] * 4 + [RED_OAK], dbh, [spec]).ravel()
    assert takes.tolist() == [False, True, True, False, False]


def test_cull_trees_make_no_saw_product_and_size_never_makes_a_called_one():
    specs = example_products()
    saw = [s for s, spec in enumerate(specs) if spec.kind == "saw"]
    sound, cull = eligibility([RED_OAK] * 2, [24.0] * 2, specs, cull=[False, True])
    assert sound[saw].any() and not cull[saw].any() and cull.any()
    veneer = next(s for s, spec in enumerate(specs) if spec.called_only)
    assert not sound[veneer]


class TestExampleProducts:
    def test_every_row_says_where_it_comes_from(self):
        source = load_table("products_example")["source"]
        known = ("Cassens", "SREF", "KY", "UGA", "WVU", "common practice, no source")
        assert source.map(lambda text: any(name in text for name in known)).all()

    def test_hardwood_tops_are_those_of_factory_log_grades(self):
        """SREF Service Forester handbook, hardwood log grades (FPL D-1737): F2 11 in, F3 8 in."""
        top = {spec.product: (spec.min_top_in, spec.min_length_ft) for spec in example_products()}
        assert top["hardwood sawtimber"] == (11, 8)
        assert top["pallet and tie"] == (8, 8)

    @pytest.mark.parametrize("code", [RED_OAK, LOBLOLLY, REDCEDAR])
    def test_a_tree_of_any_size_over_five_inches_has_a_buyer(self, code):
        dbh = np.arange(5.0, 40.0)
        assert eligibility(np.full(len(dbh), code), dbh, example_products()).any(axis=1).all()

    def test_ranks_are_distinct(self):
        ranks = [spec.rank for spec in example_products()]
        assert len(set(ranks)) == len(ranks)
