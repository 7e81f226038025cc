"""Overdue: each station held to its own habit, quiet rather than early."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.helpers import moment, stations_at, view_of
from watchman.judging.checks import overdue, source_outage
from watchman.judging.checks.overdue import Settings
from watchman.judging.view import Stations, View, aware
from watchman.model import RAIN, SourceHealth, Verdict

NOW = moment("2025-10-21T18:00Z")
ABSENT, PRESENT, UNDETERMINED = Verdict.ABSENT, Verdict.PRESENT, Verdict.UNDETERMINED


def seen(
    silent_minutes: list[float],
    *,
    every: int = 15,
    days: int = 20,
    lost: float = 0.0,
    seed: int = 1,
    stations: Stations | None = None,
) -> View:
    """Return stations that sent every so many minutes and have been silent for so long; a share of reports is lost."""
    random = np.random.default_rng(seed)
    times = np.arange(NOW - days * 86400, NOW + 1, every * 60) - 60
    table = np.zeros((len(times), len(silent_minutes)))
    table[random.random(table.shape) < lost] = np.nan
    for station, minutes in enumerate(silent_minutes):
        table[times + 60 > NOW - minutes * 60, station] = np.nan
    places = [(3.0 * position, 0.0) for position in range(len(silent_minutes))]
    return view_of(stations or stations_at(places), NOW, times, {RAIN: table})


def verdicts(view: View) -> list[int]:
    return overdue.judge(view, Settings()).verdict.tolist()


def test_three_missed_reports_and_a_little_more() -> None:
    """A punctual station is not overdue 45 minutes after its last report, and is an hour after it."""
    assert verdicts(seen([44.0, 59.0])) == [ABSENT, PRESENT]


def test_each_station_has_its_own_interval() -> None:
    """What is long for a 5-minute station is nothing to an hourly one."""
    assert verdicts(seen([40.0], every=5)) == [PRESENT]
    assert verdicts(seen([150.0], every=60)) == [ABSENT]


def test_a_station_that_loses_a_third_of_its_reports_is_given_longer() -> None:
    """Its own habit says that four in a row mean nothing."""
    view = seen([75.0], lost=0.33)
    assert verdicts(view) == [ABSENT]
    limit = overdue.habit_limit(view, np.array([0]))[0]
    assert 4 * 900 < limit < 24 * 3600


@pytest.mark.parametrize("lost", [0.01, 0.05, 0.2])
def test_chance_alone_hardly_ever_makes_a_station_overdue(lost: float) -> None:
    """Of 300 honest stations over 30 days that lose reports by chance, at most 0.01 a month are called overdue.

    The limit is learned on 20 days and held against 30 other days of the same habit.
    """
    view = seen([0.0] * 100, lost=lost, seed=5)
    limits = np.maximum(overdue.habit_limit(view, np.arange(100)), 3 * 900 + 300)
    random = np.random.default_rng(6)
    wrong = 0
    for limit in np.repeat(limits, 3):
        arrived = np.flatnonzero(random.random(30 * 96) >= lost)
        wrong += int((np.diff(arrived) * 900 > limit).any())
    assert wrong <= 6, "0.01 a station-month is 3 among 300; twice that is beyond luck"


def with_runs(arrived: np.ndarray, a_day: float, lengths: tuple[int, ...], reports_a_day: int, seed: int) -> np.ndarray:
    """Return which reports arrived [report, station], with runs of others missing so often a day."""
    random = np.random.default_rng(seed)
    arrived = arrived.copy()
    for first, station in np.argwhere(random.random(arrived.shape) < a_day / reports_a_day):
        arrived[first : first + random.choice(lengths), station] = False
    return arrived


def view_of_arrived(arrived: np.ndarray, every_s: int) -> View:
    """Return what is seen of reports every so often, the last of them now."""
    times = NOW - 60 - every_s * np.arange(len(arrived))[::-1]
    places = [(3.0 * position, 0.0) for position in range(arrived.shape[1])]
    return view_of(stations_at(places), NOW, times, {RAIN: np.where(arrived, 0.0, np.nan)})


@pytest.mark.parametrize("every_min", [5, 15, 60])
def test_a_usual_radio_is_missed_after_little_more_than_five_reports(every_min: int) -> None:
    """Of stations that lose 2 %, and one report or two in a row now and then, five in six have such a limit, also those
    that stood still for hours on every eighth day.
    """
    every, a_day = every_min * 60, 1440 // every_min
    random = np.random.default_rng(8)
    arrived = with_runs(random.random((62 * a_day, 60)) >= 0.02, 0.3, (1, 2), a_day, 9)
    for day in range(3, 60, 8):
        first = day * a_day + int(0.2 * a_day)
        arrived[first : first + max(9, 8 * 60 // every_min), ::2] = False
    limits = overdue.habit_limit(view_of_arrived(arrived, every), np.arange(60)) / every
    assert np.quantile(limits[1::2], 5 / 6) <= 5.5
    assert np.quantile(limits[::2], 5 / 6) <= 5.5
    assert limits.min() >= 3.0


def test_losses_in_clusters_seldom_make_a_station_overdue() -> None:
    """Once a day reports are lost in a run of two in the mean, as long as chance will; in 100 days that follow, wrong
    notices come less than once in six station-months. Nothing but the runs seen before tells how long they may become.
    """
    lengths = tuple(length for length in range(1, 12) for _ in range(2 ** (11 - length)))
    random = np.random.default_rng(11)
    arrived = with_runs(random.random((160 * 96, 80)) >= 0.01, 1.0, lengths, 96, 12)
    learned = 60 * 96
    limits = np.maximum(overdue.habit_limit(view_of_arrived(arrived[:learned], 900), np.arange(80)), 3 * 900 + 300)
    wrong = 0
    for station, limit in enumerate(limits):
        heard = np.flatnonzero(arrived[learned:, station])
        wrong += int((np.diff(heard) * 900 > limit).sum())
    assert wrong / (80 * 100 / 30.4) < 1 / 6


def test_days_on_which_it_really_stood_still_do_not_stretch_its_habit() -> None:
    """Two days of silence a fortnight ago do not make it slow to be missed now."""
    times = np.arange(NOW - 20 * 86400, NOW + 1, 900) - 60
    table = np.zeros((len(times), 1))
    table[(times > NOW - 14 * 86400) & (times < NOW - 12 * 86400)] = np.nan
    table[times > NOW - 70 * 60] = np.nan
    assert verdicts(view_of(stations_at([(0, 0)]), NOW, times, {RAIN: table})) == [PRESENT]


def test_a_station_never_heard_is_not_overdue() -> None:
    """There is nothing to be late against."""
    found = overdue.judge(seen([0.0, 30 * 1440.0]), Settings())
    assert found.verdict.tolist() == [ABSENT, UNDETERMINED]
    assert found.reason[1] == "never heard"


def test_time_in_which_the_source_could_not_be_fetched_does_not_count() -> None:
    """While the source is out nobody is late; after it came back a station has an interval and a half."""
    view = seen([120.0])
    failing = SourceHealth("main", last_success_at=aware(NOW - 118 * 60), failing_since=aware(NOW - 115 * 60))
    out = overdue.judge(replace(view, health=(failing,)), Settings())
    assert out.verdict[0] == UNDETERMINED

    back = SourceHealth("main", last_success_at=aware(NOW), back_at=aware(NOW - 10 * 60))
    just_back = overdue.judge(replace(view, health=(back,)), Settings())
    assert just_back.verdict[0] == UNDETERMINED
    long_back = replace(back, back_at=aware(NOW - 40 * 60))
    assert overdue.judge(replace(view, health=(long_back,)), Settings()).verdict[0] == PRESENT


def test_the_evidence_names_what_a_technician_asks_first() -> None:
    """How long, how many neighbours are fine, and whether they are wet."""
    view = seen([120.0, 0.0, 0.0, 0.0])
    found = overdue.judge(view, Settings())
    told = overdue.evidence(view, Settings(), found, 0)
    assert told["neighbours_reporting"] == told["neighbours_total"] == 3
    assert 119 <= told["silent_minutes"] <= 136
    assert told["sends_every_minutes"] == 15
    assert not told["neighbours_wet"]


def test_its_habit_is_told() -> None:
    """How often it sends, and the longest pause of a usual day."""
    view = seen([120.0], lost=0.05)
    told = overdue.evidence(view, Settings(), overdue.judge(view, Settings()), 0)
    assert told["sends_every_minutes"] == 15
    assert 15 <= told["usual_pause_minutes"] <= 60


def test_an_hourly_station_that_loses_one_report_now_and_then_is_missed_within_four_and_a_half() -> None:
    """Days on which one report was missing do not make its habit a six hours' one."""
    view = seen([250.0], every=60, lost=0.02)
    assert verdicts(view) == [PRESENT]
    assert overdue.judge(view, Settings()).numbers["limit_s"][0] <= 4.5 * 3600


