"""What the report and the map say in words: names of measures, cautions, terms, sources."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

RULE_NAMES: Final = {
    "international": "International 1/4-inch",
    "doyle": "Doyle",
    "scribner": "Scribner",
    "scribner_c": "Scribner Decimal C",
}
"""Log rules as printed."""

SHORT_RULES: Final = {**RULE_NAMES, "international": "International", "scribner_c": "Scribner C"}
"""Log rules where room is short."""

DESIGN_NAMES: Final = {
    "point": "point sample",
    "fixed": "fixed-area plots",
    "strip": "strips",
    "complete": "complete tally",
}
"""Cruise designs as printed."""


DESIGN_PHRASES: Final = {
    "point": "At a point, a tree counts where it looks wider than a gauge held at the eye, so that "
    "big trees count from farther off.",
    "fixed": "On a plot, every tree within a set distance counts.",
    "strip": "On a strip, every tree within a set width of a line counts.",
    "complete": "Every tree was tallied.",
}
"""Cruise designs for someone who has never cruised."""


METHOD_NAMES: Final = {
    "field": "Field",
    "top_down": "Top-down",
    "best_value": "Best value",
}
"""Ways to buck a stem as printed, the cruiser's own first."""

METHOD_PHRASES: Final = {
    "field": "in the cruiser's fixed logs",
    "top_down": "top-down",
    "best_value": "for best value",
}
"""Ways to buck, to finish the sentence \"the figures are cut\"."""

METHOD_WORDS: Final = {
    "field": "in the 16-foot logs and half logs of the tally, each sold as the best product it "
    "meets, with topwood in fixed lengths above",
    "top_down": "from the stump upward: the best product whose species, size and length fit takes "
    "the longest legal log",
    "best_value": "where it brings the most: every legal cut on the length step is weighed, and "
    "the set of cuts worth most is taken",
}
"""How each way to buck works, to finish the sentence \"each stem is cut\"."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureWords:
    """How one measure is printed.

    Attributes
    ----------
    name : str
        What it is, to head a column.
    unit : str
        Its unit as a total; the per-acre unit is this with ``/ac``.
    most : int
        Most decimals ever printed for a total.
    most_per_acre : int
        Most decimals ever printed per acre.
    """

    name: str
    unit: str
    most: int = 0
    most_per_acre: int = 0


MEASURES: Final = {
    "trees": MeasureWords(name="Trees", unit="trees"),
    "basal_area_sqft": MeasureWords(name="Basal area", unit="sq ft"),
    "volume_cuft": MeasureWords(name="Volume of logs", unit="cu ft"),
    "volume_cum": MeasureWords(name="Volume of logs, metric", unit="m³", most_per_acre=1),
    **{
        f"{scale}bf_{rule}": MeasureWords(name=f"{said}{name}", unit="board feet")
        for rule, name in RULE_NAMES.items()
        for scale, said in (("gross_", "Gross "), ("", ""))
    },
    "cords": MeasureWords(name="Cords", unit="cords", most_per_acre=1),
    "weight_tons": MeasureWords(name="Green weight", unit="tons", most_per_acre=1),
    "value_usd": MeasureWords(name="Stumpage value", unit="USD"),
}
"""The measures every estimate carries, in the order tables show them."""

SHORT_CAUTION: Final = (
    "A planning estimate from a sample; not a survey, an offer, or a legal, tax or safety opinion. "
    "Buffer widths are settings to be checked against current rules."
)
"""The one line the map always shows."""

CAUTIONS: Final = (
    (
        "An estimate, not a guarantee.",
        "Every volume and value here comes from a sample of plots on the day they were measured. "
        "The intervals cover the luck of where plots fell. They do not cover a missed tree, rot "
        "inside a sound-looking stem, a stand line in the wrong place, or growth, storm, fire and "
        "insects since.",
    ),
    (
        "Prices change.",
        "The value is the price sheet times the volume: it holds for that sheet's place, date, "
        "unit and log rule. Distance to mill, access, sale size and season move it. It is not an "
        "offer to buy. Get bids. Where a lender, a court, an estate or a tax return will lean on a "
        "value, the law may ask for a licensed appraiser or a registered forester.",
    ),
    (
        "The mill decides the product.",
        "Specifications and grades differ by buyer and change. Check the ones used here with the "
        "mills you would sell to. Board feet under one rule do not convert to another by a fixed "
        "factor.",
    ),
    (
        "Stream buffers are an illustration.",
        "Widths are the tract file's settings, not the law. Rules differ by state, stream class "
        "and slope, and change; practices called voluntary can bind. Maps miss small channels, and "
        "a stream's class is decided on the ground. Wetlands, crossings, listed species and local "
        "ordinances need checks of their own. Ask the state forestry agency, and have buffers "
        "flagged by someone the law accepts, before cutting.",
    ),
    (
        "Lines on the map are not a survey.",
        "Only a licensed surveyor settles a boundary. Mark and agree lines with the neighbours "
        "before cutting: timber cut over a line is commonly charged at a multiple of its value.",
    ),
    (
        "Felling, loading and hauling kill people.",
        "They are work for trained and equipped people. In the United States, 29 CFR 1910.266 "
        "applies: among its rules, nobody within two tree lengths of felling. No map or count "
        "shows that a tree, a slope or a road is safe; that is judged on the spot.",
    ),
    (
        "Not legal or tax advice.",
        "Practice laws, contracts, basis and the tax on a timber sale are for the professionals "
        "the law names. No tax is computed here.",
    ),
)
"""The cautions in full, printed in the report and in the map's panel."""

