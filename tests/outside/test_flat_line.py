"""QARTOD's flat-line test (test 8) as its manual words it: the range of the values in a window is under a tolerance.

Source: US IOOS, Manual for Real-Time Quality Control, tests common to all manuals; rule as summed up in the reference
implementation's `flat_line_test`. Computed here from the delivered values, not from hourly means.
"""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.helpers import moment, stations_at, view_of
from watchman.judging.checks import stuck_value
from watchman.model import RAIN, TEMPERATURE, Verdict

NOW = moment("2025-10-21T18:00Z")
TOLERANCE = 0.01


def flat_for(values: np.ndarray, step_s: int) -> float:
    """Return for how long the range of a series has been under the tolerance at its end [h]."""
    for back in range(2, len(values) + 1):
        if np.ptp(values[-back:]) >= TOLERANCE:
            return (back - 2) * step_s / 3600
    return len(values) * step_s / 3600


@settings(max_examples=25, deadline=None)
@given(st.integers(1, 90), st.integers(0, 1000))
def test_what_is_called_stuck_is_flat_by_qartods_rule_and_the_other_way_round(hours: int, seed: int) -> None:
    """With 48 hours as the time that fails; the hours in which it froze and which is not over yet may be missed."""
    random = np.random.default_rng(seed)
    times = np.arange(NOW - 15 * 86400, NOW + 1, 1800) - 60
    series = np.round(12 + np.cumsum(random.normal(0, 0.4, len(times))), 1)
    frozen = times > NOW - hours * 3600
    series[frozen] = series[~frozen][-1]
    view = view_of(stations_at([(0, 0)]), NOW, times, {RAIN: np.zeros((len(times), 1)), TEMPERATURE: series[:, None]})
    stuck = stuck_value.judge(view, stuck_value.Settings()).verdict[0] == Verdict.PRESENT
    flat = flat_for(series, 1800)
    assert not stuck or flat >= 48 - 1
    assert stuck or flat < 48 + 2
