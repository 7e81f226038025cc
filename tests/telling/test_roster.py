"""Who is told, when, and by which channel."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, time, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.telling.veldran import (
    alarm,
    at,
    battery,
    clogged,
    contact,
    event,
    mast_out,
    network,
    silent,
    source_out,
    storm,
    storm_over,
)
from watchman.model import Alarm, AlarmState, Event, EventKind, Notice, Severity, When
from watchman.settings import ByDaySettings
from watchman.telling import roster

NOON = "2025-10-22T12:00"
NIGHT = "2025-10-22T02:00"


def told(*events: Event) -> list[tuple[str, str]]:
    """Return who is told by what channel."""
    notices = roster.address(network(), events, at(NOON))
    return [(notice.person, notice.channel) for notice in notices]


def test_a_raised_fault_goes_to_the_role_by_every_channel_the_person_has() -> None:
    """The technician has a phone and a mail address, so one notice goes to each."""
    assert told(event(EventKind.RAISED, silent())) == [("tech-1", "text"), ("tech-1", "mail")]


def test_the_watchs_own_trouble_reaches_somebody_whatever_the_roles_are_called() -> None:
    """Where nobody has the role, everybody is told; a station's fault still goes to its own roles alone."""
    own = alarm(9, "check-failure", "tool:rule x", NOON, {"what": "rule x", "trouble": "a"}, tell=("nobody",))
    everybody = {(person.name, channel) for person in network().contacts for channel in roster.channels(person)}
    assert set(told(event(EventKind.RAISED, own))) == everybody
    assert told(event(EventKind.RAISED, replace(silent(), tell=("nobody",)))) == []


def test_a_contact_without_a_channel_is_not_told_by_it() -> None:
    """The warden has no mail address."""
    assert told(event(EventKind.RAISED, storm())) == [("warden-1", "text")]


def test_chat_is_a_channel_like_the_others() -> None:
    """Somebody with a chat room gets a third notice."""
    here = network(contacts=(contact("tech-1", "technician", chat=True),))

    notices = roster.address(here, [event(EventKind.RAISED, silent())], at(NOON))

    assert [notice.channel for notice in notices] == ["text", "mail", "chat"]


def test_a_person_with_two_roles_that_are_told_gets_one_notice() -> None:
    """Roles add up; notices don't."""
    here = network(contacts=(contact("tech-1", "technician", "crew", mail=False),))
    both = replace(silent(), tell=("technician", "crew"))

    assert len(roster.address(here, [event(EventKind.RAISED, both)], at(NOON))) == 1


@pytest.mark.parametrize("kind", sorted(set(EventKind) - roster.TOLD))
def test_events_that_are_only_written_down_reach_nobody(kind: EventKind) -> None:
    """An absorbed alarm, for one, is never told alone."""
    assert told(event(kind, silent())) == []


def test_a_weekly_matter_waits_for_the_digest() -> None:
    """Nothing is sent for a rule that says "weekly"."""
    assert told(event(EventKind.RAISED, replace(silent(), when=When.WEEKLY))) == []


def test_a_notice_carries_its_occasion_alarm_and_kind() -> None:
    """The outbox finds the alarm and the step again, and knows what a storm is."""
    [notice] = roster.address(network(), [event(EventKind.RAISED, storm(), step=3)], at(NOON))

    assert (notice.occasion, notice.alarm, notice.event, notice.kind) == ("alarm:46:3", 46, "raised", "storm")


@pytest.mark.parametrize(
    ("of", "kind"),
    [
        (storm(), "storm"),
        (silent(), "fault"),
        (source_out(), "tool"),
        (alarm(9, "check-failure", "tool:x", NOON, {}), "tool"),
    ],
)
def test_the_kind_follows_the_check(of: Alarm, kind: str) -> None:
    """Heavy rain is a storm, trouble of the watch or a source is the tool's, the rest are faults."""
    assert roster.kind(of) == kind


def test_a_station_s_return_is_told_to_whoever_acknowledged_it() -> None:
    """The others see it in the digest."""
    back = replace(silent(), state=AlarmState.NORMAL, acknowledged_by="crew-1")

    assert told(event(EventKind.RETURNED, back)) == [("crew-1", "text"), ("crew-1", "mail")]


def test_a_return_nobody_acknowledged_is_told_to_nobody() -> None:
    """It came and went by itself."""
    assert told(event(EventKind.RETURNED, replace(silent(), state=AlarmState.RETURNED))) == []


