"""Stem profiles as pure array code: diameter, height and volume along one stem.

A stem is a kind code and one row of ``N_PARAMS`` numbers, so that bucking can walk any stem with
the same calls. Heights are feet above ground, diameters inches, volumes cubic feet.

``NATIONAL`` row (Westfall and others 2024): total height, then total volume and the two
ratio coefficients inside bark, the same outside bark, and the bark volume. The share of the stem
below height ``h`` is ``(1 - (1 - h/H)^a)^b``, so diameter is the square root of its slope.

``FORM_CLASS`` row: tip height, diameter outside over inside bark, number of knots (at least one),
ten knot heights (the first at the ground) and ten diameters inside bark, straight between
knots and from the last knot to the tip.

``TABLE`` row (a user's own taper): tip height, an unused place, number of knots n (at least one),
then n knot heights (the first at the ground), n diameters inside and n outside bark, straight as
above. A row of more than six knots is longer than ``N_PARAMS``: rows are as long as they must be.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from .._jit import njit, prange
from ..units import BASAL_AREA_CONSTANT

NATIONAL = 0
FORM_CLASS = 1
TABLE = 2
N_PARAMS = 23

MAX_KNOTS = 10
KNOT_HEIGHT = 3
"""First column of the knot heights in a ``FORM_CLASS`` or ``TABLE`` row."""
KNOT_DIB = 13
"""First column of the knot diameters in a ``FORM_CLASS`` row."""

LOWEST_FT = 0.5
"""The national profile is held at its diameter here down to the ground, where it would otherwise
grow without bound (b < 1). No stump is cut lower."""

GAUSS_X, GAUSS_W = np.polynomial.legendre.leggauss(8)
"""Points and weights of Gauss's rule on -1 to 1, for what has no closed form."""

_TOLERANCE = 1e-11
_MAX_STEPS = 40

Floats = npt.NDArray[np.float64]
Kinds = npt.NDArray[np.int8]


@njit()
def _national_share(total_ft: float, a: float, b: float, height_ft: float) -> float:
    """Return the share of the stem's volume below a height."""
    if height_ft <= 0.0:
        return 0.0
    if height_ft >= total_ft:
        return 1.0
    below: float = (1.0 - (1.0 - height_ft / total_ft) ** a) ** b
    return below


@njit()
def _national_diameter(
    total_ft: float, volume: float, a: float, b: float, height_ft: float
) -> float:
    """Return the diameter whose section is the slope of volume over height."""
    if height_ft >= total_ft:
        return 0.0
    u = 1.0 - max(height_ft, LOWEST_FT) / total_ft
    u_a1 = u ** (a - 1.0)
    section = volume * a * b * u_a1 * (1.0 - u * u_a1) ** (b - 1.0)
    return math.sqrt(section / (BASAL_AREA_CONSTANT * total_ft))


@njit()
def _national_height(
    total_ft: float, volume: float, a: float, b: float, diameter_in: float
) -> float:
    """Return the greatest height where the stem is still this thick, by Newton's method.

    With ``t = a ln(1 - h/H)`` the profile's logarithm is ``k t + (b - 1) ln(1 - e^t)``,
    ``k = (a - 1)/a``: convex for b < 1, concave for b > 1. Started on the outer side of the root,
    Newton's steps are then one-sided and cannot overshoot.
    """
    if diameter_in <= 0.0:
        return total_ft
    k = (a - 1.0) / a
    goal = math.log(diameter_in * diameter_in * BASAL_AREA_CONSTANT * total_ft / (volume * a * b))
    t_last = a * math.log(1.0 - LOWEST_FT / total_ft)
    if b > 1.0:  # the profile turns inward near the ground: stay above its thickest point
        t_last = min(t_last, math.log(k / (k + b - 1.0)))
    if k * t_last + (b - 1.0) * math.log(1.0 - math.exp(t_last)) <= goal:
        return 0.0
    t = min(goal / k, t_last)
    for _ in range(_MAX_STEPS):
        s = math.exp(t)
        rest = 1.0 - s
        step = (k * t + (b - 1.0) * math.log(rest) - goal) / (k + (1.0 - b) * s / rest)
        t -= step
        if abs(step) <= _TOLERANCE * (1.0 + abs(t)):
            break
    return total_ft * (1.0 - math.exp(t / a))


