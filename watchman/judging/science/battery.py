"""From a battery's resting volts to its charge, by chemistry.

Volts fall slowly at first and fast at the end, so a straight line through volts promises too many days; one through the
charge doesn't. All tables are open-circuit volts at rest and 25 degC. Charge is counted from the volts at which the
station cuts off (0) to full (1): what matters is how much is left to use.

Cells of one chemistry differ: at 3.6 V one lithium cell still has a third of its charge and another a twelfth. Nobody
writes which one a station has, so each chemistry has a middle table, by which it is judged, and the tables of the
single cells, which say how far off that may be.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType

import numpy as np

LITHIUM, LITHIUM_IRON, LEAD_ACID = "lithium", "lithium-iron", "lead-acid"

Table = tuple[tuple[float, ...], tuple[float, ...]]

TENTHS = (0.0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0)
QUARTERS = (0.0, 0.25, 0.5, 0.75, 1.0)

TABLES: Mapping[str, Table] = MappingProxyType(
    {
        # One cell. The mean of the three published cells below.
        LITHIUM: (TENTHS, (2.667, 3.315, 3.465, 3.589, 3.674, 3.733, 3.777, 3.831, 3.913, 4.008, 4.088, 4.200)),
        # One cell, iron phosphate: Prada et al. 2013, computed from its electrode functions. From 0.2 to 0.9 the volts
        # say next to nothing.
        LITHIUM_IRON: (TENTHS, (2.000, 2.785, 2.978, 3.168, 3.206, 3.252, 3.266, 3.269, 3.274, 3.310, 3.314, 3.600)),
        # 12 V: the rounded rule that goes around (a mailing list's table, 6 hours at rest).
        LEAD_ACID: (QUARTERS, (11.6, 12.0, 12.2, 12.4, 12.6)),
    }
)
"""Share of the whole charge, rising, and the resting volts that go with it [V]."""

SINGLE_CELLS: Mapping[str, tuple[Table, ...]] = MappingProxyType(
    {
        # Chen et al. 2020 (JES 167:080534, NMC811), Ecker et al. 2015 (JES 162:A1836, NMC), Ai et al. 2020
        # (JES 167:013512, LCO), computed from their electrode functions.
        LITHIUM: (
            (TENTHS, (2.500, 3.109, 3.296, 3.485, 3.581, 3.667, 3.751, 3.841, 3.948, 4.042, 4.097, 4.200)),
            (TENTHS, (2.500, 3.294, 3.459, 3.587, 3.709, 3.770, 3.787, 3.815, 3.882, 3.987, 4.079, 4.200)),
            (TENTHS, (3.000, 3.542, 3.640, 3.695, 3.733, 3.762, 3.793, 3.836, 3.909, 3.994, 4.088, 4.200)),
        ),
        LITHIUM_IRON: (),
        # The trade's usual table, from memory; and Sulzer et al. 2019 (JES 166:A2363), which counts the share of the
        # full acid concentration.
        LEAD_ACID: (
            (QUARTERS, (11.89, 12.06, 12.24, 12.45, 12.65)),
            ((0.1, 0.2, 0.3, 0.4, 0.5, 0.75, 1.0), (11.328, 11.590, 11.787, 11.964, 12.135, 12.555, 12.991)),
        ),
    }
)
"""Tables of single cells of a chemistry, as in TABLES: how far the middle one may be off."""

CUTOFF_V: Mapping[str, float] = MappingProxyType({LITHIUM: 3.3, LITHIUM_IRON: 3.0, LEAD_ACID: 11.6})
"""Where a station usually switches off [V] when nobody wrote it (common practice, from memory; for lead-acid
low-voltage disconnects are set from 11.5 to 11.8 V)."""

FULL_V: Mapping[str, float] = MappingProxyType({LITHIUM: 4.05, LITHIUM_IRON: 3.4, LEAD_ACID: 13.5})
"""A day's highest hour at or above this counts as full [V]: chargers of one lithium cell end at 4.1 to 4.2 V, those of
an iron phosphate cell at 3.45 to 3.65 V; float charge of lead-acid begins at 13.5 V (common practice, from memory)."""

SURELY_12_V = 8.0
"""No single cell reaches this [V]: a battery of unknown chemistry above it is taken for lead-acid, else for lithium."""


def guess(chemistry: Sequence[str], volts: np.ndarray) -> np.ndarray:
    """Return each station's chemistry: as written, or guessed from its usual volts [V, n] where nothing is written."""
    written = np.array(chemistry, dtype=object)
    return np.where(written == "", np.where(volts >= SURELY_12_V, LEAD_ACID, LITHIUM), written)


def cutoff(chemistry: np.ndarray, written_v: np.ndarray) -> np.ndarray:
    """Return the volts at which each station switches off: as written, or the usual ones where that is NaN [V, n]."""
    return np.where(np.isnan(written_v), [CUTOFF_V[kind] for kind in chemistry], written_v)


def full(volts: np.ndarray, chemistry: np.ndarray) -> np.ndarray:
    """Say whether the highest volts of a day [V, day, n] show a full battery; false where they are NaN."""
    return volts >= np.array([FULL_V[kind] for kind in chemistry])


def charge(volts: np.ndarray, chemistry: np.ndarray, cutoff_v: np.ndarray) -> np.ndarray:
    """Return the usable charge left at these resting volts [V, any, n]: 0 at the cut-off, 1 full, NaN where unknown.

    (s(V) - s(cut-off)) / (1 - s(cut-off)) with s from TABLES, between 0 and 1.
    """
    left = np.full(volts.shape, np.nan)
    for kind, table in TABLES.items():
        its = np.flatnonzero(chemistry == kind)
        if len(its):
            left[..., its] = _by(table, volts[..., its], cutoff_v[its])
    return left


def charge_by_cells(volts: np.ndarray, chemistry: np.ndarray, cutoff_v: np.ndarray) -> list[np.ndarray]:
    """Return the same by three tables: the single cells of the chemistry, the middle one where it has fewer."""
    by_cells = []
    for place in range(3):
        left = np.full(volts.shape, np.nan)
        for kind, table in TABLES.items():
            its = np.flatnonzero(chemistry == kind)
            cells = (*SINGLE_CELLS[kind], table, table, table)
            if len(its):
                left[..., its] = _by(cells[place], volts[..., its], cutoff_v[its])
        by_cells.append(left)
    return by_cells


def _by(table: Table, volts: np.ndarray, cutoff_v: np.ndarray) -> np.ndarray:
    share, resting_v = table
    empty = np.interp(cutoff_v, resting_v, share)
    now = np.interp(volts, resting_v, share)
    return np.asarray(np.clip((now - empty) / np.maximum(1.0 - empty, 0.05), 0.0, 1.0))
