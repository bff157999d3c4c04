"""Cutting stems into logs on paper."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from difflib import get_close_matches

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from standmap.errors import DomainError
from standmap.logs import decimal_c_table
from standmap.products import _kernels as kernels
from standmap.products.cut_logs import Logs
from standmap.products.specs import ProductSpec
from standmap.species import species_mask
from standmap.trees import Stems, cords, green_weight
from standmap.units import LB_PER_TON, LOG_FT, LOG_RULES, STUMP_FT, TRIM_FT

Floats = NDArray[np.float64]


def saw_top_from_logs(
    saw_logs: ArrayLike, stump_ft: float = STUMP_FT, trim_ft: float = TRIM_FT
) -> Floats:
    """Height of the top of the sawtimber from a tally in 16-foot logs and halves.

    Parameters
    ----------
    saw_logs : array_like
        Logs to the nearest half; 0 says that there is no sawlog, NaN that nobody counted.
    stump_ft : float
        Stump height. [ft]
    trim_ft : float
        Trim on each log and on the half log. [ft]

    Returns
    -------
    ndarray
        Height above ground. [ft] NaN where ``saw_logs`` is.

    Raises
    ------
    DomainError
        If a count is negative or not in halves.

    Notes
    -----
    Stump + whole logs x (16 + trim) + half log x (8 + trim): the stick of the form-class tables
    (Mesavage and Girard 1946). Specs with more trim than this cut shorter logs from the same
    tally.

    Examples
    --------
    >>> saw_top_from_logs([1, 2.5, 0, float("nan")])
    array([17.3, 41.9,  1. ,  nan])
    """
    logs = np.asarray(saw_logs, dtype=np.float64)
    wrong = (logs < 0) | (~np.isnan(logs) & (2 * logs != np.floor(2 * logs)))
    _refuse(wrong, logs, "saw_logs", "must be >= 0 in halves", "Blank the cell if not counted.")
    whole = np.floor(logs)
    half = logs - whole > 0
    return np.asarray(
        stump_ft + whole * (LOG_FT + trim_ft) + np.where(half, LOG_FT / 2 + trim_ft, 0.0)
    )


def eligibility(
    species_code: ArrayLike,
    dbh_in: ArrayLike,
    specs: Sequence[ProductSpec],
    *,
    cull: ArrayLike | None = None,
    aliases: Mapping[str, str] | None = None,
) -> NDArray[np.bool_]:
    """Which trees each product takes, by species and DBH.

    Parameters
    ----------
    species_code : array_like of int, shape (n,)
        FIA species codes.
    dbh_in : array_like, shape (n,)
        Diameter at breast height. [in]
    specs : sequence of ProductSpec
        The products.
    cull : array_like of bool, shape (n,), optional
        Trees unfit for saw products.
    aliases : mapping, optional
        The tract's own species names.

    Returns
    -------
    ndarray of bool, shape (n, specs)
        False throughout for products that only a cruiser's call can make.

    Raises
    ------
    UnknownSpeciesError
        If a spec names a species that is not in the catalogue.

    Examples
    --------
    >>> pulp = ProductSpec(product="pine pulpwood", kind="bulk", rank=1, species="pine",
    ...                    min_dbh_in=4.5, min_top_in=3, min_length_ft=8, max_length_ft=40)
    >>> eligibility([131, 131, 802], [6.0, 4.0, 9.0], [pulp]).ravel()
    array([ True, False, False])
    """
    dbh = np.asarray(dbh_in, dtype=np.float64)
    of_tree, codes = pd.factorize(np.asarray(species_code, dtype=np.int64))
    takes = np.zeros((len(dbh), len(specs)), dtype=np.bool_)
    fit_to_saw = None if cull is None else ~np.asarray(cull, dtype=np.bool_)
    for s, spec in enumerate(specs):
        if spec.called_only:
            continue
        takes[:, s] = species_mask(spec.species, codes, aliases=aliases)[of_tree]
        takes[:, s] &= (dbh >= spec.min_dbh_in) & (dbh <= spec.max_dbh_in)
        if spec.kind == "saw" and fit_to_saw is not None:
            takes[:, s] &= fit_to_saw
    return takes


def buck_top_down(
    stems: Stems,
    specs: Sequence[ProductSpec],
    *,
    saw_top_ft: ArrayLike | None = None,
    called_product: ArrayLike | None = None,
    defect_pct: ArrayLike | None = None,
    cull: ArrayLike | None = None,
    stump_ft: float = STUMP_FT,
    eligible: NDArray[np.bool_] | None = None,
    cuft_per_cord: float | None = None,
    aliases: Mapping[str, str] | None = None,
) -> Logs:
    """Cut every stem from the stump up: at each height the best product that takes a log.

    Parameters
    ----------
    stems : Stems
        n stems.
    specs : sequence of ProductSpec
        The products; ties of rank go to the earlier.
    saw_top_ft : array_like, shape (n,), optional
        Recorded top of the sawtimber above ground; NaN where none was recorded. [ft]
    called_product : array_like of str, shape (n,), optional
        The cruiser's own call, blank for none.
    defect_pct : array_like, shape (n,), optional
        Percent of board feet lost to defect; NaN counts as 0. [%]
    cull : array_like of bool, shape (n,), optional
        Trees that no saw log is cut from, whatever was called.
    stump_ft : float
        Stump height. [ft]
    eligible : ndarray of bool, shape (n, specs), optional
        Which trees each product takes; :func:`eligibility` by default.
    cuft_per_cord : float, optional
        Solid wood in a cord for every species; by species group where not given. [cu ft]
    aliases : mapping, optional
        The tract's own species names.

    Returns
    -------
    Logs

    Raises
    ------
    DomainError
        If a called product is not among the specs, a defect is outside 0 to 100, the stump is
        negative, or an array has not one value per stem.

    Notes
    -----
    At each height the products are tried by rank and, within a product, the longest length first.
    A log must end, trim included, below the top of the stem (or its break), at or above the
    product's smallest top diameter, and for saw products at or below the recorded saw height. The
    large end must not pass ``max_large_in``. Cutting stops when nothing fits.

    A called saw product takes the sawtimber of its tree whatever the DBH, species, top and large
    end (lengths are kept; the smallest top is kept too where no saw height was recorded, since
    nothing else would end the sawtimber); above it bulk products as usual. A called bulk product
    is tried first and no saw log is cut.

    Defect is taken off the board feet of saw logs only: the truck scale weighs the bad wood too.
    Common practice, no source.

    Examples
    --------
    >>> from standmap.trees import form_class_stems
    >>> pine = form_class_stems([131], [16.0], [2.0])
    >>> specs = [ProductSpec(product="sawlog", kind="saw", rank=1, min_top_in=8, min_length_ft=8,
    ...                      max_length_ft=16, trim_ft=0.3)]
    >>> logs = buck_top_down(pine, specs, saw_top_ft=saw_top_from_logs([2.0]))
    >>> logs
    <Logs: 2 from 1 trees: sawlog 2>
    >>> logs.length_ft
    array([16., 16.])
    """
    n = len(stems.dbh_in)
    if not 0 <= stump_ft < math.inf:
        raise DomainError(f"'stump_ft' must be >= 0 ft; got {stump_ft}.")
    defect = np.nan_to_num(_per_stem(defect_pct, n, "defect_pct", missing=0.0), nan=0.0)
    _refuse(
        (defect < 0) | (defect > 100),
        defect,
        "defect_pct",
        "must be 0 to 100 %",
        "Blank the cell if the tree is sound.",
    )
    saw_top = _per_stem(saw_top_ft, n, "saw_top_ft", missing=math.nan)
    called = _called_index(called_product, specs, n)
    if cull is not None:
        saw_called = np.array([spec.kind == "saw" for spec in specs] + [False])[called]
        called[saw_called & np.asarray(cull, dtype=np.bool_)] = -1
    if eligible is None:
        eligible = eligibility(stems.species_code, stems.dbh_in, specs, cull=cull, aliases=aliases)
    if eligible.shape != (n, len(specs)):
        raise DomainError(
            f"'eligible' must have a row per stem and a column per spec {(n, len(specs))}; "
            f"got {eligible.shape}."
        )
    arrays = _spec_arrays(specs)
    first = _room_for_cuts(stems, arrays, stump_ft)
    cut_product = np.empty(first[-1], dtype=np.int16)
    cut_length = np.empty(first[-1], dtype=np.int16)
    count = np.empty(n, dtype=np.int64)
    kernels.cut_top_down(
        stems.kind, stems.params, stems.usable_top_ft, saw_top, eligible, called,
        float(stump_ft), arrays, first, cut_product, cut_length, count,
    )  # fmt: skip
    offsets = np.concatenate([[0], np.cumsum(count)])
    out = _empty_logs(int(offsets[-1]))
    of_tree, wood_lb, bark_lb, cords_per_cuft = _species_factors(stems, cuft_per_cord)
    kernels.measure_cuts(
        stems.kind, stems.params, float(stump_ft), arrays, first, cut_product, cut_length,
        offsets, defect, of_tree, wood_lb, bark_lb, cords_per_cuft, decimal_c_table(), out,
    )  # fmt: skip
    return Logs(
        products=tuple(spec.product for spec in specs), tree_offsets=offsets, **out._asdict()
    )


def _refuse(wrong: NDArray[np.bool_], values: Floats, name: str, rule: str, mend: str) -> None:
    """Raise for the rows marked wrong, naming the first few."""
    rows = np.flatnonzero(wrong)
    if len(rows):
        raise DomainError(
            f"'{name}' {rule}; got {np.ravel(values)[rows[0]]:g} at rows {rows[:5].tolist()} "
            f"({len(rows)} of {wrong.size}). {mend}"
        )


def _per_stem(values: ArrayLike | None, n: int, name: str, *, missing: float) -> Floats:
    if values is None:
        return np.full(n, missing)
    array = np.asarray(values, dtype=np.float64)
    if array.shape != (n,):
        raise DomainError(f"'{name}' must have one value per stem ({n}); got {array.shape}.")
    return array


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


def _spec_arrays(specs: Sequence[ProductSpec]) -> kernels.SpecArrays:
    def floats(name: str) -> Floats:
        return np.array([getattr(spec, name) for spec in specs], dtype=np.float64)

    return kernels.SpecArrays(
        order=np.argsort([spec.rank for spec in specs], kind="stable").astype(np.int64),
        saw=np.array([spec.kind == "saw" for spec in specs], dtype=np.bool_),
        top_outside_bark=np.array([spec.top_bark == "ob" for spec in specs], dtype=np.bool_),
        min_top_in=floats("min_top_in"),
        max_large_in=floats("max_large_in"),
        min_length_ft=floats("min_length_ft"),
        length_step_ft=floats("length_step_ft"),
        n_lengths=np.array([spec.n_lengths for spec in specs], dtype=np.int64),
        trim_ft=floats("trim_ft"),
    )


def _room_for_cuts(stems: Stems, arrays: kernels.SpecArrays, stump_ft: float) -> NDArray[np.int64]:
    """Where each tree's slots begin: room for its stem in the shortest pieces, and the end."""
    shortest_ft = np.min(arrays.min_length_ft + arrays.trim_ft, initial=math.inf)
    most = np.nan_to_num((stems.usable_top_ft - stump_ft + kernels.SLACK_FT) / shortest_ft)
    return np.concatenate([[0], np.cumsum(np.maximum(most, 0.0).astype(np.int64))])


def _empty_logs(n: int) -> kernels.LogArrays:
    ints = {"tree", "log", "product"}
    return kernels.LogArrays(
        *(
            np.empty(
                (n, len(LOG_RULES)) if name == "gross_bf" else n,
                np.int32 if name in ints else float,
            )
            for name in kernels.LogArrays._fields
        )
    )


def _species_factors(
    stems: Stems, cuft_per_cord: float | None
) -> tuple[NDArray[np.int64], Floats, Floats, Floats]:
    """Each tree's place among the species, and their wood lb, bark lb and cords per cubic foot."""
    of_tree, codes = pd.factorize(np.asarray(stems.species_code, dtype=np.int64))
    one, none = np.ones(len(codes)), np.zeros(len(codes))
    return (
        of_tree.astype(np.int64),
        LB_PER_TON * green_weight(codes, one, none),
        LB_PER_TON * green_weight(codes, none, one),
        np.asarray(cords(codes, one, cuft_per_cord=cuft_per_cord), dtype=np.float64),
    )
