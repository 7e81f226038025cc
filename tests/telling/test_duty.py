"""Who is on duty, who is away, and when a person's own hours let a notice through."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, time, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.telling.veldran import alarm, at, contact, event, mast_out, network, silent, source_out, storm, storm_over
from watchman.model import AlarmState, EventKind, Turn, When
from watchman.network import Network
from watchman.settings import ByDaySettings, Contact, DutySettings, HolidaySettings, QuietHoursSettings
from watchman.telling import roster

PEOPLE = (
    contact("tech-1", "technician"),
    contact("tech-2", "technician"),
    contact("tech-3", "technician"),
    contact("warden-1", "warden", mail=False),
    contact("supervisor-1", "supervisor", text=False),
)
WEEKLY = DutySettings(role="technician", people=("tech-1", "tech-2", "tech-3"), first_day=date(2025, 10, 24))
"""A week each from a Friday noon on."""


def here(**changed: Any) -> Network:
    """Return the network with three technicians who take turns."""
    return network(**{"contacts": PEOPLE, "duty": (WEEKLY,)} | changed)


def turn(person: str, begins: str, ends: str, role: str = "technician") -> Turn:
    return Turn(role, person, at(begins), at(ends))


def away(person: str, first: str, last: str | None = None) -> HolidaySettings:
    days = {"first_day": date.fromisoformat(first)} | ({"last_day": date.fromisoformat(last)} if last else {})
    return HolidaySettings(person=person, **days)


def names(of: Network, now: str, role: str = "technician") -> list[str]:
    return [one.name for one in roster.on_duty(of, role, at(now))]


# --- turns ---


@pytest.mark.parametrize(
    ("now", "person"),
    [
        ("2025-10-01T12:00", "tech-1"),
        ("2025-10-24T11:59", "tech-1"),
        ("2025-10-24T12:00", "tech-1"),
        ("2025-10-31T11:59", "tech-1"),
        ("2025-10-31T12:00", "tech-2"),
        ("2025-11-02T01:30", "tech-2"),
        ("2025-11-07T11:59", "tech-2"),
        ("2025-11-07T12:00", "tech-3"),
        ("2025-11-14T12:00", "tech-1"),
        ("2026-03-06T12:00", "tech-2"),
        ("2026-03-13T11:59", "tech-2"),
        ("2026-03-13T12:00", "tech-3"),
    ],
)
def test_turns_change_at_the_hand_over_by_the_clock_on_the_wall(now: str, person: str) -> None:
    """Every Friday at noon, also after the nights in which clocks change; before the first day the first is on duty."""
    assert names(here(), now) == [person]


@pytest.mark.parametrize(
    ("first_day", "hours"), [(date(2025, 11, 1), 25), (date(2026, 3, 7), 23), (date(2026, 5, 1), 24)]
)
def test_a_turn_of_a_day_is_as_long_as_its_day(first_day: date, hours: int) -> None:
    """Over a clock change somebody is on duty an hour longer or shorter, and nobody is so twice or never."""
    daily = WEEKLY.model_copy(update={"first_day": first_day, "days": 1})
    of = here(duty=(daily,))
    begins = at(f"{first_day}T12:00")
    on_duty = [roster.on_duty(of, "technician", begins + timedelta(minutes=15 * step)) for step in range(4 * 26)]
    assert [one.name for [one] in on_duty].count("tech-1") == 4 * hours
    assert roster.turn_ends_at(of, "technician", begins) == begins + timedelta(hours=hours)


@given(st.datetimes(at("2025-10-25T00:00").replace(tzinfo=None), at("2027-01-01T00:00").replace(tzinfo=None)))
def test_whoever_is_on_duty_is_so_until_the_turn_ends(now: Any) -> None:
    """The end that people are told is the moment at which another one takes over."""
    moment = at(now.isoformat())
    ends = roster.turn_ends_at(here(), "technician", moment)
    assert ends is not None
    assert ends > moment
    before, after = (
        roster.on_duty(here(), "technician", ends + shift) for shift in (-timedelta(seconds=1), timedelta(0))
    )
    assert before == roster.on_duty(here(), "technician", moment)
    assert after != before


def test_without_a_first_day_the_first_is_always_on_duty() -> None:
    """The others come after, in their order."""
    of = here(duty=(WEEKLY.model_copy(update={"first_day": None}),))
    assert roster.in_turn(of, "technician", at("2026-01-01T00:00")) == ["tech-1", "tech-2", "tech-3"]
    assert roster.turn_ends_at(of, "technician", at("2026-01-01T00:00")) is None


def test_a_role_without_turns_is_done_by_everybody() -> None:
    """Nobody takes turns as warden here."""
    assert names(here(duty=()), "2025-10-24T13:00") == ["tech-1", "tech-2", "tech-3"]


def test_only_whoever_is_on_duty_is_told() -> None:
    """One fault, one person's phone and mail."""
    notices = roster.address(here(), [event(EventKind.RAISED, silent(), "2025-11-01T12:00")], at("2025-11-01T12:00"))
    assert {notice.person for notice in notices} == {"tech-2"}


