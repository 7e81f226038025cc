"""Sources in a database, on SQLite files as others write them; PostgreSQL is asked in tests/services."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Callable, Sequence
from contextlib import closing
from datetime import UTC, date, datetime, timedelta, timezone
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter, ValidationError

from watchman.model import Delivery
from watchman.readings.sources import AnySource, FetchMemory, fetch
from watchman.readings.sources.sampling import look_at_rows
from watchman.readings.sources.sql import Source, as_text

NOW = datetime(2025, 10, 21, 15, 0, tzinfo=UTC)
STATIONS = {"hollin": 0, "larkmoor": 1}
COLUMNS = {"time": "at", "station": "station", "rain": "rain"}
QUERY = "select at, station, rain from readings where at >= :since and at < :until and station in :stations"
ADAPTER: TypeAdapter[AnySource] = TypeAdapter(AnySource)

Fill = Callable[..., Path]


def source(**settings: Any) -> AnySource:
    made = {"name": "archive", "kind": "sql", "address": "sqlite:///archive.db", "query": QUERY, "columns": COLUMNS}
    return ADAPTER.validate_python({**made, **settings})


@pytest.fixture
def fill(tmp_path: Path) -> Fill:
    """Return what puts rows into a database as a logger's software would; it returns the folder."""

    def put(rows: Sequence[Sequence[Any]], kinds: str = "at text, station text, rain real") -> Path:
        with closing(sqlite3.connect(tmp_path / "archive.db")) as connection, connection:
            connection.execute(f"create table if not exists readings ({kinds})")
            if rows:
                connection.executemany(f"insert into readings values ({', '.join('?' * len(rows[0]))})", rows)
        return tmp_path

    return put


def ask(
    folder: Path, made: AnySource, memory: FetchMemory | None = None, now: datetime = NOW
) -> tuple[Delivery, FetchMemory]:
    delivery, after = fetch(made, folder, STATIONS, 0, memory or FetchMemory(), now)
    return delivery, FetchMemory.model_validate_json(after.model_dump_json())


def told(delivery: Delivery) -> list[tuple[int, str, float]]:
    """Return what was read: station, time, value."""
    readings = delivery.readings
    stamps = [f"{datetime.fromtimestamp(moment, UTC):%d %H:%M}" for moment in readings.observed_at.tolist()]
    return sorted(zip(readings.station.tolist(), stamps, readings.value.tolist(), strict=True))


def test_rows_are_read(fill: Fill) -> None:
    """Listed stations' rows come with all their digits; NULL is nothing measured; others' rows aren't asked for."""
    folder = fill(
        [
            ("2025-10-21 14:20:00", "hollin", 0.254),
            ("2025-10-21 14:25:00", "hollin", None),
            ("2025-10-21 14:20:00", "larkmoor", 1.1),
            ("2025-10-21 14:20:00", "foreign", 9.9),
        ]
    )
    delivery, _ = ask(folder, source())
    assert told(delivery) == [(0, "21 14:20", 0.254), (1, "21 14:20", 1.1)]
    assert (delivery.trouble, delivery.rejected) == ("", ())
    assert delivery.look.headers == {("at", "station", "rain")}


def test_what_is_read_first_arrived_some_time_ago_and_later_now(fill: Fill) -> None:
    """Nobody knows when an archive's readings came; what is new came now."""
    folder = fill([("2025-10-01 00:00:00", "hollin", 0.2), ("2025-10-21 14:20:00", "hollin", 0.2)])
    first, memory = ask(folder, source())
    assert (first.readings.received_at - first.readings.observed_at).tolist() == [300, 300]
    fill([("2025-10-21 14:25:00", "hollin", 0.4)])
    second, _ = ask(folder, source(), memory)
    newest = second.readings.take(second.readings.value == 0.4)
    assert newest.received_at.tolist() == [int(NOW.timestamp())]


@pytest.mark.parametrize(
    ("clock", "write"),
    [
        ({}, lambda at: at.strftime("%Y-%m-%d %H:%M:%S")),
        ({}, lambda at: at.strftime("%Y-%m-%dT%H:%M:%SZ")),
        ({}, lambda at: at.astimezone(timezone(timedelta(hours=-7))).isoformat()),
        ({}, lambda at: at.astimezone(timezone(timedelta(hours=13))).isoformat()),
        ({"utc_offset": "-07:00"}, lambda at: (at - timedelta(hours=7)).strftime("%Y-%m-%d %H:%M")),
        ({"zone": "Europe/Vienna"}, lambda at: (at + timedelta(hours=2)).strftime("%Y-%m-%dT%H:%M:%S")),
        ({"format": "epoch"}, lambda at: int(at.timestamp())),
        ({"format": "epoch ms"}, lambda at: int(at.timestamp()) * 1000),
        ({"format": "%Y%m%d%H%M", "utc_offset": "+02:00"}, lambda at: (at + timedelta(hours=2)).strftime("%Y%m%d%H%M")),
    ],
)
def test_no_way_of_writing_times_loses_a_row(
    fill: Fill, clock: dict[str, str], write: Callable[[datetime], Any]
) -> None:
    """:since and :until compare rightly with the column, at every poll of a day."""
    kept: set[tuple[int, str, float]] = set()
    made, memory = source(time=clock), FetchMemory()
    moments = [NOW - timedelta(hours=30) + timedelta(hours=hours) for hours in range(30)]
    for count, moment in enumerate(moments, 1):
        folder = fill([(write(moment), "hollin", float(count))], "at, station text, rain real")
        delivery, memory = ask(folder, made, memory, moment + timedelta(minutes=4))
        assert delivery.trouble == ""
        kept |= set(told(delivery))
        assert len(kept) == count, f"the row of {moment} was lost"


