"""Nobody answers: the next person is called, once each, and told who was tried; one answer ends it for all."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime, time, timedelta
from typing import Any

import pytest
from pydantic import SecretStr

from tests.telling.veldran import alarm, at, battery, contact, network, silent, storm
from watchman.judging import alarms
from watchman.judging.rule import Rule
from watchman.model import (
    Alarm,
    AlarmKey,
    AlarmState,
    Answer,
    Event,
    Matter,
    Notice,
    NoticeState,
    Severity,
    Verdict,
    When,
)
from watchman.network import Network
from watchman.settings import BoardSettings, DutySettings, EscalationSettings, HolidaySettings, QuietHoursSettings
from watchman.telling import calling, roster

PEOPLE = (
    contact("warden-1", "warden"),
    contact("warden-2", "warden"),
    contact("road-1", "road crew"),
    contact("tech-1", "technician"),
    contact("tech-2", "technician"),
    contact("supervisor-1", "supervisor"),
)
TURNS = (
    DutySettings(role="warden", people=("warden-1", "warden-2"), first_day=date(2025, 10, 17)),
    DutySettings(role="technician", people=("tech-1", "tech-2"), first_day=date(2025, 10, 17)),
)
BOARD = BoardSettings(address="https://watch.example.org", key=SecretStr("0123456789abcdef"))
STORM = AlarmKey("heavy-rain", "heavy-rain", "network")
FAULT = AlarmKey("overdue", "overdue", "station:hollin")
MINUTES = timedelta(minutes=1)


def here(**changed: Any) -> Network:
    """Return a network whose wardens and technicians take turns, with a supervisor called after them."""
    usual = {"contacts": PEOPLE, "duty": TURNS, "board": BOARD, "escalation": EscalationSettings(then=("supervisor",))}
    return network(**usual | changed)


def matter(key: AlarmKey, **given: Any) -> Matter:
    when, tell = (When.NOW, ("warden",)) if key.rule.startswith("heavy") else (When.BY_DAY, ("technician",))
    usual = {"stations": ("hollin",), "when": when, "tell": tell}
    return Matter(key, key.matter, Verdict.PRESENT, **usual | given)


class Watching:
    """Cycles over one network: calls, then the alarms' steps, then the notices, as the watch has them."""

    def __init__(self, of: Network, now: str) -> None:
        self.network, self.now = of, at(now)
        self.alarms: dict[AlarmKey, Alarm] = {}
        self.last = 0
        self.events: list[Event] = []
        self.notices: list[Notice] = []

    def cycle(
        self,
        *matters: Matter,
        answers: Sequence[Answer] = (),
        unreached: Mapping[int, set[str]] | None = None,
        now: datetime | None = None,
    ) -> list[tuple[str, str]]:
        """Run one, and return who was told of what: ("raised", "warden-1")."""
        self.now = now or self.now
        calls = calling.calls(self.network, self.alarms.values(), self.now, unreached)
        rules = {one.key.rule: Rule(name=one.key.rule, check=one.check) for one in matters}
        changed, events = alarms.step(self.alarms.values(), matters, answers, rules, self.last, self.now, calls)
        for one in changed:
            self.last = max(self.last, one.number)
            self.alarms[one.key] = one
            if one.ended_at is not None:
                del self.alarms[one.key]
        self.events += events
        made = roster.address(self.network, events, self.now)
        self.notices += made
        return list(dict.fromkeys((notice.event, notice.person) for notice in made))

    def until(self, end: datetime, every: timedelta, *matters: Matter) -> list[tuple[datetime, str, str]]:
        """Go on to a moment, and return when who was told of what."""
        told = []
        while self.now < end:
            self.now += every
            told += [(self.now, *one) for one in self.cycle(*matters)]
        return told


def answer(kind: str, number: int = 1, who: str = "warden-2") -> Answer:
    return Answer(1, at("2025-10-22T17:00"), kind, who, number)


# --- heavy rain ---


def test_a_storm_goes_down_the_order_every_ten_minutes_and_each_phone_rings_once() -> None:
    """The next warden, then the supervisor; then nobody: never the same text to the same phone."""
    watching = Watching(here(), "2025-10-22T17:20")
    rain = matter(STORM)
    assert watching.cycle(rain) == [("raised", "warden-1")]
    told = watching.until(at("2025-10-22T20:00"), MINUTES, rain)
    assert told == [
        (at("2025-10-22T17:30"), "escalated", "warden-2"),
        (at("2025-10-22T17:40"), "escalated", "supervisor-1"),
    ]
    assert [(event.who, event.note) for event in watching.events[1:]] == [
        ("warden-2", "warden-1"),
        ("supervisor-1", "warden-1, warden-2"),
    ]