def test_an_entry_in_the_calendar_goes_before_the_written_turn() -> None:
    """From its beginning to its end, to the minute; then the written turns hold again."""
    of = here(turns=(turn("tech-3", "2025-10-25T08:00", "2025-10-25T20:00"),))
    moments = ("2025-10-25T07:59", "2025-10-25T08:00", "2025-10-25T19:59", "2025-10-25T20:00")
    assert [names(of, now) for now in moments] == [["tech-1"], ["tech-3"], ["tech-3"], ["tech-1"]]
    assert roster.in_turn(of, "technician", at("2025-10-25T09:00")) == ["tech-3", "tech-1", "tech-2"]
    assert roster.turn_ends_at(of, "technician", at("2025-10-25T09:00")) == at("2025-10-25T20:00")


def test_of_two_entries_the_later_one_is_the_swap() -> None:
    """An evening taken over within somebody's week; the other is next in the order."""
    week = turn("tech-2", "2025-10-24T12:00", "2025-10-31T12:00")
    evening = turn("tech-3", "2025-10-25T18:00", "2025-10-25T23:00")
    for turns in ((week, evening), (evening, week)):
        assert roster.in_turn(here(turns=turns), "technician", at("2025-10-25T19:00")) == ["tech-3", "tech-2", "tech-1"]


def test_a_calendar_may_name_somebody_without_the_role_and_nobody_at_all() -> None:
    """A cover is told; a name that is no contact is passed over."""
    cover = turn("supervisor-1", "2025-10-25T08:00", "2025-10-25T20:00")
    assert names(here(turns=(cover,)), "2025-10-25T09:00") == ["supervisor-1"]
    assert names(here(turns=(replace(cover, person="nobody"),)), "2025-10-25T09:00") == ["tech-1"]


def test_another_role_s_calendar_says_nothing_here() -> None:
    """The crew's turns are not the technicians'."""
    of = here(turns=(turn("tech-3", "2025-10-25T08:00", "2025-10-25T20:00", role="crew"),))
    assert names(of, "2025-10-25T09:00") == ["tech-1"]


# --- holidays ---


def test_who_is_on_holiday_is_covered_by_the_next() -> None:
    """From the first day's midnight to the last day's, on the network's own clock."""
    of = here(holidays=(away("tech-1", "2025-10-25", "2025-10-26"),))
    moments = ("2025-10-24T23:59", "2025-10-25T00:00", "2025-10-26T23:59", "2025-10-27T00:00")
    assert [names(of, now) for now in moments] == [["tech-1"], ["tech-2"], ["tech-2"], ["tech-1"]]


def test_a_holiday_of_one_day_needs_no_last_day() -> None:
    """And ends with that day."""
    of = here(holidays=(away("tech-1", "2025-10-25"),))
    assert [names(of, f"2025-10-{day}T12:00") for day in (25, 26)] == [["tech-2"], ["tech-1"]]


def test_without_turns_the_others_are_told() -> None:
    """Of a role that everybody does, whoever is away is left out."""
    of = here(duty=(), holidays=(away("tech-1", "2025-10-25"),))
    assert names(of, "2025-10-25T12:00") == ["tech-2", "tech-3"]


def test_when_nobody_is_left_everybody_is_told() -> None:
    """A notice on a holiday is better than none; only who said STOP stays untold."""
    gone = tuple(away(name, "2025-10-25") for name in ("tech-1", "tech-2", "tech-3"))
    assert names(here(holidays=gone), "2025-10-25T12:00") == ["tech-1", "tech-2", "tech-3"]
    stopped = here(holidays=gone, stopped=frozenset({"tech-2"}))
    assert names(stopped, "2025-10-25T12:00") == ["tech-1", "tech-3"]


