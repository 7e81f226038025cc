"""How often an honest gauge is as good as dry beside a wet one, by their distance, how wet, and how many more are."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

DISTANCE_KM = (5.0, 8.0, 12.0, 16.0, 20.0, 30.0)
DEPTH_MM = (1.0, 2.0, 5.0, 10.0, 20.0)
HONEST_ZEROS = np.array(
    (
        (0.073, 0.024, 0.010, 0.003, 0.002),
        (0.167, 0.081, 0.044, 0.021, 0.004),
        (0.211, 0.146, 0.088, 0.044, 0.030),
        (0.239, 0.179, 0.129, 0.107, 0.067),
        (0.259, 0.212, 0.172, 0.158, 0.100),
        (0.293, 0.246, 0.218, 0.182, 0.150),
    )
)
"""Share of wet days on which an honest gauge is dry where most gauges about are wet: rows by the witness's distance, up
to DISTANCE_KM; columns by its rain, from DEPTH_MM on. Our own simulation of a convective climate, learned on 12
seasons, judged on 24 others; no published table is known."""

SPREAD = (0.3, 0.6, 0.9)
"""The share of the gauges within 30 km that are wet (one more counted as dry) from which rain is scattered, common, and
everywhere, below which it is lone."""
SPREAD_ODDS = np.array((8.0, 3.0, 1.0, 0.3))
"""How many times the table's odds of an honest zero are where rain is lone, scattered, common, everywhere. A second
simulation of our own, six climates from drizzle to desert, gauges 5 to 28 km apart (24 pairs): medians 8, 3.6, 0.7 and
0.02, the most 18, 16, 9 and 1.8. The second was first 4, and lowered when it hid a dead gauge in tests/outside's
Flemish record; the last is raised for caution."""

NO_WITNESS_KM = DISTANCE_KM[-1]
"""Beyond this distance a wet gauge says nothing of another."""
LEAST = 0.002
"""No day says more than 1 in 500 (the table's least)."""

CELLS = HONEST_ZEROS.size
NOBODY = CELLS
"""The cell of a witness too far or too dry to speak."""

_odds = SPREAD_ODDS[:, None] * (HONEST_ZEROS / (1.0 - HONEST_ZEROS)).ravel()
CAUTIOUS = np.maximum(_odds / (1.0 + _odds), LEAST)
"""Share of honest zeros [spread, cell] before anything is learned."""

_order = np.argsort(HONEST_ZEROS.ravel(), kind="stable")
_rank = np.full((len(DISTANCE_KM) + 1, len(DEPTH_MM) + 1), NOBODY, np.uint8)
"""By row and column; no column and the row past the last say nothing."""
_rank[:-1, 1:] = np.argsort(_order).reshape(HONEST_ZEROS.shape)
_cell_of_rank = np.append(_order, CELLS).astype(np.uint8)


def rows(km: np.ndarray) -> np.ndarray:
    """Return the table's row of each distance [km], one past the last where it is too far or not known."""
    return np.asarray(np.searchsorted(DISTANCE_KM, np.nan_to_num(km, nan=np.inf)), np.uint8)


def columns(um: np.ndarray) -> np.ndarray:
    """Return how many of the table's columns each depth [um] has reached, 0 where it is too little to speak."""
    reached = np.zeros(um.shape, np.uint8)
    for mm in DEPTH_MM:
        reached += um >= round(1000 * mm)
    return reached


def best_witness(row: np.ndarray, column: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the place of the witness beside whom a zero is least likely, and its cell, NOBODY where none speaks.

    row, column: of each neighbour as `rows` and `columns` give them [..., k].
    """
    ranks = rank(row, column)
    place = np.argmin(ranks, axis=-1)
    return place, cell_of(np.take_along_axis(ranks, place[..., None], axis=-1)[..., 0])


def rank(row: np.ndarray, column: np.ndarray) -> np.ndarray:
    """Return how much a witness says by its row and column: 0 makes a zero least likely, NOBODY says nothing."""
    return np.asarray(np.take(_rank, row * np.uint8(len(DEPTH_MM) + 1) + column))


def cell_of(rank: np.ndarray) -> np.ndarray:
    """Return the table's cell of each rank, NOBODY where nobody speaks."""
    return np.asarray(np.take(_cell_of_rank, rank))


def spread(wet: np.ndarray, gauges: np.ndarray) -> np.ndarray:
    """Return how widespread rain is, as a place in SPREAD_ODDS, from how many of how many gauges about are wet."""
    return np.asarray(np.searchsorted(SPREAD, wet / (gauges + 1.0), side="right"), np.uint8)


@dataclass(frozen=True, slots=True)
class HonestZeros:
    """What is known of honest zeros: the network's table, and each gauge's own past.

    until: the end of what it was learned from [s since 1970 UTC, 0 = nothing]. days: how many wet days of stations
    taught it. share: of days on which an honest gauge is as good as dry [spread, cell]. dry, expected: how many of its
    wet days each station was dry on, and on how many the network's table had it dry [n; empty = nothing known].
    """

    until: int
    days: int
    share: np.ndarray
    dry: np.ndarray
    expected: np.ndarray

    def chance(self, spread: np.ndarray, cell: np.ndarray) -> np.ndarray:
        """Return how often an honest gauge is as good as dry, 1, which is no evidence, where no witness speaks."""
        return np.asarray(np.append(self.share, np.ones((len(SPREAD_ODDS), 1)), axis=1)[spread, cell])

    def own(self, stations: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return `dry` and `expected` of some stations."""
        if not len(self.dry):
            return np.zeros(len(stations)), np.zeros(len(stations))
        return self.dry[stations], self.expected[stations]


NOTHING_LEARNED = HonestZeros(0, 0, CAUTIOUS, np.empty(0), np.empty(0))
