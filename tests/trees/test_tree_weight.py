"""Green weight and cords against felled trees and the trade's conversion factors."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from standmap.errors import DomainError
from standmap.species import catalogue
from standmap.trees import cords, green_weight, national_stems

REFERENCE = Path(__file__).parents[1] / "reference"
KG_PER_LB = 0.45359237


def cord_lb(code, solid_cuft):
    bark = solid_cuft * catalogue()["bark_volume_pct"][code] / 100
    return 2000 * green_weight(code, solid_cuft, bark)[0]


def test_felled_hardwoods_of_west_virginia():
    """88 felled trees (Wood, Kochenderfer and Adams 2016, RDS-2016-0016), division M220.

    Wood and bark from ground to tip weigh 1.6 percent more than the felled stems and leaders
    together (which lack the stump); 16 percent RMSE for single trees of 1.6 to 9.2 in.
    """
    felled = pd.read_csv(REFERENCE / "tree_felled_green_weight_wood_2016.csv", comment="#")
    code = felled["species_code"]
    stems = national_stems(code, felled["dbh_in"], felled["height_ft"], ecodivision="M220")
    model = 2000 * KG_PER_LB * green_weight(code, stems.wood_cuft(), stems.bark_cuft())
    measured = (felled["stem_green_kg"] + felled["top_green_kg"]).to_numpy()
    assert 100 * (model.sum() / measured.sum() - 1) == pytest.approx(1.6, abs=0.1)
    rmse_pct = 100 * np.sqrt(np.mean((model - measured) ** 2)) / measured.mean()
    assert rmse_pct == pytest.approx(16.3, abs=0.1)


def test_pine_pulpwood_cord():
    """Southern Regional Extension Forestry: loblolly-shortleaf 4,700 to 5,200 lb a cord."""
    assert 4700 <= cord_lb(131, 81) <= 5200


@pytest.mark.parametrize("code", [802, 400])
def test_hardwood_pulpwood_cord(code):
    """Alabama Forestry Commission 1997: hardwood 5,400 to 6,075 lb; white oak and hickory."""
    assert 5400 <= cord_lb(code, 80) <= 6075


def test_white_oak_cord():
    """Wengert 2000: Appalachian oak 5,760 lb a cord."""
    assert cord_lb(802, 80) == pytest.approx(5760, rel=0.03)


def test_bark_adds_weight_by_its_own_density():
    """Loblolly pine, Miles and Smith 2009: bark 0.33, 99.12 percent moisture."""
    wood = green_weight(131, 100.0, 0.0)[0]
    assert wood == pytest.approx(100 * 0.47 * 62.4 * 1.807234 / 2000, rel=1e-9)
    bark = green_weight(131, 0.0, 10.0)[0]
    assert bark == pytest.approx(10 * 0.33 * 62.4 * 1.9912121 / 2000, rel=1e-7)


def test_solid_wood_in_a_cord():
    """Southern Regional Extension Forestry, Midsouth 1965: pine 81, hardwood 80 cu ft."""
    np.testing.assert_allclose(cords([131, 802], [81.0, 80.0]), [1.0, 1.0], rtol=1e-12)
    np.testing.assert_allclose(cords([131, 802], 79.0, cuft_per_cord=79.0), 1.0, rtol=1e-12)


@pytest.mark.parametrize("cuft", [0.0, -5.0, 130.0])
def test_a_cord_cannot_hold_more_than_its_stack(cuft):
    with pytest.raises(DomainError, match="'cuft_per_cord' must be above 0 and at most 128"):
        cords(131, 100.0, cuft_per_cord=cuft)


def test_unknown_species_is_named():
    with pytest.raises(DomainError, match=r"\[-1\] are not in the catalogue"):
        green_weight([-1, 802], 10.0)