def test_a_day_on_which_nobody_works_sends_nobody_away() -> None:
    """On a public holiday whoever is on duty is on duty."""
    assert names(here(holidays=(away("", "2025-10-25"),)), "2025-10-25T12:00") == ["tech-1"]


def test_who_said_stop_is_told_nothing_whatever_came_before() -> None:
    """Not as the one on duty, nor as the one who acknowledged."""
    of = here(stopped=frozenset({"tech-1"}))
    assert names(of, "2025-10-25T12:00") == ["tech-2"]
    shared = replace(mast_out(), state=AlarmState.NORMAL, acknowledged_by="tech-1", raised_at=at("2025-10-25T11:00"))
    told = roster.told_of(of, event(EventKind.RETURNED, shared, "2025-10-25T12:00"))
    assert [one.name for one in told] == ["tech-2"]


# --- who hears how it goes on ---


def test_the_end_of_a_storm_also_reaches_whoever_was_on_duty_when_it_began() -> None:
    """Hand-over in the middle of a storm: both hear that it is over; an update goes to the one on duty alone."""
    people = (contact("warden-1", "warden"), contact("warden-2", "warden"))
    turns = DutySettings(role="warden", people=("warden-1", "warden-2"), first_day=date(2025, 10, 15))
    of = network(contacts=people, duty=(turns,))
    over = replace(storm_over(), raised_at=at("2025-10-22T11:50"))
    told = [one.name for one in roster.told_of(of, event(EventKind.ENDED, over, "2025-10-22T13:30"))]
    assert told == ["warden-1", "warden-2"]
    worse = replace(storm(), raised_at=at("2025-10-22T11:50"))
    told = [one.name for one in roster.told_of(of, event(EventKind.UPDATED, worse, "2025-10-22T12:30"))]
    assert told == ["warden-2"]


def test_whoever_was_called_hears_how_it_goes_on() -> None:
    """Updates, and the return of a station of which others read in the digest."""
    called = replace(silent(), called=("supervisor-1",), raised_at=at("2025-10-25T09:00"))
    told = roster.told_of(here(), event(EventKind.UPDATED, called, "2025-10-25T12:00"))
    assert [one.name for one in told] == ["tech-1", "supervisor-1"]
    back = replace(called, state=AlarmState.RETURNED)
    told = roster.told_of(here(), event(EventKind.RETURNED, back, "2025-10-25T12:00"))
    assert [one.name for one in told] == ["supervisor-1"]


# --- quiet hours ---


def quiet(begins: str, ends: str, *, hold: bool = False, roles: tuple[str, ...] = ("technician", "warden")) -> Contact:
    hours = QuietHoursSettings(begins=time.fromisoformat(begins), ends=time.fromisoformat(ends))
    return contact("tech-1", *roles).model_copy(update={"quiet_hours": hours, "hold_heavy_rain": hold})


def due(person: Contact, now: str, of: Any = None, **changed: Any) -> Any:
    """Return when a person's notice is due; without an alarm, of a fault that is told at any hour."""
    of = of or replace(silent(), when=When.NOW)
    return roster.due_for(network(contacts=(person,), **changed), person, of, at(now))


@pytest.mark.parametrize(
    ("now", "expected"),
    [
        ("2025-10-22T21:59", "2025-10-22T21:59"),
        ("2025-10-22T22:00", "2025-10-23T06:30"),
        ("2025-10-23T00:00", "2025-10-23T06:30"),
        ("2025-10-23T06:29", "2025-10-23T06:30"),
        ("2025-10-23T06:30", "2025-10-23T06:30"),
        ("2025-11-01T22:30", "2025-11-02T06:30"),
        ("2025-11-02T05:00", "2025-11-02T06:30"),
        ("2026-03-07T23:00", "2026-03-08T06:30"),
    ],
)
def test_quiet_hours_past_midnight_are_bedroom_hours(now: str, expected: str) -> None:
    """From 22:00 to 06:30 by the clock on the wall, also in the nights of 25 and 23 hours."""
    assert due(quiet("22:00", "06:30"), now) == at(expected)


def test_the_quiet_night_of_a_clock_change_has_its_true_length() -> None:
    """Nine and a half hours when clocks go back, seven and a half when they go forward."""
    person = quiet("22:00", "06:30")
    lengths = [due(person, evening) - at(evening) for evening in ("2025-11-01T22:00", "2026-03-07T22:00")]
    assert lengths == [timedelta(hours=9.5), timedelta(hours=7.5)]


