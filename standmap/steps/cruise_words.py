"""Cruise designs in words a landowner follows, each with the source of its estimator."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

from standmap.cruise import Part
from standmap.tract import Tract

ESTIMATORS: Final = {
    "mean": (
        "the mean of the plots",
        "Freese 1962, Elementary forest sampling, USDA Agriculture Handbook 232",
    ),
    "strip": (
        "the mean of the plots, each by its acres",
        "Cochran 1977, Sampling techniques, chapter 6 (ratio of means)",
    ),
    "complete": ("the sum of the trees", "every tree was tallied; no sampling error"),
    "count_measure": (
        "basal area from all points, times volume per square foot from the measured ones",
        "Bell and Dilworth 1988, Log scaling and timber cruising; Rao and Sitter 1995, Biometrika "
        "82 (variance)",
    ),
    "big_baf": (
        "basal area from counts by the small factor, times volume per square foot of the trees "
        "measured by the big one",
        "Marshall, Iles and Bell 2004, Can. J. For. Res. 34; Rao and Sitter 1995, Biometrika 82 "
        "(variance)",
    ),
    "ratio": (
        "the cheap figure of all plots, times its ratio on the measured ones",
        "Thompson 2012, Sampling, chapter 14; Rao and Sitter 1995, Biometrika 82 (variance)",
    ),
    "regression": (
        "the line fitted to the measured plots, at the cheap figure of all",
        "Freese 1962, Agriculture Handbook 232 (double sampling); Sitter 1997, J. American "
        "Statistical Association 92 (variance)",
    ),
    "mapped_ratio": (
        "the mapped figure of the stand, times its ratio on the plots",
        "Scheaffer, Mendenhall and Ott 1986, Elementary survey sampling, chapter 6",
    ),
    "mapped_regression": (
        "the line fitted to the plots, at the mapped figure of the stand",
        "Freese 1962, Agriculture Handbook 232 (regression)",
    ),
    "three_p": (
        "the sum of what was called for every tree, times the ratio of the measured trees",
        "Grosenbaugh 1965, USDA Forest Service Research Paper PSW-21",
    ),
    "point_three_p": (
        "what was called at all points, times the ratio of the measured trees",
        "Grosenbaugh 1971, STX 1-11-71; Iles 1995 (sampling rate)",
    ),
    "sample_tree": (
        "every tree counted by group, times what the measured trees of its group hold",
        "USDA Forest Service FSH 2409.12, Timber Cruising Handbook, chapter 30",
    ),
    "post_stratified": (
        "the mean of the plots of each mapped type, by the ground of the type in the stand",
        "Cochran 1977, section 5A.9; Holt and Smith 1979, J. Royal Statistical Society A 142",
    ),
}
"""How each estimator works, to finish the sentence \"a stand's figure is\", and its source."""

VARIANCES: Final = {
    "random": "how much the plots of a stand differ, as if they had been drawn at random",
    "successive_differences": "how much neighbouring plots on a line differ",
    "clusters": "how much the clusters of a stand differ",
    "complete": "nothing, where every tree was tallied",
    "indirect": "how much the cheap figures and the measured trees differ; a ratio or line that "
    "stands share errs in all of them alike",
}
"""What the error comes from."""


def estimator_key(tract: Tract, parts: Sequence[Part]) -> str:
    """Return which of `ESTIMATORS` the stratum that these parts hold in was cruised for."""
    cruise = tract.settings.cruise
    designs = {part.design for part in parts}
    if cruise.estimator == "mean":
        if designs == {"complete"}:
            return "complete"
        return "strip" if "strip" in designs else "mean"
    if cruise.estimator == "count_measure" and cruise.count_baf is not None:
        return "big_baf"
    if cruise.estimator in ("ratio", "regression") and "covariate" in tract.stands:
        return f"mapped_{cruise.estimator}"
    if cruise.estimator == "three_p" and designs != {"complete"}:
        return "point_three_p"
    return cruise.estimator


def part_words(parts: Sequence[Part]) -> str:
    """Say how trees were chosen where these parts hold, the narrowest first.

    Examples
    --------
    >>> part_words([Part(design="fixed", plot_acres=0.01, max_dbh_in=5), Part(design="point",
    ...                                                                       baf=10)])
    '0.01-acre plots for trees under 5 in; points of BAF 10 for the rest'
    """
    said = []
    for part in parts:
        text = _kind(part)
        low, high = part.min_dbh_in, part.max_dbh_in
        if low > 0 and math.isfinite(high):
            text += f" for trees of {low:g} to {high:.4g} in"
        elif math.isfinite(high):
            text += f" for trees under {high:.4g} in"
        elif low > 0:
            text += f" for trees of {low:g} in and more"
        elif len(parts) > 1:
            text += " for the rest"
        said.append(text)
    return "; ".join(said)


def _kind(part: Part) -> str:
    sized = math.isfinite(part.size)
    if part.design == "point":
        return f"points of BAF {part.baf:g}" if sized else "points, each of its own BAF"
    if part.design == "complete":
        return "every tree tallied"
    name = "plots" if part.design == "fixed" else "strips"
    return f"{part.plot_acres:.3g}-acre {name}" if sized else f"{name}, each of its own size"
