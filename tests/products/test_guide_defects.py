"""The worked example of the guide's page on defects, worked again."""

import csv
import re

import numpy as np
import pytest

from standmap.guide import page
from standmap.products import ProductSpec, StemDefects, buck_top_down, saw_top_from_logs
from standmap.trees import form_class_stems
from standmap.units import LOG_RULES

SCRIBNER = LOG_RULES.index("scribner")
SAWLOG = ProductSpec(
    product="sawlog", kind="saw", rank=1, min_top_in=8, min_length_ft=8, max_length_ft=16,
    trim_ft=0.3,
)  # fmt: skip


@pytest.fixture(scope="module")
def text():
    return page("defects")


@pytest.fixture(scope="module")
def as_written(text):
    """The guide's own rows."""
    rows = list(csv.DictReader(re.search(r"```\n(plot,.*?)```", text, re.S)[1].splitlines()))
    sizes = ("width_in", "height_in", "departure_in")
    return StemDefects(
        tree=[0] * len(rows),
        kind=[{"rot": "cut out"}.get(row["kind"], row["kind"]) for row in rows],
        from_ft=[float(row["from_ft"]) for row in rows],
        to_ft=[float(row["to_ft"]) for row in rows],
        **{name: [float(row[name] or "nan") for row in rows] for name in sizes},
    )


def cut(defects):
    oak = form_class_stems([833], [20.0], [2.5])
    return buck_top_down(oak, [SAWLOG], saw_top_ft=saw_top_from_logs([2.5]), defects=defects)


def numbers(text, pattern):
    return [float(n) for n in re.search(pattern, text).groups()]


def test_the_sound_tree(text):
    said = numbers(text, r"first two logs scale ([\d.]+) and ([\d.]+) board feet")
    np.testing.assert_allclose(cut(None).bf[:2, SCRIBNER], said, rtol=0, atol=0.051)


def test_the_logs_of_the_defective_tree(text, as_written):
    logs = cut(as_written)
    assert logs.bottom_ft.tolist() == [1, 19.5]
    assert logs.length_ft.tolist() == [16, 16]
    gross, net = logs.gross_bf[:, SCRIBNER], logs.bf[:, SCRIBNER]
    butt = numbers(text, r"= ([\d.]+) board feet\. ([\d.]+) less \1 leaves ([\d.]+)\.")
    np.testing.assert_allclose([gross[0] - net[0], gross[0], net[0]], butt, rtol=0, atol=0.051)
    small, scaled = numbers(text, r"small end is ([\d.]+) inches, and it scales ([\d.]+) gross")
    np.testing.assert_allclose(
        [logs.small_dib_in[1], gross[1]], [small, scaled], rtol=0, atol=0.051
    )
    share, _, lost, left = numbers(
        text, r"a share of ([\d.]+)\. ([\d.]+) less ([\d.]+) leaves ([\d.]+)\."
    )
    assert logs.defect_pct[1] / 100 == pytest.approx(share, rel=0, abs=0.0005)
    np.testing.assert_allclose([gross[1] - net[1], net[1]], [lost, left], rtol=0, atol=0.051)


def test_the_totals(text, as_written):
    gross, net, sound = numbers(
        text,
        r"Gross ([\d.]+), net ([\d.]+) board feet Scribner, where the sound tree had ([\d.]+\d)",
    )
    logs = cut(as_written)
    got = [logs.gross_bf[:, SCRIBNER].sum(), logs.bf[:, SCRIBNER].sum()]
    np.testing.assert_allclose(
        [*got, cut(None).bf[:, SCRIBNER].sum()], [gross, net, sound], rtol=0, atol=0.051
    )
