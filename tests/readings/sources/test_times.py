"""Times as sources write them, in whole columns."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from watchman.readings.sources import AnySource, FetchMemory, fetch
from watchman.readings.sources.settings import Clock
from watchman.readings.sources.times import UNREADABLE, read


def utc(text: str) -> int:
    return int(datetime.fromisoformat(text).timestamp())


@pytest.mark.parametrize(
    ("text", "clock", "expected"),
    [
        ("2025-10-21T14:20:00Z", Clock(), "2025-10-21T14:20Z"),
        ("2025-10-21 14:20", Clock(), "2025-10-21T14:20Z"),
        ("2025-10-21T14:20:59.9+01:00", Clock(), "2025-10-21T13:20:59Z"),
        ("2025-10-21T14:20-0700", Clock(utc_offset="+05:00"), "2025-10-21T21:20Z"),
        ("2025-10-21 14:20", Clock(utc_offset="-07:00"), "2025-10-21T21:20Z"),
        ("2025-10-21 14:20", Clock(utc_offset="+05:30"), "2025-10-21T08:50Z"),
        ("2025-07-21 14:20", Clock(zone="America/Denver"), "2025-07-21T20:20Z"),
        ("2025-12-21 14:20", Clock(zone="America/Denver"), "2025-12-21T21:20Z"),
        ("2025-10-21 24:00", Clock(), "2025-10-22T00:00Z"),
        ("2025-12-31T24:00:00Z", Clock(), "2026-01-01T00:00Z"),
        ("1761056400", Clock(format="epoch"), "2025-10-21T14:20Z"),
        ("1761056400999", Clock(format="epoch ms"), "2025-10-21T14:20Z"),
        ("21.10.2025 14:20", Clock(format="%d.%m.%Y %H:%M"), "2025-10-21T14:20Z"),
        ("10/21/2025 02:20 PM", Clock(format="%m/%d/%Y %I:%M %p", utc_offset="-07:00"), "2025-10-21T21:20Z"),
        ("21/Oct/2025:14:20 -0700", Clock(format="%d/%b/%Y:%H:%M %z"), "2025-10-21T21:20Z"),
        ("21.10.2025 24:00", Clock(format="%d.%m.%Y %H:%M", utc_offset="-07:00"), "2025-10-22T07:00Z"),
        ("31-Dec-2025 24:00:00", Clock(format="%d-%b-%Y %H:%M:%S"), "2026-01-01T00:00Z"),
        ("2025 294 1420", Clock(format="%Y %j %H%M"), "2025-10-21T14:20Z"),
        ("2025 294 5", Clock(format="%Y %j %H%M"), "2025-10-21T00:05Z"),
        ("2025 294 2400", Clock(format="%Y %j %H%M"), "2025-10-22T00:00Z"),
        ("2024 366 2400", Clock(format="%Y %j %H%M", utc_offset="+01:00"), "2024-12-31T23:00Z"),
        (" 21.10.2025 14:20 ", Clock(format="%d.%m.%Y %H:%M"), "2025-10-21T14:20Z"),
        ("2025/10/21 14:20", Clock(), "2025-10-21T14:20Z"),
        ("2025-1-2 3:04", Clock(), "2025-01-02T03:04Z"),
        ("20251021T1420Z", Clock(utc_offset="+05:00"), "2025-10-21T14:20Z"),
        ("2025-294T14:20Z", Clock(), "2025-10-21T14:20Z"),
        ("2025-10-21T14:20:00,5Z", Clock(), "2025-10-21T14:20Z"),
        ("2025-10-21T14:20 +02:00", Clock(), "2025-10-21T12:20Z"),
        ("2025-10-21T14:15Z/2025-10-21T14:20Z", Clock(), "2025-10-21T14:20Z"),
        ("2025-10-21T14:15+02:00/2025-10-21T14:20", Clock(), "2025-10-21T12:20Z"),
        ("2025-10-21T14:15/14:20", Clock(utc_offset="-07:00"), "2025-10-21T21:20Z"),
        ("2025-10-21T14:15Z/PT5M", Clock(), "2025-10-21T14:20Z"),
        ("PT5M/2025-10-21T14:20Z", Clock(), "2025-10-21T14:20Z"),
        ("1970-01-01T00:05Z", Clock(), "1970-01-01T00:05Z"),
        ("2099-01-01T00:00Z", Clock(), "2099-01-01T00:00Z"),
    ],
)
def test_a_time_is_read(text: str, clock: Clock, expected: str) -> None:
    """Offsets in the text win over the source's clock; absurd years are read as they stand."""
    [seconds] = read([text], clock)

    assert seconds == utc(expected)


