"""Doubled counts: by rain and counts together, also where only a part of the tips count twice."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.helpers import moment, stations_at, view_of
from watchman.judging import doubled
from watchman.judging.view import View
from watchman.model import RAIN, TEMPERATURE

STEP, DAY = 900, 86400
BEGIN = moment("2025-05-01T00:00Z")
PLACES = ((0.0, 0.0), (5.0, 0.0), (0.0, 6.0), (-7.0, 0.0), (0.0, -5.0), (6.0, 7.0))
ONE, DAYS, BROKE_ON = 0, 60, 44


def tips(scatter: float, seed: int = 1) -> np.ndarray:
    """Return tips [quarter hour, station] of rain that comes and goes, some 3 mm a day, scattering by the day."""
    rng = np.random.default_rng(seed)
    quarters = DAYS * 96
    wet = np.repeat(rng.random(quarters // 24) < 0.15, 24)
    rate = np.where(wet, np.exp(rng.normal(-1.9, 1.0, quarters)), 0.0)
    local = np.repeat(np.exp(scatter * rng.normal(size=(DAYS, len(PLACES)))), 96, axis=0)
    filled = np.floor(np.cumsum(rate[:, None] * local / 0.2, axis=0) + rng.random(len(PLACES)))
    return np.diff(filled, axis=0, prepend=filled[:1])


def bounced(counts: np.ndarray, share: float, station: int = ONE) -> np.ndarray:
    """Return counts where this share of a gauge's tips count twice from a day on."""
    counts = counts.copy()
    late = counts[BROKE_ON * 96 :, station]
    late += np.random.default_rng(7).binomial(late.astype(int), share)
    return counts


def seen(counts: np.ndarray) -> View:
    times = BEGIN + STEP * np.arange(1, len(counts) + 1)
    view = view_of(
        stations_at(PLACES), int(times[-1]), times, {RAIN: 0.2 * counts, TEMPERATURE: np.full(counts.shape, 15.0)}
    )
    return replace(view, now=int(times[-1]))


@pytest.mark.parametrize("share", [1.0, 0.6])
def test_doubled_counts_are_told_after_two_weeks_of_scattered_rain(share: float) -> None:
    """All tips twice, or three in five: the gauge alone, since about the day, by about how much."""
    found = doubled.doubled(seen(bounced(tips(0.3), share)))
    assert list(found) == [ONE]
    assert found[ONE].ratio / found[ONE].before == pytest.approx(1 + share, rel=0.3)
    assert abs(found[ONE].since - (BEGIN + BROKE_ON * DAY)) <= 8 * DAY
    assert found[ONE].odds >= doubled.ODDS


def test_the_ratio_alone_is_no_doubling() -> None:
    """Twice the tips, each in a reading of its own: the ratio doubles, the counts are odder than ever."""
    counts = tips(0.1)
    spread = counts.copy()
    late = slice(BROKE_ON * 96, None)
    spread[late, ONE] = np.where(counts[late, ONE] > 0, 2 * counts[late, ONE] - 1, 0)
    assert ONE not in doubled.doubled(seen(spread))


def test_even_counts_of_a_gauge_that_had_them_always_are_no_doubling() -> None:
    """It counts in twos all along."""
    counts = tips(0.3)
    counts[:, ONE] *= 2
    assert doubled.doubled(seen(counts)) == {}


def test_asked_of_one_gauge_the_answer_is_the_same() -> None:
    """The evidence for people is the judgement's own."""
    view = seen(bounced(tips(0.3), 0.8))
    assert doubled.doubled(view, np.array([ONE]))[ONE] == doubled.doubled(view)[ONE]
