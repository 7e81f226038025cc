"""Calendars from outside: what an entry is, and that no entry can harm more than itself."""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from watchman.calendars import (
    LARGEST,
    MOST_ENTRIES,
    Book,
    Entry,
    UnreadableCalendarError,
    as_json,
    from_json,
    read,
    within_its_time,
)

DENVER = ZoneInfo("America/Denver")
BEGIN = datetime(2025, 10, 19, 6, tzinfo=UTC)
END = BEGIN + timedelta(days=14)


def event(*lines: str, uid: str = "one", summary: str = "Hollin Dam") -> str:
    return "\r\n".join(["BEGIN:VEVENT", f"UID:{uid}", f"SUMMARY:{summary}", *lines, "END:VEVENT", ""])


def calendar(*events: str) -> str:
    return "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//example.org//EN\r\n" + "".join(events) + "END:VCALENDAR\r\n"


def book(*events: str) -> Book:
    return read(calendar(*events), BEGIN, END, DENVER)


def local(entry: Entry) -> str:
    begins, ends = (when.astimezone(DENVER) for when in (entry.begins_at, entry.ends_at))
    return f"{begins:%d %H:%M} to {ends:%d %H:%M}"


def spans(*events: str) -> list[str]:
    found = book(*events)
    assert found.troubles == ()
    return [local(entry) for entry in found.entries]


def test_an_entry_is_read_in_its_zone_in_utc_or_on_the_networks_clock() -> None:
    """A zone by its name, by the name another system gives it, in UTC, and a time without any zone."""
    assert spans(event("DTSTART;TZID=America/New_York:20251020T120000", "DTEND;TZID=America/New_York:20251020T130000"))[
        0
    ] == ("20 10:00 to 20 11:00")
    assert spans(event("DTSTART;TZID=Mountain Standard Time:20251020T100000", "DURATION:PT1H")) == [
        "20 10:00 to 20 11:00"
    ]
    assert spans(event("DTSTART:20251020T160000Z", "DTEND:20251020T170000Z")) == ["20 10:00 to 20 11:00"]
    assert spans(event("DTSTART:20251020T100000", "DTEND:20251020T110000")) == ["20 10:00 to 20 11:00"]


def test_an_unknown_zone_is_the_networks_clock_and_is_said() -> None:
    """The entry still counts; nobody is left to guess why it may be off by hours."""
    found = book(event("DTSTART;TZID=Customized Time Zone:20251020T100000", "DURATION:PT1H"))
    assert [local(entry) for entry in found.entries] == ["20 10:00 to 20 11:00"]
    assert found.troubles == ('its time zone "Customized Time Zone" is unknown; read on the network\'s clock',)


def test_all_day_entries_end_with_their_last_day() -> None:
    """The day after the last is excluded; a day alone is one day; on the day clocks go back it has 25 hours."""
    assert spans(event("DTSTART;VALUE=DATE:20251020", "DTEND;VALUE=DATE:20251022")) == ["20 00:00 to 22 00:00"]
    assert spans(event("DTSTART;VALUE=DATE:20251020")) == ["20 00:00 to 21 00:00"]
    (entry,) = read(
        calendar(event("DTSTART;VALUE=DATE:20251102")), END - timedelta(hours=1), END + timedelta(days=1), DENVER
    ).entries
    assert entry.ends_at - entry.begins_at == timedelta(hours=25)


def test_an_entry_without_an_end_lasts_three_hours() -> None:
    """Also one that ends the moment it begins."""
    assert spans(event("DTSTART:20251020T100000")) == ["20 10:00 to 20 13:00"]
    assert spans(event("DTSTART:20251020T100000", "DTEND:20251020T100000")) == ["20 10:00 to 20 13:00"]


WEEKLY = ("DTSTART;TZID=America/Denver:20250106T090000", "DTEND;TZID=America/Denver:20250106T100000")


def test_a_series_with_moved_left_out_and_cancelled_occurrences() -> None:
    """Every Monday at nine; one is moved, and keeps its key; one is cancelled, one taken out."""
    whole = book(event(*WEEKLY, "RRULE:FREQ=WEEKLY"))
    assert [local(entry) for entry in whole.entries] == ["20 09:00 to 20 10:00", "27 09:00 to 27 10:00"]
    moved = event(
        "RECURRENCE-ID;TZID=America/Denver:20251020T090000",
        "DTSTART;TZID=America/Denver:20251021T140000",
        "DTEND;TZID=America/Denver:20251021T150000",
    )
    after = book(event(*WEEKLY, "RRULE:FREQ=WEEKLY", "EXDATE;TZID=America/Denver:20251027T090000"), moved)
    assert [local(entry) for entry in after.entries] == ["21 14:00 to 21 15:00"]
    assert after.entries[0].key == whole.entries[0].key
    cancelled = moved.replace("SUMMARY", "STATUS:CANCELLED\r\nSUMMARY")
    assert spans(event(*WEEKLY, "RRULE:FREQ=WEEKLY"), cancelled) == ["27 09:00 to 27 10:00"]


