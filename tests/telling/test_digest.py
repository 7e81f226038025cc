"""The week for the supervisor: when it is owed, what it counts, how it reads."""

from __future__ import annotations

from dataclasses import replace
from datetime import time, timedelta
from typing import Any

import numpy as np
import pytest
from pydantic import SecretStr

from tests.telling.veldran import (
    CONTACTS,
    STATIONS,
    alarm,
    at,
    battery,
    clogged,
    event,
    network,
    notice,
    silent,
    source_out,
    spread,
    storm_over,
)
from watchman.model import Alarm, AlarmState, Certainty, EventKind, Notice, NoticeState, When
from watchman.settings import BoardSettings, DigestSettings
from watchman.telling import digest

WEEK = "2025-W43"
SUPERVISOR = CONTACTS[2]


def facts(**changed: Any) -> digest.WeekFacts:
    """Return a week in which every station sent everything and had 1, 2, 3 ... mm a day by its place in the list."""
    rain = np.tile(np.arange(1, len(STATIONS) + 1, dtype=np.int64)[:, None] * 1000, 7)
    return digest.WeekFacts(**{"week": WEEK, "rain_um": rain, "known": np.ones(rain.shape)} | changed)


def words(**changed: Any) -> str:
    """Return the plain part on one line."""
    mail = digest.digest_words(digest.week(network(), facts(**changed)), SUPERVISOR, network())
    assert mail.trouble == ""
    return " ".join(mail.text.split())


# --- when it is owed ---


@pytest.mark.parametrize(
    ("now", "owed"),
    [
        ("2025-10-27T07:29", []),
        ("2025-10-27T07:30", [WEEK]),
        ("2025-10-29T23:00", [WEEK]),
        ("2025-11-03T07:29", [WEEK]),
        ("2025-11-03T07:30", [WEEK, "2025-W44"]),
        ("2025-11-17T12:00", [WEEK, "2025-W44", "2025-W45", "2025-W46"]),
    ],
)
def test_a_digest_is_owed_from_its_hour_until_it_has_a_mark(now: str, owed: list[str]) -> None:
    """Whenever the host wakes: nothing is lost by being off on Monday, and three missed Mondays are named."""
    assert digest.due_weeks(network(), {"digest:2025-W42"}, at(now)) == owed


def test_a_digest_with_a_mark_is_not_owed_again() -> None:
    """A restart on the same Monday sends no second one."""
    assert digest.due_weeks(network(), {f"digest:{WEEK}"}, at("2025-10-27T09:00")) == []


def test_weeks_before_the_watch_began_are_not_owed() -> None:
    """A network set up on a Wednesday owes its first digest on the Monday after."""
    began = at("2025-10-29T10:00")

    assert digest.due_weeks(network(), set(), at("2025-10-29T10:01"), watched_since=began) == []
    assert digest.due_weeks(network(), set(), at("2025-11-03T07:30"), watched_since=began) == ["2025-W44"]


def test_without_any_mark_only_the_newest_week_is_owed() -> None:
    """An old store without marks does not bring half a year of digests."""
    assert digest.due_weeks(network(), set(), at("2025-10-27T07:30")) == [WEEK]


def test_the_hour_is_by_the_clock_on_the_wall() -> None:
    """On the Monday after clocks went back it is 07:30 in the new time."""
    assert digest.due_weeks(network(), {f"digest:{WEEK}"}, at("2025-11-03T07:30") - timedelta(minutes=1)) == []


def test_another_weekday_and_hour_may_be_written() -> None:
    """On Wednesdays at 16:00, for the week that ended on Sunday."""
    here = network(digest=DigestSettings(weekday="Wednesday", time=time(16)))
    marks = {"digest:2025-W42"}

    assert digest.due_weeks(here, marks, at("2025-10-29T15:59")) == []
    assert digest.due_weeks(here, marks, at("2025-10-29T16:00")) == [WEEK]