def test_quiet_hours_at_the_day_s_edges_and_the_network_s_day_hold_both() -> None:
    """Who sleeps until nine is told of what can wait at nine; who rests at noon, afterwards."""
    late = quiet("23:00", "09:00")
    assert due(late, "2025-10-23T02:00", silent()) == at("2025-10-23T09:00")
    noon = quiet("12:00", "14:00")
    assert due(noon, "2025-10-23T12:30", silent()) == at("2025-10-23T14:00")
    evening = quiet("17:00", "21:00")
    assert due(evening, "2025-10-23T18:00", silent()) == at("2025-10-24T07:00")
    shift = quiet("06:00", "15:00")
    assert due(shift, "2025-10-23T20:00", silent()) == at("2025-10-24T15:00")


@given(
    st.datetimes(at("2025-10-01T00:00").replace(tzinfo=None), at("2026-10-01T00:00").replace(tzinfo=None)),
    st.integers(0, 95),
    st.integers(1, 46),
)
def test_a_fault_is_never_told_in_quiet_hours_nor_outside_the_day(now: Any, begins: int, quarters: int) -> None:
    """Whatever they are: the notice is due in the network's day, out of the quiet hours, within two days."""
    ends = (begins + quarters) % 96
    person = quiet(*(f"{one // 4:02d}:{one % 4 * 15:02d}" for one in (begins, ends)))
    of = network(contacts=(person,), by_day=ByDaySettings())
    moment = at(now.isoformat())
    told = roster.due_for(of, person, silent(), moment)
    clock = told.astimezone(of.zone).time()
    hours = person.quiet_hours
    assert hours is not None
    silent_now = hours.begins <= clock < hours.ends if begins < ends else not hours.ends <= clock < hours.begins
    assert not silent_now
    assert roster.is_day(of, told)
    assert moment <= told < moment + timedelta(days=2)


@pytest.mark.parametrize(
    "of",
    [
        storm(),
        replace(silent(neighbours_wet=True), when=When.NOW),
        replace(mast_out(), when=When.NOW),
        replace(source_out(), when=When.NOW),
    ],
    ids=["heavy rain", "a station blind beside rain", "a mast blind beside rain", "a source blind beside rain"],
)
def test_heavy_rain_and_blindness_beside_rain_pass_quiet_hours(of: Any) -> None:
    """Unless the person said in so many words that they must not."""
    assert due(quiet("22:00", "06:30"), "2025-10-23T02:00", of) == at("2025-10-23T02:00")
    assert due(quiet("22:00", "06:30", hold=True), "2025-10-23T02:00", of) == at("2025-10-23T06:30")


def test_a_station_silent_in_dry_weather_does_not_pass_them() -> None:
    """Not even where its rule tells at any hour."""
    dry = replace(silent(neighbours_wet=False), when=When.NOW)
    assert due(quiet("22:00", "06:30"), "2025-10-23T02:00", dry) == at("2025-10-23T06:30")


def test_one_person_s_quiet_hours_are_nobody_else_s() -> None:
    """The other technician's phone rings."""
    here_too = network(contacts=(quiet("22:00", "06:30"), contact("tech-2", "technician")))
    own = alarm(9, "check-failure", "tool:x", "2025-10-23T02:00", {"what": "x", "trouble": "y"}, when=When.NOW)
    notices = roster.address(here_too, [event(EventKind.RAISED, own)], at("2025-10-23T02:00"))
    assert {(notice.person, notice.due_at) for notice in notices} == {
        ("tech-1", at("2025-10-23T06:30")),
        ("tech-2", at("2025-10-23T02:00")),
    }


def test_a_drill_respects_quiet_hours_and_a_visitor_s_notice_does_not_wait() -> None:
    """Who is on site is awake; that a storm's notice was lost wakes whoever can see to it."""
    person = quiet("22:00", "06:30")
    of, night = network(contacts=(person,)), at("2025-10-23T02:00")

    def first_due(kind: str, **how: bool) -> Any:
        return roster.summon(of, f"{kind}:1", kind, of.contacts, night, **how)[0].due_at

    assert first_due("drill") == at("2025-10-23T06:30")
    assert first_due("visit") == night
    assert first_due("tool", urgent=True) == night
