"""The paper that things are printed on."""

from __future__ import annotations

from typing import Final, Literal, get_args

from standmap.errors import DomainError

Paper = Literal["letter", "a4"]
PAPERS: Final[tuple[str, ...]] = get_args(Paper)

_SIZES_IN: Final = {"letter": (8.5, 11.0), "a4": (210 / 25.4, 297 / 25.4)}


def paper_size_in(paper: str) -> tuple[float, float]:
    """Return width and height of a sheet, upright.

    Parameters
    ----------
    paper : {"letter", "a4"}
        US letter, 8.5 by 11 in; or ISO 216 A4, 210 by 297 mm.

    Returns
    -------
    tuple of float
        [in]

    Raises
    ------
    DomainError
        If the paper is neither.

    Examples
    --------
    >>> paper_size_in("letter")
    (8.5, 11.0)
    """
    if paper not in PAPERS:
        raise DomainError(f"'paper' must be one of {', '.join(PAPERS)}; got {paper!r}.")
    return _SIZES_IN[paper]
