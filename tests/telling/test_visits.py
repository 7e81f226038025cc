"""The visit list: what is worth a drive, together with what, and by when; in three forms that others can use."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import icalendar
import pytest

from tests.telling.veldran import (
    STATIONS,
    alarm,
    at,
    battery,
    clogged,
    mast_out,
    network,
    silent,
    source_out,
    storm,
)
from watchman.model import Alarm, AlarmState, Span, When
from watchman.settings import HolidaySettings
from watchman.stations import with_short_names
from watchman.telling import visits
from watchman.telling.visits import Plan

NOW = at("2025-10-23T08:00")
"""A Thursday."""


def plan(*standing: Alarm, spans: Iterable[Span] = (), now: Any = NOW, **changed: Any) -> Plan:
    return visits.plan(network(**changed), standing, spans, now)


def stops(found: Plan) -> list[tuple[str, list[str]]]:
    return [(trip.where, [stop.station for stop in trip.stops]) for trip in found.trips]


def named(**columns: Any) -> dict[str, Any]:
    """Return the network's stations, the ones named with other columns."""
    changed = [one.model_copy(update=columns.get(one.id, {})) for one in STATIONS]
    return {"stations": with_short_names(changed)}


def test_stops_on_one_road_are_one_trip_those_that_can_wait_least_first() -> None:
    """A station with two troubles is one stop; a mast is for the phone; without a road the mast says what is near."""
    found = plan(
        silent(),
        clogged(),
        battery(),
        battery(48, at_station="fennick", days_left=20.0),
        mast_out(),
        silent(49, at_station="ashlow"),
    )
    assert stops(found) == [("Mast T1", ["ashlow"]), ("Road south", ["hollin", "fennick", "larkmoor"])]
    fennick = found.trips[1].stops[1]
    assert [one.number for one in fennick.alarms] == [41, 48]
    assert fennick.minutes == 60 + 15
    assert [stop.wait_days for stop in found.trips[1].stops] == [1, 3, 5]


def test_area_comes_before_mast_and_the_trip_that_must_start_first_is_first() -> None:
    """The rest is ordered by name, so that two calls give one list."""
    found = plan(silent(1), silent(2, at_station="ashlow"), **named(ashlow={"area": "ridge"}))
    assert [trip.where for trip in found.trips] == ["Area ridge", "Road south"]
    assert [trip.start_by for trip in found.trips] == [date(2025, 10, 24)] * 2, "not on a Sunday"


def test_a_trip_starts_on_a_working_day_at_the_latest() -> None:
    """A holiday of all counts as well; what should not wait is for today, whatever day it is."""
    closed = HolidaySettings(first_day=date(2025, 10, 24))
    assert plan(silent(), holidays=(closed,)).trips[0].start_by == date(2025, 10, 23)
    saturday = at("2025-10-25T08:00")
    urgent = battery(days_left=0.5)
    assert plan(urgent, now=saturday).trips[0].start_by == date(2025, 10, 25)


def test_a_gauge_that_somebody_relies_on_waits_two_days_at_most() -> None:
    """Its battery has its own days."""
    relied = named(fennick={"relied_on_by": "warden"}, larkmoor={"relied_on_by": "warden"})
    found = plan(silent(), battery(), **relied)
    assert [(stop.station, stop.wait_days) for stop in found.trips[0].stops] == [("fennick", 2), ("larkmoor", 5)]


def test_what_is_told_weekly_never_grows_urgent() -> None:
    """A weak signal for months is done when somebody passes."""
    weak = alarm(60, "limit", "station:hollin", "2025-08-01T00:00", LIMIT, when=When.WEEKLY)
    found = plan(weak, battery(days_left=4.0))
    assert [(stop.station, stop.wait_days) for stop in found.trips[0].stops] == [("larkmoor", 3), ("hollin", 30)]
    text = visits.as_text(network(), found, NOW)
    assert "since you pass anyway" in text
    assert stops(plan(weak)) == [("Road south", ["hollin"])]


LIMIT = {
    "variable": "signal",
    "value": -108.0,
    "limit": -105.0,
    "side": "below",
    "share": 0.8,
    "share_limit": 0.6,
    "hours": 72.0,
    "say": "Bring antenna, cable, meter, saw.",
    "limits": [],
}


def test_more_than_four_stops_are_several_trips() -> None:
    """Those that can wait least go together."""
    road = {one.id: {"road": "ridge"} for one in STATIONS}
    batteries = [battery(n, at_station=one.id, days_left=30.0 - n) for n, one in enumerate(STATIONS[:6], start=1)]
    found = plan(*batteries, **named(**road))
    assert [(trip.where, len(trip.stops)) for trip in found.trips] == [("Road ridge, 1", 4), ("Road ridge, 2", 2)]
    assert found.trips[0].stops[0].station == STATIONS[5].id