def test_the_minutes_are_the_network_s_own() -> None:
    """As [escalation] says."""
    of = here(escalation=EscalationSettings(storm_minutes=25))
    watching = Watching(of, "2025-10-22T17:20")
    watching.cycle(matter(STORM))
    told = watching.until(at("2025-10-22T19:00"), MINUTES, matter(STORM))
    assert told == [(at("2025-10-22T17:45"), "escalated", "warden-2")]


def test_one_answer_ends_the_calls_for_all() -> None:
    """Whoever of those told it was."""
    watching = Watching(here(), "2025-10-22T17:20")
    watching.cycle(matter(STORM))
    watching.until(at("2025-10-22T17:31"), MINUTES, matter(STORM))
    watching.cycle(matter(STORM), answers=[answer("acknowledge")])
    assert watching.until(at("2025-10-22T20:00"), MINUTES, matter(STORM)) == []


def test_an_answer_in_the_very_cycle_of_a_call_is_in_time() -> None:
    """The call was owed, and is not made."""
    watching = Watching(here(), "2025-10-22T17:20")
    watching.cycle(matter(STORM))
    assert watching.cycle(matter(STORM), answers=[answer("acknowledge")], now=at("2025-10-22T17:31")) == []


def test_worse_rain_asks_anew_and_is_told_to_whoever_was_called_too() -> None:
    """An answer to the first level is none to the second: ten minutes later the next one is called."""
    watching = Watching(here(), "2025-10-22T17:20")
    watching.cycle(matter(STORM))
    watching.until(at("2025-10-22T17:31"), MINUTES, matter(STORM))
    watching.cycle(matter(STORM), answers=[answer("acknowledge")])
    worse = matter(STORM, level=1, severity=Severity.SEVERE)
    assert watching.cycle(worse, now=at("2025-10-22T18:00")) == [("updated", "warden-1"), ("updated", "warden-2")]
    told = watching.until(at("2025-10-22T20:00"), MINUTES, worse)
    assert told == [(at("2025-10-22T18:10"), "escalated", "supervisor-1")]


def test_worse_rain_while_nobody_has_answered_does_not_begin_the_wait_anew() -> None:
    """Rain that gets worse every five minutes would otherwise never be told to anybody else."""
    watching = Watching(here(), "2025-10-22T17:20")
    watching.cycle(matter(STORM))
    watching.cycle(matter(STORM, level=1), now=at("2025-10-22T17:29"))
    told = watching.cycle(matter(STORM, level=2), now=at("2025-10-22T17:30"))
    assert ("escalated", "warden-2") in told


def test_a_hand_over_between_the_notice_and_the_call_tells_nobody_twice() -> None:
    """Warden 1 is told at 11:55, warden 2 takes over at noon and is called at 12:05; then the supervisor is."""
    watching = Watching(here(), "2025-10-24T11:55")
    assert watching.cycle(matter(STORM)) == [("raised", "warden-1")]
    told = watching.until(at("2025-10-24T14:00"), MINUTES, matter(STORM))
    assert [one[1:] for one in told] == [("escalated", "warden-2"), ("escalated", "supervisor-1")]


def test_who_is_away_is_not_called() -> None:
    """On holiday, the second warden is passed over."""
    away = HolidaySettings(person="warden-2", first_day=date(2025, 10, 20), last_day=date(2025, 10, 26))
    watching = Watching(here(holidays=(away,)), "2025-10-22T17:20")
    watching.cycle(matter(STORM))
    told = watching.until(at("2025-10-22T20:00"), MINUTES, matter(STORM))
    assert told == [(at("2025-10-22T17:30"), "escalated", "supervisor-1")]


def test_two_roles_are_called_each_down_its_order_and_one_answer_is_enough() -> None:
    """Without turns of their own, the road crew were all told at once."""
    rain = matter(STORM, tell=("warden", "road crew"))
    watching = Watching(here(), "2025-10-22T17:20")
    assert watching.cycle(rain) == [("raised", "warden-1"), ("raised", "road-1")]
    watching.cycle(rain, answers=[answer("acknowledge", who="road-1")])
    assert watching.until(at("2025-10-22T20:00"), MINUTES, rain) == []


