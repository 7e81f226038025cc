"""Repeating entries of a calendar, against the worked examples of RFC 5545.

Source: RFC 5545 (Internet Calendaring and Scheduling, 2009), section 3.8.5.3 "Recurrence Rule", the examples in New
York's zone. "Every other week on Tuesday and Thursday, for 8 occurrences" and "Monthly on the first Friday for 10
occurrences" were read from the text; the others are from memory. The last one's two rules differ in WKST alone.
Section 3.6.1: a time without an end ends at its start; such an entry lasts 3 hours here, so only beginnings are held
against the examples.
"""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from watchman.calendars import read

NEW_YORK = ZoneInfo("America/New_York")

EXAMPLES = [
    ("19970902", "FREQ=DAILY;COUNT=10", "1997-09: 2 3 4 5 6 7 8 9 10 11"),
    ("19970902", "FREQ=DAILY;INTERVAL=10;COUNT=5", "1997-09: 2 12 22, 1997-10: 2 12"),
    ("19970902", "FREQ=WEEKLY;COUNT=10", "1997-09: 2 9 16 23 30, 1997-10: 7 14 21 28, 1997-11: 4"),
    ("19970902", "FREQ=WEEKLY;INTERVAL=2;COUNT=8;WKST=SU;BYDAY=TU,TH", "1997-09: 2 4 16 18 30, 1997-10: 2 14 16"),
    (
        "19970905",
        "FREQ=MONTHLY;COUNT=10;BYDAY=1FR",
        "1997-09: 5, 1997-10: 3, 1997-11: 7, 1997-12: 5, 1998-01: 2, 1998-02: 6, 1998-03: 6, 1998-04: 3, 1998-05: 1, "
        "1998-06: 5",
    ),
    (
        "19970907",
        "FREQ=MONTHLY;INTERVAL=2;COUNT=10;BYDAY=1SU,-1SU",
        "1997-09: 7 28, 1997-11: 2 30, 1998-01: 4 25, 1998-03: 1 29, 1998-05: 3 31",
    ),
    (
        "19970922",
        "FREQ=MONTHLY;COUNT=6;BYDAY=-2MO",
        "1997-09: 22, 1997-10: 20, 1997-11: 17, 1997-12: 22, 1998-01: 19, 1998-02: 16",
    ),
    (
        "19970928",
        "FREQ=MONTHLY;BYMONTHDAY=-3;UNTIL=19980301T000000Z",
        "1997-09: 28, 1997-10: 29, 1997-11: 28, 1997-12: 29, 1998-01: 29, 1998-02: 26",
    ),
    (
        "19970902",
        "FREQ=MONTHLY;COUNT=10;BYMONTHDAY=2,15",
        "1997-09: 2 15, 1997-10: 2 15, 1997-11: 2 15, 1997-12: 2 15, 1998-01: 2 15",
    ),
    (
        "19970930",
        "FREQ=MONTHLY;COUNT=10;BYMONTHDAY=1,-1",
        "1997-09: 30, 1997-10: 1 31, 1997-11: 1 30, 1997-12: 1 31, 1998-01: 1 31, 1998-02: 1",
    ),
    (
        "19970101",
        "FREQ=YEARLY;INTERVAL=3;COUNT=10;BYYEARDAY=1,100,200",
        "1997-01: 1, 1997-04: 10, 1997-07: 19, 2000-01: 1, 2000-04: 9, 2000-07: 18, 2003-01: 1, 2003-04: 10, "
        "2003-07: 19, 2006-01: 1",
    ),
    ("19970519", "FREQ=YEARLY;BYDAY=20MO;UNTIL=20000101T000000Z", "1997-05: 19, 1998-05: 18, 1999-05: 17"),
    ("19970512", "FREQ=YEARLY;BYWEEKNO=20;BYDAY=MO;UNTIL=20000101T000000Z", "1997-05: 12, 1998-05: 11, 1999-05: 17"),
    (
        "19970902",
        "FREQ=MONTHLY;BYDAY=FR;BYMONTHDAY=13;UNTIL=20001231T000000Z\r\nEXDATE;TZID=America/New_York:19970902T090000",
        "1998-02: 13, 1998-03: 13, 1998-11: 13, 1999-08: 13, 2000-10: 13",
    ),
    (
        "19961105",
        "FREQ=YEARLY;INTERVAL=4;BYMONTH=11;BYDAY=TU;BYMONTHDAY=2,3,4,5,6,7,8;UNTIL=20050101T000000Z",
        "1996-11: 5, 2000-11: 7, 2004-11: 2",
    ),
    ("19970904", "FREQ=MONTHLY;COUNT=3;BYDAY=TU,WE,TH;BYSETPOS=3", "1997-09: 4, 1997-10: 7, 1997-11: 6"),
    ("20070115", "FREQ=MONTHLY;BYMONTHDAY=15,30;COUNT=5", "2007-01: 15 30, 2007-02: 15, 2007-03: 15 30"),
    ("19970805", "FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=MO", "1997-08: 5 10 19 24"),
    ("19970805", "FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=SU", "1997-08: 5 17 19 31"),
]


@pytest.mark.parametrize(("first", "rule", "days"), EXAMPLES, ids=[rule for _, rule, _ in EXAMPLES])
def test_series_fall_on_the_days_that_rfc_5545_works_out(first: str, rule: str, days: str) -> None:
    """At nine o'clock in New York, on both sides of the clock change."""
    event = f"UID:1\r\nSUMMARY:Hollin\r\nDTSTART;TZID=America/New_York:{first}T090000\r\nRRULE:{rule}\r\n"
    text = f"BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-\r\nBEGIN:VEVENT\r\n{event}END:VEVENT\r\nEND:VCALENDAR\r\n"
    found = read(text, datetime(1996, 1, 1, tzinfo=UTC), datetime(2010, 1, 1, tzinfo=UTC), NEW_YORK)
    months = (month.split(": ") for month in days.split(", "))
    expected = [f"{month}-{int(day):02d} 09:00" for month, numbers in months for day in numbers.split()]
    assert [f"{entry.begins_at.astimezone(NEW_YORK):%Y-%m-%d %H:%M}" for entry in found.entries] == expected
    assert found.troubles == ()
