"""Units and constants, each with its meaning and source. No other module types them again."""

from __future__ import annotations

import math
from typing import Final

FT_PER_M: Final = 1 / 0.3048
"""Feet in a metre: the international foot, exactly 0.3048 m (US and UK, 1959 agreement)."""

IN_PER_CM: Final = 1 / 2.54
"""Inches in a centimetre: the international inch, exactly 2.54 cm (1959 agreement)."""

SQM_PER_ACRE: Final = 43_560 * 0.3048**2
"""Square metres in an acre of 43,560 international square feet."""

CUM_PER_CUFT: Final = 0.3048**3
"""Cubic metres in a cubic foot, 0.028316846592: the international foot cubed (1959 agreement)."""

SQFT_PER_ACRE: Final = 43_560.0
"""Square feet in an acre: 10 square chains of 66 feet."""

BREAST_HEIGHT_FT: Final = 4.5
"""Breast height above ground in US practice. [ft]"""

BASAL_AREA_CONSTANT: Final = math.pi / 576
"""Basal area in square feet of a 1-inch circle: pi / (4 x 144) = 0.005454154."""

LB_PER_TON: Final = 2_000.0
"""Pounds in a short ton."""

LB_PER_CUFT_WATER: Final = 62.4
"""Weight of a cubic foot of water, as used with specific gravity (Miles and Smith 2009). [lb]"""

BF_PER_MBF: Final = 1_000.0
"""Board feet in an MBF."""

STACKED_CUFT_PER_CORD: Final = 128.0
"""Stacked cubic feet in a standard cord, 4 x 4 x 8 ft (Code of Virginia s. 58.1-1604)."""

STUMP_FT: Final = 1.0
"""Stump height of the form-class convention (Mesavage and Girard 1946). [ft]"""

TRIM_FT: Final = 0.3
"""Trim on each 16-foot log of the form-class convention (Mesavage and Girard 1946). [ft]"""

LOG_FT: Final = 16.0
"""Length of a standard log in the tally, without trim. [ft]"""

LOG_RULES: Final = ("international", "doyle", "scribner", "scribner_c")
"""The four board-foot rules, in the order every table shows them."""
