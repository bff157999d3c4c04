"""Arrays of a prescription: how much of each tree is taken, in an order, up to an amount."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


class Taken(NamedTuple):
    """What was taken of each item, and the key at which each group had enough (NaN: never)."""

    share: Floats
    stops_at: Floats


def take_in_order(group: Ints, key: Floats, amount: Floats, wanted: Floats) -> Taken:
    """Take items of each group, lowest key first, until the group has the amount wanted.

    Parameters
    ----------
    group : ndarray of int, shape (n,)
        Group of each item, from 0.
    key : ndarray, shape (n,)
        Items are taken in rising order of it.
    amount : ndarray, shape (n,)
        What each item adds. It may be less than 0, where a plot speaks against what it is unlike;
        a group stops the first time it has enough.
    wanted : ndarray, shape (groups,)
        Amount wanted of each group; infinite takes all.

    Returns
    -------
    Taken
        ``share``: 0 to 1 of each item. Items of equal key in a group are taken in equal share, so
        that the order of the rows decides nothing. ``stops_at``: the key of the last item taken
        where the wanted amount was reached; NaN where nothing was wanted or all was not enough.
    """
    n = len(group)
    stops_at = np.full(len(wanted), np.nan)
    if n == 0:
        return Taken(np.zeros(0), stops_at)
    order = np.lexsort((key, group))
    g, k, a = group[order], key[order], amount[order]
    new_run = np.r_[True, (g[1:] != g[:-1]) | (k[1:] != k[:-1])]
    run = np.cumsum(new_run) - 1
    first = np.flatnonzero(new_run)
    run_group, run_key = g[first], k[first]
    run_amount: Floats = np.bincount(run, weights=a).astype(np.float64)
    before = _since_group_began(run_amount, run_group)
    target = wanted[run_group]
    enough = (target > 0) & (before + run_amount >= target * (1 - 1e-12))
    stop = np.full(len(wanted), len(first))  # the run that each group stops in, if it does
    np.minimum.at(stop, run_group[enough], np.flatnonzero(enough))
    at = np.arange(len(first))
    run_share = ((at < stop[run_group]) & (target > 0)).astype(np.float64)
    last = np.flatnonzero(at == stop[run_group])
    part = np.divide(
        target[last] - before[last],
        run_amount[last],
        out=np.ones(len(last)),
        where=run_amount[last] > 0,
    )
    run_share[last] = np.clip(part, 0.0, 1.0)
    stops_at[run_group[last]] = run_key[last]
    share = np.empty(n)
    share[order] = run_share[run]
    return Taken(share, stops_at)


def _since_group_began(amount: Floats, group: Ints) -> Floats:
    """Return what the earlier runs of the same group add up to; runs are sorted by group."""
    starts = np.r_[True, group[1:] != group[:-1]]
    running = np.cumsum(amount) - amount
    return np.asarray(running - running[np.flatnonzero(starts)][np.cumsum(starts) - 1])
