"""From a defects table beside the tally to the dollars of an appraisal."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

import standmap
from standmap.tract.sample import write_sample


@pytest.fixture(scope="module")
def defective(
    tmp_path_factory: pytest.TempPathFactory, sample_appraisal: standmap.Appraisal
) -> tuple[standmap.Appraisal, pd.DataFrame]:
    """The sample with a fork, a rot, a sweep and a wedge in each of ten of its tallied trees."""
    folder: Path = tmp_path_factory.mktemp("defects") / "tract"
    write_sample(folder)
    trees = sample_appraisal.tract.trees
    big = trees[trees["used"] & (trees["saw_logs"] >= 2) & (trees["product"] == "")].head(10)
    rows = []
    for tree in big.itertuples():
        at = f"{tree.plot},{tree.tree}"
        rows += [f"{at},ring shake,6,7.5,,", f"{at},sweep,9,25,6,", f"{at},fork,30,,,",
                 f"{at},wedge,1,5,,45"]  # fmt: skip
    table = "plot,tree,kind,from_ft,to_ft,departure_in,angle_deg\n" + "\n".join(rows) + "\n"
    (folder / "defects.csv").write_text(table)
    with (folder / "tract.toml").open("a") as file:
        file.write('\n[defects]\nfile = "defects.csv"\n')
    return standmap.appraise(standmap.read_tract(folder)), big


def test_the_defects_reach_the_logs_of_their_trees_and_of_no_others(
    defective: tuple[standmap.Appraisal, pd.DataFrame], sample_appraisal: standmap.Appraisal
) -> None:
    appraisal, big = defective
    keys = ["plot", "tree"]
    marked = pd.MultiIndex.from_frame(big[keys])
    now, before = appraisal.logs, sample_appraisal.logs
    here = pd.MultiIndex.from_frame(now[keys]).isin(marked)
    there = pd.MultiIndex.from_frame(before[keys]).isin(marked)
    columns = ["plot", "tree", "log", "product", "bottom_ft", "length_ft", "bf_doyle", "value_usd"]
    pd.testing.assert_frame_equal(
        now.loc[~here, columns].reset_index(drop=True),
        before.loc[~there, columns].reset_index(drop=True),
    )
    logs = now[here]
    saw = logs[logs["bf_doyle"] > 0]
    top = saw["bottom_ft"] + saw["length_ft"]
    assert ((top <= 6.0) | (saw["bottom_ft"] >= 7.5)).all()
    every_top = logs["bottom_ft"] + logs["length_ft"]
    assert ((every_top <= 30 + 1e-6) | (logs["bottom_ft"] >= 30 - 1e-6)).all()
    swept = saw[(saw["bottom_ft"] < 25) & (saw["length_ft"] == 16)]
    assert len(swept) and (swept["bf_doyle"] < swept["gross_bf_doyle"]).all()


def test_defect_costs_money_and_best_value_stays_on_top(
    defective: tuple[standmap.Appraisal, pd.DataFrame], sample_appraisal: standmap.Appraisal
) -> None:
    appraisal, _ = defective
    assert appraisal.total("value_usd").mean < sample_appraisal.total("value_usd").mean
    wide = appraisal.bucking_values.pivot_table(index="stand", columns="method", values="value_usd")
    before = sample_appraisal.bucking_values.pivot_table(
        index="stand", columns="method", values="value_usd"
    )
    assert (wide["best_value"] >= wide[["field", "top_down"]].max(axis=1) - 1e-6).all()
    assert (wide["best_value"] <= before["best_value"] + 1e-6).all()


def test_the_table_is_among_the_hashed_inputs(
    defective: tuple[standmap.Appraisal, pd.DataFrame],
) -> None:
    assert "defects.csv" in defective[0].tract.hashes
