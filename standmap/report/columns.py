"""How each column of a result is headed and formatted: one place for all tables."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from standmap.report.words import MEASURES, RULE_NAMES

Kind = Literal[
    "text", "whole", "tenth", "hundredth", "money", "cents", "percent", "yes_no", "scale"
]


@dataclass(frozen=True, slots=True)
class Heading:
    """How a column is headed.

    Attributes
    ----------
    name : str
        What it is.
    unit : str
        Its unit; blank for a name or a count.
    kind : Kind
        How its numbers are shown. The stored value is never rounded.
    """

    name: str
    unit: str = ""
    kind: Kind = "text"

    @property
    def text(self) -> str:
        """Heading with its unit in brackets."""
        return f"{self.name} ({self.unit})" if self.unit else self.name


_NAMED: Final = {
    "ellipsoid_acres": Heading("Ellipsoid acres", "ac", "hundredth"),
    "grid_acres": Heading("Grid acres", "ac", "hundredth"),
    "grid_differs_pct": Heading("Grid differs from ellipsoid", "%", "hundredth"),
    "grid_scale": Heading("Length on the grid over length on the ellipsoid", "", "scale"),
    "deed_differs_pct": Heading("Deed differs from ellipsoid", "%", "hundredth"),
    "map_grid": Heading("Map grid"),
    "acres_before": Heading("Acres before", "ac", "hundredth"),
    "acres_after": Heading("Acres after", "ac", "hundredth"),
    "delivered_usd": Heading("Delivered value", "USD", "money"),
    "bias_correction": Heading("Factor for bias", "", "hundredth"),
    "cv_rmse_ft": Heading("Error on trees left out", "ft, rmse", "tenth"),
    "rmse_ft": Heading("Residual error", "ft, rmse", "tenth"),
    "stand_sd_pct": Heading("Spread between stands", "%", "percent"),
    "default": Heading("Default form class", "", "tenth"),
    "here": Heading("This tract", "in the item named", "hundredth"),
    "here_n": Heading("Logs it is made from", "", "whole"),
    "form_class_of_stems": Heading("Form class of the stems used", "", "tenth"),
    "forgone_error_pct": Heading("Error of what it would bring", "± %", "percent"),
    "forgone_usd": Heading("Would bring without limits", "USD", "money"),
    "kept_pct": Heading("Kept as next best", "%", "percent"),
    "less_usd": Heading("Less as next best", "USD", "money"),
    "limit": Heading("Takes at most", "in the unit named", "tenth"),
    "limit_loads": Heading("Mill takes at most", "loads", "whole"),
    "logs": Heading("Tallied logs", "", "whole"),
    "mostly_as": Heading("Next best is mostly"),
    "no_other_error_pct": Heading("Error of no other taker", "± %", "percent"),
    "no_other_usd": Heading("Value nobody else takes", "USD", "money"),
    "second_error_pct": Heading("Error of next best value", "± %", "percent"),
    "tons_error_pct": Heading("Error of green weight", "± %", "percent"),
    "less_error_pct": Heading("Paired error of the difference", "± %", "percent"),
    "less_than_best_usd": Heading("Less than the best", "USD", "money"),
    "limited": Heading("Takes no more", "", "yes_no"),
    "loads": Heading("Loads", "", "tenth"),
    "mean": Heading("Mean measured", "", "tenth"),
    "method": Heading("Way to buck"),
    "more_error_pct": Heading("Paired error of the difference", "± %", "percent"),
    "more_than_field_usd": Heading("More than field", "USD", "money"),
    "price_a_usd": Heading("Equal price", "USD per unit", "cents"),
    "price_b_usd": Heading("Quoted price", "USD per unit", "cents"),
    "published": Heading("Published", "in the item named", "hundredth"),
    "published_high": Heading("Published, high", "in the item named", "hundredth"),
    "published_low": Heading("Published, low", "in the item named", "hundredth"),
    "aspect_deg": Heading("Bearing the ground faces", "degrees", "whole"),
    "cable_share_pct": Heading("Ground for cable machines", "% of acres", "percent"),
    "cell_ft": Heading("Cell the ground was read at", "ft", "whole"),
    "cost_error_pct": Heading("Sampling error of the cost", "± %", "percent"),
    "cost_usd": Heading("Cost of skidding", "USD", "money"),
    "cost_usd_per_ton": Heading("Cost of skidding", "USD per ton", "cents"),
    "max_ft": Heading("Longest way to the landing", "ft", "whole"),
    "mean_ft": Heading("Mean way to the landing", "ft", "whole"),
    "reached_pct": Heading("Ground a way leads to", "%", "percent"),
    "cut_tons": Heading("Green weight cut", "tons", "tenth"),
    "cut_tons_error_pct": Heading("Sampling error of weight cut", "± %", "percent"),
    "cut_value_error_pct": Heading("Sampling error of value cut", "± %", "percent"),
    "cut_value_usd": Heading("Value cut", "USD", "money"),
    "days": Heading("Days of logging", "", "tenth"),
    "ground_share_pct": Heading("Ground for ground-based machines", "% of acres", "percent"),
    "bf_more": Heading("More than the plan", "board feet", "tenth"),
    "bf_more_error_pct": Heading("Paired error of that", "± %", "percent"),
    "more_usd": Heading("More than the plan", "USD", "money"),
    "part": Heading("Before, cut or left"),
    "plan": Heading("Plan"),
    "steeper_share_pct": Heading("Steeper ground", "% of acres", "percent"),
    "steepest_tenth_pct": Heading("A tenth is steeper than", "%", "whole"),
    "bf_cut": Heading("Volume cut, leading rule", "board feet", "tenth"),
    "volume_error_pct": Heading("Sampling error of volume", "± %", "percent"),
    "rule_a": Heading("Unit of the equal price"),
    "rule_b": Heading("Unit of the quoted price"),
    "second_product": Heading("Next best product"),
    "second_usd": Heading("Next best value", "USD", "cents"),
    "shadow_usd": Heading("Gain from one more load", "USD", "money"),
    "shadow_usd_per_unit": Heading("Gain from one more unit", "USD", "cents"),
    "mill_usd": Heading("Stumpage at that mill", "USD", "cents"),
    "second_mill": Heading("Next best mill"),
    "second_mill_usd": Heading("Stumpage at the next best mill", "USD", "cents"),
    "stumpage_error_pct": Heading("Sampling error of stumpage", "± %", "percent"),
    "stumpage_usd": Heading("Stumpage value", "USD", "money"),
    "tons": Heading("Green weight", "tons", "tenth"),
    "unpriced_logs": Heading("Tallied logs it leaves unpriced", "", "whole"),
    "acres": Heading("Acres", "ac", "tenth"),
    "by_map": Heading("Stand by the map"),
    "call": Heading("Out or borderline"),
    "crosses": Heading("Crosses the line", "", "yes_no"),
    "crossing_plots": Heading("Plots whose circle crosses the line", "", "whole"),
    "edge": Heading("What was done by the edge"),
    "edge_ft": Heading("To the stand's line", "ft", "tenth"),
    "ground": Heading("Ground under the plot"),
    "kind": Heading("Kind"),
    "limit_ft": Heading("Limit for its diameter", "ft", "hundredth"),
    "over_ft": Heading("Beyond the limit", "ft", "hundredth"),
    "outside_pct": Heading("Share of the circle outside", "%", "percent"),
    "possible_bias_pct": Heading("Possible bias", "%", "percent"),
    "reach_ft": Heading("Reach of the circle", "ft", "tenth"),
    "recorded": Heading("Stand by the record"),
    "recorded_ft": Heading("From the stand of the record", "ft", "tenth"),
    "share": Heading("Share of a whole plot", "", "hundredth"),
    "shortfall_pct": Heading("Missing if nothing was made up", "%", "percent"),
    "source_row": Heading("Row in the tally", "", "whole"),
    "times": Heading("Times it counts at its point", "", "whole"),
    "uncorrected_plots": Heading("Of them, not corrected", "", "whole"),
    "bare": Heading("Holds no timber", "", "yes_no"),
    "borrowed": Heading("Figures borrowed from"),
    "buffer_acres": Heading("In stream buffers", "ac", "tenth"),
    "canopy_error_ft": Heading("Error of canopy height", "ft", "tenth"),
    "canopy_height_ft": Heading("Top height from canopy", "ft", "tenth"),
    "conflict": Heading("Enters a stream buffer", "", "yes_no"),
    "dbh_class": Heading("DBH class", "in", "whole"),
    "bootstrap_high": Heading("High end by bootstrap", "", "tenth"),
    "bootstrap_low": Heading("Low end by bootstrap", "", "tenth"),
    "change_pct": Heading("Change of the total without it", "%", "percent"),
    "class": Heading("Class"),
    "coefficient": Heading("Coefficient", "", "hundredth"),
    "cv_pct": Heading("Coefficient of variation between plots", "%", "percent"),
    "few": Heading("Met on few plots", "", "yes_no"),
    "figure": Heading("In the tree", "leading measure", "tenth"),
    "off_sd": Heading("Off its stand's other plots", "sd", "tenth"),
    "stands_for": Heading("Stands for", "trees", "tenth"),
    "intercept": Heading("At zero of the cheap figure", "", "hundredth"),
    "measured": Heading("Measured", "", "whole"),
    "neighbour_error_pct": Heading("Error from neighbouring plots", "± %", "percent"),
    "per": Heading("For each"),
    "per_acre": Heading("Per acre", "leading measure", "tenth"),
    "random_error_pct": Heading("Error as if drawn at random", "± %", "percent"),
    "share_pct": Heading("Share of the total", "%", "percent"),
    "total_without": Heading("Total without it", "", "tenth"),
    "variance": Heading("Error comes from"),
    "deed_acres": Heading("Deed acres", "ac", "tenth"),
    "df": Heading("Degrees of freedom", "", "tenth"),
    "error_pct": Heading("Sampling error", "± %", "percent"),
    "estimate": Heading("Estimate", "", "tenth"),
    "exclusion_acres": Heading("In exclusions", "ac", "tenth"),
    "extrapolated": Heading("Trees beyond the measured range", "", "whole"),
    "filled": Heading("Heights filled in", "", "whole"),
    "gross_acres": Heading("Gross acres", "ac", "tenth"),
    "high": Heading("High end of interval", "", "tenth"),
    "length_ft": Heading("Scaled length", "ft", "tenth"),
    "low": Heading("Low end of interval", "", "tenth"),
    "n": Heading("Number measured", "", "whole"),
    "n_plots": Heading("Plots", "", "whole"),
    "net_acres": Heading("Net acres", "ac", "tenth"),
    "outside_acres": Heading("Outside every stand", "ac", "tenth"),
    "plots": Heading("Plots", "", "whole"),
    "plots_inside": Heading("Plots in the unit", "", "whole"),
    "price_usd": Heading("Mean price", "USD per unit", "cents"),
    "qmd_in": Heading("Quadratic mean diameter", "in", "tenth"),
    "quantity": Heading("Quantity", "in the unit named", "tenth"),
    "quantity_error_pct": Heading("Sampling error of quantity", "± %", "percent"),
    "quantity_label": Heading("Unit of quantity"),
    "rank": Heading("Rank", "", "whole"),
    "se": Heading("Standard error", "", "hundredth"),
    "slope_pct": Heading("Slope", "%", "whole"),
    "unit": Heading("Priced by"),
    "unit_id": Heading("Harvest unit"),
    "used": Heading("Used", "", "yes_no"),
    "why_not": Heading("Why not used"),
    "width_ft": Heading("Buffer width each side", "ft", "whole"),
}

_UNITS: Final[tuple[tuple[str, str, Kind], ...]] = (
    ("_ft", "ft", "tenth"),
    ("_in", "in", "tenth"),
    ("_acres", "ac", "tenth"),
    ("_usd", "USD", "money"),
    ("_tons", "tons", "hundredth"),
    ("_cuft", "cu ft", "hundredth"),
    ("_cum", "m³", "hundredth"),
    ("_sqft", "sq ft", "hundredth"),
    ("_pct", "%", "percent"),
)


def _measure_heading(column: str) -> Heading | None:
    """Head a column such as ``value_usd_per_acre``; longest measure first."""
    for measure in sorted(MEASURES, key=len, reverse=True):
        if not column.startswith(measure):
            continue
        words = MEASURES[measure]
        money = measure == "value_usd"
        ending = column.removeprefix(measure)
        if ending == "_per_acre":
            return Heading(
                f"{words.name} per acre", f"{words.unit}/ac", "money" if money else "tenth"
            )
        if ending in ("", "_total"):
            return Heading(words.name, words.unit, "money" if money else "tenth")
        if ending == "_error_pct":
            return Heading(f"Error of {words.name.lower()}", "± %", "percent")
    return None


def heading(column: str) -> Heading:
    """Return how a column of a result is headed.

    Examples
    --------
    >>> heading("bf_doyle_per_acre").text
    'Doyle per acre (board feet/ac)'
    >>> heading("small_dib_in").text
    'Small dib (in)'
    >>> heading("stratum").text
    'Stratum'
    """
    if column in _NAMED:
        return _NAMED[column]
    if column.startswith("defect_") and column.endswith("_pct"):
        rule = column.removeprefix("defect_").removesuffix("_pct")
        if rule in RULE_NAMES:
            return Heading(f"Defect by {RULE_NAMES[rule]}", "%", "percent")
    for ending, said in (("_default", "by default form class"), ("_used", "by form class used")):
        rule = column.removeprefix("bf_").removesuffix(ending)
        if column.endswith(ending) and rule in RULE_NAMES:
            return Heading(f"{RULE_NAMES[rule]} {said}", "board feet", "tenth")
    if column.startswith("bf_") and column.endswith("_change_pct"):
        rule = column.removeprefix("bf_").removesuffix("_change_pct")
        return Heading(f"Change of {RULE_NAMES[rule]}", "%", "percent")
    found = _measure_heading(column)
    if found is not None:
        return found
    for ending, unit, kind in _UNITS:
        if column.endswith(ending):
            name = column.removesuffix(ending).replace("_", " ")
            return Heading(name[:1].upper() + name[1:], unit, kind)
    name = column.replace("_", " ")
    return Heading(name[:1].upper() + name[1:])
