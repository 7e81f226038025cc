"""Clock: stamps beside their arrival, late storage that is no clock, and whole hours that only the readings show."""

from __future__ import annotations

import json
from datetime import timedelta
from typing import Any

import numpy as np
import pytest

from tests.helpers import moment, record_of, seen, stations_at
from tests.telling.veldran import alarm, at, network, notice, written
from watchman.judging.checks import clock
from watchman.judging.checks.clock import KINDS
from watchman.judging.view import Findings, View
from watchman.model import BATTERY, RAIN, TEMPERATURE, EventKind, Readings, Verdict
from watchman.readings.record import ARRIVALS_KEPT
from watchman.telling import compose
from watchman.telling.gsm import septets

QUARTER, HOUR, DAY = 900, 3600, 86400
BEGIN = moment("2025-10-20T00:00Z")
PLACES = ((0.0, 0.0), (6.0, 0.0), (-6.0, 0.0), (0.0, 6.0), (0.0, -6.0), (9.0, 9.0))
ONE, SIZE = 0, len(PLACES)


def messages(stamps: np.ndarray, arrivals: np.ndarray, station: int = ONE) -> Readings:
    """Return one battery reading a message."""
    size = len(stamps)
    return Readings(
        station=np.full(size, station, np.int32),
        variable=np.full(size, BATTERY, np.int8),
        observed_at=stamps.astype(np.int64),
        received_at=arrivals.astype(np.int64),
        value=4.0 + 0.01 * (np.arange(size) % 7),
        source=np.zeros(size, np.int16),
        delivery=np.arange(size, dtype=np.int64) + 1000 * station,
        revision=np.zeros(size, np.int64),
    )


def judged(
    shift: Any = 0, hours: float = 12.0, *, begun_h: float = 24.0, wrong: tuple[int, ...] = (ONE,), every: int = QUARTER
) -> tuple[View, Findings]:
    """Return what is found `hours` after the clocks of some stations began to be off by shift [s, or of the true time].

    Before, every message arrives 40 s after its stamp; every hour is a cycle.
    """
    true = BEGIN + every * np.arange(1, round((begun_h + hours) * HOUR / every) + 1)
    begun = BEGIN + begun_h * HOUR
    parts = []
    for station in range(SIZE):
        stamps = true.copy()
        if station in wrong:
            later = true > begun
            stamps[later] = shift(true[later]) if callable(shift) else true[later] + shift
        parts.append(messages(stamps, true + 40, station))
    return delivered(Readings.join(parts), int(true[-1]) + 60)


def delivered(readings: Readings, now: int) -> tuple[View, Findings]:
    """Give a record its readings hour by hour, as they arrived, and judge it."""
    stations = stations_at(PLACES)
    record = record_of(stations, BEGIN, QUARTER)
    for end in (*range(BEGIN + HOUR, now, HOUR), now):
        record.advance(end)
        came = (readings.received_at > record.last_received.max()) & (readings.received_at <= end)
        record.take(readings.take(came), lambda begin, end, some: Readings.empty())
    view = seen(stations, now, record)
    return view, clock.judge(view, clock.Settings())


def said(view: View, findings: Findings, position: int = ONE) -> dict[str, Any]:
    return clock.evidence(view, clock.Settings(), findings, position)


def test_a_right_clock_is_right() -> None:
    """Messages some seconds after their stamps: nothing to tell, and the usual delay is known."""
    view, findings = judged()
    assert (findings.verdict != Verdict.PRESENT).all()
    assert said(view, findings)["usual_delay_minutes"] == pytest.approx(40 / 60, abs=0.05)


@pytest.mark.parametrize(
    ("shift", "kind", "hours"),
    [
        (HOUR, "ahead", 1.0),
        (13 * 60, "ahead", 13 / 60),
        (DAY, "dates", 24.0),
        (-HOUR, "hours", -1.0),
        (-5400, "hours", -1.5),
        (-DAY, "dates", -24.0),
    ],
)
def test_stamps_show_the_shift_within_the_day(shift: int, kind: str, hours: float) -> None:
    """Six hours after the clock jumped its kind, its amount and the moment of the jump are known."""
    view, findings = judged(shift, 6.0)
    assert findings.present().tolist() == [ONE]
    told = said(view, findings)
    assert told["kind"] == kind
    assert told["shift_hours"] == pytest.approx(hours, abs=0.02)
    assert abs(int(findings.since[ONE]) - (BEGIN + DAY + QUARTER + 40)) <= QUARTER


