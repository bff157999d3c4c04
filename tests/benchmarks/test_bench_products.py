"""A million distinct trees, from arrays to stems to scaled logs to per-acre products by plot.

Run ``pytest tests/benchmarks/test_bench_products.py --benchmark-only``. The same work is done in
plain Python (``STANDMAP_NO_JIT=1``) on a few hundred trees, in a process of its own, as is one
compiled run whose peak memory is taken.
"""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
import time
from typing import NamedTuple

import numpy as np

from standmap.products import (
    Logs,
    ProductSpec,
    buck_top_down,
    example_products,
    per_acre_by_plot,
    saw_top_from_logs,
)
from standmap.trees import national_stems
from standmap.units import BASAL_AREA_CONSTANT

TREES = 1_000_000
PLAIN_TREES = 400
TREES_ON_A_PLOT = 8
BAF = 10.0
SPECIES = [802, 833, 837, 621, 318, 316, 131, 110, 129, 68, 541, 762, 407, 402, 531]


class Tally(NamedTuple):
    """A point cruise in an eastern wood: every tree with its own DBH, height and log count."""

    species_code: np.ndarray
    dbh_in: np.ndarray
    height_ft: np.ndarray
    saw_logs: np.ndarray
    defect_pct: np.ndarray
    plot: np.ndarray


def make_tally(n: int) -> Tally:
    rng = np.random.default_rng(20_240_501)
    dbh = 4.6 + rng.gamma(3.0, 2.4, n)
    height = 4.5 + 105 * (1 - np.exp(-0.085 * dbh)) * rng.lognormal(0, 0.08, n)
    counted = (dbh > 11) & (rng.random(n) < 0.8)
    halves = np.floor(2 * np.clip((height - 30) / 20, 0, 5)) / 2
    return Tally(
        species_code=rng.choice(SPECIES, n),
        dbh_in=dbh,
        height_ft=height,
        saw_logs=np.where(counted, halves, np.nan),
        defect_pct=np.round(rng.uniform(0, 20, n)),
        plot=rng.integers(0, max(1, n // TREES_ON_A_PLOT), n),
    )


def to_products(tally: Tally, specs: list[ProductSpec]) -> tuple[Logs, np.ndarray]:
    stems = national_stems(tally.species_code, tally.dbh_in, tally.height_ft)
    logs = buck_top_down(
        stems, specs, saw_top_ft=saw_top_from_logs(tally.saw_logs), defect_pct=tally.defect_pct
    )
    per_acre = BAF / (BASAL_AREA_CONSTANT * tally.dbh_in**2)
    n_plots = int(tally.plot.max()) + 1
    return logs, per_acre_by_plot(logs, tally.plot, per_acre, n_plots=n_plots)


def run_alone(n: int, *, compiled: bool) -> dict[str, float]:
    """Do the work in a fresh process: seconds once warm, and the peak memory of the process."""
    done = subprocess.run(
        [sys.executable, __file__, str(n)],
        check=True,
        capture_output=True,
        text=True,
        env=os.environ
        | {"STANDMAP_NO_JIT": "0" if compiled else "1", "PYTHONPATH": os.pathsep.join(sys.path)},
    )
    figures: dict[str, float] = json.loads(done.stdout)
    return figures


def test_a_million_trees_to_per_acre_products(benchmark, capsys):
    tally, specs = make_tally(TREES), example_products()
    to_products(make_tally(1_000), specs)  # compile, or load the cache
    logs, per_acre = benchmark.pedantic(
        to_products, args=(tally, specs), rounds=5, warmup_rounds=1, iterations=1
    )
    assert logs.n_trees == TREES and len(logs) > TREES
    assert per_acre.shape[0] == TREES // TREES_ON_A_PLOT and (per_acre >= 0).all()
    del logs, per_acre
    plain = run_alone(PLAIN_TREES, compiled=False)["seconds"] / PLAIN_TREES
    alone = run_alone(TREES, compiled=True)
    seconds = benchmark.stats.stats.min
    benchmark.extra_info |= {
        "plain_python_us_per_tree": 1e6 * plain,
        "times_faster_than_plain_python": plain * TREES / seconds,
        "peak_memory_gb": alone["peak_gb"],
    }
    with capsys.disabled():
        print(
            f"\n{TREES:,} trees: best {seconds:.2f} s, median {benchmark.stats.stats.median:.2f} s;"
            f" plain Python {1e6 * plain:.0f} us a tree, {plain * TREES / seconds:.0f} times"
            f" slower; peak memory {alone['peak_gb']:.2f} GB"
        )


if __name__ == "__main__":
    given_tally, given_specs = make_tally(int(sys.argv[1])), example_products()
    to_products(make_tally(20), given_specs)
    begin = time.perf_counter()
    to_products(given_tally, given_specs)
    took = time.perf_counter() - begin
    peak_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    print(json.dumps({"seconds": took, "peak_gb": peak_kb / 1e6}))