def test_an_answer_to_the_other_rule_of_the_same_storm_counts() -> None:
    """Two rules, one notice: whoever answered it has answered both."""
    other = AlarmKey("heavy-rain-severe", "heavy-rain", "network")
    both = (matter(STORM), matter(other, severity=Severity.SEVERE))
    watching = Watching(here(), "2025-10-22T17:20")
    assert watching.cycle(*both) == [("raised", "warden-1")]
    [told] = {notice.alarm for notice in watching.notices}
    watching.cycle(*both, answers=[answer("acknowledge", told, "warden-1")])
    assert watching.until(at("2025-10-22T20:00"), MINUTES, *both) == []


def test_an_answer_to_lesser_rain_hours_ago_is_none_to_severe_rain() -> None:
    """Who answered in the evening may sleep at night: the next warden is called."""
    watching = Watching(here(), "2025-10-22T14:00")
    moderate = matter(STORM, severity=Severity.MODERATE)
    severe = matter(AlarmKey("heavy-rain-severe", "heavy-rain", "network"), severity=Severity.SEVERE)
    assert watching.cycle(moderate) == [("raised", "warden-1")]
    watching.cycle(moderate, answers=[answer("acknowledge", who="warden-1")], now=watching.now + 5 * MINUTES)
    assert watching.cycle(moderate, severe, now=watching.now + 360 * MINUTES) == [("raised", "warden-1")]
    called = watching.until(watching.now + 60 * MINUTES, 5 * MINUTES, moderate, severe)
    assert ("escalated", "warden-2") in [(event, person) for _, event, person in called]


def test_an_answer_by_somebody_who_was_not_told_of_a_rule_is_none_to_it() -> None:
    """The road crew answered their rule; the warden's goes on to the next warden."""
    other = AlarmKey("heavy-rain-road", "heavy-rain", "network")
    both = (matter(STORM), matter(other, tell=("road crew",)))
    watching = Watching(here(), "2025-10-22T17:20")
    watching.cycle(*both)
    road = next(notice.alarm for notice in watching.notices if notice.person == "road-1")
    watching.cycle(*both, answers=[answer("acknowledge", road, "road-1")])
    told = watching.until(at("2025-10-22T17:35"), MINUTES, *both)
    assert told == [(at("2025-10-22T17:30"), "escalated", "warden-2")]


def test_a_storm_is_passed_on_even_where_nobody_can_answer_from_a_phone() -> None:
    """Nobody knows then whether the first one's phone rang; it is said to each once."""
    watching = Watching(here(board=None), "2025-10-22T17:20")
    watching.cycle(matter(STORM))
    told = watching.until(at("2025-10-22T20:00"), MINUTES, matter(STORM))
    assert [one[2] for one in told] == ["warden-2", "supervisor-1"]


def test_after_a_time_off_the_call_is_owed_at_once() -> None:
    """The alarm remembers when it asked; nothing else has to."""
    watching = Watching(here(), "2025-10-22T17:20")
    watching.cycle(matter(STORM))
    assert watching.cycle(matter(STORM), now=at("2025-10-22T19:00")) == [("escalated", "warden-2")]


# --- who can't be reached ---


def row(person: str, channel: str, state: NoticeState, step: int = 1, due: str = "2025-10-22T17:20") -> Notice:
    """Return a notice of a storm as the outbox has it."""
    occasion = f"alarm:1:{step}"
    return Notice(1, occasion, person, channel, "storm", at(due), at("2025-10-22T17:20"), 1, "raised", state)


ACCEPTED, DUE, REFUSED, UNKNOWN = NoticeState.ACCEPTED, NoticeState.DUE, NoticeState.REFUSED, NoticeState.UNKNOWN


