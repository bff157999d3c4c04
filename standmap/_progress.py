"""How long work tells how far it has come: ``progress=False``, ``True`` or a function."""

from __future__ import annotations

from collections.abc import Callable

Progress = Callable[[float, str], None]
"""Called with the fraction done, 0 to 1, and what comes next."""


def teller(progress: bool | Progress) -> Progress:
    """Turn a ``progress`` argument into something to call.

    Examples
    --------
    >>> teller(True)(0.25, "Cutting stems into logs")
     25% Cutting stems into logs
    """
    if callable(progress):
        return progress
    if progress:
        return lambda fraction, message: print(f"{fraction:4.0%} {message}")
    return lambda fraction, message: None
