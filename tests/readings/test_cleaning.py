"""What delivered values mean: totals that wrap, restart, go back and are zeroed; how long readings are; tip by tip."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest

from watchman.model import BATTERY, RAIN, Flag, Readings
from watchman.readings.cleaning import REASONS, Clean, Held, Terms, clean

DAY = 86400
MIDNIGHT = 1_760_918_400  # 2025-10-20T00:00:00Z
MM_8 = 28_800
"""Eight in the morning [s]."""


def terms(**changes: Any) -> Terms:
    """Return the terms of one station that sends depths, with others where told."""
    plain: dict[str, Any] = {
        "in_tips": False,
        "running": False,
        "each_tip": False,
        "wraps_at": 0.0,
        "zeroed_at_s": -1,
        "tip_um": 200.0,
        "covers_s": 0,
    }
    return Terms(**{name: np.array([value]) for name, value in {**plain, **changes}.items()})


def readings(rows: Sequence[tuple[int, float]], variable: int = RAIN) -> Readings:
    """Return rows of (observed_at, value), that arrive a minute later."""
    at, value = np.array([row[0] for row in rows], np.int64), np.array([row[1] for row in rows], np.float64)
    size = len(rows)
    return Readings(
        station=np.zeros(size, np.int32),
        variable=np.full(size, variable, np.int8),
        observed_at=at,
        received_at=at + 60,
        value=value,
        source=np.zeros(size, np.int16),
        delivery=np.arange(1, size + 1),
        revision=np.zeros(size, np.int64),
    )


def cleaned(values: Sequence[float], use: Terms, *, step: int = 900, begin: int = MIDNIGHT + MM_8) -> Clean:
    """Return readings of a regular series, cleaned."""
    return clean(readings([(begin + step * place, value) for place, value in enumerate(values)]), use, Held.of(()))


def told(rows: Clean) -> list[tuple[float, int, str]]:
    """Return rain [mm, -1 where it is bad], flag and reason of each reading."""
    mm = np.where(rows.flag == Flag.BAD, -1.0, rows.rain_um / 1000)
    return list(zip(mm.tolist(), rows.flag.tolist(), [REASONS[why] for why in rows.reason], strict=True))


TIPS = {"in_tips": True, "running": True}


@pytest.mark.parametrize(
    ("use", "before", "after", "mm"),
    [
        (TIPS, 65_534, 2, 0.8),
        (TIPS, 4_294_967_290, 4, 2.0),
        ({"running": True}, 13_106.8, 0.4, 0.8),
        ({"running": True, "tip_um": 254.0}, 16_645.89, 0.508, 0.76),
    ],
    ids=["16 bits", "32 bits", "16 bits of 0.2 mm", "16 bits of 0.01 inch"],
)
def test_a_fall_from_just_under_the_end_of_the_counts_is_a_wrap(
    use: dict[str, Any], before: float, after: float, mm: float
) -> None:
    """Also where nobody wrote where the counter wraps; the reason says which it was."""
    _, (rain, flag, reason) = told(cleaned([before, after], terms(**use)))
    assert (rain, flag) == (pytest.approx(mm, abs=0.011), 1)
    assert "wrapped: it fell from just under" in reason


@pytest.mark.parametrize(("before", "after"), [(64_000, 2), (65_534, 700), (30_000, 3)])
def test_a_fall_from_anywhere_else_is_a_restart(before: float, after: float) -> None:
    """What the counter shows is rain since, as far as it can be."""
    _, (rain, flag, reason) = told(cleaned([before, after], terms(**TIPS)))
    assert (rain, flag, reason) == (pytest.approx(0.2 * after), 1, "the counter restarted")


def test_a_written_wrap_with_more_rain_than_can_be_is_a_restart() -> None:
    """From 60,000 to 3 on a counter of 16 bits would be a metre in a quarter of an hour."""
    use = terms(**TIPS, wraps_at=65_536.0)
    assert told(cleaned([65_530, 6], use))[1] == (pytest.approx(2.4), 1, "the counter wrapped")
    assert told(cleaned([60_000, 3], use))[1] == (pytest.approx(0.6), 1, "the counter restarted")


@pytest.mark.parametrize("filling", [32_767.0, 65_535.0, 2_147_483_647.0, 4_294_967_295.0, 9.97e36])
def test_fillings_are_no_counts(filling: float) -> None:
    """The largest numbers of 16 and 32 bits stand for nothing, once or several times; the count goes on behind them."""
    rows = told(cleaned([300, filling, filling, 301], terms(**TIPS)))
    assert [rain for rain, _, _ in rows] == [0.0, -1.0, -1.0, pytest.approx(0.2)]


def test_one_count_out_of_line_is_left_out() -> None:
    """Higher or lower than before and after, possible by itself or not: nothing is lost, nothing invented."""
    for odd in (9_999.0, 400.0, 150.0, 0.0):
        rows = told(cleaned([300, odd, 302, 303], terms(**TIPS)))
        assert [rain for rain, _, _ in rows] == [0.0, -1.0, pytest.approx(0.4), pytest.approx(0.2)], odd
        assert "for this reading alone" in rows[1][2]


def test_a_clock_that_jumps_back_and_forth_makes_no_rain() -> None:
    """Readings of before and after, each between two of the other: the count rises by six tips in all."""
    rows = cleaned([97, 101, 98, 102, 99, 103], terms(**TIPS), step=450)
    assert rows.rain_um[rows.flag < Flag.BAD].sum() == 6 * 200


def test_a_count_that_goes_back_a_little_has_not_restarted() -> None:
    """From 301 to 298 is no restart with 60 mm: the rain isn't known, and the count goes on from there."""
    rows = told(cleaned([300, 301, 298, 299], terms(**TIPS)))
    assert rows[2] == (0.0, 3, "the counter went back a little: rain not known")
    assert rows[3][0] == pytest.approx(0.2)