@pytest.mark.parametrize(("name", "hours"), [(WEEK, 168), ("2025-W44", 169), ("2026-W10", 167)])
def test_a_local_week_has_its_true_length(name: str, hours: int) -> None:
    """A week with a clock change has an hour more or less."""
    begin, end = digest.week_span(network(), name)

    assert end - begin == timedelta(hours=hours)


def test_the_week_of_new_year_has_its_iso_name() -> None:
    """29 December 2025 lies in the first week of 2026 (ISO 8601)."""
    assert digest.week_name(at("2025-12-29T12:00").date()) == "2026-W01"
    assert digest.week_span(network(), "2026-W01")[0] == at("2025-12-29T00:00")


# --- what it counts ---


def test_totals_are_of_counted_rain_and_ranked() -> None:
    """Ten stations with 7, 14 ... 70 mm: the median lies between the fifth and the sixth."""
    week = digest.week(network(), facts())

    assert week.median_mm == 38.5
    assert (week.ranked[0].station, week.ranked[0].total_mm) == ("nettle", 70.0)
    assert (week.ranked[-1].station, week.ranked[-1].total_mm) == ("ashlow", 7.0)


def test_a_station_that_sent_too_little_is_not_ranked() -> None:
    """A total with holes would be the least of all for the wrong reason."""
    known = np.ones((10, 7))
    known[0, :2] = 0.0
    week = digest.week(network(), facts(known=known))

    assert week.stations[0].left_out == "only 71 % received"
    assert week.ranked[-1].station == "bracken"


def test_a_clogged_gauge_and_one_set_aside_are_not_ranked() -> None:
    """Each with its reason."""
    week = digest.week(network(), facts(open_alarms=(clogged(),), left_out={"corrow": "poured water"}))

    assert {one.station: one.left_out for one in week.stations if one.left_out} == {
        "hollin": "clogged? no. 43",
        "corrow": "poured water",
    }


def test_a_day_of_which_nothing_is_known_is_no_dry_day() -> None:
    """Missing is never zero."""
    known = np.ones((10, 7))
    known[3, 4] = 0.0

    assert digest.week(network(), facts(known=known)).stations[3].days_mm[4] is None


def test_completeness_weighs_days_by_their_length() -> None:
    """In the week of 169 hours, the Sunday of 25 counts for 25."""
    known = np.ones((10, 7))
    known[:, 6] = 0.0

    assert digest.week(network(), facts(week="2025-W44", known=known)).received == pytest.approx(144 / 169)


def test_alarms_raised_over_and_standing_are_told_apart() -> None:
    """Each alarm is counted once, as it stood last; storms are not faults."""
    over = replace(source_out(), ended_at=at("2025-10-24T16:40"))
    events = tuple(event(EventKind.RAISED, of) for of in (source_out(), silent(), storm_over()))
    week = digest.week(network(), facts(events=(*events, event(EventKind.RETURNED, over)), open_alarms=(silent(),)))

    assert [alarm.number for alarm in week.raised] == [42, 41]
    assert week.closed == (over,)
    assert week.standing == (silent(),)
    assert [storm.alarm.number for storm in week.storms] == [46]


def test_what_returned_unacknowledged_needs_no_drive() -> None:
    """It waits only to be acknowledged: it is over, its station is well, and its rain is ranked."""
    back = tuple(replace(of, state=AlarmState.RETURNED) for of in (silent(), clogged()))
    unsure = replace(battery(), state=AlarmState.SUPPRESSED, state_before=AlarmState.RETURNED)
    events = tuple(event(EventKind.RAISED, of) for of in back)
    week = digest.week(network(), facts(events=events, open_alarms=(*back, unsure)))

    assert (week.closed, week.standing, week.trips) == (back, (), ())
    assert len(week.ranked) == len(STATIONS)


