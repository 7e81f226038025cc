"""How often an honest gauge is dry beside a wet one."""

from __future__ import annotations

import numpy as np

from watchman.judging.science.neighbours import DEPTH_MM, DISTANCE_KM, HONEST_ZEROS, honest_zero


def test_the_table_is_read_at_its_edges() -> None:
    """A distance belongs to the row it ends, a depth to the column it begins."""
    km = np.array([0.0, 5.0, 5.1, 8.0, 30.0, 30.1])
    assert honest_zero(km, np.full(6, 12.0)).tolist() == [0.003, 0.003, 0.021, 0.021, 0.182, 1.0]
    depths = np.array([0.9, 1.0, 1.9, 2.0, 5.0, 10.0, 20.0, 500.0])
    expected = [1.0, 0.073, 0.073, 0.024, 0.010, 0.003, 0.002, 0.002]
    assert honest_zero(np.zeros(8), depths).tolist() == expected


def test_what_is_not_known_is_no_evidence() -> None:
    """A missing neighbour or missing rain says nothing."""
    assert honest_zero(np.array([np.nan, 1.0]), np.array([10.0, np.nan])).tolist() == [1.0, 1.0]


def test_nearer_and_wetter_witnesses_say_more() -> None:
    """The table falls with the witness's rain and rises with its distance."""
    assert HONEST_ZEROS.shape == (len(DISTANCE_KM), len(DEPTH_MM))
    assert (np.diff(HONEST_ZEROS, axis=1) < 0).all()
    assert (np.diff(HONEST_ZEROS, axis=0) > 0).all()
