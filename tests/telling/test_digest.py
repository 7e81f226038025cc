"""The week for the supervisor: when it is owed, what it counts, how it reads."""

from __future__ import annotations

from dataclasses import replace
from datetime import time, timedelta
from typing import Any

import numpy as np
import pytest

from tests.telling.veldran import (
    CONTACTS,
    STATIONS,
    at,
    battery,
    clogged,
    event,
    mast_out,
    network,
    notice,
    silent,
    source_out,
    spread,
    storm_over,
)
from watchman.model import AlarmState, EventKind, NoticeState, Severity
from watchman.settings import DigestSettings
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
    assert [alarm.number for alarm in week.storms] == [46]


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


def test_stops_on_one_road_are_one_trip_the_pressing_first() -> None:
    """Severity, then days left, then age; a station with two troubles is one stop; a mast is for the phone."""
    standing = (
        silent(),
        clogged(),
        battery(),
        battery(48, at_station="fennick", days_left=20.0),
        mast_out(),
        replace(silent(49, at_station="ashlow"), severity=Severity.SEVERE),
    )

    trips = digest.trips(network(), standing)

    assert [(trip.where, [station for station, _ in trip.stops]) for trip in trips] == [
        ("Mast T1", ["ashlow"]),
        ("Road south", ["larkmoor", "fennick", "hollin"]),
    ]
    assert [alarm.number for alarm in trips[1].stops[1][1]] == [48, 41]


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
        "98.5 % received; least Fennick Bridge 85.7 %.",
        "Left out: Fennick Bridge and Hollin Dam.",
        "Wed 22 Oct 16:40 UTC-6: most Ashlow Gap 31.2 mm, peak 14 mm in 15 min at Ashlow Gap.",
        "2 raised, 0 of them over; 2 open now.",
        "Larkmoor about 6 days, Corrow Mill about 24 days.",
        "Road south: Larkmoor and Hollin Dam.",
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
    assert "1. Larkmoor: battery: about 6 days left (4-9). Bring: Charged cell, meter," in told
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
