"""How often an honest gauge is dry beside a wet one."""

from __future__ import annotations

import numpy as np

from watchman.judging.science import neighbours
from watchman.judging.science.neighbours import CAUTIOUS, DEPTH_MM, DISTANCE_KM, HONEST_ZEROS, NOTHING_LEARNED


def chance(km: float, mm: float, wet: int, gauges: int) -> float:
    """Return how often an honest gauge is dry beside one witness, with so many of so many gauges wet."""
    row, column = neighbours.rows(np.array([km])), neighbours.columns(np.array([round(1000 * mm)]))
    _place, cell = neighbours.best_witness(row, column)
    return float(NOTHING_LEARNED.chance(neighbours.spread(np.array(wet), np.array(gauges)), cell))


def test_the_table_is_read_at_its_edges() -> None:
    """A distance belongs to the row it ends, a depth to the column it begins; 6 of 8 wet is the table as it stands."""
    kms = (0.0, 5.0, 5.1, 8.0, 30.0, 30.1)
    assert np.allclose([chance(km, 12.0, 6, 8) for km in kms], [0.003, 0.003, 0.021, 0.021, 0.182, 1.0])
    depths = (0.9, 1.0, 1.9, 2.0, 5.0, 10.0, 20.0, 500.0)
    expected = [1.0, 0.073, 0.073, 0.024, 0.010, 0.003, 0.002, 0.002]
    assert np.allclose([chance(0.0, mm, 6, 8) for mm in depths], expected)


def test_a_neighbour_that_is_not_there_is_no_witness() -> None:
    """A missing neighbour's distance is not a number, and it says nothing."""
    assert chance(float("nan"), 10.0, 6, 8) == 1.0


def test_the_best_witness_is_the_one_beside_whom_a_zero_is_least_likely() -> None:
    """2 mm at 4 km (0.024) beat 12 mm at 25 km (0.182) and 4 mm at 7 km (0.081)."""
    km, um = np.array([25.0, 4.0, 7.0]), np.array([12000, 2000, 4000])
    place, _cell = neighbours.best_witness(neighbours.rows(km), neighbours.columns(um))
    assert place == 1


def test_the_wider_the_rain_the_less_likely_an_honest_zero() -> None:
    """The same witness says more the more gauges are wet too: odds of 8, 3, 1 and 0.3 times the table's 0.021."""
    chances = [chance(6.0, 12.0, wet, 11) for wet in (2, 5, 9, 11)]
    odds = 0.021 / 0.979 * np.array([8, 3, 1, 0.3])
    assert np.allclose(chances, odds / (1 + odds))


def test_nearer_and_wetter_witnesses_say_more() -> None:
    """The table falls with the witness's rain and rises with its distance."""
    assert HONEST_ZEROS.shape == (len(DISTANCE_KM), len(DEPTH_MM))
    assert (np.diff(HONEST_ZEROS, axis=1) < 0).all()
    assert (np.diff(HONEST_ZEROS, axis=0) > 0).all()
    assert (np.diff(CAUTIOUS, axis=0) <= 0).all()