def test_the_time_to_an_answer_is_the_median() -> None:
    """Three answers after 1, 2 and 9 hours."""
    taken = [
        event(EventKind.ACKNOWLEDGED, replace(silent(), acknowledged_at=silent().since + timedelta(hours=hours)))
        for hours in (9, 1, 2)
    ]

    assert digest.week(network(), facts(events=tuple(taken))).answered_after == timedelta(hours=2)


def test_notices_that_went_out_and_those_given_up_are_counted() -> None:
    """What is still due is neither."""
    states = (NoticeState.ACCEPTED, NoticeState.ACCEPTED, NoticeState.REFUSED, NoticeState.DUE)
    rows = tuple(replace(notice(silent(), EventKind.RAISED, "text", "2025-10-23T07:10"), state=one) for one in states)
    week = digest.week(network(), facts(notices=rows))

    assert (week.sent, week.given_up) == (2, 1)


# --- how it reads ---


def test_a_week_without_trouble_says_so_in_its_first_line() -> None:
    """One line is enough for most readers."""
    mail = digest.digest_words(digest.week(network(), facts()), SUPERVISOR, network())

    assert mail.subject == "Veldran Hills week 43: all well, 100 % received"
    assert mail.text.splitlines()[0] == "Verdict   All 10 stations well; nothing to drive for."


def test_the_first_screen_holds_what_matters() -> None:
    """Verdict, completeness, rain, storms, alarms, batteries, visits: above the details."""
    known = np.ones((10, 7))
    known[4, 3] = 0.0
    mail = digest.digest_words(
        digest.week(
            network(),
            facts(
                known=known,
                events=tuple(event(EventKind.RAISED, of) for of in (storm_over(), battery(), clogged())),
                open_alarms=(battery(), clogged()),
                days_left={"larkmoor": 6.4, "corrow": 24.0},
                not_judged={"nettle": "no neighbour within 30 km"},
            ),
        ),
        SUPERVISOR,
        network(),
    )
    screen = " ".join(mail.text.split("Details\n")[0].split())

    assert mail.subject == "Veldran Hills week 43: 2 stations to see to, 98.5 % received"
    for line in (
        "8 of 10 stations well. Larkmoor battery: about 6 days left (4-9).",
        "98.5 % received (least Fennick Bridge 85.7 %).",
        "Left out: Fennick Bridge (only 85 % received), Hollin Dam (clogged? no. 43).",
        "Wed 22 Oct 16:40 UTC-6: most Ashlow Gap 31.2 mm, peak 14 mm in 15 min.",
        "2 raised, 0 of them over; 2 open now.",
        "Larkmoor about 6 days, Corrow Mill about 24 days.",
        "Road south, start by Mon 27 Oct: Hollin Dam and Larkmoor.",
        "Clogs can't be judged at Nettle Creek.",
    ):
        assert line in screen
    assert len(mail.text.split("Details\n")[0].splitlines()) < 30


def test_a_storm_says_how_rare_it_was_at_one_place_and_somewhere_here() -> None:
    """Among ten sites apart, 1/(1 - 0.9^10) = 1.5 years; where all stand together there is nothing to add."""
    rare = {"mm": 31.2, "minutes": 60, "years": 10.0, "beyond": "", "name": "Ashlow Gap"}
    over = replace(storm_over(), numbers={**storm_over().numbers, "rarest": rare})
    week = digest.week(spread(), facts(events=(event(EventKind.RAISED, over),)))
    wide = " ".join(digest.digest_words(week, SUPERVISOR, spread()).text.split())
    told = words(events=(event(EventKind.RAISED, over),))

    place = "31.2 mm in 1 h is about 1 in 10 yr at one place"
    assert f"{place}, somewhere among gauges like yours about every 1.5 years." in wide
    assert f"{place}." in told
    assert "about 1 in 10 yr (31.2 mm in 1 h)" in told
    less = replace(over, numbers={**over.numbers, "rarest": rare | {"beyond": "less"}})
    assert "1 in 10 yr" not in words(events=(event(EventKind.RAISED, less),))


