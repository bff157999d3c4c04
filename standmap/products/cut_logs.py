"""The logs that a tally was cut into, one row each."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from standmap.products._log_kernels import LogArrays
from standmap.units import LOG_RULES

YIELD_MEASURES: Final = (
    "volume_cuft",
    *(f"bf_{rule}" for rule in LOG_RULES),
    "cords",
    "weight_tons",
)
"""What logs are added up in, in the order of the last axis of every yield array."""


@dataclass(frozen=True, kw_only=True, repr=False)
class Logs:
    """Logs of many stems, by tree and then from the stump up.

    A log is sold one way: board feet of bulk wood are 0, cords of saw logs are 0; cubic feet and
    tons are always there.

    Attributes
    ----------
    products : tuple of str
        Names of the specs; ``product`` counts them from 0.
    tree_offsets : ndarray of int, shape (n_trees + 1,)
        Tree ``t`` owns rows ``tree_offsets[t]:tree_offsets[t + 1]``.
    tree, log, product : ndarray of int, shape (n,)
        Place of the tree among the stems from 0; log number from 1, counted from the stump; place
        of the product among the specs from 0.
    bottom_ft : ndarray
        Height of the large end above ground. [ft]
    length_ft : ndarray
        Scaled length, without trim. [ft]
    small_dib_in, large_dib_in : ndarray
        Diameter inside bark of the two ends; the small end is above the trim. [in]
    small_dob_in : ndarray
        Diameter outside bark of the small end. [in]
    gross_bf : ndarray, shape (n, 4)
        Board feet before defect, in the order of ``units.LOG_RULES``. [bf]
    bf : ndarray, shape (n, 4)
        Board feet net of defect. [bf]
    volume_cuft, bark_cuft : ndarray
        Wood and bark of the scaled length; defect is not taken off. [cu ft]
    cords : ndarray
        Bulk wood by the solid-wood factor of its species. [cords]
    weight_tons : ndarray
        Green short tons of wood and bark as hauled: trim and defect weigh too. [tons]
    defect_pct : ndarray
        Percent taken off the board feet, the tree's own and what recorded defects take of this
        log; 0 for bulk wood. A squared defect counts by the share that International and Doyle
        lose; the Scribner rules have a formula of their own, and ``bf`` is net by it. [%]
    """

    products: tuple[str, ...]
    tree_offsets: NDArray[np.int64]
    tree: NDArray[np.int32]
    log: NDArray[np.int32]
    product: NDArray[np.int32]
    bottom_ft: NDArray[np.float64]
    length_ft: NDArray[np.float64]
    small_dib_in: NDArray[np.float64]
    large_dib_in: NDArray[np.float64]
    small_dob_in: NDArray[np.float64]
    gross_bf: NDArray[np.float64]
    bf: NDArray[np.float64]
    volume_cuft: NDArray[np.float64]
    bark_cuft: NDArray[np.float64]
    cords: NDArray[np.float64]
    weight_tons: NDArray[np.float64]
    defect_pct: NDArray[np.float64]

    def __len__(self) -> int:
        """Count the logs."""
        return len(self.tree)

    def __repr__(self) -> str:
        """One line."""
        made = ", ".join(
            f"{name} {count}"
            for name, count in zip(
                self.products, np.bincount(self.product, minlength=len(self.products)), strict=True
            )
            if count
        )
        return f"<Logs: {len(self)} from {self.n_trees} trees: {made or 'none'}>"

    @property
    def n_trees(self) -> int:
        """How many stems were bucked, those that made no log included."""
        return len(self.tree_offsets) - 1

    @property
    def arrays(self) -> LogArrays:
        """The columns as kernels take them."""
        return LogArrays(*(getattr(self, name) for name in LogArrays._fields))

    def to_frame(self) -> pd.DataFrame:
        """Return one row per log; ``product`` is the name, the four rules a column each."""
        columns: dict[str, object] = {
            "tree": self.tree,
            "log": self.log,
            "product": np.array(self.products, dtype=object)[self.product],
        }
        for name in LogArrays._fields[3:]:
            values = getattr(self, name)
            if name in ("gross_bf", "bf"):
                columns |= {f"{name}_{rule}": values[:, r] for r, rule in enumerate(LOG_RULES)}
            else:
                columns[name] = values
        return pd.DataFrame(columns)

    def totals(self) -> pd.DataFrame:
        """Return the sum over all logs by product, each tree counted once.

        Returns
        -------
        DataFrame
            Indexed by product, every spec in order (one that nothing made is a row of zeros):
            ``logs``, then ``YIELD_MEASURES``.
        """
        table = pd.DataFrame({"logs": np.ones(len(self), dtype=np.int64)})
        table["volume_cuft"] = self.volume_cuft
        for r, rule in enumerate(LOG_RULES):
            table[f"bf_{rule}"] = self.bf[:, r]
        table["cords"] = self.cords
        table["weight_tons"] = self.weight_tons
        by_product = table.groupby(self.product).sum()
        by_product = by_product.reindex(range(len(self.products)), fill_value=0)
        return by_product.set_axis(pd.Index(self.products, name="product"))