@pytest.mark.parametrize("of", [mast_out(), source_out()])
def test_a_shared_cause_tells_its_return_to_all(of: Alarm) -> None:
    """One return for a mast or a source, to those who were told of it."""
    back = replace(of, state=AlarmState.NORMAL)

    assert told(event(EventKind.RETURNED, back)) == [("tech-1", "text"), ("tech-1", "mail")]


def test_the_end_of_a_storm_is_told_to_all_that_were_told_of_it() -> None:
    """One summary at the end, acknowledged or not."""
    assert told(event(EventKind.ENDED, storm_over())) == [("warden-1", "text")]


def test_heavy_rain_passes_the_night() -> None:
    """At 02:00 a storm is due at once."""
    [notice] = roster.address(network(), [event(EventKind.RAISED, storm())], at(NIGHT))

    assert notice.due_at == at(NIGHT)


def test_a_fault_by_day_waits_for_the_morning() -> None:
    """What happened at 02:00 is due at 07:00."""
    notices = roster.address(network(), [event(EventKind.RAISED, silent())], at(NIGHT))

    assert {notice.due_at for notice in notices} == {at("2025-10-22T07:00")}


@pytest.mark.parametrize(
    ("now", "due"),
    [
        ("2025-10-22T06:59", "2025-10-22T07:00"),
        ("2025-10-22T07:00", "2025-10-22T07:00"),
        ("2025-10-22T18:59", "2025-10-22T18:59"),
        ("2025-10-22T19:00", "2025-10-23T07:00"),
        ("2025-11-01T22:00", "2025-11-02T07:00"),
        ("2026-03-07T22:00", "2026-03-08T07:00"),
    ],
)
def test_by_day_is_by_the_clock_on_the_wall(now: str, due: str) -> None:
    """The day begins at 07:00 and ends at 19:00, also on the days of 25 and 23 hours."""
    assert roster.next_by_day(network(), at(now)) == at(due)


def test_the_night_of_a_clock_change_has_its_true_length() -> None:
    """From 22:00 to 07:00 it is ten hours when clocks go back, and eight when they go forward."""
    back, forward = at("2025-11-01T22:00"), at("2026-03-07T22:00")

    assert roster.next_by_day(network(), back) - back == timedelta(hours=10)
    assert roster.next_by_day(network(), forward) - forward == timedelta(hours=8)


@given(
    st.datetimes(datetime.fromisoformat("2024-01-01"), datetime.fromisoformat("2028-01-01"), timezones=st.just(UTC)),
    st.integers(0, 22),
)
def test_by_day_is_never_in_the_past_and_always_in_the_day(now: datetime, begins: int) -> None:
    """Whatever the hour, what is due by day is due within the written hours, a day away at most."""
    here = network(by_day=ByDaySettings(begins=time(begins), ends=time(begins + 1)))

    due = roster.next_by_day(here, now)

    assert now <= due < now + timedelta(hours=25)
    # A written hour that a clock change leaves out is an hour later on the wall.
    assert due.astimezone(here.zone).hour in (begins, begins + 1 if begins == 2 else begins)


def test_two_faults_at_one_station_at_once_are_one_notice() -> None:
    """A battery that ends and the silence that follows are one matter; the severer speaks."""
    flat = replace(battery(at_station="fennick"), severity=Severity.MINOR)
    events = [event(EventKind.RAISED, flat), event(EventKind.RAISED, silent())]

    notices = roster.address(network(), events, at(NOON))

    assert [(notice.alarm, notice.channel) for notice in notices] == [(41, "text"), (41, "mail")]


def test_faults_at_two_stations_are_two_notices() -> None:
    """Nothing joins Larkmoor's battery and Fennick's silence."""
    events = [event(EventKind.RAISED, battery()), event(EventKind.RAISED, silent())]

    assert {notice.alarm for notice in roster.address(network(), events, at(NOON))} == {41, 45}


def test_a_storm_is_never_joined_with_a_fault() -> None:
    """Heavy rain always gets its own notice."""
    here = network(contacts=(contact("warden-1", "warden", "technician", mail=False),))
    events = [event(EventKind.RAISED, storm()), event(EventKind.RAISED, silent())]

    assert len(roster.address(here, events, at(NOON))) == 2