def test_the_details_show_each_day_each_trip_and_each_reason() -> None:
    """Tables of rain and alarms, what to bring, why something is left out."""
    known = np.ones((10, 7))
    known[4, 3] = 0.0
    told = words(known=known, open_alarms=(battery(), clogged()), not_judged={"nettle": "no neighbour within 30 km"})

    assert "Station Mon Tue Wed Thu Fri Sat Sun Sum %" in told
    assert "Fennick Br 5 5 5 - 5 5 5 35* 85" in told
    assert "2. Larkmoor: battery: about 6 days left (4-9). Bring: Charged cell, meter," in told
    assert "Hollin Dam clogged? no. 43" in told
    assert "Nettle Creek no neighbour within 30 km" in told


def test_what_was_set_aside_for_nothing_is_named() -> None:
    """A window or shelving during which nothing happened may be a habit."""
    idle = digest.Hold("window", "ashlow", at("2025-10-21T09:00"), at("2025-10-21T12:00"), "tech-1")

    assert (
        "Maintenance window at Ashlow Gap by tech-1, Tue 21 Oct 09:00 UTC-6 to Tue 21 Oct 12:00 UTC-6: "
        "it held nothing back."
    ) in words(held_nothing=(idle,))


def test_last_week_is_corrected_when_late_rows_changed_it() -> None:
    """What was told then, and what is known now."""
    assert "Fennick Bridge 12 mm told 14.2 mm now" in words(revised={"fennick": (12.0, 14.26)})


def test_weeks_without_a_digest_are_named() -> None:
    """One digest after three Mondays off, not three."""
    told = words(also_owed=("2025-W41", "2025-W42"))

    assert "no digest was sent for weeks 2025-W41 and 2025-W42." in told


def test_the_watch_s_own_health_is_told() -> None:
    """Rows that could not be read, the last drill, and what a missing digest means."""
    health = digest.ToolHealth(3, at("2025-10-02T10:00"), 6, 7)
    told = words(health=health)

    assert "3 rows could not be read." in told
    assert "Last drill Thu 2 Oct 10:00 UTC-6: 6 of 7 answered." in told
    assert "If this mail does not come one week, the watch may be off: look." in told


def test_a_network_without_stations_that_can_be_ranked_says_so() -> None:
    """Nothing received is not nothing fallen."""
    told = words(known=np.zeros((10, 7)))

    assert "0 % received" in told
    assert "No station can be ranked." in told


def test_the_html_part_holds_the_same_and_escapes_names() -> None:
    """Complete without the plain part."""
    odd = network().stations[0].model_copy(update={"name": "<b>Ashlow</b>"})
    here = network(stations=(odd, *network().stations[1:]))
    mail = digest.digest_words(digest.week(here, facts(open_alarms=(battery(),))), SUPERVISOR, here)

    assert "<b>Ashlow" not in mail.html
    assert "&lt;b&gt;Ashlow" in mail.html
    assert "about 6 days left (4-9)" in mail.html


def test_a_week_of_which_hardly_anything_came_is_not_well() -> None:
    """Missing is never zero: no readings and no alarms are no good news."""
    told = words(known=np.full((10, 7), 0.02))

    assert "Only 2 % of the readings were received: little can be said of this week." in told
    assert "nothing to drive for" not in told


def sent(*rows: tuple[str, str, str, str], state: NoticeState = NoticeState.ACCEPTED) -> tuple[Notice, ...]:
    """Return notices about no. 41 that were accepted: (person, channel, when, kind)."""
    return tuple(
        replace(
            notice(silent(), EventKind.RAISED, channel, "2025-10-23T07:00"),
            person=person,
            kind=kind,
            state=state,
            accepted_at=at(accepted) if state is NoticeState.ACCEPTED else None,
        )
        for person, channel, accepted, kind in rows
    )


