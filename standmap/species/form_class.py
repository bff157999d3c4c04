"""Form class taken where nobody measured one."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from standmap._tables import load_table


def form_class_default(codes: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Girard form class to fall back on, by species.

    Parameters
    ----------
    codes : array_like of int
        Species codes; unknown ones (-1) get the class of species without a row.

    Returns
    -------
    ndarray of float64
        Form class: 100 times dib at 17.3 ft over DBH outside bark.

    Notes
    -----
    No table of averages by species was found in print. 78, the class of the volume tables in
    general use, stands for nearly all; the few others in ``form_class_default.csv`` are from
    memory. A point of form class is about 3 percent of a tree's volume [1]_: measure it.

    References
    ----------
    .. [1] Mesavage, C. and Girard, J.W. 1946. Tables for estimating board-foot volume of timber.

    Examples
    --------
    >>> form_class_default([802, 221, -1])
    array([78., 70., 78.])
    """
    table = load_table("form_class_default").set_index("species_code").form_class
    flat = np.asarray(codes, dtype=np.int64)
    classes = table.reindex(flat.ravel()).fillna(table.loc[0]).to_numpy(dtype=np.float64)
    return np.asarray(classes).reshape(flat.shape)