@pytest.mark.parametrize(
    ("standing", "why"),
    [
        (mast_out(), "a cause in common"),
        (source_out(), "a cause in common"),
        (replace(silent(), state=AlarmState.SHELVED, shelved_until=at("2025-11-03T00:00")), "until Mon 3 Nov"),
        (replace(silent(), absorbed_by=44), "part of no. 44"),
    ],
)
def test_what_needs_no_drive_is_named_with_the_reason(standing: Alarm, why: str) -> None:
    found = plan(standing)
    assert found.trips == ()
    assert why in found.not_needed[0][1]
    text = visits.as_text(network(), found, NOW)
    assert "Nothing needs a drive." in text
    assert "Not needed:" in text


def test_what_is_over_or_rain_is_no_reason_for_anything() -> None:
    """Neither a drive nor a line."""
    assert plan(replace(silent(), state=AlarmState.RETURNED), storm()) == Plan(())


def test_a_booked_visit_and_who_has_it_are_said() -> None:
    """So that two people don't drive."""
    begins = at("2025-10-24T10:00")
    booked = Span(7, "fennick", begins, begins + timedelta(hours=2), "visit", "crew-1", NOW)
    over = replace(booked, begins_at=at("2025-10-20T10:00"), ends_at=at("2025-10-20T12:00"))
    gone = replace(booked, begins_at=at("2025-10-23T10:00"), withdrawn_at=NOW)
    found = plan(replace(silent(), acknowledged_by="crew-1"), spans=(over, gone, booked))
    assert found.trips[0].stops[0].booked_at == begins
    assert "visit booked Fri 10:00, crew-1 has it" in visits.as_text(network(), found, NOW)


def test_the_text_word_for_word() -> None:
    """What a technician reads in the van."""
    assert visits.as_text(
        network(), plan(battery(), silent(49, at_station="ashlow"), mast_out()), NOW
    ).splitlines() == [
        "Visits for Veldran Hills, Thu 23 Oct 08:00 UTC-6",
        "",
        "Trip A  Mast T1: 1 stop, about 1 h on site; start by Fri 24 Oct",
        "  1 Ashlow Gap: silent since 02:10 (5 h 50 min) (no. 49)",
        "    60 min, can wait 3 days. Bring: Modem, SIM, antenna and cable, meter, charged cell.",
        "",
        "Trip B  Road south: 1 stop, about 45 min on site; start by Tue 28 Oct",
        "  1 Larkmoor: battery: about 6 days left (4-9) (no. 45)",
        "    45 min, can wait 5 days. Bring: Charged cell, meter, panel wipes, saw, spare panel lead.",
        "",
        "Not needed:",
        "  Mast T3: 4 stations silent since 31 Oct 18:10; a cause in common",
        "",
        "No drive at night, in a storm or in flood only because of this list.",
    ]


def test_no_cell_of_the_table_is_a_formula() -> None:
    """A station's name is what somebody wrote, and a spreadsheet would run it."""
    wild = named(larkmoor={"name": '=HYPERLINK("http://example.org";"Larkmoor")'}, fennick={"road": "+49 south"})
    there = network(**wild)
    text = visits.as_csv(there, visits.plan(there, (battery(), silent()), (), NOW), NOW)
    table = list(csv.DictReader(io.StringIO(text)))
    assert [row["name"] for row in table] == ["Fennick Bridge", '\'=HYPERLINK("http://example.org";"Larkmoor")']
    assert not any(cell.startswith(("=", "+", "-", "@")) for row in table for cell in row.values())
    assert [(row["trip"], row["minutes on site"], row["start by"]) for row in table] == [
        ("A", "60", "2025-10-24"),
        ("B", "45", "2025-10-28"),
    ]
    assert text.endswith("\r\n")


def test_the_calendar_is_one_that_others_can_read() -> None:
    """RFC 5545: a day-long entry a trip, folded at 75 octets, lines that end as they must, one UID a trip for good."""
    named_oddly = network(**named(larkmoor={"name": "Lärkmoor; the long, long, long way up, at the end of all roads"}))
    found = visits.plan(named_oddly, (battery(), silent(49, at_station="ashlow")), (), NOW)
    text = visits.as_calendar(named_oddly, found, NOW)
    assert text.count("\n") == text.count("\r\n")
    assert max(len(line.encode()) for line in text.split("\r\n")) <= 75
    read = icalendar.Calendar.from_ical(text)
    assert read["PRODID"]
    assert read["VERSION"] == "2.0"
    first, second = read.walk("VEVENT")
    assert [(one["DTSTART"].dt, one["DTEND"].dt) for one in (first, second)] == [
        (date(2025, 10, 24), date(2025, 10, 25)),
        (date(2025, 10, 28), date(2025, 10, 29)),
    ]
    assert first["DTSTAMP"].dt == NOW
    assert "Lärkmoor; the long, long, long way up" in second["SUMMARY"]
    assert "Bring: Charged cell, meter" in second["DESCRIPTION"]
    again = icalendar.Calendar.from_ical(visits.as_calendar(named_oddly, found, NOW + timedelta(hours=1)))
    assert [one["UID"] for one in again.walk("VEVENT")] == [first["UID"], second["UID"]]
    assert first["UID"] != second["UID"]