@njit()
def _knot_diameter(p: Floats, first: int, height_ft: float) -> float:
    """Return a diameter on straight lines between knots and on to the tip.

    ``first`` is the column of the lowest knot's diameter, inside or outside bark.
    """
    if height_ft >= p[0]:
        return 0.0
    last = int(p[2]) - 1
    h1: float = p[KNOT_HEIGHT]
    d1: float = p[first]
    if height_ft <= h1:
        return d1
    for i in range(1, last + 2):
        if i <= last:
            h2, d2 = p[KNOT_HEIGHT + i], p[first + i]
        else:
            h2, d2 = p[0], 0.0
        if height_ft <= h2:
            diameter: float = d1 + (d2 - d1) * (height_ft - h1) / (h2 - h1)
            return diameter
        h1, d1 = h2, d2
    return math.nan  # only a missing height gets here


@njit()
def _knot_height(p: Floats, first: int, diameter_in: float) -> float:
    """Return the greatest height where the knotted stem is still this thick."""
    h2: float = p[0]
    d2: float = 0.0
    if math.isnan(diameter_in + h2):
        return math.nan
    if diameter_in <= 0.0:
        return h2
    for i in range(int(p[2]) - 1, -1, -1):
        h1, d1 = p[KNOT_HEIGHT + i], p[first + i]
        if d1 >= diameter_in:
            height: float = h1 + (h2 - h1) * (d1 - diameter_in) / (d1 - d2)
            return height
        h2, d2 = h1, d1
    return 0.0


@njit()
def _knot_cuft(p: Floats, first: int, low_ft: float, high_ft: float) -> float:
    """Return volume between two heights: the cone frustums between knots, added up."""
    if math.isnan(p[0] + low_ft + high_ft):
        return math.nan
    bottom = max(low_ft, 0.0)
    top = min(high_ft, p[0])
    if top <= bottom:
        return 0.0
    d1 = _knot_diameter(p, first, bottom)
    total = 0.0
    for i in range(1, int(p[2]) + 1):
        end = p[KNOT_HEIGHT + i] if i < int(p[2]) else p[0]
        if end <= bottom:
            continue
        h2 = min(end, top)
        d2 = _knot_diameter(p, first, h2) if h2 < end else _knot(p, first, i)
        total += (h2 - bottom) * (d1 * d1 + d1 * d2 + d2 * d2)
        bottom, d1 = h2, d2
        if h2 >= top:
            break
    return BASAL_AREA_CONSTANT / 3.0 * total


@njit()
def _knot(p: Floats, first: int, i: int) -> float:
    """Return the diameter at knot ``i``; the tip counts as the knot after the last."""
    diameter: float = p[first + i] if i < int(p[2]) else 0.0
    return diameter


@njit()
def _first_dib(kind: int, p: Floats) -> int:
    """Return the column of the lowest knot's diameter inside bark."""
    return KNOT_DIB if kind == FORM_CLASS else KNOT_HEIGHT + int(p[2])


@njit()
def dib_at(kind: int, p: Floats, height_ft: float) -> float:
    """Return diameter inside bark, never over the outside-bark one; 0 from the tip up.

    Inside and outside bark are separate national fits that cross near some tips: no bark there.
    """
    if kind != NATIONAL:
        return _knot_diameter(p, _first_dib(kind, p), height_ft)
    inside: float = _national_diameter(p[0], p[1], p[2], p[3], height_ft)
    return min(inside, _national_diameter(p[0], p[4], p[5], p[6], height_ft))