NO_TIMES = [
    *("", "abc", "2025-02-30T00:00Z", "nan", "inf", "1e30", "--", "31.02.2025", "9999-12-31", "now", "today", "NaT"),
    *("2025-10-21T14:2", "2025-10", "2025-10-21T24:01", "2025-10-21T12:30:60Z", "2025-366", "2025-10-21T14:20+99:00"),
    *("2025-10-21T14:20Z/", "/2025-10-21T14:20Z", "P1Y/2025", "2025-10-21T14:20Z/P1M", "a/b/c", "2025-10-21T14:20Zx"),
    "2025-10-21T14:20:00." + "0" * 1000,
]
NO_DATES = ["2025", "20", "20251021"]


@pytest.mark.parametrize(
    ("text", "clock"),
    [
        *((text, Clock(format=pattern)) for text in NO_TIMES for pattern in ("ISO 8601", "epoch", "epoch ms")),
        *((text, Clock(format=pattern)) for text in [*NO_TIMES, *NO_DATES] for pattern in ("ISO 8601", "%d.%m.%Y")),
    ],
)
def test_what_is_no_time_is_unreadable(text: str, clock: Clock) -> None:
    """Letters, missing codes, bare numbers and days that don't exist are no times."""
    assert read([text, ""], clock).tolist() == [UNREADABLE, UNREADABLE]


def test_one_unreadable_time_costs_nothing_else() -> None:
    """Its neighbours are read."""
    assert read(["x", "2025-10-21T14:20Z"], Clock()).tolist() == [UNREADABLE, utc("2025-10-21T14:20Z")]


AUTUMN = ["01:00", "01:30", "01:00", "01:30", "02:00"]


def test_an_hour_that_occurs_twice_is_told_apart_by_the_order_of_rows() -> None:
    """After the step back it is the second pass; the newest first is read from its end."""
    texts = [f"2025-11-02 {clock}" for clock in ["00:30", *AUTUMN]]
    expected = [utc(f"2025-11-02T{hour}Z") for hour in ("06:30", "07:00", "07:30", "08:00", "08:30", "09:00")]
    clock = Clock(zone="America/Denver")

    assert read(texts, clock).tolist() == expected
    assert read(texts[::-1], clock).tolist() == expected[::-1]


def test_a_late_row_is_no_second_pass() -> None:
    """A row five minutes out of order doesn't move what follows it by an hour."""
    texts = [f"2025-11-02 {clock}" for clock in ("01:00", "01:10", "01:05", "01:15")]

    assert np.diff(read(texts, Clock(zone="America/Denver"))).tolist() == [600, -300, 600]


def test_each_station_has_its_own_order() -> None:
    """Two stations whose rows are mixed are told apart each for itself."""
    texts = [f"2025-11-02 {clock}" for clock in AUTUMN for _ in (0, 1)]
    both = read(texts, Clock(zone="America/Denver"), np.tile([0, 1], len(AUTUMN)))

    assert both[::2].tolist() == both[1::2].tolist() == read(texts[::2], Clock(zone="America/Denver")).tolist()
    assert np.diff(both[::2]).tolist() == [1800] * 4


def test_the_order_of_two_stations_one_after_the_other_proves_nothing() -> None:
    """A step back from one station's rows to the next station's is no second pass."""
    texts = ["2025-11-02 01:30", "2025-11-02 01:00"]

    assert read(texts, Clock(zone="America/Denver"), np.array([0, 1])).tolist() == [
        utc("2025-11-02T07:30Z"),
        utc("2025-11-02T07:00Z"),
    ]


def test_a_zone_that_moves_half_an_hour() -> None:
    """Only the half hour that occurs twice is ambiguous."""
    clock = Clock(zone="Australia/Lord_Howe")
    texts = ["2025-04-06 01:15", "2025-04-06 01:30", "2025-04-06 01:45", "2025-04-06 01:30", "2025-04-06 02:00"]

    assert np.diff(read(texts, clock)).tolist() == [900, 900, 900, 1800]


def test_an_interval_says_itself_when_it_ends(source: Callable[..., AnySource], tmp_path: Path) -> None:
    """Also where times without an end are beginnings."""
    made = source(path="data.csv", stamps="begin", covers_minutes=5)
    rows = "2025-10-21T14:15Z/2025-10-21T14:25Z,hollin,0.2\n2025-10-21T14:25Z,hollin,0.4\n"
    (tmp_path / "data.csv").write_text(f"time,station,rain\n{rows}")

    delivery, _ = fetch(made, tmp_path, {"hollin": 0}, 0, FetchMemory(), datetime(2025, 10, 21, 15, tzinfo=UTC))

    assert delivery.readings.observed_at.tolist() == [utc("2025-10-21T14:25Z"), utc("2025-10-21T14:30Z")]


def test_few_times_are_read_as_many_are() -> None:
    """One by one and in a long column."""
    texts = [f"2025-10-21T14:20:{second:02d}Z" for second in range(60)]

    assert [int(read([text], Clock())[0]) for text in texts] == read(texts, Clock()).tolist()
