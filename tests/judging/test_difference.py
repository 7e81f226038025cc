"""What would have made the difference is tried: applied to the rule's settings, or the moment, it turns the verdict."""

from __future__ import annotations

from dataclasses import replace
from types import ModuleType

import numpy as np
import pytest

from tests.helpers import deliver, moment, record_of, seen, stations_at, view_of
from watchman.judging.checks import CHECKS, battery_decline, dry_among_wet, heavy_rain, overdue
from watchman.judging.difference import applied, differences
from watchman.judging.view import View
from watchman.model import BATTERY, RAIN, Verdict

NOW = moment("2025-10-21T12:00Z")
DAY = 86400


def busy_network() -> View:
    """Return six stations: 0 is dry among wet, 1 loses its charge, 2 has heavy rain now, 3 has gone silent."""
    places = [(0, 0), (4, 0), (0, 4), (4, 4), (8, 0), (0, 8)]
    stations = stations_at(places, chemistry=("lithium",) * 6, longitude=np.zeros(6))
    times = np.arange(NOW - 40 * DAY, NOW + 1, 900)
    hour = (times // 3600) % 24
    rain = np.zeros((len(times), 6))
    for day in (3, 6):
        rain[(times > NOW - day * DAY) & (times <= NOW - day * DAY + 6 * 3600)] = 0.4
    rain[:, 0] = 0.0
    rain[-1, 2] = 9.0
    volts = np.where((hour >= 9) & (hour <= 16), 4.15, 4.0)[:, None] + np.zeros(6)
    volts[:, 1] -= 0.03 * np.clip((times - (NOW - 9 * DAY)) / DAY, 0, None)
    volts[:, 1] = np.where(times > NOW - 9 * DAY, np.minimum(volts[:, 1], 3.98), volts[:, 1])
    for table in (rain, volts):
        table[-12:, 3] = np.nan
    return view_of(stations, NOW, times, {RAIN: rain, BATTERY: volts})


VIEW = busy_network()


@pytest.mark.parametrize("check", [overdue, dry_among_wet, battery_decline, heavy_rain], ids=lambda check: check.NAME)
def test_each_difference_turns_the_verdict(check: ModuleType) -> None:
    settings, turned = check.Settings(), 0
    verdicts = check.judge(VIEW, settings).verdict
    for position, verdict in enumerate(verdicts):
        for difference in differences(check, settings, VIEW, position):
            if difference.until is not None:
                then = check.judge(replace(VIEW, now=int(difference.until.timestamp())), settings).verdict[position]
            else:
                then = check.judge(VIEW, applied(difference, settings)).verdict[position]
            assert (then == Verdict.PRESENT) != (verdict == Verdict.PRESENT), difference
            turned += 1
    assert turned, "nothing turned at all"


def test_the_nearest_value_is_named() -> None:
    """9 mm in a quarter of an hour: a limit of 9 mm is reached, one of 9.01 mm is not."""
    settings = heavy_rain.Settings(limits=(heavy_rain.Limit(depth_mm=12, minutes=15),))
    (depth, *_others) = differences(heavy_rain, settings, VIEW, 2)
    assert (depth.setting, depth.was, depth.would) == ("limits[1].depth_mm", 12.0, 9.0)
    reached = heavy_rain.Settings(limits=(heavy_rain.Limit(depth_mm=8.5, minutes=15),))
    (depth, *_others) = differences(heavy_rain, reached, VIEW, 2)
    assert (depth.setting, depth.would) == ("limits[1].depth_mm", 9.01)


def test_whole_settings_stay_whole() -> None:
    for position in range(6):
        for difference in differences(overdue, overdue.Settings(), VIEW, position):
            if difference.setting == "missed_reports":
                assert difference.would == round(difference.would)


def test_a_station_that_reports_is_told_the_moment_to_which_it_may_be_silent() -> None:
    (silence, *_settings) = differences(overdue, overdue.Settings(), VIEW, 0)
    assert silence.until is not None
    before = replace(VIEW, now=int(silence.until.timestamp()) - 120)
    assert overdue.judge(before, overdue.Settings()).verdict[0] == Verdict.ABSENT


def test_what_can_not_be_judged_has_no_difference() -> None:
    stations = stations_at([(0, 0), (50, 0)])
    record = record_of(stations, NOW, 900)
    deliver(record, NOW, np.array([NOW - 900]), {RAIN: np.array([[0.0, 0.0]])})
    assert differences(overdue, overdue.Settings(), seen(stations, NOW, record), 0) == []


def test_for_the_whole_network_the_first_station_to_be_told_counts() -> None:
    """Without a station, a difference is what would make any station present."""
    dry = replace(VIEW, now=NOW)
    settings = heavy_rain.Settings(limits=(heavy_rain.Limit(depth_mm=30, minutes=15),))
    (depth, *_others) = differences(heavy_rain, settings, dry, None)
    assert depth.would == 9.0


def test_every_check_can_be_asked() -> None:
    """No check's settings are of a kind that the search can't change, and its evidence answers for any station."""
    for check in CHECKS.values():
        settings = check.Settings()
        findings = check.judge(VIEW, settings)
        for place in range(len(findings.verdict)):
            check.evidence(VIEW, settings, findings, place)
            differences(check, settings, VIEW, place)
