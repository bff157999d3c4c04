"""How long the command line takes to answer, as a whole process. Target: under 0.5 s."""

from __future__ import annotations

import subprocess
import sys
from typing import Any


def test_help(benchmark: Any) -> None:
    def run() -> None:
        subprocess.run(
            [sys.executable, "-m", "standmap", "--help"], check=True, stdout=subprocess.DEVNULL
        )

    benchmark.pedantic(run, rounds=5, warmup_rounds=1)
