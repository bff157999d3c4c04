"""Acres of domains by stand: what a total is taken over."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from standmap.errors import DomainError

Floats = NDArray[np.float64]


def acres_by(labels: pd.Series, acres: pd.Series) -> pd.DataFrame:
    """Acres of each domain by stand, where every stand lies in one domain, such as its stratum.

    Parameters
    ----------
    labels : Series
        Domain of each stand, indexed by stand.
    acres : Series
        Acres of each stand, indexed by stand. [acres]

    Returns
    -------
    DataFrame
        Domains (in the order they first appear) by stands, for :meth:`StandEstimates.total`.

    Examples
    --------
    >>> acres_by(pd.Series({"A": "pine", "B": "oak"}), pd.Series({"A": 40.0, "B": 10.0}))
             A     B
    pine  40.0   0.0
    oak    0.0  10.0
    """
    names = list(dict.fromkeys(labels.astype(str)))
    inside = labels.astype(str).to_numpy()[None, :] == np.asarray(names, dtype=object)[:, None]
    own = acres.reindex(labels.index).to_numpy(dtype=np.float64)
    return pd.DataFrame(np.where(inside, own, 0.0), index=names, columns=labels.index)


def as_domains(acres: pd.Series | pd.DataFrame) -> pd.DataFrame:
    """Return acres as a row per domain and a column per stand."""
    if isinstance(acres, pd.Series):
        name = "total" if acres.name is None else str(acres.name)
        return pd.DataFrame([acres.to_numpy()], index=[name], columns=acres.index)
    return acres


def acre_chunks(frame: pd.DataFrame, stands: Sequence[str], many: int) -> Iterator[Floats]:
    """Acres of ``many`` domains at a time, columns in the order of ``stands``; checked."""
    place = pd.Index(stands).get_indexer(pd.Index([str(s) for s in frame.columns]))
    if (place < 0).any():
        raise DomainError(
            f"The acres name stand {str(frame.columns[int(np.argmin(place))])!r}, which is "
            "not in the stand table."
        )
    if np.unique(place).size < place.size:
        raise DomainError("The acres list a stand more than once.")
    for lo in range(0, len(frame), many):
        values = frame.iloc[lo : lo + many].to_numpy(dtype=np.float64)
        if not np.all((values >= 0) & (values < np.inf)):
            row, column = np.argwhere(~((values >= 0) & (values < np.inf)))[0]
            raise DomainError(
                f"Acres must be 0 or more; got {values[row, column]:g} in domain "
                f"{str(frame.index[lo + row])!r}, stand {str(frame.columns[column])!r}."
            )
        out = np.zeros((len(values), len(stands)))
        out[:, place] = values
        yield out