@njit()
def dob_at(kind: int, p: Floats, height_ft: float) -> float:
    """Return diameter outside bark; 0 from the tip up."""
    if kind == FORM_CLASS:
        outside: float = p[1] * _knot_diameter(p, KNOT_DIB, height_ft)
        return outside
    if kind == TABLE:
        return _knot_diameter(p, KNOT_HEIGHT + 2 * int(p[2]), height_ft)
    return _national_diameter(p[0], p[4], p[5], p[6], height_ft)


@njit()
def height_at_dib(kind: int, p: Floats, dib_in: float) -> float:
    """Return the greatest height with this diameter inside bark; 0.0 if never so thick."""
    if kind != NATIONAL:
        return _knot_height(p, _first_dib(kind, p), dib_in)
    height_ft: float = _national_height(p[0], p[1], p[2], p[3], dib_in)
    if _national_diameter(p[0], p[4], p[5], p[6], height_ft) < dib_in:  # the fits have crossed
        return min(height_ft, _national_height(p[0], p[4], p[5], p[6], dib_in))
    return height_ft


@njit()
def height_at_dob(kind: int, p: Floats, dob_in: float) -> float:
    """Return the greatest height with this diameter outside bark; 0.0 if never so thick."""
    if kind == FORM_CLASS:
        return _knot_height(p, KNOT_DIB, dob_in / p[1])
    if kind == TABLE:
        return _knot_height(p, KNOT_HEIGHT + 2 * int(p[2]), dob_in)
    return _national_height(p[0], p[4], p[5], p[6], dob_in)


@njit()
def wood_cuft_between(kind: int, p: Floats, low_ft: float, high_ft: float) -> float:
    """Return cubic feet of wood (inside bark) between two heights, exact from the profile."""
    if high_ft <= low_ft:
        return 0.0
    if kind != NATIONAL:
        return _knot_cuft(p, _first_dib(kind, p), low_ft, high_ft)
    below_top: float = _national_share(p[0], p[2], p[3], high_ft)
    wood: float = p[1] * (below_top - _national_share(p[0], p[2], p[3], low_ft))
    return wood


@njit()
def ob_cuft_between(kind: int, p: Floats, low_ft: float, high_ft: float) -> float:
    """Return cubic feet of wood and bark between two heights.

    National stems: the bark model's total, spread as the outside-bark profile spreads volume.
    """
    if high_ft <= low_ft:
        return 0.0
    if kind == TABLE:
        return _knot_cuft(p, KNOT_HEIGHT + 2 * int(p[2]), low_ft, high_ft)
    wood: float = wood_cuft_between(kind, p, low_ft, high_ft)
    if kind == FORM_CLASS:
        both: float = p[1] * p[1] * wood
        return both
    below_top: float = _national_share(p[0], p[5], p[6], high_ft)
    bark: float = p[7] * (below_top - _national_share(p[0], p[5], p[6], low_ft))
    return wood + bark


@njit()
def profile_at(kind: int, p: Floats, height_ft: float) -> tuple[float, float, float, float]:
    """Return dib, dob, and the wood and the wood with bark below a height, all at once.

    The same numbers as `dib_at`, `dob_at`, `wood_cuft_between` and `ob_cuft_between` from the
    ground, to the last few bits. Diameter and volume of a national stem share their powers, four
    in all: asked one by one they take twelve.
    """
    if kind == FORM_CLASS:
        dib = _knot_diameter(p, KNOT_DIB, height_ft)
        below = _knot_cuft(p, KNOT_DIB, 0.0, height_ft)
        return dib, p[1] * dib, below, p[1] * p[1] * below
    if kind == TABLE or height_ft < LOWEST_FT or height_ft >= p[0]:
        return (
            dib_at(kind, p, height_ft),
            dob_at(kind, p, height_ft),
            wood_cuft_between(kind, p, 0.0, height_ft),
            ob_cuft_between(kind, p, 0.0, height_ft),
        )
    u = 1.0 - height_ft / p[0]
    per_inch = 1.0 / (BASAL_AREA_CONSTANT * p[0])
    above = u ** (p[2] - 1.0)
    rest = 1.0 - u * above
    power = rest ** (p[3] - 1.0)
    inside = math.sqrt(p[1] * p[2] * p[3] * above * power * per_inch)
    wood = p[1] * rest * power
    above = u ** (p[5] - 1.0)
    rest = 1.0 - u * above
    power = rest ** (p[6] - 1.0)
    outside = math.sqrt(p[4] * p[5] * p[6] * above * power * per_inch)
    return min(inside, outside), outside, wood, wood + p[7] * rest * power