def test_two_rules_about_one_storm_are_one_notice_a_step_and_person() -> None:
    """The more severe is told; the end of the storm is one notice too, and no part of the next one's beginning."""
    other = replace(storm(number=47, severity=Severity.SEVERE), key=replace(storm().key, rule="heavy-rain-road"))
    both = [event(EventKind.RAISED, storm()), event(EventKind.UPDATED, other)]
    assert [notice.alarm for notice in roster.address(network(), both, at(NOON))] == [47]
    assert [notice.alarm for notice in roster.address(network(), both[::-1], at(NOON))] == [47]
    over = [event(EventKind.ENDED, storm_over()), event(EventKind.ENDED, replace(storm_over(number=47), key=other.key))]
    assert len(roster.address(network(), over, at(NOON))) == 1
    assert len(roster.address(network(), [over[0], both[1]], at(NOON))) == 2
    waits = [notice_of(storm(), EventKind.RAISED), notice_of(other, EventKind.UPDATED, made=NOON)]
    assert [notice.alarm for notice in roster.still_due(waits, {46: storm(), 47: other})[0]] == [47], "not the first"
    road = replace(other, tell=("crew",))
    assert len(roster.address(network(), [both[0], event(EventKind.RAISED, road)], at(NOON))) > 1, "two people"


def notice_of(of: Alarm, kind: EventKind, step: int = 1, made: str = NIGHT) -> Notice:
    """Return the technician's text of one step."""
    here = network(contacts=(contact("tech-1", "technician", "warden", mail=False),))
    of = replace(of, tell=("technician",), acknowledged_by="tech-1" if kind is EventKind.RETURNED else "")
    return roster.address(here, [event(kind, of, step=step)], at(made))[0]


def test_what_is_over_by_the_morning_is_not_told() -> None:
    """A fault raised at 02:00 and gone at 05:00 needs no word at 07:00."""
    waiting = notice_of(silent(), EventKind.RAISED)
    gone = replace(silent(), state=AlarmState.NORMAL, ended_at=at("2025-10-22T05:00"))

    assert roster.still_due([waiting], {41: gone}) == ([], [], [waiting])


def test_a_fault_that_came_and_went_untold_needs_no_return() -> None:
    """Neither the raise nor the return is sent when both still wait."""
    over = replace(silent(), state=AlarmState.RETURNED)
    waiting = [notice_of(silent(), EventKind.RAISED), notice_of(over, EventKind.RETURNED, step=2)]

    assert roster.still_due(waiting, {41: over}) == ([], [], waiting)


def test_a_return_is_told_when_the_raise_was() -> None:
    """The raise went out yesterday, so the return goes out too."""
    over = replace(silent(), state=AlarmState.NORMAL, ended_at=at(NOON))
    waiting = notice_of(over, EventKind.RETURNED, step=2)

    assert roster.still_due([waiting], {41: over}) == ([waiting], [], [])


def test_of_one_alarm_only_the_newest_step_is_told() -> None:
    """A raise and its update that both waited for the morning are one notice."""
    raised, updated = notice_of(silent(), EventKind.RAISED), notice_of(silent(), EventKind.UPDATED, step=2)

    assert roster.still_due([raised, updated], {41: silent()}) == ([updated], [], [raised])


def test_what_joined_a_wider_trouble_is_not_told_alone() -> None:
    """The mast's notice tells it."""
    waiting = notice_of(silent(), EventKind.RAISED)

    assert roster.still_due([waiting], {41: replace(silent(), absorbed_by=44)}) == ([], [], [waiting])


@pytest.mark.parametrize("state", sorted(roster.HELD))
def test_what_is_held_is_not_told(state: AlarmState) -> None:
    """Shelved and out of service say nothing."""
    waiting = notice_of(silent(), EventKind.RAISED)

    assert roster.still_due([waiting], {41: replace(silent(), state=state)}) == ([], [], [waiting])


def test_what_cannot_be_judged_at_the_moment_waits() -> None:
    """One failed fetch at 07:00 does not lose the notice of the night; a return waits likewise."""
    unsure = replace(silent(), state=AlarmState.SUPPRESSED, state_before=AlarmState.UNACKNOWLEDGED)
    over = notice_of(replace(silent(), state=AlarmState.RETURNED), EventKind.RETURNED, step=2)
    raised = notice_of(silent(), EventKind.RAISED)

    assert roster.still_due([raised], {41: unsure}) == ([], [raised], [])
    assert roster.still_due([over], {41: unsure}) == ([], [over], [])
    assert roster.still_due([raised], {41: silent()}) == ([raised], [], [])