def test_why_readings_can_t_be_used_is_told_with_shares() -> None:
    """Of ten stations one is suspect for 4.2 days, 60 % of its week, and one had visits for 7 %; 1 % was too cold."""
    held = np.zeros((10, 7))
    held[2] = 0.07
    known = np.ones((10, 7)) - held
    cold = {one.id: 0.01 for one in STATIONS}
    told = words(known=known, held=held, suspect={"hollin": 0.6}, too_cold=cold)

    assert (
        "100 % received, 92.3 % usable: suspect 6 % (Hollin Dam 4.2 days), visits and tests 0.7 %, too cold to see 1 %."
    ) in told
    assert "Hollin Dam only 40 % usable" in told


def test_who_is_away_is_no_gap() -> None:
    """A station stood down sends nothing, and nothing is missing."""
    known = np.ones((10, 7))
    known[0] = 0.0
    left_out = {"ashlow": "stood down"}

    assert digest.week(network(), facts(known=known, left_out=left_out)).received == pytest.approx(0.9)
    away = digest.week(network(), facts(known=known, left_out=left_out, away=frozenset({"ashlow"})))
    assert (away.received, away.usable) == (1.0, 1.0)


def test_a_storm_says_how_fast_people_were_told_and_answered() -> None:
    """From the reading to each person's first notice, rounded up; an answer counts from the raise."""
    there = at("2025-10-22T17:05")
    raised = event(EventKind.RAISED, storm_over(), "2025-10-22T17:05")
    answer = event(EventKind.ACKNOWLEDGED, storm_over(), "2025-10-22T17:09", who="warden-1")
    rows = [
        replace(
            notice(storm_over(), EventKind.RAISED, channel, "2025-10-22T17:05"),
            person=person,
            state=NoticeState.ACCEPTED,
            accepted_at=there + timedelta(seconds=seconds),
        )
        for person, channel, seconds in (("road", "text", 121), ("warden-1", "mail", 90), ("warden-1", "text", 70.2))
    ]
    given: dict[str, Any] = {"events": (raised, answer), "available_at": {46: there}}
    told = words(**given, notices=tuple(rows))

    assert "peak 14 mm in 15 min; told after 71 s, answered after 4 min." in told
    assert "Told: warden-1 after 71 s, road after 3 min. Answered: warden-1 after 4 min." in told
    lost = tuple(replace(one, state=NoticeState.REFUSED, accepted_at=None) for one in rows)
    assert "peak 14 mm in 15 min; NOT told, no notice arrived, answered after 4 min." in words(**given, notices=lost)
    assert "told after" not in words(**given)


def test_rain_nobody_was_told_of_in_time_is_no_week_without_storms() -> None:
    """The worst of it on the first screen, all of it below."""
    untold = (
        digest.Untold("bracken", 22.0, 1, at("2025-10-24T16:00")),
        digest.Untold("ashlow", 51.0, 24, at("2025-10-24T20:00")),
    )
    told = words(untold=untold)

    line = "Nobody was told in time of 22 mm in 1 hour to Fri 24 Oct 16:00 UTC-6 at Bracken Head"
    assert f"Storms {line} and of rain at 1 other station." in told
    assert "Ashlow Gap Fri 24 Oct 20:00 UTC-6 51 mm 24 h" in told


def test_notices_are_counted_by_person_and_by_night() -> None:
    """Between 19:00 and 07:00 it is night; digests and drills disturb nobody; what got lost reached nobody."""
    rows = sent(
        ("tech-1", "text", "2025-10-23T06:59", "fault"),
        ("tech-1", "mail", "2025-10-23T07:00", "fault"),
        ("warden-1", "text", "2025-10-23T23:00", "storm"),
        ("warden-1", "text", "2025-10-23T18:59", "storm"),
        ("supervisor-1", "mail", "2025-10-20T07:30", "digest"),
        ("crew-1", "text", "2025-10-20T10:00", "drill"),
    )
    rows += tuple(replace(one, repeat=True) for one in sent(("warden-1", "text", "2025-10-23T18:59", "storm")))
    rows += sent(("crew-1", "text", "", "fault"), state=NoticeState.REFUSED)
    rows += sent(("crew-1", "text", "", "fault"), state=NoticeState.UNKNOWN)
    told = words(notices=rows)

    assert "1 matter; 4 texts, 1 mail to 2 people, 2 at night; 0 doubtful, 1 repeat, 1 lost." in told
    assert "Person Texts Mails Chats At night warden-1 3 0 0 1 tech-1 1 1 0 1 Without digests and drills." in told
    assert "Of 1 notice it is not known whether it arrived." in told