def test_one_longer_pause_in_twelve_days_does_not_say_that_pauses_go_on_and_on() -> None:
    """Nine days with a report missing at most, one with two: an hourly station is missed after some six hours, since
    of six days with the longest pauses none went on by more than what delays make.
    """
    view = view_of_arrived(np.ones((13 * 24, 1), bool), 3600)
    longest_h = [2.0, 1.07, 2.0, 1.19, 1.12, 1.03, 2.0, 2.0, 2.01, 2.0, 2.0, 3.03]
    view.record.longest_gap[:, 0] = 0
    view.record.longest_gap[view.record.daily.head - 12 : view.record.daily.head, 0] = 3600 * np.array(longest_h)
    assert 5.0 <= overdue.habit_limit(view, np.array([0]))[0] / 3600 <= 6.5


def test_one_message_after_a_long_silence_is_no_return() -> None:
    """A modem that wakes once a day says nothing of the rest of it; the second message does."""
    times = np.arange(NOW - 20 * 86400, NOW + 1, 900) - 60
    table = np.zeros((len(times), 1))
    table[(times > NOW - 20 * 3600), 0] = np.nan
    table[-2] = 0.0
    once = overdue.judge(view_of(stations_at([(0, 0)]), NOW, times, {RAIN: table}), Settings())
    assert once.verdict[0] == UNDETERMINED
    assert once.reason[0] == "heard only once since a long silence"
    table[-1] = 0.0
    assert verdicts(view_of(stations_at([(0, 0)]), NOW, times, {RAIN: table})) == [ABSENT]


