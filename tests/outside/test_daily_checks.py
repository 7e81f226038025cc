"""Doubtful rain beside the published daily check of spatial corroboration.

Durre, Menne, Gleason, Houston & Vose 2010 (J. Appl. Meteorol. Climatol. 49, 1615): the totals of the three to seven
nearest gauges within 75 km on the day, the day before and the day after are pooled. D is how far a gauge's total lies
from the pool, 0 inside it; Q the same for percent ranks among its wet days; it is doubted when D > 269.24 - 45.72 ln Q
[mm]. The constants are those of a public re-implementation; that 269.24 holds without any rank is from memory. Written
anew from that description.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.helpers import moment, stations_at, view_of
from watchman.judging.checks import doubtful_rain
from watchman.model import RAIN, Verdict

BEGIN, DAY = moment("2025-06-01T00:00Z"), 86400
DAYS, A_DAY = 40, 288
TIMES = BEGIN + 300 * np.arange(1, DAYS * A_DAY + 1)
PLACES = ((0.0, 0.0), (6.0, 0.0), (0.0, 8.0), (-9.0, 0.0), (0.0, -7.0), (8.0, 8.0))


def limit_mm(rank_apart: float) -> float:
    """Return how far from its neighbours' totals a total may lie, by how far apart their ranks are [mm]."""
    return 269.24 - 45.72 * math.log(rank_apart) if rank_apart else 269.24


def apart(value: float, pool: np.ndarray) -> float:
    """Return how far a value lies outside a pool, 0 inside."""
    return max(float(pool.min()) - value, value - float(pool.max()), 0.0)


def percent_rank(totals: np.ndarray, value: float) -> float:
    """Return the share of a gauge's wet days with less than a value, in percent."""
    wet = totals[totals > 0]
    return 100 * float((wet < value).mean())


def doubted(totals: np.ndarray, day: int) -> bool:
    """Say whether the published check doubts the first gauge's total of a day. totals: daily [mm; day, gauge]."""
    pool = totals[day - 1 : day + 2, 1:]
    ranks = np.array([[percent_rank(totals[:, g], totals[d, g]) for g in range(1, 6)] for d in range(day - 1, day + 2)])
    own_rank = percent_rank(totals[:, 0], totals[day, 0])
    return apart(float(totals[day, 0]), pool) > limit_mm(apart(own_rank, ranks))


@pytest.mark.parametrize(
    ("rank_apart", "mm"), [(0, 269.24), (1, 269.24), (10, 163.97), (25, 122.07), (50, 90.38), (100, 58.69)]
)
def test_the_published_limit(rank_apart: float, mm: float) -> None:
    """The figures that follow from the constants; the check below stands on them."""
    assert limit_mm(rank_apart) == pytest.approx(mm, abs=0.01)


def showers(last_mm: float, spike_mm: float = 0.0) -> np.ndarray:
    """Return rain [mm] of showers every other day at all gauges, the last so deep, and of one reading at the first."""
    rain = np.zeros((len(TIMES), len(PLACES)))
    for day in range(0, DAYS, 2):
        depth = last_mm if day == DAYS - 2 else 4.0 + day % 7
        rain[day * A_DAY + 150 : day * A_DAY + 168] = 0.2 * np.rint(depth / 18 / 0.2)
    rain[(DAYS - 2) * A_DAY + 200, 0] += spike_mm
    return rain


@pytest.mark.parametrize(
    ("last_mm", "spike_mm", "theirs"),
    [(7.2, 300.0, True), (0.0, 290.0, True), (90.0, 0.0, False), (90.0, 8.0, False), (7.2, 0.0, False)],
)
def test_it_agrees_with_the_published_check(last_mm: float, spike_mm: float, theirs: bool) -> None:
    """Both doubt a depth out of nowhere, neither a downpour that all gauges saw."""
    rain = showers(last_mm, spike_mm)
    totals = rain.reshape(DAYS, A_DAY, -1).sum(axis=1)
    assert doubted(totals, DAYS - 2) is theirs
    view = view_of(stations_at(PLACES), BEGIN + (DAYS - 1) * DAY, TIMES, {RAIN: rain})
    verdict = doubtful_rain.judge(view, doubtful_rain.Settings()).verdict[0]
    assert bool(verdict == Verdict.PRESENT) is theirs


def test_a_spike_the_day_can_hold_is_seen_by_its_reading_alone() -> None:
    """45 mm within one reading of a wet day is no doubt to a check of days; within five minutes it is one."""
    rain = showers(21.6, 45.0)
    totals = rain.reshape(DAYS, A_DAY, -1).sum(axis=1)
    assert not doubted(totals, DAYS - 2)
    view = view_of(stations_at(PLACES), BEGIN + (DAYS - 1) * DAY, TIMES, {RAIN: rain})
    assert doubtful_rain.judge(view, doubtful_rain.Settings()).verdict[0] == Verdict.PRESENT
