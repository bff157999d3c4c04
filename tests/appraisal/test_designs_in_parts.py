"""Parts of stands under every design: a unit on the western half of stand A."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import standmap
from standmap.cruise import double_ratio_mean, two_stage_mean
from standmap.report.cruise_page import cruise_html

KEYS = 'design = "point"\nbaf = 10\n'
PARTS = """
[domains]
file = "parts.gpkg"
id = "part"
min_plots = 3
"""
CUFT = "volume_cuft"


def on_the_ground(wood, n: int, **columns: object) -> pd.DataFrame:
    """Plots of stand A by their coordinates, the first half of them in its western half."""
    half = n // 2
    east = np.r_[np.linspace(20, 180, half), np.linspace(220, 380, n - half)]
    wood.only_stand("A")
    wood.layer("parts.gpkg", 1, wide=0.5, part=["west"])
    names = [f"A{i}" for i in range(1, n + 1)]
    return pd.DataFrame({"plot": names, "x": 500_000 + east, "y": 4_000_200, **columns})


def west(found: standmap.Appraisal) -> pd.Series:
    table = found.domains.table.set_index(["domain", "stand"])
    return table.loc[("west", "A")]


def test_counts_of_a_part_and_the_ratio_of_its_stand(wood) -> None:
    counts = [4, 7, 2, 6, 9, 5, 3, 8]
    plots = on_the_ground(wood, 8, tree_count=counts)
    trees = wood.some_trees(["A1", "A3", "A5", "A7"], [4, 2, 9, 3])
    wood.cruise(KEYS + 'estimator = "count_measure"\n' + PARTS, plots, trees)
    found = wood.appraise()
    part = west(found)
    assert (part["source"], part["plots"]) == ("own plots", 4)
    y, x = wood.per_acre(found, ["A1", "A3", "A5", "A7"], 10.0), 10.0 * np.array(counts)
    ratio = y.sum() / x[[0, 2, 4, 6]].sum()
    assert part[f"{CUFT}_per_acre"] == pytest.approx(ratio * x[:4].mean(), rel=1e-9)
    assert part[f"{CUFT}_total"] == pytest.approx(
        ratio * x[:4].mean() * found.net_acres / 2, rel=1e-6
    )
    # Basal area is known from the counts alone, as if every point had been measured.
    assert part["basal_area_sqft_per_acre"] == pytest.approx(x[:4].mean(), rel=1e-9)
    page = cruise_html(found)
    assert "The ratio or line that ties cheap figures to timber stays that of its group" in page


def test_a_part_of_double_sampling_is_double_sampling_in_it(wood) -> None:
    # Measured plots in the part alone: its figures are the textbook's for those plots.
    x = [40.0, 62.0, 15.0, 55.0, 48.0, 30.0, 27.0, 70.0]
    said = ["yes", "no", "yes", "yes", "no", "no", "no", "no"]
    plots = on_the_ground(wood, 8, covariate=x, measured=said)
    trees = wood.some_trees(["A1", "A3", "A4"], [4, 2, 6])
    wood.cruise(KEYS + 'estimator = "ratio"\n' + PARTS, plots, trees)
    found = wood.appraise()
    y, x = wood.per_acre(found, ["A1", "A3", "A4"], 10.0), np.array(x)[:4]
    known = double_ratio_mean(y, x[[0, 2, 3]], x, linearised=True)
    part = west(found)
    assert part[f"{CUFT}_per_acre"] == pytest.approx(known.mean, rel=1e-9)
    assert part[f"{CUFT}_error_pct"] == pytest.approx(known.sampling_error_pct, rel=1e-9)


def test_a_part_of_a_cruise_in_clusters_is_told_by_its_clusters(wood) -> None:
    plots = on_the_ground(wood, 12, cluster=[f"c{k // 2}" for k in range(12)])
    trees = wood.some_trees(list(plots["plot"]), [4, 6, 9, 8, 5, 3, 11, 4, 7, 2, 6, 5])
    wood.cruise(KEYS + PARTS, plots, trees)
    found = wood.appraise()
    y = wood.per_acre(found, [f"A{i}" for i in range(1, 7)], 10.0)
    known = two_stage_mean(y, plots["cluster"][:6])
    part = west(found)
    assert (part["source"], part["plots"]) == ("own plots", 6)
    assert part[f"{CUFT}_per_acre"] == pytest.approx(known.mean, rel=1e-9)
    assert part[f"{CUFT}_error_pct"] == pytest.approx(known.sampling_error_pct, rel=1e-9)
    assert "figures of the clusters of plots that fell in it" in cruise_html(found)


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ('design = "complete"\n', "a tally does not say where in its stand a tree stood"),
        (KEYS + 'estimator = "ratio"\n', "known for whole stands and not for their parts"),
    ],
)
def test_where_a_part_can_have_no_figures_of_its_own_the_page_says_why(
    wood, keys: str, words: str
) -> None:
    plots = on_the_ground(wood, 8, covariate=[40.0, 62, 15, 55, 48, 30, 27, 70])
    wood.layer("stands.gpkg", 1, stand=["A"], stratum=["oak"], canopy=[52.0])
    trees = wood.some_trees(list(plots["plot"]), [4, 6, 9, 8, 5, 3, 11, 4])
    if "complete" in keys:
        plots = plots.drop(columns="covariate")
    wood.cruise(keys + PARTS, plots, trees)
    if "complete" not in keys:
        wood.swap(
            "tract.toml", 'file = "stands.gpkg"', 'file = "stands.gpkg"\ncovariate = "canopy"'
        )
    found = wood.appraise()
    assert west(found)["source"] == "stand"
    stand = found.stands[f"{CUFT}_per_acre"].iloc[0]
    assert west(found)[f"{CUFT}_per_acre"] == pytest.approx(stand, rel=1e-9)
    assert words in cruise_html(found)
