"""Gaps: reports that are missing day after day, beside its own habit and its neighbours."""

from __future__ import annotations

import numpy as np

from tests.helpers import moment, stations_at, table_of, view_of
from watchman.judging.checks import gaps
from watchman.judging.checks.gaps import Settings
from watchman.judging.view import View
from watchman.model import RAIN, Verdict
from watchman.readings.cleaning import Held

NOW = moment("2025-10-21T18:00Z")
ABSENT, PRESENT, UNDETERMINED = Verdict.ABSENT, Verdict.PRESENT, Verdict.UNDETERMINED
DAY = 86400


def sent(days: int = 40, lost: float = 0.02, stations: int = 5) -> tuple[np.ndarray, np.ndarray]:
    """Return times and a table of stations that lose a few reports by chance."""
    random = np.random.default_rng(1)
    times = np.arange(NOW - days * DAY, NOW + 1, 900)
    table = np.zeros((len(times), stations))
    table[random.random(table.shape) < lost] = np.nan
    return times, table


def lose(times: np.ndarray, table: np.ndarray, station: int, share: float, since: int, until: int = NOW) -> None:
    random = np.random.default_rng(2)
    table[(times > since) & (times <= until) & (random.random(len(times)) < share), station] = np.nan


def seen(times: np.ndarray, table: np.ndarray) -> View:
    return view_of(stations_at([(4.0 * place, 0.0) for place in range(table.shape[1])]), NOW, times, {RAIN: table})


def verdicts(view: View) -> list[int]:
    return gaps.judge(view, Settings()).verdict.tolist()


def test_a_few_lost_reports_are_chance() -> None:
    """Two in a hundred."""
    assert verdicts(seen(*sent())) == [ABSENT] * 5


def test_a_station_that_begins_to_lose_a_quarter_is_told() -> None:
    """With what came on each day, usually, and from the neighbours."""
    times, table = sent()
    lose(times, table, 1, 0.25, NOW - 6 * DAY)
    view = seen(times, table)
    found = gaps.judge(view, Settings())
    assert found.verdict.tolist() == [ABSENT, PRESENT, ABSENT, ABSENT, ABSENT]
    assert abs(found.since[1] - (NOW - 6 * DAY)) < 2 * DAY
    told = gaps.evidence(view, Settings(), found, 1)
    assert 65 <= told["received_percent"] <= 80
    assert told["usual_percent"] >= 96
    assert told["of_peers_percent"] >= 96
    assert len(told["days"]) == 7


def test_a_silence_is_not_gaps() -> None:
    """Three days without a word are another check's; so are five."""
    for days in (3, 5):
        times, table = sent()
        table[(times > NOW - (days + 1) * DAY) & (times < NOW - DAY), 1] = np.nan
        assert verdicts(seen(times, table))[1] != PRESENT


def hold(view: View, times: np.ndarray, table: np.ndarray, days_ago: range) -> None:
    """Hold four hours of one station's readings on each of these days."""
    begins = [(NOW // DAY - ago) * DAY + 36000 for ago in days_ago]
    spans = [(1, begin, begin + 4 * 3600) for begin in begins]
    view.record.decide(Held.of(spans), spans, lambda _begin, _end, _stations: table_of(times, {RAIN: table}))


def test_held_readings_came() -> None:
    """Melt held on three and six days of the week: with one bad day they are no bad week, wet or dry."""
    for rain in (0.0, 0.2):
        times, table = sent()
        table += rain
        midnight = NOW // DAY * DAY
        lose(times, table, 1, 0.3, midnight - 7 * DAY, midnight - 6 * DAY)
        for days_ago, expected in ((range(1, 4), ABSENT), (range(1, 7), UNDETERMINED)):
            view = seen(times, table)
            hold(view, times, table, days_ago)
            found = gaps.judge(view, Settings())
            assert found.verdict.tolist() == [ABSENT, expected, ABSENT, ABSENT, ABSENT]
            assert [day["held"] for day in gaps.evidence(view, Settings(), found, 1)["days"]].count(True) == len(
                days_ago
            )
        assert "held back" in found.reason[1]


def test_days_that_were_held_hide_no_loss_of_the_others() -> None:
    """Two days with visits among a week of lost reports."""
    times, table = sent()
    lose(times, table, 1, 0.25, NOW - 7 * DAY)
    view = seen(times, table)
    hold(view, times, table, range(2, 4))
    assert verdicts(view) == [ABSENT, PRESENT, ABSENT, ABSENT, ABSENT]


def test_what_the_neighbours_lose_too_is_no_fault_of_one() -> None:
    """The source or the mast loses them."""
    times, table = sent()
    for station in range(5):
        lose(times, table, station, 0.25, NOW - 6 * DAY)
    assert verdicts(seen(times, table)) == [ABSENT] * 5


def test_a_station_that_always_loses_a_third_is_left_in_peace() -> None:
    """It is as it always was; the first notice of it would have come long ago."""
    times, table = sent()
    lose(times, table, 1, 0.3, NOW - 40 * DAY)
    assert verdicts(seen(times, table))[1] == ABSENT


def test_the_first_weeks_and_stations_that_send_only_when_it_rains_are_not_judged() -> None:
    """There is no habit to be held to."""
    assert verdicts(seen(*sent(days=12))) == [UNDETERMINED] * 5
    times, table = sent()
    lose(times, table, 2, 0.9, NOW - 40 * DAY)
    found = gaps.judge(seen(times, table), Settings())
    assert found.verdict[2] == UNDETERMINED
    assert found.reason[2] == "it does not send regularly"