@pytest.mark.parametrize(
    ("rows", "unreached"),
    [
        ([row("a", "text", ACCEPTED)], set()),
        ([row("a", "text", DUE)], set()),
        ([row("a", "text", NoticeState.ATTEMPTING)], set()),
        ([row("a", "text", REFUSED)], {"a"}),
        ([row("a", "text", UNKNOWN)], {"a"}),
        ([row("a", "text", REFUSED), row("a", "mail", ACCEPTED)], {"a"}),
        ([row("a", "text", REFUSED), row("a", "chat", ACCEPTED)], set()),
        ([row("a", "mail", ACCEPTED)], set()),
        ([row("a", "mail", REFUSED)], {"a"}),
        ([row("a", "text", REFUSED), row("b", "text", ACCEPTED)], {"a"}),
        ([row("a", "text", ACCEPTED), row("a", "text", REFUSED, step=2)], {"a"}),
        ([row("a", "text", REFUSED), row("a", "text", ACCEPTED, step=2)], set()),
        ([row("a", "text", DUE, due="2025-10-23T06:30")], {"a"}),
        ([row("a", "text", NoticeState.WITHDRAWN)], set()),
    ],
)
def test_who_was_not_reached(rows: list[Notice], unreached: set[str]) -> None:
    """Given up by every way that wakes, or held until the morning; what is being tried is not given up yet."""
    assert calling.unreached(rows, at("2025-10-22T17:21")) == unreached


def test_a_storm_nobody_could_be_told_of_goes_on_at_once() -> None:
    """The first warden's text was refused: the second one does not wait ten minutes; nor does the supervisor."""
    watching = Watching(here(), "2025-10-22T17:20")
    watching.cycle(matter(STORM))
    told = watching.cycle(matter(STORM), unreached={1: {"warden-1"}}, now=at("2025-10-22T17:21"))
    assert told == [("escalated", "warden-2")]
    assert watching.cycle(matter(STORM), unreached={1: {"warden-1"}}, now=at("2025-10-22T17:22")) == []
    both = {1: {"warden-1", "warden-2"}}
    assert watching.cycle(matter(STORM), unreached=both, now=at("2025-10-22T17:23")) == [("escalated", "supervisor-1")]


def test_a_storm_that_reached_one_of_two_waits_for_that_one() -> None:
    """One of the two roles was reached; the technicians see to the other's phone."""
    rain = matter(STORM, tell=("warden", "road crew"))
    watching = Watching(here(), "2025-10-22T17:20")
    watching.cycle(rain)
    assert watching.cycle(rain, unreached={1: {"warden-1"}}, now=at("2025-10-22T17:21")) == []


def test_a_fault_waits_for_its_working_day_whoever_was_reached() -> None:
    """A fault by text that failed went by mail; nothing there is urgent."""
    watching = Watching(here(), "2025-10-22T10:00")
    watching.cycle(matter(FAULT))
    assert watching.cycle(matter(FAULT), unreached={1: {"tech-1"}}, now=at("2025-10-22T10:10")) == []


def test_whoever_holds_heavy_rain_back_at_night_is_passed_over() -> None:
    """Not called in quiet hours; and as the one on duty, replaced at once by the next."""
    asleep = QuietHoursSettings(begins=time(22), ends=time(6))
    held = PEOPLE[1].model_copy(update={"quiet_hours": asleep, "hold_heavy_rain": True})
    watching = Watching(here(contacts=(PEOPLE[0], held, *PEOPLE[2:])), "2025-10-22T23:00")
    watching.cycle(matter(STORM))
    told = watching.until(at("2025-10-23T01:00"), MINUTES, matter(STORM))
    assert [one[2] for one in told] == ["supervisor-1"]


# --- faults ---


@pytest.mark.parametrize(
    ("raised", "called"),
    [
        ("2025-10-22T10:00", "2025-10-23T10:00"),
        ("2025-10-22T03:00", "2025-10-23T07:00"),
        ("2025-10-22T20:00", "2025-10-24T07:00"),
        ("2025-10-24T10:00", "2025-10-27T10:00"),
        ("2025-10-25T10:00", "2025-10-28T07:00"),
        ("2025-10-26T18:00", "2025-10-28T07:00"),
        ("2025-12-24T09:00", "2025-12-29T09:00"),
        ("2025-12-26T09:00", "2025-12-30T07:00"),
        ("2025-10-31T10:00", "2025-11-03T10:00"),
        ("2026-03-06T10:00", "2026-03-09T10:00"),
    ],
)
def test_a_fault_is_for_the_next_one_after_a_working_day(raised: str, called: str) -> None:
    """A night is no part of it, nor a weekend, nor a day on which nobody works; clock changes shift nothing."""
    closed = HolidaySettings(first_day=date(2025, 12, 25), last_day=date(2025, 12, 26))
    turns = tuple(one.model_copy(update={"first_day": None}) for one in TURNS)
    watching = Watching(here(holidays=(closed,), duty=turns), raised)
    assert watching.cycle(matter(FAULT)) == [("raised", "tech-1")]
    told = watching.until(at(called) + timedelta(hours=1), timedelta(minutes=30), matter(FAULT))
    assert told == [(at(called), "escalated", "tech-2")]


