"""Wet hours beside those around: what fits better, by how much, and what is not known."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from watchman.judging.science import patterns
from watchman.judging.science.patterns import MANY, NONE, SOME, UNKNOWN


def test_how_many_around_are_wet() -> None:
    """None, fewer than half, half and more; unknown where fewer than three are heard."""
    wet = np.array([[0, 0, 0, 0], [0, 1, 1, 1], [0, 0, 1, -1], [0, 0, 0, 1]], np.int8)
    around = patterns.wet_around(wet, np.array([[1, 2, 3, -1], [1, 2, -1, -1]]))
    assert around.tolist() == [[NONE, SOME, MANY, UNKNOWN], [UNKNOWN] * 4]


def test_near_gauges_are_at_most_twenty_kilometres_away() -> None:
    """Farther ones are left out."""
    places = patterns.near(np.array([[4, 5, 6]]), np.array([[3.0, 20.0, 20.1]]))
    assert places.tolist() == [[4, 5, -1]]


def test_chances_are_shares_of_all_hours_within_their_bounds() -> None:
    """A hundred hours each: 10 % where some are wet, 80 % where many are; never wet alone is still not impossible."""
    around = np.repeat(np.array([NONE, SOME, MANY], np.int8), 100)[None, :]
    wet = np.concatenate([np.zeros(100), np.repeat([1, 0], [10, 90]), np.repeat([1, 0], [80, 20])]).astype(np.int8)
    assert patterns.chances(wet[None, :], around) == pytest.approx([0.005, 0.1, 0.8], abs=0.005)


def test_evidence_is_the_log_of_the_ratio_of_chances() -> None:
    """Wet where many are rather than none: ln(0.8 / 0.01); dry there: ln(0.2 / 0.99); anything unknown: nothing."""
    chance = np.array([0.01, 0.2, 0.8])
    wet = np.array([[1, 0, -1, 1]], np.int8)
    other, around = np.full((1, 4), MANY, np.int8), np.array([[NONE, NONE, NONE, UNKNOWN]], np.int8)
    expected = [np.log(0.8 / 0.01), np.log(0.2 / 0.99), 0.0, 0.0]
    assert patterns.evidence(wet, around, other, chance)[0] == pytest.approx(expected, rel=1e-6)


def test_shifting_brings_what_was_so_many_hours_before() -> None:
    """Two hours ahead, one behind; what lies outside is unknown."""
    around = np.array([[0, 1, 2, 0]], np.int8)
    assert patterns.shifted(around, 2).tolist() == [[-1, -1, 0, 1]]
    assert patterns.shifted(around, -1).tolist() == [[1, 2, 0, -1]]
    assert patterns.shifted(around, 0).tolist() == around.tolist()


@given(st.integers(0, 2**32 - 1))
def test_all_lags_at_once_are_each_lag_by_itself(seed: int) -> None:
    """Whatever is wet, around or unknown."""
    random = np.random.default_rng(seed)
    wet = random.choice(np.array([-1, 0, 1], np.int8), (3, 48), p=(0.1, 0.6, 0.3))
    around = random.choice(np.array([-1, 0, 1, 2], np.int8), (3, 48), p=(0.1, 0.5, 0.2, 0.2))
    chance = np.array([0.01, 0.2, 0.7])
    for lag, daily in patterns.at_lags(wet, around, chance, (-24, -3, -1, 1, 12)):
        expected = patterns.by_day(patterns.evidence(wet, around, patterns.shifted(around, lag), chance))
        assert daily == pytest.approx(expected, abs=1e-4)


@pytest.mark.parametrize("late_h", [-11.0, -2.5, 0.0, 1.0, 6.0])
def test_the_hour_of_a_daily_course(late_h: float) -> None:
    """A wave of 3 degC that comes later by some hours; too many gaps, or too small a wave, leave nothing."""
    hours = np.arange(48.0)
    courses = 20 + 3 * np.cos(2 * np.pi * (np.stack([hours, hours - late_h]) - 5) / 24)
    found = patterns.daily_hour(courses, 2.9)
    assert found[0] == pytest.approx([5.0, 5.0])
    assert patterns.later_by(found[1], found[0]) == pytest.approx([late_h, late_h])
    courses[1, :5] = np.nan
    assert np.isnan(patterns.daily_hour(courses, 2.0)[1]).tolist() == [True, False]
    assert np.isnan(patterns.daily_hour(courses, 3.1)).all()