@pytest.mark.parametrize("epoch", [0, moment("2000-01-01T00:00Z")])
def test_a_clock_that_began_again_is_told_by_its_third_message(epoch: int) -> None:
    """1970 and 2000: two messages are not enough, three are; the station isn't silent."""
    for hours, expected in ((0.5, Verdict.UNDETERMINED), (0.75, Verdict.PRESENT)):
        view, findings = judged(lambda true: true - (BEGIN + DAY) + epoch, hours)
        assert findings.verdict[ONE] == expected
        assert KINDS[int(findings.numbers["kind"][ONE])] == ("dates" if hours == 0.75 else "")
        assert view.record.last_received[ONE] == view.now - 20


def test_one_absurd_stamp_is_no_wrong_clock() -> None:
    """A single message from 2038 among good ones is undetermined at most, and gone with the next."""
    _, findings = judged(lambda true: np.where(true == true[0], true + 10 * 365 * DAY, true), 2.0)
    assert findings.verdict[ONE] != Verdict.PRESENT


def test_a_frozen_stamp_is_told_after_three_hours() -> None:
    """New values under one and the same stamp."""
    for hours, expected in ((2.0, False), (4.0, True)):
        view, findings = judged(lambda true: np.full(len(true), BEGIN + DAY), hours)
        assert (ONE in findings.present()) == expected
    assert said(view, findings)["kind"] == "frozen"


def test_late_by_twenty_minutes_is_no_clock() -> None:
    """Only whole and half hours are a clock's: 47 min more delay is a slow way."""
    _, findings = judged(-47 * 60, 12.0)
    assert len(findings.present()) == 0


def test_stored_messages_sent_one_by_one_are_no_clock() -> None:
    """After an hour without a way, one stored message an interval, each an hour late: not told for a day and more."""
    true = BEGIN + QUARTER * np.arange(1, 4 * 40 + 1)
    arrivals = true + np.where(true > BEGIN + DAY, HOUR, 0) + 40
    parts = [messages(true[arrivals <= true[-1]], arrivals[arrivals <= true[-1]])]
    parts += [messages(true, true + 40, other) for other in range(1, SIZE)]
    _, findings = delivered(Readings.join(parts), int(true[-1]) + 60)
    assert findings.verdict[ONE] == Verdict.UNDETERMINED