def test_rain_told_on_one_gauge_only_is_doubtful() -> None:
    """It is named with its number."""
    alone = replace(storm_over(), certainty=Certainty.POSSIBLE)

    assert digest.week(network(), facts(events=(event(EventKind.RAISED, alone),))).doubtful == (alone,)
    assert digest.week(network(), facts(events=(event(EventKind.RAISED, storm_over()),))).doubtful == ()
    poured = alarm(61, "doubtful-rain", "station:corrow", "2025-10-22T16:45", {})
    counted = replace(poured, number=62, when=When.WEEKLY)
    both = tuple(event(EventKind.RAISED, one) for one in (poured, counted))
    assert digest.week(network(), facts(events=both)).doubtful == (poured,)


def due(number: int, scope: str, days: int, when: When, what: str = "plan") -> Alarm:
    numbers = {
        "what": what,
        "due_on": "2025-10-31",
        "days_left": days,
        "limit_days": 30,
        "stations_due": ["Fennick Bridge", "Kettle Weir"] if what == "plan" else [],
    }
    return alarm(number, "due-dates", scope, "2025-10-24T07:00", numbers, when=when)


def test_what_comes_is_told_once_and_is_nothing_to_see_to() -> None:
    """A plan in its last week is told by two rules; a calibration comes after it."""
    coming = (
        due(50, "station:corrow", 20, When.WEEKLY, "calibration"),
        due(51, "plan:P7", 4, When.WEEKLY),
        due(52, "plan:P7", 4, When.BY_DAY),
    )
    week = digest.week(network(), facts(open_alarms=coming))
    told = words(open_alarms=coming)

    assert [one.number for one in week.coming] == [52, 50]
    assert week.standing == ()
    assert told.count("data plan ends Fri 31 Oct, in 4 days") == 2, "on the first screen and in the details"
    assert "Corrow Mill: calibration is due Fri 31 Oct, in 20 days." in told
    assert "All 10 stations well" in told


def test_what_is_told_in_the_digest_only_is_to_be_watched() -> None:
    """It makes no station unwell."""
    weak = replace(battery(), when=When.WEEKLY)
    told = words(open_alarms=(weak,))

    assert "All 10 stations well" in told
    assert "To watch Larkmoor battery: about 6 days left (4-9)." in told
    assert "Larkmoor battery: about 6 days left (4-9) (no. 45)" in told


def test_what_nobody_answered_and_who_was_called_instead_are_named() -> None:
    """Only where people can answer; an acknowledged one, and what only the digest tells, are not unanswered."""
    answered = replace(battery(), acknowledged_by="crew-1", acknowledged_at=at("2025-10-21T09:00"))
    weekly = replace(clogged(), when=When.WEEKLY)
    events = tuple(event(EventKind.RAISED, one) for one in (silent(), answered, weekly))
    called = event(EventKind.ESCALATED, silent(), "2025-10-24T08:00", who="crew-1", note="tech-1")
    key, listen = SecretStr("0123456789abcdef"), "127.0.0.1:8080"
    here = network(board=BoardSettings(address="https://board.example.org", listen=listen, key=key))
    given = facts(events=(*events, called), open_alarms=(silent(), answered, weekly))
    told = " ".join(digest.digest_words(digest.week(here, given), SUPERVISOR, here).text.split())

    assert "Raised this week, and nobody has answered: no. 41 Fennick Bridge." in told
    assert "Fri 24 Oct 08:00 UTC-6: crew-1 was called about no. 41; tech-1 had not answered." in told
    assert "2 raised, 0 of them over; 2 open now; 1 not answered; 1 time another was called." in told
    assert digest.week(network(), given).unanswered == ()


