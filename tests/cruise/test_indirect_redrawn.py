"""Cruises re-drawn from woods of several stands: totals unbiased, errors true, intervals kept.

What `standmap.appraise` calls for every indirect design, on woods whose truth is known: stands that
share a ratio, a line, mapped types or predictions.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from zlib import crc32

import numpy as np
import pandas as pd
import pytest

from standmap.cruise import DIRECT, UNUSED, Indirect, Sample, estimate

DRAWS = 2_000
PLACES = 500  # plots that could fall in each stand
ACRES = np.array([30.0, 55.0, 20.0, 80.0])
N = np.array([8, 12, 6, 16])  # plots in each stand, about by acres
STAND = np.repeat(np.arange(4), N)
WHOLE = pd.Series(ACRES, index=list("ABCD"), name="tract")
STANDS = pd.DataFrame({"stand": list("ABCD"), "stratum": "oak", "acres": ACRES})
WOOD = np.random.default_rng(11)
X = np.array([60.0, 90.0, 120.0, 75.0])[:, None] * WOOD.gamma(9, 1 / 9, (4, PLACES))
Y = 22 * X * WOOD.gamma(25, 1 / 25, (4, PLACES))
LINE = 400 + 18 * X + 250 * WOOD.normal(size=(4, PLACES))
KIND = WOOD.random((4, PLACES)) < np.array([0.2, 0.5, 0.7, 0.4])[:, None]
TYPED = np.where(KIND, 2_500.0, 900.0) * WOOD.gamma(12, 1 / 12, (4, PLACES))

Rng = np.random.Generator


@dataclass(frozen=True)
class Drawn:
    """One cruise: its figures by row, the stands of its plots, and the truth."""

    indirect: Indirect
    rows: np.ndarray
    truth: float
    complete: bool = False

    @property
    def stand(self) -> np.ndarray:
        """Stand of each plot: one tally sheet for each, or plots by stand."""
        return np.array(list("ABCD"))[np.arange(4) if self.complete else STAND]


def fall(rng: Rng) -> np.ndarray:
    """Where the plots of one cruise fall in their stands."""
    return rng.integers(0, PLACES, STAND.size)


def truth(y: np.ndarray) -> float:
    return float(ACRES @ y.mean(axis=1))


def sample(one: Drawn) -> Sample:
    return Sample(
        values=one.rows[:, None],
        plots=range(one.stand.size),
        stand=one.stand,
        attributes=["y"],
        stands=STANDS,
        complete=np.full(one.stand.size, one.complete),
        indirect=one.indirect,
    )


def shared(kind: str, x: np.ndarray, measured: np.ndarray, **more: object) -> Indirect:
    return Indirect(
        kind=kind,
        plot_of_row=np.arange(x.size),
        class_of_row=np.where(measured, 0, UNUSED),
        x_row=x,
        x_plot=x[:, None],
        group_of_stand=np.zeros(4, dtype=np.intp),
        groups=("",),
        **more,
    )


def counts_and_measures(rng: Rng) -> Drawn:
    at, measured = fall(rng), np.arange(STAND.size) % 3 == 0
    y = np.where(measured, Y[STAND, at], 0.0)
    return Drawn(shared("ratio", X[STAND, at], measured), y, truth(Y))


def a_line_on_many_plots(rng: Rng) -> Drawn:
    at, measured = fall(rng), np.arange(STAND.size) % 3 == 0
    y = np.where(measured, LINE[STAND, at], 0.0)
    return Drawn(shared("line", X[STAND, at], measured), y, truth(LINE))


def a_ratio_to_a_map(rng: Rng) -> Drawn:
    at, every = fall(rng), np.ones(STAND.size, dtype=bool)
    mapped = shared("ratio", X[STAND, at], every, x_stand=X.mean(axis=1)[:, None])
    return Drawn(mapped, Y[STAND, at], truth(Y))


def a_line_to_a_map(rng: Rng) -> Drawn:
    at, every = fall(rng), np.ones(STAND.size, dtype=bool)
    mapped = shared("line", X[STAND, at], every, x_stand=X.mean(axis=1)[:, None])
    return Drawn(mapped, LINE[STAND, at], truth(LINE))


def mapped_types(rng: Rng) -> Drawn:
    at = fall(rng)
    kind = KIND[STAND, at].astype(np.intp)
    share = KIND.mean(axis=1)
    indirect = Indirect(
        kind="ratio",
        plot_of_row=np.arange(STAND.size),
        class_of_row=kind,
        x_row=np.ones(STAND.size),
        x_plot=np.eye(2)[kind],
        x_stand=np.column_stack([1 - share, share]),
        group_of_stand=np.zeros(4, dtype=np.intp),
        groups=("",),
        classes=("cove", "ridge"),
    )
    return Drawn(indirect, TYPED[STAND, at], truth(TYPED))


TREE_STAND = np.repeat(np.arange(4), [80, 150, 60, 210])
CALL = WOOD.gamma(4, 60, 500)
TREE = 1.1 * CALL * WOOD.gamma(20, 1 / 20, 500)
KZ = 700.0


def three_p(rng: Rng) -> Drawn:
    drawn = rng.random(500) < CALL / KZ
    sure = CALL >= KZ
    left = np.where(sure, 0.0, CALL)
    stand = TREE_STAND[drawn]
    direct = sure[drawn]
    indirect = Indirect(
        kind="ratio",
        plot_of_row=stand,
        class_of_row=np.where(direct, DIRECT, 0),
        x_row=np.where(direct, 0.0, 1.0),
        x_plot=(np.bincount(TREE_STAND, weights=left) / ACRES)[:, None],
        group_of_stand=np.zeros(4, dtype=np.intp),
        groups=("",),
        left=np.clip(1 - CALL[drawn] / KZ, 0, 1),
    )
    rows = np.where(direct, TREE[drawn] / ACRES[stand], TREE[drawn] / CALL[drawn])
    return Drawn(indirect, rows, float(TREE.sum()), complete=True)


DESIGNS = {
    f.__name__: f
    for f in (
        counts_and_measures, a_line_on_many_plots, a_ratio_to_a_map, a_line_to_a_map, mapped_types,
        three_p,
    )
}  # fmt: skip


AT_ONCE = 50
"""Cruises estimated in one sample, each a tract of its own: quicker than one by one."""


def together(cruises: list[Drawn]) -> Sample:
    """Lay cruises side by side: each a group of its own, of four stands of its own."""
    parts = [c.indirect for c in cruises]
    n_plots = [len(p.x_plot) for p in parts]
    before = np.concatenate([[0], np.cumsum(n_plots)[:-1]])
    laid = replace(
        parts[0],
        plot_of_row=np.concatenate([p.plot_of_row + b for p, b in zip(parts, before, strict=True)]),
        class_of_row=np.concatenate([p.class_of_row for p in parts]),
        x_row=np.concatenate([p.x_row for p in parts]),
        x_plot=np.concatenate([p.x_plot for p in parts]),
        x_stand=None if parts[0].x_stand is None else np.concatenate([p.x_stand for p in parts]),
        group_of_stand=np.repeat(np.arange(len(parts)), 4),
        groups=tuple(f"cruise {i}" for i in range(len(parts))),
        left=None if parts[0].left is None else np.concatenate([p.left for p in parts]),
    )
    names = [f"{stand}{i}" for i in range(len(parts)) for stand in "ABCD"]
    return Sample(
        values=np.concatenate([c.rows for c in cruises])[:, None],
        plots=range(sum(n_plots)),
        stand=np.concatenate([[f"{s}{i}" for s in c.stand] for i, c in enumerate(cruises)]),
        attributes=["y"],
        stands=pd.DataFrame({"stand": names, "stratum": "", "acres": np.tile(ACRES, len(parts))}),
        complete=np.full(sum(n_plots), cruises[0].complete),
        indirect=laid,
    )


@cache
def redraw(design: Callable[[Rng], Drawn]) -> np.ndarray:
    """Estimate over truth, variance, low and high of every draw."""
    rng = np.random.default_rng([2_000, crc32(design.__name__.encode())])
    acres = np.kron(np.eye(AT_ONCE), ACRES)
    found = []
    for _ in range(DRAWS // AT_ONCE):
        drawn = [design(rng) for _ in range(AT_ONCE)]
        many = together(drawn)
        domains = pd.DataFrame(acres, columns=many.stands["stand"])
        total = estimate(many).total(domains)
        got = np.column_stack([total.estimate, total.se, total.low, total.high]) / drawn[0].truth
        found.append(got)
    mean, se, low, high = np.concatenate(found).T
    return np.column_stack([mean, se**2, low, high])


def test_cruises_side_by_side_are_the_cruises_one_by_one() -> None:
    for design in DESIGNS.values():
        rng = np.random.default_rng(1)
        alone = [design(rng) for _ in range(3)]
        many = together(alone)
        acres = pd.DataFrame(np.kron(np.eye(3), ACRES), columns=many.stands["stand"])
        total = estimate(many).total(acres)
        for i, one in enumerate(alone):
            known = estimate(sample(one)).total(WHOLE).one("tract", "y")
            assert total.estimate[i, 0] == pytest.approx(known.mean, rel=1e-12)
            assert total.se[i, 0] == pytest.approx(known.se, rel=1e-9)
            assert total.df[i, 0] == pytest.approx(known.df, rel=1e-9)


WORDS = {
    "counts_and_measures": "appraised: count and measure, shared ratio",
    "a_line_on_many_plots": "appraised: double sampling, shared line",
    "a_ratio_to_a_map": "appraised: ratio to a map, shared",
    "a_line_to_a_map": "appraised: line on a map, shared",
    "mapped_types": "appraised: mapped types, shared",
    "three_p": "appraised: 3P, shared ratio",
}
"""What the guide page calls each."""


@pytest.mark.parametrize("design", DESIGNS)
def test_totals_of_stands_that_share(design: str, told: dict[str, tuple[float, ...]]) -> None:
    mean, variance, low, high = redraw(DESIGNS[design]).T
    error = mean.std(ddof=1)
    bias = (mean.mean() - 1) / error * np.sqrt(DRAWS)
    stated = np.sqrt(variance.mean()) / error
    covered = ((low <= 1) & (high >= 1)).mean()
    assert abs(bias) <= 3
    assert stated == pytest.approx(1, abs=0.06)
    assert 0.88 <= covered <= 0.92
    printed = told[WORDS[design]]
    assert bias == pytest.approx(printed[0], abs=0.15)
    assert stated == pytest.approx(printed[1], abs=0.015)
    assert 100 * covered == pytest.approx(printed[2], abs=0.3)


def test_taken_for_each_stand_s_own_a_shared_ratio_would_seem_too_sure() -> None:
    # The error of the ratio is one error in all stands: adding variances as if the stands' figures
    # were apart leaves out what they share.
    rng = np.random.default_rng(3)
    many = together([counts_and_measures(rng) for _ in range(AT_ONCE)])
    found = estimate(many)
    apart = ((found.per_acre().se[:, 0] * np.tile(ACRES, AT_ONCE)) ** 2).sum() / AT_ONCE
    acres = pd.DataFrame(np.kron(np.eye(AT_ONCE), ACRES), columns=many.stands["stand"])
    truly = (found.total(acres).se[:, 0] ** 2).mean()
    assert apart < 0.85 * truly


def test_what_few_plots_hold_is_covered_as_the_guide_says() -> None:
    # The table of the guide page 'designs': 40 plots, a product spread by chance, skewed.
    rng = np.random.default_rng(3)
    told = {1: 55, 2: 69, 3: 75, 5: 81, 8: 84, 12: 87}
    for many, percent in told.items():
        p = many / 40
        y = np.where(rng.random((20_000, 40)) < p, rng.gamma(1.5, 1 / 1.5, (20_000, 40)), 0.0)
        half = 1.6848751194973992 * y.std(axis=1, ddof=1) / np.sqrt(40)  # t, 39 df, 90 percent
        assert 100 * (np.abs(y.mean(axis=1) - p) <= half).mean() == pytest.approx(percent, abs=1.2)