def test_somebody_s_own_holiday_is_a_working_day_for_the_others() -> None:
    """The supervisor's day off does not put anything off."""
    away = HolidaySettings(person="supervisor-1", first_day=date(2025, 10, 23))
    watching = Watching(here(holidays=(away,)), "2025-10-22T10:00")
    watching.cycle(matter(FAULT))
    told = watching.until(at("2025-10-23T10:30"), timedelta(minutes=30), matter(FAULT))
    assert [one[0] for one in told] == [at("2025-10-23T10:00")]


def test_when_nobody_is_left_a_fault_is_said_once_more_and_then_every_fifth_working_day() -> None:
    """To whoever is on duty then, and to all that were called."""
    turns = tuple(one.model_copy(update={"first_day": None}) for one in TURNS)
    watching = Watching(here(duty=turns), "2025-10-20T10:00")
    watching.cycle(matter(FAULT))
    told = watching.until(at("2025-11-07T12:00"), timedelta(hours=1), matter(FAULT))
    reminded = [one for one in told if one[1] == "reminded"]
    assert [one[1:] for one in told[:2]] == [("escalated", "tech-2"), ("escalated", "supervisor-1")]
    assert {one[2] for one in reminded} == {"tech-1", "tech-2", "supervisor-1"}
    assert sorted({one[0] for one in reminded}) == [
        at("2025-10-23T10:00"),
        at("2025-10-30T10:00"),
        at("2025-11-06T10:00"),
    ]


def test_a_fault_is_not_repeated_where_nobody_can_answer() -> None:
    """Without page, mail or text for answers a reminder would come for ever."""
    watching = Watching(here(board=None), "2025-10-20T10:00")
    watching.cycle(matter(FAULT))
    told = watching.until(at("2025-11-07T12:00"), timedelta(hours=1), matter(FAULT))
    assert {one[1] for one in told} == {"escalated"}


def test_one_answer_ends_the_reminders_for_all() -> None:
    """Nobody is asked again."""
    watching = Watching(here(), "2025-10-20T10:00")
    watching.cycle(matter(FAULT))
    watching.until(at("2025-10-23T12:00"), timedelta(hours=1), matter(FAULT))
    watching.cycle(matter(FAULT), answers=[answer("acknowledge", who="tech-2")])
    assert watching.until(at("2025-11-07T12:00"), timedelta(hours=1), matter(FAULT)) == []


def test_while_it_seems_to_be_over_nobody_is_called() -> None:
    """The off-delay runs: it may return within the half hour."""
    standing = replace(silent(), asked_at=at("2025-10-20T10:00"), raised_at=at("2025-10-20T10:00"))
    now = at("2025-10-22T12:00")
    assert len(calling.calls(here(), [standing], now)) == 1
    assert calling.calls(here(), [replace(standing, absent_since=now)], now) == []


@pytest.mark.parametrize("state", [AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE])
def test_what_is_set_aside_or_cannot_be_judged_asks_nobody(state: AlarmState) -> None:
    """It resumes afterwards."""
    standing = replace(battery(), asked_at=at("2025-10-20T10:00"), raised_at=at("2025-10-20T10:00"))
    aside = replace(standing, state=state, state_before=AlarmState.UNACKNOWLEDGED)
    assert calling.calls(here(), [standing], at("2025-10-22T12:00"))
    assert calling.calls(here(), [aside], at("2025-10-22T12:00")) == []


def test_a_weekly_matter_asks_nobody() -> None:
    """It goes into the digest."""
    standing = replace(battery(), when=When.WEEKLY, asked_at=at("2025-10-20T10:00"))
    assert calling.calls(here(), [standing], at("2025-10-30T12:00")) == []


def test_an_alarm_kept_by_an_earlier_version_asks_nobody() -> None:
    """Nobody knows when it asked; it is not asked for again, all at once, by an update of the program."""
    assert (
        calling.calls(
            here(), [storm(), alarm(9, "overdue", "station:hollin", "2025-01-01T00:00", {})], at("2025-11-30T12:00")
        )
        == []
    )
