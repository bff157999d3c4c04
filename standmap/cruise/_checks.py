"""What every estimator of the room asks of its figures."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from standmap.errors import DomainError

Floats = NDArray[np.float64]
Places = NDArray[np.intp]


def column(name: str, values: ArrayLike, *, least: int = 2) -> Floats:
    """One figure per sampling unit, ``least`` or more, none missing."""
    figures = np.asarray(values, dtype=np.float64)
    if figures.ndim != 1 or figures.size < least or not np.all(np.isfinite(figures)):
        many = {1: "one", 2: "two", 3: "three"}.get(least, str(least))
        raise DomainError(f"'{name}' must be {many} or more numbers in a list, none missing.")
    return figures


def same_length(**columns: Floats) -> None:
    """Raise unless the columns, named, have one figure for each of the same units."""
    names, sizes = list(columns), [len(c) for c in columns.values()]
    if len(set(sizes)) > 1:
        listed = ", ".join(f"'{n}' {s}" for n, s in zip(names, sizes, strict=True))
        raise DomainError(f"The columns must be of one length; got {listed}.")


def positive(name: str, value: float) -> float:
    """Return one number above 0."""
    if not 0 < value < np.inf:
        raise DomainError(f"'{name}' must be above 0; got {value:g}.")
    return float(value)


def correction(n: int, population_units: float | None) -> float:
    """Finite population correction of a variance; 1 where the population is not counted."""
    if population_units is None:
        return 1.0
    if not population_units >= n:
        raise DomainError(
            f"'population_units' must be at least the {n} units sampled; got {population_units:g}."
        )
    return float(1 - n / population_units)


def labelled(name: str, labels: ArrayLike, n: int) -> tuple[list[str], Places]:
    """Distinct labels in the order they first appear, and the place of each unit's label."""
    listed = [str(v) for v in np.asarray(labels, dtype=object)]
    if len(listed) != n:
        raise DomainError(f"'{name}' must have one label for each of the {n} figures.")
    seen = {label: i for i, label in enumerate(dict.fromkeys(listed))}
    return list(seen), np.asarray([seen[label] for label in listed], dtype=np.intp)
