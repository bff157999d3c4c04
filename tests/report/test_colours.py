"""Shades keep their order for every eye and on a photocopy."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import standmap
from standmap.report.colours import RAMP, shade_stands

# Machado, Oliveira and Fernandes 2009, IEEE Trans. Vis. Comput. Graph. 15(6), table 1, severity
# 1.0: linear RGB as seen with protanopia, deuteranopia and tritanopia (from memory).
AS_SEEN = {
    "full colour": np.eye(3),
    "protanopia": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216],
         [-0.003882, -0.048116, 1.051998]]),
    "deuteranopia": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413],
         [-0.011820, 0.042940, 0.968881]]),
    "tritanopia": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602],
         [0.004733, 0.691367, 0.303900]]),
}  # fmt: skip


def _linear(colour: str) -> np.ndarray:
    channels = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    return np.where(channels <= 0.04045, channels / 12.92, ((channels + 0.055) / 1.055) ** 2.4)


def _lightness(linear: np.ndarray) -> float:
    """CIE 1976 L* from linear sRGB (IEC 61966-2-1 luminance weights)."""
    luminance = float(np.clip(linear, 0, 1) @ [0.2126, 0.7152, 0.0722])
    return 116 * np.cbrt(luminance) - 16 if luminance > 0.008856 else 903.3 * luminance


@pytest.mark.parametrize("eye", AS_SEEN)
def test_the_ramp_darkens_in_clear_steps_for_every_eye(eye: str) -> None:
    lightness = [_lightness(AS_SEEN[eye] @ _linear(c)) for c in RAMP]
    assert np.all(np.diff(lightness) < -10)


def test_every_stand_is_in_the_class_that_its_label_says(
    sample_appraisal: standmap.Appraisal,
) -> None:
    shading = shade_stands(sample_appraisal)
    values = sample_appraisal.stands["value_usd_per_acre"].to_numpy()
    ends = [
        [float(w.lstrip("$").replace(",", "")) for w in label.split() if w.startswith("$")]
        for label in shading.labels
    ]
    low = np.array([-np.inf, *(e[0] for e in ends[1:])])
    high = np.array([*(e[-1] for e in ends[:-1]), np.inf])
    assert len(shading.labels) == 5
    assert np.all(values >= low[shading.of_stand])
    assert np.all(values < high[shading.of_stand])


def test_without_prices_stands_are_shaded_by_volume(
    sample_appraisal: standmap.Appraisal,
) -> None:
    totals = sample_appraisal.totals.copy()
    totals.loc["value_usd", ["estimate", "se"]] = 0.0
    shading = shade_stands(replace(sample_appraisal, totals=totals))
    assert shading.title == "Board feet per net acre, Doyle"
    assert "$" not in " ".join(shading.labels)


def test_a_stand_with_no_figure_has_no_shade(sample_appraisal: standmap.Appraisal) -> None:
    stands = sample_appraisal.stands.copy()
    stands.loc[stands.index[3], "value_usd_per_acre"] = np.nan
    shading = shade_stands(replace(sample_appraisal, stands=stands))
    assert shading.of_stand[3] == -1
    assert (shading.of_stand >= 0).sum() == len(stands) - 1
