"""Rain beside the neighbours: what the ratio is, how sure it is, and which days count."""

from __future__ import annotations

import numpy as np
import pytest

from tests.helpers import moment, stations_at, view_of
from watchman.judging.beside import Usual, beside, counted, shaken
from watchman.judging.view import View
from watchman.model import RAIN, TEMPERATURE

DAY = 86400
BEGIN = moment("2025-05-01T00:00Z")
PLACES = ((0.0, 0.0), (6.0, 0.0), (0.0, 6.0), (-6.0, 0.0), (0.0, -6.0), (40.0, 0.0))


def seen(mm: np.ndarray, **columns: object) -> View:
    """Return what is seen of some days of rain [mm; day, station] in warm weather."""
    times = BEGIN + DAY * np.arange(1, len(mm) + 1)
    degrees = np.full(mm.shape, 15.0)
    return view_of(stations_at(PLACES, **columns), int(times[-1]) + 3600, times, {RAIN: mm, TEMPERATURE: degrees})


def wet(days: int = 20) -> np.ndarray:
    return np.full((days, len(PLACES)), 9.7)


def test_half_the_rain_is_half_the_ratio() -> None:
    """5 mm and an edge of 0.3 beside 10: the logarithm of 0.53; among equal neighbours it is known to a tenth."""
    mm = wet()
    mm[:, 0] = 5.0
    ratio, error, _days = counted(beside(seen(mm), np.arange(len(PLACES)), 100), 0)
    assert ratio == pytest.approx(np.full(20, np.log(0.53)), abs=1e-4)
    assert error == pytest.approx(np.full(20, 0.1), abs=1e-3)


def test_where_neighbours_differ_little_is_known() -> None:
    """Neighbours that had 2 to 40 mm say hardly anything: the error is as wide as they are."""
    mm = wet()
    mm[:, 1:5] = [2.0, 40.0, 3.0, 30.0]
    _ratio, error, _days = counted(beside(seen(mm), np.array([0]), 100), 0)
    assert (error > 1.0).all()


def test_dry_lost_and_held_days_do_not_count() -> None:
    """A dry day, one not delivered, one with two neighbours only, and those with under a tenth of what all had; but
    where the neighbours differ widely that may be honest.
    """
    mm = wet()
    mm[3] = 0.0
    mm[9:11, 0] = 0.2
    mm[10, 1:5] = [2.0, 40.0, 3.0, 30.0]
    mm[5, 0] = np.nan
    mm[7, 1:4] = np.nan
    _ratio, _error, days = counted(beside(seen(mm), np.array([0]), 100), 0)
    assert sorted(set(range(20)) - set((days - days[0]).tolist())) == [3, 5, 7, 9]


def test_a_neighbour_left_out_has_no_say() -> None:
    """A broken neighbour moves the ratio, and doesn't where it is left out; then two others are enough."""
    mm = wet()
    mm[:, 1] = 0.2
    view = seen(mm)
    table, without = beside(view, np.array([0]), 100), beside(view, np.array([0]), 100, without=1)
    assert table.ratio[0, -1] > 0.3
    assert without.ratio[0, -1] == pytest.approx(0.0, abs=1e-4)


def test_a_quick_look_tells_a_fall_from_a_rise() -> None:
    """Scattered days with a fall, a rise and nothing: each is seen as what it is."""
    rng = np.random.default_rng(3)
    mm = 9.7 * np.exp(0.1 * rng.normal(size=(80, len(PLACES))))
    mm[40:, 0] *= 0.7
    mm[40:, 5] *= 1.4
    fell, rose = shaken(beside(seen(mm), np.arange(len(PLACES)), 100))
    assert fell[0] > 5 > rose[0]
    assert rose[5] > 5 > fell[5]
    assert max(fell[2], rose[2]) < 5


def test_a_gauge_too_new_is_expected_to_be_as_others_are_but_hardly() -> None:
    """With four days of its own nothing is known of its place: anything within a quarter is usual."""
    mm = wet()
    mm[:16, 0] = np.nan
    view = seen(mm)
    usual = Usual(view, beside(view, np.arange(len(PLACES)), 100))
    assert usual.of(0) == (0.0, 0.25)
    assert usual.of(1)[1] < 0.25