def test_the_same_delay_for_the_whole_memory_is_the_clock_after_all() -> None:
    """When 128 messages in a row came late by the same hour, no store explains it."""
    true = BEGIN + QUARTER * np.arange(1, 4 * 24 + ARRIVALS_KEPT + 10)
    arrivals = true + np.where(true > BEGIN + DAY, HOUR, 0) + 40
    now = int(arrivals[-1]) + 20
    others = BEGIN + QUARTER * np.arange(1, (now - BEGIN) // QUARTER)
    parts = [messages(true, arrivals)] + [messages(others, others + 40, other) for other in range(1, SIZE)]
    _, findings = delivered(Readings.join(parts), now)
    assert findings.present().tolist() == [ONE]


def test_a_clock_set_right_is_over_with_its_next_message() -> None:
    """Ahead for some hours, then right."""
    _, findings = judged(lambda true: np.where(true < true[0] + 3 * HOUR, true + HOUR, true), 4.0)
    assert findings.verdict[ONE] != Verdict.PRESENT


def test_a_slow_way_learned_as_usual_stays_usual() -> None:
    """A station whose messages always come 70 min late is not behind."""
    true = BEGIN + QUARTER * np.arange(1, 4 * 48 + 1)
    now = int(true[-1]) + 60
    parts = [messages(true[true + 4200 <= now], true[true + 4200 <= now] + 4200)]
    parts += [messages(true, true + 40, other) for other in range(1, SIZE)]
    _, findings = delivered(Readings.join(parts), now)
    assert len(findings.present()) == 0


def test_most_of_a_source_with_one_shift_is_one_matter() -> None:
    """All ahead alike is told once, at the first; the others say where; a single one is told for itself."""
    view, findings = judged(HOUR, 6.0, wrong=tuple(range(SIZE)))
    assert findings.present().tolist() == [0]
    assert (findings.verdict[1:] == Verdict.UNDETERMINED).all()
    assert said(view, findings)["shared_with"] == [f"S{other}" for other in range(1, SIZE)]
    assert said(view, findings)["cause"] == "source"
    view, findings = judged(HOUR, 6.0, wrong=(0, 1))
    assert findings.present().tolist() == [0, 1]


def test_a_rule_tells_only_of_the_kinds_it_names() -> None:
    """What is ahead belongs to one rule, whole hours behind to another."""
    for shift, kind in ((HOUR, "ahead"), (-HOUR, "hours")):
        view, _ = judged(shift, 6.0)
        for kinds, expected in (((kind,), True), (("frozen",), False)):
            findings = clock.judge(view, clock.Settings(kinds=kinds))
            assert (ONE in findings.present()) == expected


def test_a_start_forgets_no_wrong_clock() -> None:
    """Stamps of 1970 aren't read again with the recent ones: known anew from what came last, else undetermined."""
    view, findings = judged(lambda true: true - BEGIN, 6.0)
    assert findings.present().tolist() == [ONE]
    ways = np.zeros(SIZE, np.int64)
    stations, _, habits = view.record.habits(ways)
    good = BEGIN + QUARTER * np.arange(1, 4 * 24 + 1)
    recent = Readings.join([messages(good, good + 40, station) for station in range(SIZE)])
    late = view.now - 20 - QUARTER * np.arange(3)[::-1]
    for came, expected in (
        (Readings.empty(), Verdict.UNDETERMINED),
        (messages(late - BEGIN, late + 1), Verdict.PRESENT),
    ):
        record = record_of(view.stations, view.now, QUARTER)
        record.recall(stations, habits, ways)
        if len(came):
            record.last_received[ONE] = late[0]
        record.restore(recent)
        record.catch_up(came, lambda begin, end, some: Readings.empty())
        again = clock.judge(seen(view.stations, view.now, record), clock.Settings(kinds=("dates",)))
        assert again.verdict[ONE] == expected
        assert record.usual_delay_s.tolist() == view.record.usual_delay_s.tolist()


# --- only the readings show it ---

DAYS = 40
TIMES = BEGIN + HOUR * np.arange(1, DAYS * 24 + 1)
CHANGED = 30


def storms(seed: int = 5) -> np.ndarray:
    """Return hourly rain of storms every third day that pass over all gauges within the hour [mm; hour, station]."""
    random = np.random.default_rng(seed)
    rain = np.zeros((DAYS * 24, SIZE))
    for day in range(1, DAYS, 2):
        begin, lasts = day * 24 + random.integers(0, 20), random.integers(2, 6)
        rain[begin : begin + lasts] = np.round(random.gamma(1.0, 2.0, (lasts, SIZE)) / 0.2 + 1) * 0.2
    return rain


def sunny(variable: int, late_h: float = 0.0) -> np.ndarray:
    """Return a daily course of temperature or volts, the same at all but for a little noise [hour, station]."""
    random = np.random.default_rng(variable)
    wave = np.sin((TIMES[:, None] / HOUR - 9.0 - late_h) * 2 * np.pi / 24)
    middle, size, noise = (12.0, 6.0, 0.5) if variable == TEMPERATURE else (3.9, 0.1, 0.01)
    return np.asarray(middle + size * wave + random.normal(0.0, noise, (len(TIMES), SIZE)))


def shifted(table: np.ndarray, hours: int, day: int = CHANGED) -> np.ndarray:
    """Return the table with the first station's stamps moved by whole hours from a day on."""
    moved = table.copy()
    later = slice(day * 24, None)
    true = np.arange(day * 24, len(table)) - hours
    moved[later, ONE] = table[np.clip(true, 0, len(table) - 1), ONE]
    return moved


def from_readings(tables: dict[int, np.ndarray], day: float) -> tuple[View, Findings]:
    """Judge tables of hourly values whose arrival says nothing, as they are known some days after the beginning."""
    stations = stations_at(PLACES)
    now = BEGIN + round(day * DAY) + 600
    record = record_of(stations, now, HOUR)
    arrived = now >= TIMES
    parts = []
    for variable, table in tables.items():
        row, station = np.nonzero(~np.isnan(table[arrived]))
        observed = TIMES[arrived][row]
        size = len(row)
        kinds = np.full(size, variable, np.int8)
        value = table[arrived][row, station]
        zeros = np.zeros(size, np.int64)
        columns = (observed + 300, value, zeros.astype(np.int16), np.arange(size) + 1, zeros)
        parts.append(Readings(station.astype(np.int32), kinds, observed, *columns))
    record.take(Readings.join(parts), lambda begin, end, some: Readings.empty())
    record.advance(now)
    view = seen(stations, now, record)
    return view, clock.judge(view, clock.Settings())


@pytest.mark.parametrize("hours", [-12, -3, -2, 2, 5])
def test_rain_alone_shows_whole_hours(hours: int) -> None:
    """The wet hours fit the neighbours' only when moved by the right number of hours."""
    view, findings = from_readings({RAIN: shifted(storms(), hours)}, DAYS)
    assert findings.present().tolist() == [ONE]
    told = said(view, findings)
    assert (told["kind"], told["shift_hours"]) == ("hours", hours)
    assert told["rain_odds"] >= told["limit_odds"]


@pytest.mark.parametrize("hours", [-24, 24])
def test_rain_alone_shows_no_whole_day(hours: int) -> None:
    """Showers come at one hour day after day: what rain alone says of a day is not believed."""
    _, findings = from_readings({RAIN: shifted(storms(), hours)}, DAYS)
    assert len(findings.present()) == 0


def test_rain_of_honest_clocks_accuses_nobody() -> None:
    """Wet at the same hours as the neighbours: no hour fits better."""
    _, findings = from_readings({RAIN: storms()}, DAYS)
    assert len(findings.present()) == 0


def test_a_storm_or_two_are_no_proof() -> None:
    """However long it rained and low the limit: until three days speak, nobody is told."""
    for days, expected in ((4, []), (6, [ONE])):
        view, _ = from_readings({RAIN: shifted(storms(), 3)}, CHANGED + days)
        findings = clock.judge(view, clock.Settings(limit_odds=1000.0))
        assert findings.present().tolist() == expected


def test_an_hour_of_a_gauge_beside_all_its_neighbours_is_not_believed() -> None:
    """Storms reach the gauge at the edge an hour after the others, 12 km upwind: that is no clock."""
    table = {RAIN: shifted(storms(), 1)}
    _, findings = from_readings(table, DAYS)
    assert findings.present().tolist() == [ONE]
    stations = stations_at(((0.0, 0.0), (12.0, 0.0), (13.0, 4.0), (13.0, -4.0), (16.0, 1.0), (17.0, -2.0)))
    view, _ = from_readings(table, DAYS)
    aside = View(view.now, stations, view.record, (), view.in_service, view.last_visit, view.on_probation)
    assert len(clock.judge(aside, clock.Settings()).present()) == 0


@pytest.mark.parametrize("hours", [-1, 1, 6])
def test_temperature_and_battery_show_whole_hours_without_rain(hours: int) -> None:
    """Both courses step by the same hours, and the day of the step is found."""
    tables = {variable: shifted(sunny(variable), hours) for variable in (TEMPERATURE, BATTERY)}
    view, findings = from_readings(tables, CHANGED + 6)
    assert findings.present().tolist() == [ONE]
    assert said(view, findings)["shift_hours"] == hours
    assert abs(int(findings.since[ONE]) - (BEGIN + CHANGED * DAY)) <= DAY


@pytest.mark.parametrize("cold", [(ONE,), (1, 2, 3)], ids=["here", "at the neighbours"])
def test_the_rhythm_alone_tells_nothing_around_freezing(cold: tuple[int, ...]) -> None:
    """Snow gives thermometer and panel another daily course; with rain that says the same it is told."""
    tables = {variable: shifted(sunny(variable), 2) for variable in (TEMPERATURE, BATTERY)}
    tables[TEMPERATURE][:, list(cold)] -= 11.0
    _, findings = from_readings(tables, CHANGED + 6)
    assert findings.verdict[ONE] == Verdict.UNDETERMINED
    _, findings = from_readings(tables | {RAIN: shifted(storms(), 2)}, CHANGED + 8)
    assert findings.present().tolist() == [ONE]


def test_a_step_of_one_course_alone_is_no_clock() -> None:
    """A new battery or a moved thermometer changes its own course only."""
    for moved, other in ((TEMPERATURE, BATTERY), (BATTERY, TEMPERATURE)):
        _, findings = from_readings({moved: shifted(sunny(moved), 2), other: sunny(other)}, CHANGED + 6)
        assert len(findings.present()) == 0


def test_courses_that_were_always_late_are_no_clock() -> None:
    """A slope that the sun reaches late is so every day."""
    late = {variable: sunny(variable) for variable in (TEMPERATURE, BATTERY)}
    for variable, table in late.items():
        table[:, ONE] = sunny(variable, 1.0)[:, ONE]
    _, findings = from_readings(late, DAYS)
    assert len(findings.present()) == 0


def test_nothing_to_compare_is_undetermined() -> None:
    """A dry month without temperature: no word about hours, and it says so."""
    _, findings = from_readings({RAIN: np.zeros((len(TIMES), SIZE))}, DAYS)
    assert (findings.verdict == Verdict.UNDETERMINED).all()
    assert findings.reason[ONE] != ""


def test_evidence_answers_for_every_station() -> None:
    """Also for a right clock and one never heard; all of it can be written as JSON."""
    for view, findings in (
        judged(HOUR, 6.0),
        from_readings({RAIN: storms()}, 5),
        delivered(Readings.empty(), BEGIN + 60),
    ):
        for position in range(SIZE):
            json.dumps(said(view, findings, position))


# --- in words ---


@pytest.mark.parametrize("kind", ["ahead", "dates", "frozen", "hours"])
@pytest.mark.parametrize("messages_in_a_row", [0, 9])
def test_its_text_fits_and_says_what_to_do(kind: str, messages_in_a_row: int) -> None:
    """160 septets for the longest names, also around a clock change, and the mail names both times."""
    numbers = wrong(kind, messages_in_a_row)
    one = alarm(51, "clock", "station:eskwater", "2025-11-02T02:15", numbers)
    here = network()
    for channel in ("text", "mail"):
        words = compose.words(
            notice(one, EventKind.RAISED, channel, "2025-11-02T09:00"), one, EventKind.RAISED, here.contacts[0], here,
            at("2025-11-02T09:00"), link="https://watch.example.org/a/NDE6dGVjaC0xOjE3.Yk3hQ2vTqPz8Lw",
        )  # fmt: skip
        assert words.trouble == ""
        assert "Eskwater F" in words.text
        if channel == "text":
            assert septets(words.text) <= 160
    assert compose.account("clock", {"n": numbers, "verdict": "present", "reason": ""}, here, at("2025-11-02T09:00"))


def wrong(kind: str, messages_in_a_row: int, **more: Any) -> dict[str, Any]:
    """Return a wrong clock's numbers."""
    return {
        "kind": kind,
        "shift_hours": 1.0,
        "last_stamp": written("2025-11-02T10:00"),
        "last_arrived": written("2025-11-02T09:00"),
        "messages": messages_in_a_row,
        "delay_minutes": -59.3,
        "usual_delay_minutes": 0.7,
        "limit_ahead_minutes": 10,
        "rain_odds": 3.0e6,
        "limit_odds": 1e6,
        "rain_days": 4.0,
        "rain_lag_hours": 1.0,
        "shared_percent": 20.0,
        "shared_at_lag_percent": 80.0,
        "temperature_hours": 1.0,
        "battery_hours": None,
    } | more


def test_a_source_that_is_wrong_is_told_as_one() -> None:
    """Its notice names the source and sends nobody out; its return counts the stations."""
    numbers = wrong("ahead", 9, cause="source", source="main", shared_with=["fennick", "hollin", "kettle"])
    stations = ("eskwater", "fennick", "hollin", "kettle")
    one = alarm(51, "clock", "station:eskwater", "2025-11-02T02:15", numbers, stations=stations)
    here = network()
    for kind in (EventKind.RAISED, EventKind.RETURNED):
        row = notice(one, kind, "text", "2025-11-02T09:00")
        words = compose.words(row, one, kind, here.contacts[0], here, at("2025-11-02T09:00"))
        assert (words.trouble, "4 stations" in words.text, septets(words.text) <= 160) == ("", True, True)


def test_the_clock_change_is_named() -> None:
    """A shift that began as the network's clocks changed says so; one in the week before doesn't."""
    here = network()
    for since, expected in (("2025-11-02T02:15", True), ("2025-10-29T02:15", False)):
        one = alarm(51, "clock", "station:hollin", since, wrong("hours", 9))
        row = notice(one, EventKind.RAISED, "text", "2025-11-04T09:00")
        words = compose.words(row, one, EventKind.RAISED, here.contacts[0], here, at(since) + timedelta(days=2))
        assert ("as the clocks changed" in words.text) == expected
