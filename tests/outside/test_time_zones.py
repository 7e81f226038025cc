"""Clock times that occur twice or never, against RFC 5545's instants and against another library's reading of zones.

Sources: RFC 5545 (Internet Calendaring and Scheduling), section 3.3.5 "Date-Time", FORM #3: TZID=America/New_York
20071104T013000 "indicates November 4, 2007 at 1:30 A.M. EDT (UTC-04:00)", and 20070311T023000 "indicates March 11,
2007 at 3:30 A.M. EDT (UTC-04:00), one hour after 1:30 A.M. EST (UTC-05:00)". Reference library: python-dateutil 2.9,
which reads the IANA time zone database with code of its own (`dateutil.tz`); the transitions are found with it too.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest
from dateutil import tz

from watchman.readings.sources.settings import Clock
from watchman.readings.sources.times import read

ZONES = (
    *("America/Denver", "America/St_Johns", "America/Sao_Paulo", "Europe/Vienna", "Europe/Lisbon", "Africa/Cairo"),
    *("Asia/Tehran", "Asia/Kathmandu", "Australia/Lord_Howe", "Pacific/Apia", "Pacific/Chatham", "America/Caracas"),
)
"""Changes by an hour, half an hour and a whole day, at 00:01 too, in both halves of the year, and zones that gave them
up; none whose winter is the exception (Dublin), which the reference library misreads.
"""
YEARS = range(2006, 2027)


@pytest.mark.parametrize(
    ("local", "instant"),
    [
        ("2007-11-04T01:30:00", datetime(2007, 11, 4, 5, 30, tzinfo=UTC)),
        ("2007-03-11T02:30:00", datetime(2007, 3, 11, 7, 30, tzinfo=UTC)),
        ("2007-03-11T01:30:00", datetime(2007, 3, 11, 6, 30, tzinfo=UTC)),
    ],
)
def test_times_that_occur_twice_or_never_are_those_of_rfc_5545(local: str, instant: datetime) -> None:
    """Twice: the first; never: by the offset before the gap."""
    [seconds] = read([local], Clock(zone="America/New_York"))

    assert datetime.fromtimestamp(int(seconds), UTC) == instant


def changes(zone: tz.tzfile) -> list[datetime]:
    """Return the hours [UTC] before which a zone's offset changes, by the reference library."""
    hours = [datetime(YEARS[0], 1, 1, tzinfo=UTC) + timedelta(hours=12 * half) for half in range(2 * 366 * len(YEARS))]
    offsets = [hour.astimezone(zone).utcoffset() for hour in hours]
    found = []
    for (before, early), (after, late) in pairwise(zip(hours, offsets, strict=True)):
        if early != late:
            steps = [before + timedelta(minutes=step) for step in range(721)]
            found.append(next(step for step in steps if step.astimezone(zone).utcoffset() == late))
            assert found[-1] <= after
    return found


@pytest.mark.parametrize("name", ZONES)
def test_every_change_of_a_zone_is_read_as_the_reference_library_reads_it(name: str) -> None:
    """Single times by the wall clock around each change: which of two, and what a time that never was is taken for."""
    zone = tz.gettz(name)
    assert zone is not None
    wall = [
        (change.astimezone(zone) + timedelta(minutes=minutes)).replace(tzinfo=None)
        for change in changes(zone)
        for minutes in range(-180, 181, 20)
    ]
    found = [int(read([moment.isoformat()], Clock(zone=name))[0]) for moment in wall]
    # A time in the gap is moved on by its length: the instant that the offset before gives it.
    expected = [tz.resolve_imaginary(moment.replace(tzinfo=zone, fold=0)).timestamp() for moment in wall]
    assert found == expected


@pytest.mark.parametrize(
    ("name", "minutes"),
    [
        *(("America/Denver", 5), ("America/Denver", 15), ("America/Denver", 30), ("America/St_Johns", 5)),
        *(("Europe/Vienna", 15), ("Australia/Lord_Howe", 5), ("Australia/Lord_Howe", 10)),
    ],
)
def test_a_series_through_every_change_is_read_without_a_gap_or_a_repeat(name: str, minutes: int) -> None:
    """A logger on the wall clock that writes both passes of the doubled hour, and none of the missing one."""
    zone = tz.gettz(name)
    assert zone is not None
    for change in changes(zone):
        truth = [change + timedelta(minutes=step) for step in range(-240, 241, minutes)]
        wall = [moment.astimezone(zone).replace(tzinfo=None).isoformat(sep=" ") for moment in truth]
        assert read(wall, Clock(zone=name)).tolist() == [int(moment.timestamp()) for moment in truth], change


@pytest.mark.parametrize("offset", ["+00:00", "-07:00", "+05:45", "-03:30", "+14:00", "-12:00"])
def test_a_clock_that_keeps_one_offset_never_jumps(offset: str) -> None:
    """Standard time all year: through the nights of all changes of all zones, as the reference library reads it."""
    sign = -1 if offset[0] == "-" else 1
    fixed = tz.tzoffset(None, sign * (int(offset[1:3]) * 3600 + int(offset[4:]) * 60))
    nights = [change.replace(tzinfo=None) for name in ZONES[:4] for change in changes(tz.gettz(name))]
    expected = [int(night.replace(tzinfo=fixed).timestamp()) for night in nights]
    assert read([night.isoformat() for night in nights], Clock(utc_offset=offset)).tolist() == expected


def test_times_without_any_zone_are_utc_and_an_offset_that_is_written_goes_first() -> None:
    """A bare time is UTC where nothing else is written; one that carries its offset is read by that."""
    nights = [change.replace(tzinfo=None) for change in changes(tz.gettz("Europe/Vienna"))]
    utc = [int(night.replace(tzinfo=tz.UTC).timestamp()) for night in nights]
    assert read([night.isoformat() for night in nights], Clock()).tolist() == utc
    for clock in (Clock(), Clock(utc_offset="-07:00"), Clock(zone="America/Denver")):
        written = [f"{night.isoformat()}+02:00" for night in nights]
        assert read(written, clock).tolist() == [second - 7200 for second in utc]