def test_polls_and_times_off_are_told() -> None:
    """Of 10,000 polls 4 failed: 99.96 %; the longest time between two answers is the worst source's."""
    polls = {"main": digest.Polls(9000, 4, 250), "other": digest.Polls(1000, 0, 130)}
    off = ((at("2025-10-23T01:40"), at("2025-10-23T07:15")),)
    told = words(health=digest.ToolHealth(polls=polls, off=off))

    assert "The watch Polls 99.96 % ok, longest gap 4 min; off 1 time; no drill yet." in told
    assert "Source main: asked 9000 times, 4 failed; longest time between two answers 4 min." in told
    assert "Off from Thu 23 Oct 01:40 UTC-6 to Thu 23 Oct 07:15 UTC-6." in told


def test_the_week_is_held_against_others() -> None:
    """As their digests told them."""
    told = words(before=digest.Figures(0.981, 0.97, 12.44, 1, 3, 11), year_ago=digest.Figures(0.5, 0.5, None, 0, 1, 1))

    assert "Week before: 98.1 % received, median 12.4 mm, 1 storm, 3 faults, 11 notices." in told
    assert "A year ago: 50 % received, no median, 0 storms, 1 fault, 1 notice." in told


def test_batteries_that_have_not_been_full_all_week_are_named() -> None:
    """Seven days and more; six are not the whole week."""
    told = words(days_left={"larkmoor": 6.4, "corrow": 1.2}, not_full={"larkmoor": 7, "corrow": 6})

    assert "Batteries Corrow Mill about 1 day, Larkmoor about 6 days. Not full this week: Larkmoor." in told


def test_a_digest_written_late_says_from_when_its_open_alarms_are() -> None:
    """On Wednesday what stands is Wednesday's; on Monday morning nobody need be told."""
    assert "What is open is told as of Wed 29 Oct 09:00 UTC-6." in words(made_at=at("2025-10-29T09:00"))
    assert "What is open is told" not in words(made_at=at("2025-10-27T07:30"))


def test_the_first_screen_is_short() -> None:
    """A full week's: at most a dozen sections, few of them longer than two lines of a phone held upright."""
    weak = replace(silent(60), when=When.WEEKLY)
    storms = (event(EventKind.RAISED, storm_over()),)
    mail = digest.digest_words(
        digest.week(
            network(),
            facts(
                events=(*storms, event(EventKind.RAISED, battery()), event(EventKind.RAISED, clogged())),
                open_alarms=(battery(), clogged(), weak, due(52, "plan:P7", 4, When.BY_DAY)),
                notices=sent(("tech-1", "text", "2025-10-23T07:10", "fault")),
                days_left={"larkmoor": 6.4, "corrow": 24.0},
                not_full={"larkmoor": 8},
                suspect={"hollin": 0.5},
                before=digest.Figures(0.981, 0.97, 12.44, 1, 3, 11),
                health=digest.ToolHealth(0, at("2025-10-02T10:00"), 7, 7, {"main": digest.Polls(10080, 4, 240)}),
            ),
        ),
        SUPERVISOR,
        network(),
    )
    screen = mail.text.split("Details\n")[0].strip().splitlines()
    sections = [line for line in screen if not line.startswith(" ")]

    assert [line[:10].strip() for line in sections] == [
        "Verdict",
        "Data",
        "Rain",
        "Storms",
        "Faults",
        "Notices",
        "Batteries",
        "Visit",
        "To watch",
        "Coming",
        "The watch",
        "Before",
    ]
    assert len(screen) <= 24
