"""What a station has sent since somebody came to it: runs of test tips, and whether clock and battery are right."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import timedelta
from typing import Any

import numpy as np
import pytest

from tests.helpers import moment, record_of, seen, stations_at, table_of
from watchman.judging import on_site
from watchman.judging.view import View, aware
from watchman.model import BATTERY, RAIN, SIGNAL, Readings
from watchman.readings.cleaning import Held

MINUTE, HOUR, DAY = 60, 3600, 86400
DAWN = moment("2025-10-20T00:00Z")
CAME = DAWN + 10 * HOUR
GONE = CAME + 3 * HOUR
PLACES = ((0.0, 0.0), (5.0, 0.0), (0.0, 6.0), (-7.0, 2.0))


def sent(
    tips: Mapping[int, int],
    *,
    now: int,
    step: int = 5 * MINUTE,
    nearby_mm: float = 0.0,
    volts: float = 4.1,
    shift_s: int = 0,
    silent_from: int | None = None,
    **columns: Any,
) -> View:
    """Return what is seen at `now` of a day of readings; tips: of the visited station, by minutes after it began.

    shift_s: how far its stamps are off from the visit on [s]; silent_from: when it stops.
    """
    stations = stations_at(PLACES, sends_every_s=np.full(len(PLACES), step), **columns)
    times = np.arange(DAWN + step, now + 1, step)
    rain = np.zeros((len(times), len(PLACES)))
    for minutes, count in tips.items():
        at = int(np.searchsorted(times, CAME + minutes * MINUTE))
        if at < len(times):
            rain[at, 0] += 0.2 * count
            rain[at, 1:] = nearby_mm
    battery = np.full_like(rain, volts)
    signal = np.full_like(rain, -87.0)
    if silent_from is not None:
        for table in (rain, battery, signal):
            table[times > silent_from, 0] = np.nan
    readings = table_of(times, {RAIN: rain, BATTERY: battery, SIGNAL: signal})
    shifted = (readings.station == 0) & (readings.observed_at > CAME)
    readings = replace(readings, observed_at=readings.observed_at + np.where(shifted, shift_s, 0))
    record = record_of(stations, DAWN, step)
    record.held = Held.of(((0, CAME, GONE),))
    record.advance(now)
    order = np.argsort(readings.received_at, kind="stable")
    for part in np.split(order, np.flatnonzero(np.diff(readings.received_at[order])) + 1):
        record.take(readings.take(part), lambda *_: Readings.empty())
    record.advance(now)
    return seen(stations, now, record)


def look(view: View, end: int = GONE) -> on_site.Seen:
    return on_site.look(view, 0, CAME, end)


TWO_RUNS = {12: 10, 17: 25, 22: 15, 42: 20, 47: 29}


def test_two_runs_are_told_apart_by_a_pause_of_ten_minutes() -> None:
    """As found and as left; the tips don't count as rain, and are there all the same."""
    found = look(sent(TWO_RUNS, now=CAME + 70 * MINUTE))
    assert found.tips == [50, 49]
    assert (found.runs[0].begins_at, found.runs[0].ends_at) == (aware(CAME + 10 * MINUTE), aware(CAME + 25 * MINUTE))
    assert found.um == 19_800


def test_with_readings_of_a_quarter_of_an_hour_one_dry_reading_is_a_pause() -> None:
    """Without one the two runs look like one: nobody can tell."""
    step = 15 * MINUTE
    assert look(sent({15: 50, 45: 49}, now=CAME + 80 * MINUTE, step=step)).tips == [50, 49]
    assert look(sent({15: 50, 30: 49}, now=CAME + 80 * MINUTE, step=step)).tips == [99]


def test_a_few_tips_are_no_run() -> None:
    """The bucket tips when the funnel is lifted off."""
    assert look(sent({12: 2, 32: 50, 52: 4}, now=CAME + 80 * MINUTE)).tips == [50]


