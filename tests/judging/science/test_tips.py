"""The steps of a gauge's values: its tip, another unit, counts that are all even."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as some

from watchman.judging.science.tips import changed_factor, evident_um, odds_of_even, whole


@pytest.mark.parametrize("tip_um", [100, 200, 250, 254, 500, 1000])
def test_a_tip_size_shows_in_the_values(tip_um: int) -> None:
    """Whole tips, rounded to hundredths of a millimetre as sources do."""
    counts = np.array([1, 2, 1, 3, 5, 1, 2, 7, 4, 1, 3, 2])
    assert evident_um((np.rint(counts * tip_um / 10) * 10).astype(int)) == tip_um


def test_few_or_mixed_values_show_no_tip_size() -> None:
    """Nine values say nothing, nor do values of a gauge that weighs."""
    assert evident_um(np.full(9, 200)) == 0
    assert evident_um(np.array([130, 270, 41, 333, 58, 77, 161, 149, 37, 219])) == 0


def test_rounding_is_allowed() -> None:
    """0.254 mm sent as 0.25, 0.51 and 0.76 are whole tips; 0.30 is none."""
    assert whole(np.array([250, 510, 760, 300]), 254).tolist() == [True, True, True, False]


@pytest.mark.parametrize(
    ("um", "factor", "first"),
    [
        ([200, 400, 5080, 15240], 25.4, 2),
        ([200, 400, 200, 8, 16, 8, 24], 1 / 25.4, 3),
        ([200, 10, 20, 20, 10], 1 / 25.4, 1),
        ([400, 2000, 4000, 2000, 6000, 2000], 10.0, 1),
        ([200, 20, 40, 20, 60], 0.1, 1),
        ([200, 400, 16, 16], 1 / 25.4, 2),
        ([400, 16, 118, 205, 126, 16], 1 / 25.4, 1),
        ([200, 400, 2000, 5000, 5200], 1.0, 5),
        ([200, 5080, 400], 1.0, 3),
        ([200, 8, 400, 600, 200, 800, 400], 1.0, 7),
    ],
)
def test_a_changed_unit_shows_in_values_that_tips_cant_make(um: list[int], factor: float, first: int) -> None:
    """Inches for millimetres, ten times, and back; honest heavy rain and one odd value are none."""
    found, begin = changed_factor(np.array(um), 200)
    assert found == pytest.approx(factor)
    assert begin == first


def test_rounded_values_of_another_unit_are_whole_tips_and_show_all_the_same() -> None:
    """0.254 mm sent as 0.25, times 25.4: 6.35 mm is 25 tips to the last digit, but three such in a row are no rain."""
    um = np.array([250, 510, 250, 6350, 12954, 6350])
    assert changed_factor(um, 254) == (25.4, 3)
    assert changed_factor(um[:-1], 254)[0] == 1.0, "two may be a cloudburst"


@given(some.lists(some.integers(1, 60), min_size=1, max_size=40))
def test_whole_tips_are_never_another_unit(counts: list[int]) -> None:
    """Whatever an honest gauge of 0.2 mm counts, unless readings in a row are tens of tips, or 25 or 51 each."""
    um = 200 * np.array(counts)
    tens = len(counts) >= 5 and all(count % 10 == 0 for count in counts[-5:])
    inches = len(counts) >= 3 and all(count in (25, 26, 50, 51) for count in counts[-3:])
    if not (tens or inches):
        assert changed_factor(um, 200)[0] == 1.0


def test_even_counts_are_weighed_by_the_binomial() -> None:
    """20 of 20 are 1 in 2^20; 10 of 20 are no wonder."""
    assert odds_of_even(20, 20) == 2**20
    assert odds_of_even(18, 20) == pytest.approx(2**20 / (1 + 20 + 190))
    assert odds_of_even(10, 20) < 2
