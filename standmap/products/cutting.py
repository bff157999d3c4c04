"""What every way of bucking shares: stems and specs made ready for the kernels, cuts made logs."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Final, TypedDict

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from standmap.errors import DomainError
from standmap.logs import decimal_c_table
from standmap.products import _kernels as kernels
from standmap.products import _log_kernels as log_kernels
from standmap.products._span_kernels import SLACK_FT, Spans
from standmap.products.cut_logs import Logs
from standmap.products.defects import StemDefects, best_grade, make_spans
from standmap.products.eligibility import Floats, eligibility, per_stem, refuse
from standmap.products.specs import ProductSpec
from standmap.trees import Stems, cords, green_weight
from standmap.units import LB_PER_TON, LOG_RULES, STUMP_FT

Ints = NDArray[np.int64]


class Recorded(TypedDict, total=False):
    """What a cruiser may have written beside each tree, and how the tract is cut.

    The keyword arguments that every way of bucking takes; what each means is said at
    :func:`standmap.products.buck_top_down`.
    """

    saw_top_ft: ArrayLike | None
    called_product: ArrayLike | None
    defect_pct: ArrayLike | None
    cull: ArrayLike | None
    grade: ArrayLike | None
    waste_from_ft: ArrayLike | None
    waste_to_ft: ArrayLike | None
    defects: StemDefects | None
    stump_ft: float
    eligible: NDArray[np.bool_] | None
    cuft_per_cord: float | None
    aliases: Mapping[str, str] | None


_NOT_RECORDED: Final[Recorded] = {
    "saw_top_ft": None,
    "called_product": None,
    "defect_pct": None,
    "cull": None,
    "grade": None,
    "waste_from_ft": None,
    "waste_to_ft": None,
    "defects": None,
    "stump_ft": STUMP_FT,
    "eligible": None,
    "cuft_per_cord": None,
    "aliases": None,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class CuttingJob:
    """Stems and specs as the kernels take them.

    Attributes
    ----------
    stems, specs : Stems, tuple of ProductSpec
        As given.
    spec_arrays, trees : SpecArrays, TreeArrays
        The same as arrays.
    spans : Spans
        Defects of the trees.
    eligible : ndarray of bool, shape (n, specs)
        Which trees each product takes, whatever was called.
    stump_ft : float
        Stump height. [ft]
    species : ndarray of int, shape (n,)
        Place of each tree in the three factors below.
    wood_lb, bark_lb, cords_per_cuft : ndarray
        Weight of a cubic foot and cords in a cubic foot, by species.
    first : ndarray of int, shape (n + 1,)
        Where each tree's slots for cuts begin, and their end.
    """

    stems: Stems
    specs: tuple[ProductSpec, ...]
    spec_arrays: kernels.SpecArrays
    trees: kernels.TreeArrays
    spans: Spans
    eligible: NDArray[np.bool_]
    stump_ft: float
    species: Ints
    wood_lb: Floats
    bark_lb: Floats
    cords_per_cuft: Floats
    first: Ints

    def room_for_cuts(self) -> tuple[NDArray[np.int16], NDArray[np.int16]]:
        """Return empty slots for the spec and the length of each cut."""
        return np.empty(self.first[-1], dtype=np.int16), np.empty(self.first[-1], dtype=np.int16)

    def measure(
        self,
        cut_product: NDArray[np.int16],
        cut_length: NDArray[np.int16],
        cut_bottom_ft: Floats,
        count: Ints,
    ) -> Logs:
        """Measure, scale and weigh the cuts that were chosen."""
        offsets = np.concatenate([[0], np.cumsum(count)])
        out = _empty_logs(int(offsets[-1]))
        log_kernels.measure_cuts(
            self.stems.kind, self.stems.params, self.stump_ft, self.spec_arrays, self.first,
            cut_product, cut_length, cut_bottom_ft, offsets, self.trees.defect_pct,
            self.spans, self.species, self.wood_lb, self.bark_lb, self.cords_per_cuft,
            decimal_c_table(), out,
        )  # fmt: skip
        return Logs(
            products=tuple(spec.product for spec in self.specs),
            tree_offsets=offsets,
            **out._asdict(),
        )


def make_job(stems: Stems, specs: Sequence[ProductSpec], recorded: Recorded) -> CuttingJob:
    """Check what was recorded beside the stems and make it ready for the kernels.

    Raises
    ------
    TypeError
        If an argument is none of `Recorded`.
    DomainError
        If a called product is not among the specs, a defect is outside 0 to 100, the stump is
        negative, a waste span has one end or is upside down, a defect is of no stem, or an array
        has not one value per stem.
    """
    unknown = sorted(set(recorded) - set(_NOT_RECORDED))
    if unknown:
        raise TypeError(f"bucking takes no argument {unknown[0]!r}.")
    recorded = {**_NOT_RECORDED, **recorded}
    n = len(stems)
    stump_ft = float(recorded["stump_ft"])
    if not 0 <= stump_ft < math.inf:
        raise DomainError(f"'stump_ft' must be >= 0 ft; got {stump_ft}.")
    defect = np.nan_to_num(per_stem(recorded["defect_pct"], n, "defect_pct", missing=0.0), nan=0.0)
    refuse(
        (defect < 0) | (defect > 100),
        defect,
        "defect_pct",
        "must be 0 to 100 %",
        "Blank the cell if the tree is sound.",
    )
    waste_from, waste_to = _waste(recorded["waste_from_ft"], recorded["waste_to_ft"], n)
    grade = per_stem(recorded["grade"], n, "grade", missing=math.nan)
    spans = make_spans(recorded["defects"], waste_from, waste_to, grade, stump_ft)
    called = _called_index(recorded["called_product"], specs, n)
    saws = np.array([spec.kind == "saw" for spec in specs], dtype=np.bool_)
    cull = recorded["cull"]
    if cull is not None:
        called[np.append(saws, False)[called] & np.asarray(cull, dtype=np.bool_)] = -1
    eligible = recorded["eligible"]
    if eligible is None:
        eligible = eligibility(
            stems.species_code,
            stems.dbh_in,
            specs,
            cull=cull,
            grade=best_grade(recorded["defects"], grade),
            defect_pct=defect,
            aliases=recorded["aliases"],
        )
    if eligible.shape != (n, len(specs)):
        raise DomainError(
            f"'eligible' must have a row per stem and a column per spec {(n, len(specs))}; "
            f"got {eligible.shape}."
        )
    takes, saw_from = _heed_calls(eligible, called, specs, saws, stump_ft)
    arrays = spec_arrays(specs)
    of_tree, wood_lb, bark_lb, cords_per_cuft = _species_factors(stems, recorded["cuft_per_cord"])
    return CuttingJob(
        stems=stems,
        specs=tuple(specs),
        spec_arrays=arrays,
        trees=kernels.TreeArrays(
            kind=stems.kind,
            params=stems.params,
            usable_top_ft=stems.usable_top_ft,
            saw_top_ft=per_stem(recorded["saw_top_ft"], n, "saw_top_ft", missing=math.nan),
            takes=takes,
            called=called,
            saw_from_ft=saw_from,
            defect_pct=defect,
        ),
        spans=spans,
        eligible=eligible,
        stump_ft=stump_ft,
        species=of_tree,
        wood_lb=wood_lb,
        bark_lb=bark_lb,
        cords_per_cuft=cords_per_cuft,
        first=_first_slots(stems, arrays, stump_ft),
    )


def spec_arrays(specs: Sequence[ProductSpec]) -> kernels.SpecArrays:
    """Return specs as the kernels take them."""

    def floats(name: str) -> Floats:
        return np.array([getattr(spec, name) for spec in specs], dtype=np.float64)

    n_lengths = np.array([spec.n_lengths for spec in specs], dtype=np.int64)
    lengths = [spec.legal_lengths_ft for spec in specs]
    return kernels.SpecArrays(
        order=np.argsort([spec.rank for spec in specs], kind="stable").astype(np.int64),
        saw=np.array([spec.kind == "saw" for spec in specs], dtype=np.bool_),
        top_outside_bark=np.array([spec.top_bark == "ob" for spec in specs], dtype=np.bool_),
        min_top_in=floats("min_top_in"),
        max_large_in=floats("max_large_in"),
        lengths_ft=np.concatenate([*lengths, np.empty(0)]),
        first_length=np.concatenate([[0], np.cumsum(n_lengths)[:-1]]).astype(np.int64),
        n_lengths=n_lengths,
        length_step_ft=np.where([bool(s.lengths_ft) for s in specs], 0.0, floats("length_step_ft")),
        trim_ft=floats("trim_ft"),
        butt_only=np.array([spec.butt_only for spec in specs], dtype=np.bool_),
        min_logs=np.array([spec.min_logs for spec in specs], dtype=np.int64),
        max_grade=floats("max_grade"),
        max_cull_pct=floats("max_cull_pct"),
    )


def _waste(from_ft: ArrayLike | None, to_ft: ArrayLike | None, n: int) -> tuple[Floats, Floats]:
    """Return the span of each stem that makes no saw log; NaN where there is none."""
    low = per_stem(from_ft, n, "waste_from_ft", missing=math.nan)
    high = per_stem(to_ft, n, "waste_to_ft", missing=math.nan)
    refuse(
        np.isnan(low) != np.isnan(high),
        np.where(np.isnan(low), high, low),
        "waste_from_ft",
        "and 'waste_to_ft' must come together",
        "Give both ends of the bad stretch, or neither.",
    )
    refuse(
        low >= high,
        low,
        "waste_from_ft",
        "must be below 'waste_to_ft'",
        "Give the lower end first, in feet above ground.",
    )
    return low, high


def _heed_calls(
    eligible: NDArray[np.bool_],
    called: NDArray[np.int32],
    specs: Sequence[ProductSpec],
    saws: NDArray[np.bool_],
    stump_ft: float,
) -> tuple[NDArray[np.bool_], Floats]:
    """Return what each tree makes given its call, and the lowest place of its other saw logs."""
    saw_from = np.full(len(called), -math.inf)
    rows = np.flatnonzero(called >= 0)
    takes = np.array(eligible, dtype=np.bool_)
    if not len(rows):
        return takes, saw_from
    for s in np.unique(called[rows]):
        here = rows[called[rows] == s]
        if saws[s] and specs[s].butt_only:
            saw_from[here] = stump_ft + specs[s].min_length_ft + specs[s].trim_ft
        else:
            takes[np.ix_(here, saws)] = False
    takes[rows, called[rows]] = True
    return takes, saw_from


def _called_index(
    called_product: ArrayLike | None, specs: Sequence[ProductSpec], n: int
) -> NDArray[np.int32]:
    """Place of each tree's called product among the specs; -1 for no call."""
    if called_product is None:
        return np.full(n, -1, dtype=np.int32)
    calls = np.asarray(called_product, dtype=object)
    if calls.shape != (n,):
        raise DomainError(f"'called_product' must have one name per stem ({n}); got {calls.shape}.")
    of_tree, names = pd.factorize(calls)  # missing is -1: the last of the list below
    place = {spec.product.casefold(): s for s, spec in enumerate(specs)} | {"": -1}
    index = []
    for name in names:
        key = str(name).strip().casefold()
        if key not in place:
            near = get_close_matches(key, place, n=1)
            hint = f" Did you mean {specs[place[near[0]]].product!r}?" if near else ""
            raise DomainError(
                f"'called_product' must name a product of the specs; got {name!r}."
                f"{hint} Blank the cell if nothing was called."
            )
        index.append(place[key])
    return np.array([*index, -1], dtype=np.int32)[of_tree]


