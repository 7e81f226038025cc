"""Whole hours found in wet hours, against the lag of scipy's cross-correlation; clock changes against the tz database.

Sources: scipy.signal.correlate and correlation_lags (SciPy 1.16, reference library): the lag of a delayed copy is where
their correlation is largest, as in the documentation's worked example of a signal found again in a longer one. The IANA
time zone database (tzdata 2025b): in zone America/Denver clocks went from 02:00 to 03:00 on 9 March 2025 and from 02:00
back to 01:00 on 2 November 2025; in zone Europe/Paris on 30 March and 26 October 2025, both at 01:00 UTC (Directive
2000/84/EC).
"""

from __future__ import annotations

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from scipy.signal import correlate, correlation_lags

from tests.telling.veldran import network
from watchman.judging.science import patterns
from watchman.telling.phrases import Phrases


@pytest.mark.parametrize("late_h", [-7, -1, 1, 4, 12])
def test_the_best_lag_is_that_of_cross_correlation(late_h: int) -> None:
    """Storms of some hours, moved by whole hours: both ways name the same lag."""
    random = np.random.default_rng(late_h + 20)
    around = np.zeros(31 * 24, np.int8)
    for begin in random.choice(np.arange(20, len(around) - 30), 12, replace=False):
        around[begin : begin + random.integers(1, 7)] = patterns.MANY
    wet = (np.roll(around, late_h) > 0).astype(np.int8)
    lags = correlation_lags(len(wet), len(around))
    expected = int(lags[np.argmax(correlate(wet.astype(float), around.astype(float)))])
    chance = np.array([0.01, 0.2, 0.7])
    fit = {
        lag: float(patterns.evidence(wet[None], around[None], patterns.shifted(around[None], lag), chance).sum())
        for lag in range(-12, 13)
    }
    assert max(fit, key=lambda lag: fit[lag]) == expected == late_h


@pytest.mark.parametrize(
    ("zone", "change"),
    [
        ("America/Denver", "2025-03-09T09:00+00:00"),
        ("America/Denver", "2025-11-02T08:00+00:00"),
        ("Europe/Paris", "2025-03-30T01:00+00:00"),
        ("Europe/Paris", "2025-10-26T01:00+00:00"),
    ],
)
def test_clock_changes_are_those_of_the_tz_database(zone: str, change: str) -> None:
    """A shift within a day of a change is said to have begun with it; two days away it isn't."""
    moment = datetime.fromisoformat(change)
    say = Phrases(network(zone=ZoneInfo(zone)), moment + timedelta(days=20))
    found = [say.clocks_changed(moment + timedelta(hours=hours)) for hours in (-48, -20, 0, 20, 48)]
    assert found == [False, True, True, True, False]