@pytest.mark.parametrize(("every_minutes", "days"), [(15, 30), (1, 3)])
def test_a_long_past_comes_in_parts_and_once(fill: Fill, every_minutes: int, days: int) -> None:
    """The newest rows come first, each fetch keeps to its limit and says that more is to come, and none is lost."""
    newest = int(NOW.timestamp())
    count = days * 24 * 60 // every_minutes
    rows = [(newest - 60 * every_minutes * ago, station, 0.2) for ago in range(count) for station in STATIONS]
    folder, made = fill(rows, "at integer, station text, rain real"), source(max_rows=1000, time={"format": "epoch"})
    memory, kept, fetches = FetchMemory(), set[tuple[int, int]](), 0
    while fetches == 0 or memory.gaps:
        delivery, memory = ask(folder, made, memory)
        fetches += 1
        kept |= set(zip(delivery.readings.station.tolist(), delivery.readings.observed_at.tolist(), strict=True))
        assert len(delivery.readings) <= 1000
        assert delivery.trouble == ""
        assert (0, newest) in kept
        assert any("the rest comes with the next" in one.reason for one in delivery.rejected) == bool(memory.gaps)
        assert fetches < 20, "it goes on"
    assert len(kept) == len(rows)


def test_a_query_that_names_no_time_is_asked_whole(fill: Fill) -> None:
    """A small table of latest values is read each time."""
    folder = fill([("2025-10-21 14:20:00", "hollin", 0.2)])
    made = source(query="select * from readings")
    _, memory = ask(folder, made)
    delivery, _ = ask(folder, made, memory)
    assert told(delivery) == [(0, "21 14:20", 0.2)]


def test_too_much_at_once_is_told(fill: Fill) -> None:
    """Without a way to ask for less, the limit is told with what to write; what was read is kept."""
    folder = fill([("2025-10-21 14:20:00", "hollin", float(row)) for row in range(1500)])
    delivery, _ = ask(folder, source(query="select * from readings", max_rows=1000))
    assert delivery.trouble == (
        "the database has more rows than max_rows = 1,000 or max_mb = 64 allow at once; "
        "write :since and :until into the query, or raise it"
    )
    assert len(delivery.readings) <= 1000
    long = source(query="select at, station, rain, hex(zeroblob(300000)) as note from readings", max_mb=1)
    assert "max_mb = 1" in ask(folder, long)[0].trouble


def test_a_query_that_never_ends_is_stopped(fill: Fill) -> None:
    """The time budget holds against the database itself."""
    endless = "with recursive n(i) as (select 1 union all select i + 1 from n) select max(i) as at from n"
    began = time.monotonic()
    delivery, _ = ask(fill([]), source(query=endless, budget_s=0.3))
    assert delivery.trouble == "the database had not answered in full when budget_s = 0.3 was over"
    assert time.monotonic() - began < 5


@pytest.mark.parametrize(
    ("query", "says"),
    [
        ("select at from nowhere", "can't answer the query: no such table: nowhere"),
        ("select at, from readings", "can't answer the query: near"),
        ("with x as (select 1) delete from readings", "is only read here, and the query wants to write"),
        ("with x as (select 1) insert into readings select '1', '2', 3", "is only read here, and the query wants to w"),
    ],
)
def test_a_query_that_will_not_do(fill: Fill, query: str, says: str) -> None:
    """The database's own word on the query is told; what would write is refused, and nothing is written."""
    folder = fill([("2025-10-21 14:20:00", "hollin", 0.2)])
    delivery, _ = ask(folder, source(query=query))
    assert delivery.trouble.startswith(f"the database {says}")
    assert len(ask(folder, source())[0].readings) == 1


def test_a_column_that_is_missing(fill: Fill) -> None:
    """It is named, with those there are."""
    made = source(columns={**COLUMNS, "rain": "rain_mm"})
    delivery, _ = ask(fill([("2025-10-21 14:20:00", "hollin", 0.2)]), made)
    assert "its result has no column 'rain_mm'; it has: at, station, rain" in delivery.trouble