DAILY = {"running": True, "zeroed_at_s": 9 * 3600}
NINE = MIDNIGHT + 9 * 3600


@pytest.mark.parametrize(
    ("rows", "mm"),
    [
        ([(-900, 5.0), (0, 5.2), (900, 0.4)], [0.2, 0.4]),
        ([(-900, 5.0), (0, 0.0), (900, 0.4)], [0.0, 0.4]),
        ([(-900, 0.4), (0, 0.0), (900, 8.0)], [0.0, 8.0]),
        ([(-900, 1.0), (6 * 3600, 3.0)], [3.0]),
        ([(-900, 12.0), (6 * 3600, 8.0)], [8.0]),
        ([(-900, 1.0), (DAY + 6 * 3600, 3.0)], [3.0]),
        ([(-900, 5.0), (300, 5.0), (600, 5.0), (900, 0.0)], [0.0, 0.0, 0.0]),
        ([(-300, 0.2), (0, 0.2), (6 * 3600, 7.0)], [0.0, 7.0]),
        ([(-600, 5.0), (-300, 0.2), (6 * 3600, 7.0)], [0.2, 6.8]),
    ],
    ids=[
        "in time",
        "at the hour itself",
        "much at once after it",
        "a gap over it, more since than before",
        "a gap over it, less since than before",
        "a gap of more than a day",
        "a quarter of an hour late",
        "a gap from the hour itself",
        "some minutes early",
    ],
)
def test_a_daily_total_is_zeroed_at_its_hour(rows: list[tuple[int, float]], mm: list[float]) -> None:
    """Also where the last reading before is missing: what was delivered since counts whole, and nothing besides."""
    found = told(clean(readings([(NINE + at, value) for at, value in rows]), terms(**DAILY), Held.of(())))
    assert [rain for rain, _, _ in found[1:]] == [pytest.approx(value) for value in mm]