@pytest.mark.parametrize(("step", "quiet_after"), [(5, 10), (15, 15), (60, 60)])
def test_a_test_is_over_after_a_dry_report_and_ten_minutes(step: int, quiet_after: int) -> None:
    """Only as far as the station has sent: not one report sooner."""
    tips = {60: 50}
    last = CAME + 60 * MINUTE
    just_not = look(sent(tips, now=last + (quiet_after - step) * MINUTE + 1, step=step * MINUTE))
    quiet = look(sent(tips, now=last + quiet_after * MINUTE + 61, step=step * MINUTE))
    assert (just_not.quiet, quiet.quiet) == (False, True)
    assert not look(sent({}, now=CAME + HOUR)).quiet, "without tips there is no test that could be over"


def test_a_station_that_sends_nothing_more_is_not_quiet_but_unheard() -> None:
    """Silence is no sign that the test is over."""
    stopped = look(sent({12: 50}, now=CAME + 2 * HOUR, silent_from=CAME + 20 * MINUTE))
    assert (stopped.heard, stopped.quiet) == (True, False)
    before = look(sent({}, now=CAME + 2 * HOUR, silent_from=CAME - 25 * MINUTE))
    assert (before.heard, before.clock_off, before.battery_v, before.signal_dbm) == (False, None, None, None)
    assert before.last_heard == aware(CAME - 24 * MINUTE)


def test_tips_after_the_end_are_none_of_the_visits() -> None:
    """They are rain."""
    assert look(sent({12: 50, 100: 30}, now=CAME + 2 * HOUR), CAME + HOUR).tips == [50]


def test_wet_neighbours_make_the_tips_doubtful() -> None:
    """Also those of a window that somebody forgot; a stray tip near by is nothing."""
    assert look(sent(TWO_RUNS, now=CAME + 2 * HOUR, nearby_mm=1.0)).rain_too
    assert not look(sent(TWO_RUNS, now=CAME + 2 * HOUR)).rain_too


@pytest.mark.parametrize(
    ("shift_s", "off"),
    [(0, 0), (-40, 0), (-HOUR, -HOUR), (-7 * HOUR, -7 * HOUR), (HOUR, HOUR - 60), (2 * DAY, 2 * DAY - 60)],
)
def test_a_clock_set_wrong_during_the_visit_is_seen_at_once(shift_s: int, off: int) -> None:
    """By whole hours behind, or ahead of the messages' arrival."""
    found = look(sent({12: 50}, now=CAME + HOUR, shift_s=shift_s))
    assert found.clock_off == timedelta(seconds=off)


def test_one_late_message_says_nothing_of_the_clock() -> None:
    """It may have been stored; the second one tells."""
    assert look(sent({}, now=CAME + 7 * MINUTE, shift_s=-HOUR)).clock_off is None
    assert look(sent({}, now=CAME + 12 * MINUTE, shift_s=-HOUR)).clock_off == timedelta(hours=-1)


@pytest.mark.parametrize(
    ("volts", "columns", "low"),
    [
        (4.1, {}, False),
        (3.45, {}, True),
        (12.9, {"chemistry": ("lead-acid",) * 4}, False),
        (11.8, {"chemistry": ("lead-acid",) * 4}, True),
        (3.45, {"chemistry": ("lithium",) * 4, "cutoff_v": np.full(4, 2.8)}, True),
    ],
)
def test_a_battery_is_low_by_its_kind(volts: float, columns: Mapping[str, Any], low: bool) -> None:
    """The same volts are much for one chemistry and little for another."""
    found = look(sent({}, now=CAME + HOUR, volts=volts, **columns))
    assert (found.battery_v, found.battery_low) == (pytest.approx(volts), low)


def test_expected_tips_of_a_poured_volume() -> None:
    """20 cm2 x 1 cm are 20 ml: ten millimetres, fifty tips of 0.2 mm; half the funnel, twice the depth."""
    assert on_site.expected_tips(20, 20, 0.2) == pytest.approx(50)
    assert on_site.expected_tips(20, 10, 0.2) == pytest.approx(100)
    assert on_site.expected_tips(400, 324.3, 0.254) == pytest.approx(48.56, abs=0.01)
