"""Are too many reports missing over days?

For each whole day with any readings, the share of its seconds that they cover, filled in late or not (a day without is
`overdue`'s). Days with a visit, or with rain held back (test tips, melt, another unit), are not looked at: what was
held does not count as known, though it came. On an ordinary day of the last 7 (the median of at least 4) it is

    too little    under 90 %, and by 10 points under what it usually is (the median of the 53 days before), and by 10
                  points under what its neighbours have on such a day (the median of the nearest, where there are 3)

Where the numbers come from: 90 % is what the digest ranks a station's rain by (common practice, no source); 10 points
of 96 reports a day are 10 reports, where chance that loses 3 % takes 3 and hardly ever 8 (binomial); the 7 and 53 days
are judgement.

What it cannot see: what a running total or a late delivery makes good; stations that send only when it rains, or at
least one day in two nothing; the first three weeks (14 days before the last 7 must be known); a fault that the
neighbours share; weeks with visits or held rain on four days and more.
"""

from __future__ import annotations

from typing import Annotated, Any

import numpy as np
from pydantic import Field

from watchman.judging.science.trend import median
from watchman.judging.view import Findings, View, rfc3339
from watchman.model import Verdict
from watchman.readings.record import DAY, HOUR
from watchman.written import Written

NAME = "gaps"
EVERY_S = HOUR

LATELY_DAYS, DAYS = 7, 60
BEFORE_NEEDED, LATELY_NEEDED = 14, 4
POINTS_UNDER = 10.0
PEERS_NEEDED = 3
REGULAR = 0.5


class Settings(Written):
    """How gaps is set."""

    received_percent: Annotated[float, Field(ge=10, le=99)] = 90.0
    """Tell when less than this is received on an ordinary day of a week [%]."""


def judge(view: View, settings: Settings) -> Findings:
    """Return which stations lose too many reports; numbers: received, usual and of_peers [%, NaN where not known]."""
    percent = np.where(_held(view), np.nan, _received(view))
    lately, before = percent[-LATELY_DAYS:], percent[:-LATELY_DAYS]
    received, usual = median(lately), median(before)
    near = view.stations.neighbours
    of_near = np.where(near >= 0, received[near], np.nan)
    enough_peers = (~np.isnan(of_near)).sum(axis=1) >= PEERS_NEEDED
    of_peers = np.where(enough_peers, median(of_near, axis=1), np.nan)
    low = (received < settings.received_percent) & (received <= usual - POINTS_UNDER)
    low &= ~(received > of_peers - POINTS_UNDER)
    reason = np.full(len(view.stations), "", object)
    irregular = usual < 100 * REGULAR
    reason[irregular] = "it does not send regularly"
    reason[(~np.isnan(before)).sum(axis=0) < BEFORE_NEEDED] = "not known for three weeks yet"
    reason[(~np.isnan(lately)).sum(axis=0) < LATELY_NEEDED] = "silent on most days of the last week"
    held = np.count_nonzero(_held(view)[-LATELY_DAYS:], axis=0) > LATELY_DAYS - LATELY_NEEDED
    reason[held] = "visited, or its rain held back, on most days of the last week"
    reason[view.record.covers_s == 0] = "not known how long its readings are"
    judged = reason == ""
    bad = lately < np.minimum(settings.received_percent, usual - POINTS_UNDER)
    first = view.record.daily.end_of(view.record.daily.head - LATELY_DAYS - 1) + np.argmax(bad, axis=0) * DAY
    return Findings.of(
        np.where(judged, np.where(low, Verdict.PRESENT, Verdict.ABSENT), Verdict.UNDETERMINED),
        since=np.where(judged & low, first, 0),
        numbers={"received": received, "usual": usual, "of_peers": of_peers},
        reason=reason,
    )


def evidence(view: View, settings: Settings, findings: Findings, position: int) -> dict[str, Any]:
    """Return what people are shown of one station: what came on each of the last days, usually, and of others."""
    numbers = {name: float(column[position]) for name, column in findings.numbers.items()}
    first = view.record.daily.end_of(view.record.daily.head - LATELY_DAYS - 1)
    days, held = (table[-LATELY_DAYS:, position] for table in (_received(view), _held(view)))
    return {
        **{f"{name}_percent": None if np.isnan(value) else round(value) for name, value in numbers.items()},
        "limit_percent": settings.received_percent,
        "points_under": POINTS_UNDER,
        "days": [
            {
                "begins_at": rfc3339(first + day * DAY),
                "received_percent": None if np.isnan(one) else round(float(one)),
                "held": bool(held[day]),
            }
            for day, one in enumerate(days)
        ],
    }


def _held(view: View) -> np.ndarray:
    """Say on which of the last DAYS whole days a station was visited or its rain held back [day, n]."""
    grid, spans = view.record.daily, view.record.held
    first = grid.head - DAYS
    held = np.zeros((DAYS, len(view.stations)), bool)
    rain = grid.held[max(first, 0) : grid.head] > 0
    held[DAYS - len(rain) :] = rain
    cells = (np.clip(grid.cells(at) - first, -1, DAYS) for at in (spans.begin + 1, spans.end))
    for station, begin, end in zip(spans.station, *cells, strict=True):
        held[max(begin, 0) : end + 1, station] = True
    return held


def _received(view: View) -> np.ndarray:
    """Return the share of each of the last DAYS whole days covered by readings [%; day, n]; NaN on days without."""
    grid = view.record.daily
    known = 100.0 * grid.known[max(grid.head - DAYS, 0) : grid.head] / DAY
    missing = np.full((DAYS - len(known), known.shape[1]), np.nan)
    begun = np.maximum.accumulate(known > 0, axis=0)
    # The day on which it began is no whole one.
    begun[1:] = begun[:-1]
    begun[:1] = False
    return np.concatenate([missing, np.where(begun & (known > 0), known, np.nan)])
