"""Honest zeros are learned from the network's own past: from honest gauges only, and the same however often."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from tests.helpers import moment, stations_at, view_of
from watchman.judging.learned import learn
from watchman.judging.science.neighbours import CAUTIOUS, NOTHING_LEARNED, HonestZeros
from watchman.judging.view import View
from watchman.model import RAIN, TEMPERATURE

DAY = 86400
BEGIN = moment("2025-05-01T00:00Z")
PLACES = [(7.0 * column, 7.0 * row) for column in range(4) for row in range(3)]
SILENT = 5


def weather(days: int, missed: float, seed: int = 1) -> np.ndarray:
    """Return hourly rain [mm] of twelve gauges: every third day 8 mm, each gauge missed by chance."""
    random = np.random.default_rng(seed)
    rain = np.zeros((days * 24, len(PLACES)))
    for day in range(0, days, 3):
        rain[day * 24 + 14] = np.where(random.random(len(PLACES)) < missed, 0.0, 8.0)
    return rain


def seen_at(rain: np.ndarray, **columns: Any) -> View:
    times = BEGIN + 3600 * np.arange(1, len(rain) + 1)
    return view_of(stations_at(PLACES, **columns), int(times[-1]) + 7 * 3600, times, {RAIN: rain})


def expected(known: HonestZeros) -> float:
    """Return how often a gauge is dry beside 8 mm within 8 km while nearly all are wet."""
    return float(known.share[2, 7])


def test_nothing_is_learned_from_less_than_thirty_days() -> None:
    """Until then the cautious table stands."""
    assert learn(seen_at(weather(31, 0.3))) is NOTHING_LEARNED
    assert learn(seen_at(weather(40, 0.3))).days > 0


def test_a_network_whose_gauges_are_often_missed_learns_it() -> None:
    """With a quarter of all gauges missed in each storm the table rises; with none it falls, to a third at most."""
    often, never = learn(seen_at(weather(150, 0.25))), learn(seen_at(weather(150, 0.0)))
    assert 0.15 < expected(often) < 0.3
    assert expected(never) <= CAUTIOUS[2, 7]
    assert (never.share >= CAUTIOUS / 3 - 1e-12).all()
    # 50 wet days less those of the last days, at which twelve gauges were judged, and a few missed by nearly all.
    assert 0.9 * 49 * 12 < never.days <= 50 * 12


def test_a_dead_gauge_does_not_teach() -> None:
    """A gauge that died in the middle leaves the table as it would be without those days."""
    rain = weather(150, 0.02)
    dead = rain.copy()
    dead[60 * 24 :, SILENT] = 0.0
    alive, with_dead = learn(seen_at(rain)), learn(seen_at(dead))
    assert (with_dead.share / alive.share).max() < 1.5  # it would be 8 if the dead gauge taught
    assert with_dead.dry[SILENT] <= alive.dry[SILENT] + 0.1


def test_a_gauge_in_a_rain_shadow_is_known_for_it() -> None:
    """A gauge that gets every second storm has been dry far more often than its network's table has it."""
    rain = weather(200, 0.05)
    rain[14::144, SILENT] = 0.0
    known = learn(seen_at(rain))
    dry, usual = known.own(np.array([SILENT, 0]))
    assert dry[0] > 5 * usual[0] > 0
    assert dry[1] < 3 * usual[1]


def test_only_days_that_ended_two_days_ago_teach() -> None:
    """Late rows still change the last days: whatever falls then changes nothing yet."""
    rain = weather(100, 0.1)
    late = rain.copy()
    late[-48:] += 20.0
    first, second = learn(seen_at(rain)), learn(seen_at(late))
    assert first.days == second.days
    assert (first.share == second.share).all()
    assert first.until <= seen_at(rain).now - 2 * DAY


def test_frost_does_not_teach() -> None:
    """In the frost months, without a thermometer, zeros may be snow."""
    shifted = moment("2025-12-01T00:00Z")
    rain = weather(80, 0.25)
    times = shifted + 3600 * np.arange(1, len(rain) + 1)
    assert learn(view_of(stations_at(PLACES), int(times[-1]) + 7 * 3600, times, {RAIN: rain})).days == 0


@pytest.mark.parametrize("frosty", [0, 1, 2])
def test_the_melt_of_neighbours_does_not_teach(frosty: int) -> None:
    """Others that were cold on that day or up to two days before teach a mild gauge nothing; mild ones do."""
    rain = weather(80, 0.0)
    rain[: DAY // 3600] = 0.0
    cold = np.full(rain.shape, 10.0)
    cold[:, 1:] = np.where(np.arange(len(rain)) // 24 % 3 == frosty, 0.0, 10.0)[:, None]
    times = BEGIN + 3600 * np.arange(1, len(rain) + 1)
    stations, now = stations_at(PLACES), int(times[-1]) + 7 * 3600

    def days(temperature: np.ndarray) -> int:
        return learn(view_of(stations, now, times, {RAIN: rain, TEMPERATURE: temperature})).days

    assert days(cold) == 0
    assert days(np.full(rain.shape, 10.0)) > 0


@pytest.mark.parametrize("missing", [0, 3])
def test_a_day_with_gaps_does_not_teach(missing: int) -> None:
    """Missing is never zero: a gauge that delivered half of each wet day teaches nothing."""
    rain = weather(90, 0.0)
    rain[12::24, missing] = np.nan
    assert learn(seen_at(rain)).expected[missing] == 0.0