LAND_CAUTIONS: Final = tuple(
    (head, body) for head, body in CAUTIONS if head.startswith(("Stream", "Lines", "Felling"))
)
"""Those that go with what must stay."""

SALE_CAUTIONS: Final = (
    (
        "A ranking, not a sale.",
        "Offers are put on the logs this cruise found, cut on paper. Cutting, scaling and grading "
        "at the landing will differ, and so will what is paid. Payment terms, who scales, bonds, "
        "and what is left in the woods are not priced here. A timber sale is a contract: have it "
        "read before signing.",
    ),
    (
        "The mill decides the product.",
        "Specifications, rules, prices and quotas are the mill's and change. Check each with the "
        "mill before a tree is marked or a log is cut.",
    ),
    (
        "Paper cuts are not felling plans.",
        "The drawings show where scale and price would part a stem. Felling and bucking are work "
        "for trained and equipped people (in the United States, 29 CFR 1910.266), who judge each "
        "stem on the spot.",
    ),
)
"""The cautions of the merchandising page; the report holds the rest."""

HARVEST_CAUTIONS: Final = (
    (
        "A plan on paper, not a marking guide.",
        "Prescriptions are applied to the trees of the plots. Which tree goes is decided in the "
        "woods, by someone who can judge its health, its neighbours and its seed. Have a forester "
        "write and mark the prescription; some states ask that a registered one does.",
    ),
    (
        "Lines, buffers and crossings need the law's eye.",
        "Buffers are the tract file's settings. A stream crossing commonly needs a permit or a "
        "notice, and a design of its own. Have lines flagged by someone the law accepts before a "
        "machine comes.",
    ),
    (
        "A slope class is not a safe slope.",
        "The raster smooths over rock, gullies, wet spots and banks. What machine may work where "
        "is judged on the spot by the operator and the rules in force (in the United States, "
        "29 CFR 1910.266). Felling, skidding and loading kill people; they are for trained and "
        "equipped crews.",
    ),
    (
        "Loads and days are arithmetic.",
        "They divide estimated tons by figures from the tract file. Legal weights differ by truck, "
        "road and season; weather, breakdowns and quotas are not in them.",
    ),
)
"""The cautions of the harvest page; the report holds the rest."""

GLOSSARY: Final = (
    ("MBF", "a thousand board feet, by the log rule named beside it; the rules differ widely"),
    ("basal area", "square feet of stem cross-section per acre at 4.5 feet: how full a stand is"),
    ("DBH", "stem diameter outside bark at breast height, 4.5 feet above the ground"),
    ("DBH class", "a 2-inch class named by its midpoint: class 10 holds 9.0 to 10.9 inches"),
    ("QMD", "quadratic mean diameter: the DBH of the tree of average basal area"),
    ("cord", "a stack 4 by 4 by 8 feet: 128 cubic feet of wood, bark and air"),
    ("ton", "2,000 pounds of green wood and bark"),
    ("stumpage", "what is paid for timber standing, before cutting and hauling"),
    ("gross acres", "acres inside the mapped line"),
    ("net acres", "gross acres less stream buffers and exclusions: what could be cut"),
    ("sampling error, ±", "half-width of the confidence interval, as a percent of the figure"),
    ("stand table", "trees per acre by species and DBH class; a stock table is volume likewise"),
)
"""Terms of the trade, one line each."""

SOURCES: Final = {
    "national": (
        "Stems: Westfall and others 2024, A national-scale tree volume, biomass, and carbon "
        "modeling system for the United States, USDA Forest Service Gen. Tech. Rep. WO-104."
    ),
    "taper": "Stems: profiles of the tract's own, given in its folder; not checked by standmap.",
    "weight": (
        "Green weight: densities and moistures of Miles and Smith 2009, USDA Forest Service Res. "
        "Note NRS-38."
    ),
    "form_class": (
        "Form-class stems: Mesavage and Girard 1946, Tables for estimating board-foot volume of "
        "timber, USDA Forest Service."
    ),
    "rules": (
        "Log rules: International 1/4-inch by the statutory formula (Michigan Compiled Laws "
        "290.401); Doyle and Scribner by their formulas; Scribner Decimal C by its table."
    ),
    "estimates": (
        "Estimates: each cruised stand is an independent simple random sample; variances add over "
        "stands (Freese 1962, Elementary Forest Sampling, USDA Agriculture Handbook 232). Degrees "
        "of freedom of a sum: Satterthwaite 1946, Biometrics Bulletin 2."
    ),
    "acres": "Acres are measured on the WGS 84 ellipsoid (Karney 2013, Journal of Geodesy 87).",
}
"""Where the methods come from, by the part of the work."""
