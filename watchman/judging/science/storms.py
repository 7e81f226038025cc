"""What is one storm: rain set off by a stated dry time before and after it (minimum inter-event time).

There is no right dry time: published ones run from 15 minutes to 24 hours, and at one dry site 15 minutes make 550
storms where 24 hours make 118 (Dunkerley 2008, Hydrol. Proc. 22:5024). So it is always stated beside a storm's total.
"""

from __future__ import annotations

import numpy as np


def storm_around(running: np.ndarray, cell: int, dry_cells: int, wet_um: int) -> tuple[int, int]:
    """Return the first and the last cell with rain of the storm that a cell lies in, over all its gauges.

    running: sums of rain before each cell and after the last [um; cells + 1, gauges]. Dry is a stretch of dry_cells
    in which no gauge had wet_um or more; single tips do not go on with a storm.
    """
    cells = len(running) - 1
    wet: np.ndarray = np.zeros(cells, bool)
    first_full = min(dry_cells, cells)
    wet[first_full - 1 :] = np.any(running[first_full:] - running[: cells + 1 - first_full] >= wet_um, axis=1)
    tips: np.ndarray = np.any(np.diff(running, axis=0) > 0, axis=1)
    first = last = min(max(cell, 0), cells - 1)
    while first > 0 and wet[first - 1]:
        first -= 1
    while last < cells - 1 and wet[last + 1]:
        last += 1
    inside = np.flatnonzero(tips[max(first - dry_cells + 1, 0) : last + 1]) + max(first - dry_cells + 1, 0)
    return (int(inside[0]), int(inside[-1])) if len(inside) else (first, last)