@njit()
def section_falls(a: float, b: float, total_ft: float, from_ft: float) -> bool:
    """Whether a national stem's section shrinks all the way up from a height.

    The section is ``u^(a-1) (1 - u^a)^(b-1)`` times a constant, ``u = 1 - h/H``. For b > 1 it has
    one peak, at ``u^a = k / (k + b - 1)`` with ``k = (a - 1)/a``.
    """
    if a <= 1.0 or b <= 1.0:
        return a >= 1.0 and b <= 1.0
    k = (a - 1.0) / a
    found: bool = total_ft * (1.0 - (k / (k + b - 1.0)) ** (1.0 / a)) <= from_ft
    return found


@njit()
def thins_upward(kind: int, p: Floats, from_ft: float) -> bool:
    """Whether diameter, wood and bark of a stem are known to shrink all the way up from a height.

    A user's own table is not looked into: its bark may thicken upward.
    """
    if kind == NATIONAL:
        return section_falls(p[2], p[3], p[0], from_ft) and section_falls(p[5], p[6], p[0], from_ft)
    if kind != FORM_CLASS:
        return False
    for i in range(1, int(p[2])):
        if p[KNOT_DIB + i] > p[KNOT_DIB + i - 1]:
            return False
    return True


@njit()
def _knot_surface(p: Floats, first: int, low_ft: float, high_ft: float) -> float:
    """Return the integral of diameter over height between knots, in inch-feet."""
    bottom = max(low_ft, 0.0)
    top = min(high_ft, p[0])
    d1 = _knot_diameter(p, first, bottom)
    total: float = 0.0
    for i in range(1, int(p[2]) + 1):
        end = p[KNOT_HEIGHT + i] if i < int(p[2]) else p[0]
        h2 = min(end, top)
        if h2 <= bottom:
            continue
        d2 = _knot_diameter(p, first, h2)
        total += (h2 - bottom) * (d1 + d2) / 2.0
        bottom, d1 = h2, d2
    return total


@njit()
def _national_surface(p: Floats, low_ft: float, high_ft: float) -> float:
    """Return the integral of outside-bark diameter over height by Gauss's rule, in inch-feet.

    With ``h = H (1 - w^2)`` the diameter's root at the tip becomes smooth; panels halve toward the
    ground, where the butt flares.
    """
    top = min(high_ft, p[0])
    held = max(min(top, LOWEST_FT) - max(low_ft, 0.0), 0.0)
    total: float = held * _national_diameter(p[0], p[4], p[5], p[6], LOWEST_FT)
    bottom = max(low_ft, LOWEST_FT)
    while top > bottom:
        panel = max(bottom, top / 2.0)
        if panel < 2.0 * LOWEST_FT:
            panel = bottom
        near, far = math.sqrt(1.0 - top / p[0]), math.sqrt(1.0 - panel / p[0])
        half = (far - near) / 2.0
        for i in range(GAUSS_X.shape[0]):
            w = near + half * (1.0 + GAUSS_X[i])
            diameter = _national_diameter(p[0], p[4], p[5], p[6], p[0] * (1.0 - w * w))
            total += GAUSS_W[i] * half * 2.0 * p[0] * w * diameter
        top = panel
    return total