def _first_slots(stems: Stems, arrays: kernels.SpecArrays, stump_ft: float) -> Ints:
    """Where each tree's slots begin: room for its stem in the shortest pieces, and the end."""
    shortest = arrays.lengths_ft[arrays.first_length] + arrays.trim_ft
    shortest_ft = np.min(shortest, initial=math.inf)
    most = np.nan_to_num((stems.usable_top_ft - stump_ft + SLACK_FT) / shortest_ft)
    return np.concatenate([[0], np.cumsum(np.maximum(most, 0.0).astype(np.int64))])


def _empty_logs(n: int) -> log_kernels.LogArrays:
    ints = {"tree", "log", "product"}
    return log_kernels.LogArrays(
        *(
            np.empty(
                (n, len(LOG_RULES)) if name in ("gross_bf", "bf") else n,
                np.int32 if name in ints else float,
            )
            for name in log_kernels.LogArrays._fields
        )
    )


def _species_factors(
    stems: Stems, cuft_per_cord: float | None
) -> tuple[Ints, Floats, Floats, Floats]:
    """Each tree's place among the species, and their wood lb, bark lb and cords per cubic foot."""
    of_tree, codes = pd.factorize(np.asarray(stems.species_code, dtype=np.int64))
    one, none = np.ones(len(codes)), np.zeros(len(codes))
    return (
        of_tree.astype(np.int64),
        LB_PER_TON * green_weight(codes, one, none),
        LB_PER_TON * green_weight(codes, none, one),
        np.asarray(cords(codes, one, cuft_per_cord=cuft_per_cord), dtype=np.float64),
    )
