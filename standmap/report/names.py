"""Small facts about an appraisal that every page needs."""

from __future__ import annotations

from typing import TYPE_CHECKING

from standmap.report.words import RULE_NAMES

if TYPE_CHECKING:
    from standmap.appraisal import Appraisal


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
