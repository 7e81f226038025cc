"""The double-mass line of textbooks: slopes, the ratio they give, and an earlier period brought to the later one.

Searcy and Hardison 1960, USGS Water-Supply Paper 1541-B: the earlier period is multiplied by slope after / slope
before (from memory; the abstract and contents were found, the worked table was not).
"""

from __future__ import annotations

import numpy as np
import pytest

from watchman.judging.science.double_mass import best_break, slopes


def test_a_station_that_falls_to_eighty_percent() -> None:
    """Pattern 100 a year, station 100 for five years, then 80: slopes 1.0 and 0.8, factor 0.8, ten years adjusted make
    800 (calculated).
    """
    pattern = np.full((10, 1), 100.0)
    station = np.repeat([100.0, 80.0], 5)[:, None]
    found = best_break(np.log(station / pattern) + 1e-4 * np.sin(np.arange(10.0))[:, None], np.ones((10, 1)), 3)
    before, after = slopes(station, pattern, int(found.at[0]))
    assert found.at[0] == 5
    assert before[0] == pytest.approx(1.0)
    assert after[0] == pytest.approx(0.8)
    factor = after[0] / before[0]
    assert factor == pytest.approx(0.8)
    adjusted = np.concatenate([station[:5] * factor, station[5:]])
    assert adjusted.sum() == pytest.approx(800.0)


def test_the_ratio_of_a_lecture_example() -> None:
    """Slopes 1.176 and 0.854 give a ratio of 0.726 (a university lecture on consistency of rain records, second
    hand).
    """
    pattern = np.full((12, 1), 1000.0)
    station = np.repeat([1176.0, 854.0], 6)[:, None]
    before, after = slopes(station, pattern, 6)
    assert after[0] / before[0] == pytest.approx(0.726, abs=0.0005)


def test_t_squared_is_the_f_of_two_means() -> None:
    """Two samples of a textbook kind: t = 2.8 / sqrt(s2 (1/5 + 1/5)), s2 = 2.5 (calculated by hand: 2.8)."""
    values = np.array([1.0, 2.0, 3.0, 4.0, 5.0, 3.8, 4.8, 5.8, 6.8, 7.8])[:, None]
    found = best_break(values, np.ones((10, 1)), 5)
    assert found.at[0] == 5
    assert found.t[0] == pytest.approx(2.8)
