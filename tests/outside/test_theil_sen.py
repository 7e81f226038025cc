"""Robust trends against scipy's theilslopes, the oracle."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import theilslopes

from watchman.judging.science.trend import theil_sen


@pytest.mark.parametrize("days", [2, 3, 4, 7, 8, 14])
def test_the_line_is_scipys(days: int) -> None:
    """Slope, 80 % interval and the value at the end are scipy.stats.theilslopes' for every column, gaps left out."""
    rng = np.random.default_rng(days)
    time = np.sort(rng.uniform(0, 20, days))
    values = rng.normal(size=(days, 40)).cumsum(axis=0)
    values[rng.random(values.shape) < 0.2] = np.nan
    line = theil_sen(time, values)
    for column in np.flatnonzero(line.points >= 2):
        known = ~np.isnan(values[:, column])
        slope, intercept, low, high = theilslopes(values[known, column], time[known], alpha=0.8)
        assert line.slope[column] == pytest.approx(slope, abs=1e-12)
        assert line.at_end[column] == pytest.approx(intercept + slope * time[-1], abs=1e-12)
        assert (line.low[column], line.high[column]) == pytest.approx((low, high), abs=1e-12)
