"""Small facts about an appraisal that every page needs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from standmap.report.words import RULE_NAMES
from standmap.tract.settings import CruisePart

if TYPE_CHECKING:
    from standmap.appraisal import Appraisal

SMALL_TREE_IN: Final = 5
"""DBH under which a tree on a point stands for so many that trees per acre turn unsure."""


def tract_name(appraisal: Appraisal) -> str:
    """Return the tract's name, as printed on everything."""
    return appraisal.name


def head_measure(appraisal: Appraisal) -> str:
    """Return the board-foot measure the tables are headed with."""
    return f"bf_{appraisal.settings.volume.log_rule}"


def head_rule_name(appraisal: Appraisal) -> str:
    """Return the printed name of the log rule the tables are headed with."""
    return RULE_NAMES[appraisal.settings.volume.log_rule]


def is_valued(appraisal: Appraisal) -> bool:
    """Tell whether any price was met: without one, no page prints a value of zero dollars."""
    return appraisal.total("value_usd").mean > 0


def confidence_text(appraisal: Appraisal) -> str:
    """Return the confidence as a person writes it.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> confidence_text(SimpleNamespace(confidence=0.9))
    '90%'
    """
    return f"{appraisal.confidence * 100:g}%"


def bucking_method(appraisal: Appraisal) -> str:
    """Return how stems were cut: ``"field"``, ``"top_down"`` or ``"best_value"``."""
    method: str = appraisal.settings.bucking.method
    return method


def tallies_small_trees_on_points(appraisal: Appraisal) -> bool:
    """Tell whether any tree under `SMALL_TREE_IN` was tallied by a point sample."""
    cruise, trees = appraisal.settings.cruise, appraisal.trees
    small = trees.loc[trees["used"] & (trees["dbh_in"] < SMALL_TREE_IN), "dbh_in"]
    if small.empty:
        return False
    return any(
        (part.design or cruise.design) == "point"
        and small.between(part.min_dbh_in or 0.0, part.max_dbh_in or SMALL_TREE_IN).any()
        for part in (cruise.parts or (CruisePart(),))
    )