def test_those_not_yet_due_when_their_peers_are_back_are_given_time() -> None:
    """After an outage of all, an hourly station is not called silent because the others were first."""
    times = np.arange(NOW - 20 * 86400, NOW + 1, 300) - 60
    table = np.zeros((len(times), 4))
    table[np.arange(len(times)) % 12 != 0, 3] = np.nan
    out = (times > NOW - 10 * 3600) & (times < NOW - 1200)
    table[out] = np.nan
    table[times > NOW - 1200, 3] = np.nan
    stations = stations_at([(3.0 * place, 0.0) for place in range(4)])
    found = overdue.judge(view_of(stations, NOW, times, {RAIN: table}), Settings())
    assert found.verdict.tolist() == [ABSENT, ABSENT, ABSENT, UNDETERMINED]

    table[(times >= NOW - 5 * 3600), :3] = 0.0
    found = overdue.judge(view_of(stations, NOW, times, {RAIN: table}), Settings())
    assert found.verdict[3] == PRESENT, "after its own limit it is its own silence"


@pytest.mark.parametrize(("ends_in_days", "named"), [(0, True), (-1, True), (-5, False), (3, False)])
def test_a_plan_that_ended_when_it_fell_silent_is_named(ends_in_days: int, named: bool) -> None:
    """One that ended long before, or has not ended, is not the cause."""
    ends = np.array([NOW // 86400 + ends_in_days])
    view = seen([300.0], stations=stations_at([(0, 0)], plan=("P7",), plan_end=ends))
    told = overdue.evidence(view, Settings(), overdue.judge(view, Settings()), 0)
    assert (told["plan_ended"] is not None) == named


def test_peers_with_a_trouble_of_their_own_are_not_asked_whether_all_are_back() -> None:
    """Of six on a mast three died days ago; of the three that fell silent together one is not back yet."""
    times = np.arange(NOW - 20 * 86400, NOW + 1, 300) - 60
    table = np.zeros((len(times), 6))
    table[times > NOW - 3 * 86400, 3:] = np.nan
    table[(times > NOW - 10 * 3600) & (times < NOW - 600), :2] = np.nan
    table[times > NOW - 10 * 3600, 2] = np.nan
    stations = stations_at([(3.0 * place, 0.0) for place in range(6)], mast=("T1",) * 6, source=("",) * 6)
    found = overdue.judge(view_of(stations, NOW, times, {RAIN: table}), Settings())
    assert found.verdict.tolist() == [ABSENT, ABSENT, UNDETERMINED, PRESENT, PRESENT, PRESENT]


def test_a_source_is_judged_by_those_that_were_due() -> None:
    """Two that send often are silent, the hourly one was not due since: it is the source, until that one is heard."""
    times = np.arange(NOW - 20 * 86400, NOW + 1, 300) - 60
    table = np.zeros((len(times), 3))
    table[np.arange(len(times)) % 12 != 8, 2] = np.nan
    table[times > NOW - 2400, :2] = np.nan
    table[times > NOW - 3000, 2] = np.nan
    heard = table.copy()
    heard[-2, 2] = 0.0
    stations = stations_at([(3.0 * place, 0.0) for place in range(3)])
    for what, out in ((table, PRESENT), (heard, ABSENT)):
        view = view_of(stations, NOW, times, {RAIN: what})
        fetched = SourceHealth("main", last_attempt_at=aware(NOW), last_success_at=aware(NOW))
        found = source_outage.judge(replace(view, health=(fetched,)), source_outage.Settings())
        assert found.verdict.tolist() == [out]