def test_a_fault_that_waits_displaces_no_other() -> None:
    """Of two faults at a station, the one that can be judged is told."""
    unsure = replace(silent(), state=AlarmState.SUPPRESSED, severity=Severity.EXTREME)
    flat = battery(at_station="fennick")
    waits, told_now = notice_of(unsure, EventKind.RAISED), notice_of(flat, EventKind.RAISED)

    assert roster.still_due([waits, told_now], {41: unsure, 45: flat}) == ([told_now], [waits], [])


def test_what_is_due_now_is_not_displaced_by_what_waits_for_the_day() -> None:
    """At 02:00 a moderate fault that is told at once speaks, though a severer one by day lies at the same station."""
    urgent = replace(silent(), when=When.NOW)
    severe = replace(battery(at_station="fennick"), severity=Severity.SEVERE)

    notices = roster.address(network(), [event(EventKind.RAISED, severe), event(EventKind.RAISED, urgent)], at(NIGHT))

    assert {(notice.alarm, notice.due_at) for notice in notices} == {(41, at(NIGHT))}


def test_the_end_of_a_shelved_storm_is_told_to_nobody() -> None:
    """Who set it aside does not want its end either."""
    assert told(event(EventKind.ENDED, replace(storm_over(), state=AlarmState.SHELVED))) == []


def test_a_reminder_is_withdrawn_once_somebody_acknowledged() -> None:
    """One acknowledgement stops the reminders of all."""
    waiting = notice_of(silent(), EventKind.REMINDED, step=2)
    taken = replace(silent(), state=AlarmState.ACKNOWLEDGED, acknowledged_by="crew-1")

    assert roster.still_due([waiting], {41: taken}) == ([], [], [waiting])


def test_a_storm_is_told_even_when_it_is_over() -> None:
    """A notice of heavy rain that could not leave in time still leaves; its words say that it is late."""
    waiting = notice_of(storm(), EventKind.RAISED)
    over = replace(storm(), state=AlarmState.NORMAL, ended_at=at(NIGHT))

    assert roster.still_due([waiting], {46: over}) == ([waiting], [], [])


def test_two_persons_notices_do_not_stand_for_each_other() -> None:
    """Each person and channel is looked at alone."""
    here = network(contacts=(contact("tech-1", "technician"), contact("tech-2", "technician")))
    waiting = roster.address(here, [event(EventKind.RAISED, silent())], at(NIGHT))

    assert roster.still_due(waiting, {41: silent()})[0] == waiting
    assert len(waiting) == 4


def test_what_is_no_step_of_an_alarm_passes_through() -> None:
    """A drill has no alarm that could be over."""
    drill = roster.summon(network(), "drill:3", "drill", network().contacts, at(NOON))

    assert roster.still_due(drill, {}) == (drill, [], [])


def test_a_digest_goes_by_mail_alone() -> None:
    """Nobody wants ten sections as a text."""
    notices = roster.summon(network(), "digest:2025-W43", "digest", network().contacts, at(NOON))

    assert {notice.channel for notice in notices} == {"mail"}
    assert {notice.person for notice in notices} == {"tech-1", "crew-1", "supervisor-1"}


def test_a_crew_is_told_of_what_its_role_is_told_of() -> None:
    """The clogged gauge goes to the crew, not to the technician."""
    assert told(event(EventKind.RAISED, clogged())) == [("crew-1", "text"), ("crew-1", "mail")]


def test_who_relies_on_a_gauge_is_told_by_name() -> None:
    """stations.csv may name a person in place of a role; nobody else is told for that."""
    of = silent()
    event_ = event(EventKind.RAISED, replace(of, tell=("crew", "warden-1")), NOON)
    assert {one.name for one in roster.told_of(network(), event_)} == {"crew-1", "warden-1"}


def test_a_volunteer_hears_of_the_gauge_they_host_and_of_no_other() -> None:
    """Where a rule tells volunteers, each gets their own; somebody with another role besides gets all."""
    hosts = (
        contact("host-1", "volunteer host", mail=False),
        contact("host-2", "volunteer host", mail=False),
        contact("keeper", "volunteer host", "crew", mail=False),
    )
    alarm = replace(silent(), tell=("volunteer host",))
    stations = tuple(
        station.model_copy(update={"host": "host-1" if station.id in alarm.stations else "host-2"})
        for station in network().stations
    )
    here = network(contacts=hosts, stations=stations)
    told = roster.told_of(here, event(EventKind.RAISED, alarm))
    assert [person.name for person in told] == ["host-1", "keeper"]
