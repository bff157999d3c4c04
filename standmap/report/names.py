"""Small facts about an appraisal that every page needs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from markupsafe import Markup

from standmap.report.offline import static_text
from standmap.report.words import RULE_NAMES
from standmap.tract.settings import CruisePart

if TYPE_CHECKING:
    from standmap.appraisal import Appraisal
    from standmap.tract import Tract

SMALL_TREE_IN: Final = 5
"""DBH under which a tree on a point stands for so many that trees per acre turn unsure."""


def tract_name(appraisal: Appraisal) -> str:
    """Return the tract's name, as printed on everything."""
    return appraisal.name


def letterhead(tract: Tract) -> dict[str, Any]:
    """Return what every page is headed with, as its template names it."""
    about = tract.settings.tract
    return {
        "style": Markup(static_text("report.css")),  # ours, not from the data
        "name": tract.name,
        "prepared_by": about.prepared_by,
        "prepared_for": about.prepared_for,
        "cruised": about.date,
        "confidence": _percent(tract.settings.cruise.confidence),
    }


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
    return _percent(appraisal.confidence)


def _percent(share: float) -> str:
    return f"{share * 100:g}%"


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