@njit()
def surface_sqft_between(kind: int, p: Floats, low_ft: float, high_ft: float) -> float:
    """Return square feet of bark between two heights: girth times height, added up."""
    if math.isnan(p[0] + low_ft + high_ft):
        return math.nan
    if high_ft <= low_ft:
        return 0.0
    if kind == FORM_CLASS:
        inch_ft: float = p[1] * _knot_surface(p, KNOT_DIB, low_ft, high_ft)
    elif kind == TABLE:
        inch_ft = _knot_surface(p, KNOT_HEIGHT + 2 * int(p[2]), low_ft, high_ft)
    else:
        inch_ft = _national_surface(p, low_ft, high_ft)
    return math.pi / 12.0 * inch_ft


@njit(parallel=True)
def dib_many(kind: Kinds, params: Floats, height_ft: Floats) -> Floats:
    """Apply `dib_at` to every tree (rows) at each of its heights (columns)."""
    out = np.empty(height_ft.shape)
    for i in prange(height_ft.shape[0]):
        for j in range(height_ft.shape[1]):
            out[i, j] = dib_at(kind[i], params[i], height_ft[i, j])
    return out


@njit(parallel=True)
def dob_many(kind: Kinds, params: Floats, height_ft: Floats) -> Floats:
    """Apply `dob_at` to every tree (rows) at each of its heights (columns)."""
    out = np.empty(height_ft.shape)
    for i in prange(height_ft.shape[0]):
        for j in range(height_ft.shape[1]):
            out[i, j] = dob_at(kind[i], params[i], height_ft[i, j])
    return out


@njit(parallel=True)
def height_at_dib_many(kind: Kinds, params: Floats, dib_in: Floats) -> Floats:
    """Apply `height_at_dib` to every tree (rows) at each of its diameters (columns)."""
    out = np.empty(dib_in.shape)
    for i in prange(dib_in.shape[0]):
        for j in range(dib_in.shape[1]):
            out[i, j] = height_at_dib(kind[i], params[i], dib_in[i, j])
    return out


@njit(parallel=True)
def height_at_dob_many(kind: Kinds, params: Floats, dob_in: Floats) -> Floats:
    """Apply `height_at_dob` to every tree (rows) at each of its diameters (columns)."""
    out = np.empty(dob_in.shape)
    for i in prange(dob_in.shape[0]):
        for j in range(dob_in.shape[1]):
            out[i, j] = height_at_dob(kind[i], params[i], dob_in[i, j])
    return out


@njit(parallel=True)
def wood_cuft_many(kind: Kinds, params: Floats, low_ft: Floats, high_ft: Floats) -> Floats:
    """Apply `wood_cuft_between` to every tree (rows) and each of its pieces (columns)."""
    out = np.empty(low_ft.shape)
    for i in prange(low_ft.shape[0]):
        for j in range(low_ft.shape[1]):
            out[i, j] = wood_cuft_between(kind[i], params[i], low_ft[i, j], high_ft[i, j])
    return out


@njit(parallel=True)
def ob_cuft_many(kind: Kinds, params: Floats, low_ft: Floats, high_ft: Floats) -> Floats:
    """Apply `ob_cuft_between` to every tree (rows) and each of its pieces (columns)."""
    out = np.empty(low_ft.shape)
    for i in prange(low_ft.shape[0]):
        for j in range(low_ft.shape[1]):
            out[i, j] = ob_cuft_between(kind[i], params[i], low_ft[i, j], high_ft[i, j])
    return out


@njit(parallel=True)
def surface_sqft_many(kind: Kinds, params: Floats, low_ft: Floats, high_ft: Floats) -> Floats:
    """Apply `surface_sqft_between` to every tree (rows) and each of its pieces (columns)."""
    out = np.empty(low_ft.shape)
    for i in prange(low_ft.shape[0]):
        for j in range(low_ft.shape[1]):
            out[i, j] = surface_sqft_between(kind[i], params[i], low_ft[i, j], high_ft[i, j])
    return out
