"""A hundred thousand distinct stems, each cut for the greatest value on a 1-foot step.

Three saw products of twelve lengths each, paid by three log rules, and pulpwood by the ton. Then
ten thousand of them for three mills with delivered prices, by two log rules and tons: hauling takes
off more where the stem is heavier, so that leaving wood can pay, and no gap can be passed by. Run
``pytest tests/benchmarks/test_bench_best_value.py --benchmark-only``. The same work is done in
plain Python (``STANDMAP_NO_JIT=1``) on a few stems, in a process of its own. The very first call on
a machine compiles the kernels, once: 10 to 20 s of processor time.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Callable

import numpy as np

from standmap.products import (
    PRICE_UNITS,
    Logs,
    ProductSpec,
    StemPrices,
    buck_best_value,
    buck_field,
    buck_top_down,
    log_usd,
)
from standmap.trees import Stems, national_stems
from standmap.value import Costs, LogLot, MillLine, MillSheet, assign_mills

STEMS = 100_000
STEMS_FOR_MILLS = 10_000
PLAIN_STEMS = 20
SPECIES = [802, 833, 837, 621, 318, 316, 131, 110, 129, 541, 762, 407, 402, 531]
LENGTHS_FT = (8, 9, 10, 11, 12, 13, 14, 15, 16, 17, 18, 20)


def make_stems(n: int) -> Stems:
    """Trees big enough to saw, every one with its own DBH and height."""
    rng = np.random.default_rng(20_240_502)
    dbh = 10 + rng.gamma(2.5, 2.4, n)
    height = 4.5 + 105 * (1 - np.exp(-0.085 * dbh)) * rng.lognormal(0, 0.08, n)
    return national_stems(rng.choice(SPECIES, n), dbh, height)


def make_specs() -> list[ProductSpec]:
    grades = [("grade log", 13.0, 16.0), ("sawlog", 10.0, 12.0), ("tie log", 8.0, 10.0)]
    return [
        *(
            ProductSpec(
                product=name,
                kind="saw",
                rank=rank,
                min_top_in=top_in,
                min_dbh_in=dbh_in,
                lengths_ft=LENGTHS_FT,
                trim_ft=0.3,
            )
            for rank, (name, top_in, dbh_in) in enumerate(grades, start=1)
        ),
        ProductSpec(
            product="pulpwood",
            kind="bulk",
            rank=4,
            min_top_in=4,
            top_bark="ob",
            min_length_ft=8,
            max_length_ft=40,
            length_step_ft=1,
        ),
    ]


def make_prices() -> StemPrices:
    units = ["mbf doyle", "mbf scribner", "mbf international", "ton"]
    return StemPrices(
        species_code=SPECIES,
        price_usd=[[500.0, 300.0, 150.0, 8.0]] * len(SPECIES),
        unit=[PRICE_UNITS.index(unit) for unit in units],
    )


def make_mills() -> MillSheet:
    def line(
        mill: str, product: str, usd: float, unit: str, miles: float, **more: object
    ) -> MillLine:
        kind, _, rule = unit.partition(" ")
        return MillLine(
            mill=mill,
            product=product,
            price_usd=usd,
            unit=kind,
            log_rule=rule,
            basis="delivered",
            haul_miles=miles,
            **more,  # type: ignore[arg-type]
        )

    even = {"lengths_ft": (8.0, 10.0, 12.0, 14.0, 16.0, 18.0, 20.0)}
    return MillSheet(
        costs=Costs(cut_load_usd_per_ton=18, haul_usd_per_loaded_mile=4.5, load_tons=26),
        lines=(
            line("north", "grade log", 700, "mbf doyle", 28, min_dib_in=14.0),
            line("north", "sawlog", 450, "mbf doyle", 28),
            line("river", "grade log", 550, "mbf international", 46, **even),
            line("river", "sawlog", 360, "mbf international", 46, **even),
            line("river", "tie log", 235, "mbf international", 46),
            line("south", "tie log", 42, "ton", 62),
            line("south", "pulpwood", 33, "ton", 62),
        ),
    )


def cut(stems: Stems) -> Logs:
    return buck_best_value(stems, make_specs(), prices=make_prices(), length_step_ft=1.0)


def cut_for_mills(stems: Stems) -> Logs:
    products = [spec.product for spec in make_specs()]
    prices = make_mills().for_stems(products, np.unique(stems.species_code))
    return buck_best_value(stems, make_specs(), prices=prices, length_step_ft=1.0)


def run_alone(n: int, way: str, **environment: str) -> dict[str, float]:
    """Do the work in a fresh process: seconds of the first call and of the next."""
    done = subprocess.run(
        [sys.executable, __file__, str(n), way],
        check=True,
        capture_output=True,
        text=True,
        env=os.environ | environment | {"PYTHONPATH": os.pathsep.join(sys.path)},
    )
    figures: dict[str, float] = json.loads(done.stdout)
    return figures


def compare(benchmark, capsys, way: Callable[[Stems], Logs], n: int) -> Logs:
    """Time a way of cutting ``n`` stems beside the same work in plain Python on a few."""
    stems = make_stems(n)
    way(stems.take(np.arange(100)))  # compile, or load the cache
    logs = benchmark.pedantic(way, args=(stems,), rounds=3, warmup_rounds=1, iterations=1)
    plain = run_alone(PLAIN_STEMS, way.__name__, STANDMAP_NO_JIT="1")["warm_s"] / PLAIN_STEMS
    seconds = benchmark.stats.stats.min
    benchmark.extra_info |= {
        "plain_python_ms_per_stem": 1e3 * plain,
        "times_faster_than_plain_python": plain * n / seconds,
    }
    with capsys.disabled():
        print(
            f"\n{way.__name__}, {n:,} stems: best {seconds:.2f} s, median "
            f"{benchmark.stats.stats.median:.2f} s; plain Python {1e3 * plain:.1f} ms a stem, "
            f"{plain * n / seconds:.0f} times slower"
        )
    return logs


def test_the_best_value_of_a_hundred_thousand_stems(benchmark, capsys):
    logs = compare(benchmark, capsys, cut, STEMS)
    assert logs.n_trees == STEMS and len(logs) > STEMS
    stems, specs, prices = make_stems(STEMS), make_specs(), make_prices()
    best = log_usd(logs, stems.species_code, prices).sum()
    for other in (buck_top_down, buck_field):
        assert best > log_usd(other(stems, specs), stems.species_code, prices).sum()


def test_the_best_value_at_three_mills(benchmark, capsys):
    logs = compare(benchmark, capsys, cut_for_mills, STEMS_FOR_MILLS)
    stems, specs, sheet = make_stems(STEMS_FOR_MILLS), make_specs(), make_mills()

    def net_usd(cuts: Logs) -> float:
        lot = LogLot.of(cuts, stems.species_code)
        return float(assign_mills(lot, sheet).stumpage_usd.sum())

    assert net_usd(logs) > max(net_usd(way(stems, specs)) for way in (buck_top_down, buck_field))


if __name__ == "__main__":
    given_stems, way_asked = make_stems(int(sys.argv[1])), globals()[sys.argv[2]]
    seconds = []
    for _ in range(2):
        begin = time.perf_counter()
        way_asked(given_stems)
        seconds.append(time.perf_counter() - begin)
    print(json.dumps({"first_s": seconds[0], "warm_s": seconds[1]}))
