"""Lines that a few wild values can't bend."""

from __future__ import annotations

import numpy as np

from watchman.judging.science.trend import median, theil_sen

DAYS = np.arange(7.0)


def test_one_cold_night_does_not_bend_the_line() -> None:
    """A straight fall with one wild value keeps its slope and its end."""
    values = 0.9 - 0.05 * DAYS
    values[3] = 0.1
    line = theil_sen(DAYS, values[:, None])
    assert abs(line.slope[0] + 0.05) < 0.01
    assert abs(line.at_end[0] - 0.6) <= 0.051


def test_gaps_and_stations_do_not_touch_each_other() -> None:
    """Each column is judged alone, a gap makes it rest on fewer points, and an empty one is not known."""
    values = np.stack([1 - 0.1 * DAYS, 1 - 0.1 * DAYS, np.full(7, np.nan)], axis=1)
    values[[1, 4], 1] = np.nan
    line = theil_sen(DAYS, values)
    assert np.allclose(line.slope[:2], -0.1)
    assert line.points.tolist() == [7, 5, 0]
    assert np.isnan([line.slope[2], line.low[2], line.high[2], line.at_end[2]]).all()


def test_one_value_is_no_line() -> None:
    """A single point has no slope."""
    values = np.full((7, 1), np.nan)
    values[3] = 0.5
    assert np.isnan(theil_sen(DAYS, values).slope[0])


def test_the_interval_widens_with_noise() -> None:
    """A noisy fall has a wider interval than a straight one, and both hold the slope."""
    rng = np.random.default_rng(4)
    noise = np.array([0.0, 0.05])
    line = theil_sen(DAYS, 1 - 0.05 * DAYS[:, None] + noise * rng.normal(size=(7, 2)))
    width = line.high - line.low
    assert width[1] > width[0] + 0.005
    assert ((line.low <= line.slope) & (line.slope <= line.high)).all()


def test_median_passes_over_what_is_missing() -> None:
    """The median is numpy's, of what is there, along either axis."""
    values = np.array([[1.0, np.nan, 5.0], [2.0, np.nan, np.nan], [9.0, np.nan, 7.0]])
    assert np.array_equal(median(values), [2.0, np.nan, 6.0], equal_nan=True)
    assert np.array_equal(median(values, axis=1), [3.0, 2.0, 8.0], equal_nan=True)