def test_after_a_gap_over_its_hour_a_daily_total_is_known_since_then_only() -> None:
    """What fell before the hour and was not delivered stays unknown: missing is not zero."""
    rows = clean(readings([(NINE - 7200, 5.0), (NINE + 3600, 3.0)]), terms(**DAILY), Held.of(()))
    assert rows.known_s.tolist() == [0, 3600]
    assert REASONS[rows.reason[1]] == "the daily total began again at its set hour"


def times(*stretches: tuple[int, int]) -> list[int]:
    """Return times of stretches of (step, number)."""
    at, found = MIDNIGHT, []
    for step, number in stretches:
        found += [at := at + step for _ in range(number)]
    return found


def lengths(at: Sequence[int]) -> list[int]:
    """Return how long readings of these times are taken to be."""
    return clean(readings([(moment, 0.0) for moment in at]), terms(), Held.of(())).covers_s.tolist()


def test_how_long_readings_are_changes_with_the_interval() -> None:
    """5 minutes, a quarter of an hour, an hour and back: each reading has the length of its own stretch."""
    at = times((300, 12), (900, 12), (3600, 12), (300, 12))
    assert lengths(at) == [300] * 12 + [900] * 12 + [3600] * 12 + [300] * 12


def test_missing_readings_make_none_longer() -> None:
    """One, two or five missing of a quarter-hourly series: the reading after them is a quarter of an hour long."""
    at = times((900, 40))
    del at[30:35], at[20:22], at[10]
    assert lengths(at) == [900] * 32


def test_unsteady_stamps_have_a_steady_length() -> None:
    """A minute early or late is no other interval."""
    random = np.random.default_rng(3)
    at = (MIDNIGHT + 900 * np.arange(1, 200) + random.integers(-40, 41, 199)).tolist()
    found = lengths(at)
    assert np.mean(np.array(found) == 900) > 0.97
    assert min(found) > 800


def tip_by_tip(*, regular: bool) -> Clean:
    """Return a day with six tips, and, if told, a voltage every hour, of which three are missing."""
    tips = [(MIDNIGHT + 36_000 + 400 * place, 0.2) for place in range(6)]
    hours = [hour for hour in range(1, 25) if hour not in (15, 16, 17)] if regular else []
    volts = [(MIDNIGHT + 3600 * hour, 4.0) for hour in hours]
    everything = Readings.join([readings(tips), readings(volts, BATTERY)])
    return clean(everything, terms(each_tip=True), Held.of(()))


def test_tips_count_at_once_and_silence_is_zero_up_to_the_next_message() -> None:
    """Regular messages say that nothing tipped between, as far as one should have come."""
    rows = tip_by_tip(regular=True)
    rain = rows.take(rows.variable == RAIN)
    assert rain.rain_um.tolist() == [200] * 6
    assert rain.covers_s.tolist() == [0] * 6, "a tip is a moment, so that sums over any time are of its tips"
    # From 00:00 the first hour can't be known; of the gap from 14:00 to 18:00 only the last hour is.
    assert rows.known_s.sum() == 23 * 3600 - 3 * 3600


def test_without_a_regular_message_there_are_no_zeros() -> None:
    """Tips alone: the rain counts, and nothing is known of the time between."""
    rows = tip_by_tip(regular=False)
    assert rows.rain_um.sum() == 1200
    assert rows.known_s.sum() == 0


def test_a_bad_value_makes_a_good_one_of_the_same_time_no_doubt() -> None:
    """Whichever came first: -3 is bad by itself, and 1.2 is not contradicted by it."""
    for values in ((-3.0, 1.2), (1.2, -3.0)):
        rows = clean(readings([(MIDNIGHT, value) for value in values]), terms(covers_s=900), Held.of(()))
        assert dict(zip(rows.value.tolist(), rows.flag.tolist(), strict=True)) == {-3.0: 4, 1.2: 1}
        assert rows.usable.tolist() == [value > 0 for value in rows.value.tolist()]