def test_no_file(tmp_path: Path) -> None:
    """None is made; and its name, which may be secret, is not said."""
    delivery, _ = ask(tmp_path, source())
    assert delivery.trouble.startswith("the database can't be opened: the file must exist")
    assert "archive" not in delivery.trouble
    assert list(tmp_path.iterdir()) == []


def test_rows_that_can_not_be_read_are_named(fill: Fill) -> None:
    """Bad times and numbers cost their own row only; two columns make one time; columns may be named by place."""
    rows = [
        ("2025-10-21", "14:20", "hollin", 0.2),
        ("never", "14:25", "hollin", 0.2),
        ("2025-10-21", "14:30", "hollin", "x"),
    ]
    folder = fill(rows, "day, hour, station, rain")
    made = source(query="select * from readings", columns={"time": [1, 2], "station": 3, "rain": 4})
    delivery, _ = ask(folder, made)
    assert told(delivery) == [(0, "21 14:20", 0.2)]
    assert [(one.row, one.reason) for one in delivery.rejected] == [
        (
            "never,14:25,hollin,0.2",
            "its time 'never 14:25' can't be read as ISO 8601; say how it is written, for instance "
            'time = { format = "%d.%m.%Y %H:%M" }',
        ),
        ("2025-10-21,14:30,hollin,x", "its rain is not a number"),
    ]


def test_a_first_look(fill: Fill) -> None:
    """What the columns of a query probably are is proposed, and reads the source; what is wrong is said."""
    rows = [
        (f"2025-10-21 14:{minute:02}:00", station, 0.2 * (minute % 3), 3.9)
        for minute in range(0, 60, 5)
        for station in STATIONS
    ]
    folder = fill(rows, "at text, station text, rain_mm real, battery_v real")
    written = {"address": "sqlite:///archive.db", "query": "select * from readings"}
    proposal = look_at_rows(written, folder, NOW)
    assert (proposal.kind, proposal.trouble) == ("sql", "")
    assert [(one.name, one.readings) for one in proposal.stations] == [("hollin", 24), ("larkmoor", 24)]
    delivery, _ = ask(folder, ADAPTER.validate_python({"name": "main", "kind": "sql", **written, **proposal.settings}))
    assert len(delivery.readings) == 48
    nothing = look_at_rows({**written, "query": "select * from nowhere"}, folder, NOW)
    assert nothing.trouble == "the database can't answer the query: no such table: nowhere"
    assert "brings no rows" in look_at_rows({**written, "query": "select * from readings limit 0"}, folder, NOW).trouble


@pytest.mark.parametrize(
    ("settings", "says"),
    [
        ({"query": "delete from readings"}, "it may only read"),
        ({"query": "select 1 where a > :from"}, "it has :from; allowed are :since, :until, :stations"),
        ({"query": "select 1 where at < :until"}, "needs :since too"),
        ({"address": "mysql://a:sesame@b/c"}, "begins with postgresql:// or sqlite:///"),
        ({"columns": {"time": "at", "rain": "rain"}}, "name the column of the station"),
    ],
)
def test_mistakes(settings: dict[str, Any], says: str) -> None:
    """What is written wrongly is said at once, without the address."""
    with pytest.raises(ValidationError, match=says) as mistakes:
        source(**settings)
    assert "sesame" not in mistakes.value.errors()[0]["msg"]


def test_a_cast_is_no_parameter() -> None:
    """PostgreSQL's `::` and clock times in quotes are left alone."""
    made = source(query="select at::date, '12:30' as x from t where at > :since -- :nothing\n")
    assert isinstance(made, Source)
    assert (made.asks_since, made.asks_until) == (True, False)


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (None, ""),
        (True, "1"),
        (Decimal("0.2540"), "0.2540"),
        (Decimal("1E+3"), "1000"),
        (Decimal("NaN"), "NaN"),
        (0.1 + 0.2, "0.30000000000000004"),
        (2**60, "1152921504606846976"),
        (datetime(2025, 10, 21, 14, 20, tzinfo=timezone(timedelta(hours=2))), "2025-10-21 12:20:00+00:00"),
        (datetime(2025, 10, 21, 14, 20, 0, 500000), "2025-10-21 14:20:00.500000"),  # noqa: DTZ001
        (date(2025, 10, 21), "2025-10-21"),
        (b"\xff5", "\N{REPLACEMENT CHARACTER}5"),
    ],
)
def test_values_as_text(value: Any, text: str) -> None:
    """Nothing of a value is lost on the way."""
    assert as_text(value) == text


@given(
    st.lists(st.tuples(*[st.one_of(st.none(), st.integers(), st.floats(), st.text(), st.binary(), st.decimals())] * 3))
)
def test_any_rows_make_a_table(rows: list[tuple[Any, ...]]) -> None:
    """Whatever a database holds, each row is kept or named."""
    made = source()
    (table,) = made.tables((("at", "station", "rain"), rows))
    assert len(table) == len(rows)
    assert all(isinstance(table.row_text(row), str) for row in range(len(rows)))
