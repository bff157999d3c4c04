"""The tract file's ``[layout]``: what a planner states of a tract before, or beside, a cruise."""

from __future__ import annotations

from typing import Annotated, Final

from pydantic import BeforeValidator, Field

from standmap.tract.setting_kinds import KeyTable, Name, NotNegative, Positive

EVERY: Final = "*"
"""The key of a figure that holds for every stratum not named."""


def _for_every(value: object) -> object:
    """Let one number stand for all strata (``cv_pct = 60``)."""
    return value if isinstance(value, dict) else {EVERY: value}


class LayoutTable(KeyTable):
    """``[layout]``: each key one number for all strata, or a table of numbers by stratum."""

    cv_pct: Annotated[dict[Name, Positive], BeforeValidator(_for_every)] = Field(
        default_factory=dict,
        description="a percentage above 0, or several by stratum: { pine = 45, oak = 65 }",
    )
    per_acre: Annotated[dict[Name, NotNegative], BeforeValidator(_for_every)] = Field(
        default_factory=dict,
        description="a guess of what an acre holds, 0 or more, or several by stratum: "
        "{ pine = 9000, oak = 6000 }",
    )
    cost_usd: Annotated[dict[Name, Positive], BeforeValidator(_for_every)] = Field(
        default_factory=dict,
        description="dollars a plot, above 0, or several by stratum: { pine = 20, oak = 35 }",
    )
