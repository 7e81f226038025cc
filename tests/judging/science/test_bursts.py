"""The shape of a burst: a test is even, poured water restless, rain rises and falls."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as some

from watchman.judging.science.bursts import even, groups, restlessness


def test_groups_are_parted_by_longer_pauses() -> None:
    """A pause of the allowed length joins, a longer one parts."""
    wet = np.array([0, 1, 0, 0, 1, 0, 0, 0, 1, 1], bool)
    assert groups(wet, 2) == [(1, 4), (8, 9)]
    assert groups(np.zeros(4, bool), 2) == []


@pytest.mark.parametrize(
    ("tips", "over", "is_even"),
    [
        ([5, 10, 10, 10], False, True),
        ([5, 10, 10], False, False),
        ([5, 10, 11, 4], True, True),
        ([4, 9, 17, 22], False, False),
        ([20, 10, 2], True, False),
        ([12, 10, 10, 11], False, True),
        ([14, 10, 10, 10], False, False),
        ([1, 2, 2, 2, 2, 2], False, False),
        ([9, 10, 0, 10, 9], False, False),
    ],
    ids=["going on", "too few", "over", "a rising storm", "falling", "full first", "a peak", "drizzle", "a pause"],
)
def test_even_tips_are_a_tests(tips: list[int], over: bool, is_even: bool) -> None:
    """Full readings with the same number of tips, the first and last at most as many."""
    assert even(np.array(tips), over=over) is is_even


@given(some.integers(20, 100), some.floats(6, 25), some.floats(0, 299))
def test_every_even_test_of_enough_readings_is_found(tips: int, gap_s: float, begins_s: float) -> None:
    """Whatever its pace and however the clock cuts it, a metronome's tips are even once it is over."""
    ends = begins_s + gap_s * np.arange(tips)
    counts = np.bincount((ends // 300).astype(int))
    counts = counts[np.flatnonzero(counts)[0] :]
    if len(counts) >= 4:
        assert even(counts, over=True)


@given(some.lists(some.integers(1, 30), min_size=1, max_size=6), some.lists(some.integers(1, 30), max_size=6))
def test_one_rise_and_one_fall_are_not_restless(rise: list[int], fall: list[int]) -> None:
    """However steep, a single peak has no restlessness."""
    assert restlessness(np.array([*sorted(rise), *sorted(fall, reverse=True)])) == 0


def test_poured_water_is_restless() -> None:
    """Bursts with pauses between them go up and down by more than their peak."""
    assert restlessness(np.array([14, 3, 16, 7])) == pytest.approx((14 + 11 + 13 + 9 + 7 - 32) / 40)