def test_a_single_entry_keeps_its_key_when_it_is_moved_and_a_cancelled_one_is_gone() -> None:
    """Its UID is all there is to know it by."""
    before, after = (book(event(f"DTSTART:202510{day}T100000")).entries[0] for day in (20, 22))
    assert before.key == after.key
    assert spans(event("DTSTART:20251020T100000", "STATUS:CANCELLED")) == []


def test_people_are_known_by_their_address_or_name() -> None:
    """Whoever is invited comes before the organizer."""
    (entry,) = book(
        event(
            "DTSTART:20251020T100000",
            "ORGANIZER;CN=Tech-1:mailto:Tech-1@Example.org",
            "ATTENDEE;CN=crew-1;PARTSTAT=ACCEPTED:mailto:crew-1@example.org",
        )
    ).entries
    assert entry.people == ("crew-1@example.org", "crew-1", "tech-1@example.org", "tech-1")


@pytest.mark.parametrize(
    ("lines", "why"),
    [
        (("DTSTART:20251020T100000", "RRULE:FREQ=HOURLY"), "it repeats hourly; daily is the most"),
        (("DTSTART:20200101T000000", "RRULE:FREQ=SECONDLY"), "it repeats secondly; daily is the most"),
        (("DTSTART:20251020T100000", "RRULE:FREQ=NEVERLY"), ""),
        (("DTSTART:20251020T100000", "RRULE:FREQ=DAILY;INTERVAL=0"), "its rule repeats too often"),
        (
            ("DTSTART:20251020T100000", f"RRULE:FREQ=DAILY;BYMINUTE={','.join(map(str, range(60)))}"),
            "its rule repeats too often",
        ),
        (("DTSTART:20251020T100000", "DTEND:20251020T090000"), "it ends before it begins"),
        (("DTSTART:2025-10-20",), ""),
        (("DTEND:20251020T090000",), "it has no beginning"),
    ],
)
def test_a_bad_entry_is_named_and_spoils_only_itself(lines: tuple[str, ...], why: str) -> None:
    """The entry before and the one after it count."""
    good = ("DTSTART:20251021T100000", "DURATION:PT1H")
    found = book(
        event(*good, uid="a"),
        event(*lines, uid="b", summary="Fennick Bridge"),
        event(*good, uid="c", summary="Larkmoor"),
    )
    assert [entry.summary for entry in found.entries] == ["Hollin Dam", "Larkmoor"]
    assert [trouble.startswith('"Fennick Bridge": ' + why) for trouble in found.troubles] == [True]


def test_an_entry_without_an_end_line_is_named() -> None:
    """The text was cut off, or two were run together."""
    text = calendar(event("DTSTART:20251020T100000").replace("END:VEVENT\r\n", ""), event("DTSTART:20251021T100000"))
    found = read(text, BEGIN, END, DENVER)
    assert [local(entry) for entry in found.entries] == ["21 10:00 to 21 13:00"]
    assert found.troubles == ('"Hollin Dam": it has no end',)


def test_a_rule_that_never_finds_a_day_is_given_up_in_time() -> None:
    """It would be followed to the year 9999; the entry beside it counts."""
    text = calendar(
        event("DTSTART:20200101T090000", "RRULE:FREQ=DAILY;BYMONTH=2;BYMONTHDAY=30"),
        event("DTSTART:20251020T100000", uid="two", summary="Larkmoor"),
    )
    began = time.monotonic()
    found = read(text, BEGIN, END, DENVER, within_its_time)
    assert time.monotonic() - began < 5
    assert [entry.summary for entry in found.entries] == ["Larkmoor"]
    assert found.troubles == ('"Hollin Dam": its rule takes too long to follow',)


def test_a_flood_of_entries_is_cut() -> None:
    """The earliest count, and the rest is said."""
    many = [event("DTSTART:20251020T100000", uid=str(number)) for number in range(MOST_ENTRIES + 10)]
    found = book(*many)
    assert len(found.entries) == MOST_ENTRIES
    assert found.troubles == (f"it has {MOST_ENTRIES + 10} entries; only the first {MOST_ENTRIES} count",)


@pytest.mark.parametrize(
    ("text", "why"),
    [("<html>Log in</html>", "is no calendar"), ("", "is no calendar"), ("x" * (LARGEST + 1), "larger than 2 MB")],
)
def test_what_is_no_calendar_is_refused(text: str, why: str) -> None:
    with pytest.raises(UnreadableCalendarError, match=why):
        read(text, BEGIN, END, DENVER)


def test_a_book_passes_through_text_unchanged() -> None:
    """Between the child process and the watch nothing is lost."""
    found = book(event("DTSTART:20251020T100000", "ATTENDEE:mailto:crew-1@example.org"), event("DTSTART:x", uid="b"))
    assert found.troubles
    assert from_json(as_json(found)) == found
