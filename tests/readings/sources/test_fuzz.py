"""Whatever bytes a source sends: every parser reads them or says why not, in bounded work and memory.

The parsers are listed in PARSERS; a new one is a line there. WATCHMAN_FUZZ=20000 tries so many inputs each.

Work is counted, not timed: calls of functions, Python's and C's, for each byte of the input. A loop that goes on for
ever, or over the same bytes again and again, makes many. One input in twenty is counted, the others only read.
"""

from __future__ import annotations

import gzip
import os
import random
import sys
import tracemalloc
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from types import FrameType
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter

from tests.readings.sources import test_waterml as waterml_sample
from watchman.readings.sources import AnySource, datastreams, files, json, mqtt, sensorthings, tables, times, waterml
from watchman.readings.sources.looking import look_at_series
from watchman.readings.sources.propose import propose
from watchman.readings.sources.settings import Clock, UnreadableError

INPUTS = int(os.environ.get("WATCHMAN_FUZZ", "0"))
"""How many mutated inputs each parser is given; 0: each as many as the suite has time for."""
CALLS_AT_LEAST, CALLS_A_BYTE = 40_000, 60
"""So many calls may reading a short input take, and so many more for each of its bytes."""
PEAK_AT_LEAST, PEAK_A_BYTE = 4_000_000, 150
"""So much memory may it hold [bytes]: a field of two bytes is an object of fifty, in a list, and in a column."""
LONG = 2_000
"""Bytes of each long input that the suite tries; with WATCHMAN_FUZZ all of them."""
NOW = 1_761_060_000
ALIASES = {"hollin": 0, "007": 1}


@dataclass(frozen=True, slots=True)
class Parser:
    """What turns bytes into readings, and samples to begin with.

    in_suite: how many mutated inputs the suite tries; effort: how many times more work and memory it may need.
    """

    name: str
    read: Callable[[bytes], object]
    samples: Sequence[bytes]
    in_suite: int = 200
    effort: int = 1


def through(**written: Any) -> Callable[[bytes], object]:
    """Return a function that reads bytes as a source with these settings does, down to readings."""
    settings = {"name": "main", "path": "data", "columns": {"time": "time", "station": "station", "rain": "rain"}}
    source = TypeAdapter(AnySource).validate_python({**settings, **written})
    setting = tables.Setting(source, ALIASES, 0, NOW)

    def read(content: bytes) -> object:
        source.heads(content)
        source.whole(content)
        return [tables.read(table, "", True, setting) for table in source.tables(content)]

    return read


def lines_of(content: bytes) -> list[str]:
    return content.decode("utf-8", "replace").split("\n")


def in_all_clocks(content: bytes) -> object:
    return [times.read(lines_of(content), clock) for clock in CLOCKS]


def numbers(content: bytes) -> object:
    return tables.numbers(lines_of(content), ("", "-999"))


ROWS = "".join(
    f"2025-10-21T{hour:02d}:{minute:02d}Z,{name},{0.2 * (minute % 3):.1f}\n"
    for hour in (13, 14)
    for minute in range(0, 60, 5)
    for name in ALIASES
)
PLAIN = f"time,station,rain\n{ROWS}".encode()
JOINED = b"serial 1\n" + PLAIN + b"serial 2\nrain,station,time\nmm,,\n0.2,hollin,2025-10-21T15:00Z\n" + PLAIN
QUOTED = PLAIN.replace(b",hollin,", b',"hollin",').replace(b"Z,", b'Z","').replace(b"\n20", b'\n"20')
NOTES = (
    b"time,station,rain,note\n" + ROWS.replace("0.2\n", '0.2,"two\n""lines"""\n').replace("0.0\n", "0.0,\n").encode()
)
CONTINENTAL = ROWS.replace(",", ";").replace(".", ",").replace("0,2", "1.000,2")
LOCAL = "".join(f"2025-11-02 0{hour}:{minute:02d},hollin,0\n" for hour in (0, 1, 1, 2) for minute in range(0, 60, 15))
JSON = (
    b'{"data":['
    + b",".join(
        b'{"at":"2025-10-21T14:%02dZ","id":"hollin","obs":{"rain":%.1f,"v":"3.9"}}' % (minute, 0.2)
        for minute in range(20)
    )
    + b"]}"
)
JSON_COLUMNS = {"time": "at", "station": "id", "rain": "obs.rain", "battery": "obs.v"}
TIMES = [
    *("2025-10-21T14:20:00Z", "1985-04-12t23:20:50.52z", "1990-12-31T15:59:60-08:00", "2025-10-21 24:00", "2025-294"),
    *(
        "2025-10-21T14:15/14:20",
        "PT5M/2025-10-21T14:20Z",
        "21.10.2025 24:00",
        "2025 294 5",
        "1761056400",
        "2025-11-02 01:30",
    ),
]
CLOCKS = [
    *(Clock(), Clock(format="epoch"), Clock(format="epoch ms"), Clock(zone="America/Denver")),
    *(Clock(format="%d.%m.%Y %H:%M", utc_offset="+14:00"), Clock(format="%Y %j %H%M")),
]

WATERML = waterml_sample.document(
    waterml_sample.series(
        waterml_sample.point("2025-10-21T14:00:00Z", "0.2", waterml_sample.quality("good")),
        waterml_sample.point("2025-10-21T15:05:00+01:00", "nil"),
        waterml_sample.point("", "1"),
        usual=waterml_sample.MM + waterml_sample.interpolation("TotalSucc"),
        meta="<wml2:baseTime>2025-10-21T12:27:00+10:00</wml2:baseTime><wml2:spacing>PT1M</wml2:spacing>",
    )
)
DATASTREAM = (
    b'{"@iot.id":7,"name":"Rain","unitOfMeasurement":{"name":"millimetre","symbol":"mm"},"observationType":'
    b'"x/OM_Measurement","Thing":{"name":"hollin","properties":{"local":7}},"ObservedProperty":{"name":"Rain"}}'
)
OBSERVATIONS = (
    b'[{"phenomenonTime":"2025-10-21T14:00:00Z","resultTime":"2025-10-21T14:01:00Z","result":0.2},'
    b'{"phenomenonTime":"2025-10-21T14:00:00Z/2025-10-21T14:05:00Z","resultTime":null,"result":null}]'
)


def a_series(content: bytes) -> object:
    """Read a WaterML document."""
    source = TypeAdapter(AnySource).validate_python({"name": "main", "kind": "waterml", "path": "data"})
    setting = tables.Setting(source, ALIASES, 0, NOW)
    found = source.tables(waterml.Document(content, ALIASES))
    return [tables.read(table, "", True, setting) for table in found]


THINGS = TypeAdapter(AnySource).validate_python({"name": "main", "kind": "sensorthings", "address": "http://x/v1.1"})


def datastreams_of(content: bytes) -> object:
    """Read a list of datastreams, or what else a server says."""
    found = json.parse(content)
    entities = found if isinstance(found, list) else [found]
    return datastreams.choose([datastreams.outline(one) for one in entities if isinstance(one, dict)], THINGS, ALIASES)


def observations_of(content: bytes) -> object:
    """Read a page of observations."""
    rows = json.parse(content)
    stream = sensorthings.Stream(key="7", name="Rain", station="hollin", variable="rain", unit="mm")
    page = sensorthings.Observations(stream, rows if isinstance(rows, list) else [rows], True, NOW)
    setting = tables.Setting(THINGS, ALIASES, 0, NOW)
    return [tables.read(table, "", True, setting) for table in THINGS.tables(page)]


def messages_of(**written: Any) -> Callable[[bytes], object]:
    """Return a function that reads bytes as a message of a station, and of one whose topic names it in the message."""
    usual = {"name": "main", "kind": "mqtt", "address": "mqtt://x", "topics": ["up/{station}"]}
    source = TypeAdapter(AnySource).validate_python({**usual, **written})
    setting = tables.Setting(source, ALIASES, 0, NOW)

    def read(content: bytes) -> object:
        heard = [mqtt.Message("up/hollin", "hollin", content), mqtt.Message("up/007", "007", content[::2])]
        return [tables.read(table, "", True, setting) for table in source.tables(heard)]

    return read


def rows_of(content: bytes) -> object:
    """Read bytes as the rows of a database, in which a value may be of any type."""
    usual = {"name": "main", "kind": "sql", "address": "sqlite:///x", "query": "select 1"}
    source = TypeAdapter(AnySource).validate_python({**usual, "columns": {"time": 1, "station": 2, "rain": 3}})
    setting = tables.Setting(source, ALIASES, 0, NOW)
    rows = [(*line.split(","), None, line.encode(), len(line))[:3] for line in lines_of(content)]
    return [tables.read(table, "", True, setting) for table in source.tables((("a", "b", "c"), rows))]


PARSERS = (
    Parser("csv", through(kind="csv"), [PLAIN, JOINED, QUOTED, PLAIN.decode().encode("utf-16")]),
    Parser("csv: line breaks in quotes", through(kind="csv"), [NOTES, NOTES.replace(b"\n", b"\r\n")]),
    Parser(
        "csv: decimal commas",
        through(kind="csv", delimiter=";", decimal=",", skip_lines=[2]),
        [f"time;station;rain\n;;mm\n{CONTINENTAL}".encode("cp1252")],
    ),
    Parser("csv: no header", through(kind="csv", columns={"time": 1, "station": 2, "rain": 3}), [ROWS.encode()]),
    Parser(
        "csv: blanks between columns, local time",
        through(
            kind="csv",
            delimiter="spaces",
            columns={"time": [1, 2], "station": 3, "rain": 4},
            time={"zone": "America/Denver"},
        ),
        [LOCAL.replace(",", "  ").encode()],
        in_suite=80,
    ),
    Parser(
        "json", through(kind="json", records="data", columns=JSON_COLUMNS), [JSON, JSON.replace(b"0.2", b"null")], 1_000
    ),
    Parser("times", in_all_clocks, ["\n".join(TIMES).encode()], in_suite=100),
    Parser("numbers", numbers, [b"0.2\n-999\n1e6\n.5\nNA\n-0\n12"], in_suite=2_000),
    Parser("gzip", lambda content: files.unpacked(content, 1e6), [gzip.compress(PLAIN, mtime=0)], in_suite=2_000),
    Parser("waterml", a_series, [WATERML]),
    Parser("sensorthings: datastreams", datastreams_of, [b"[" + DATASTREAM + b"," + DATASTREAM + b"]"]),
    Parser("sensorthings: observations", observations_of, [OBSERVATIONS]),
    Parser("mqtt: json", messages_of(columns={"time": "at", "rain": "obs.rain"}, records="data"), [JSON]),
    Parser("mqtt: csv", messages_of(columns={"time": 1, "rain": 3}, payload="csv"), [ROWS.encode()], effort=2),
    Parser("sql", rows_of, [ROWS.encode()], effort=2),
    Parser("a proposal for waterml", look_at_series, [WATERML], 40, 20),
    Parser("a proposal for csv", lambda content: propose(content, "csv"), [PLAIN, JOINED, LOCAL.encode()], 40, 20),
    Parser("a proposal for json", lambda content: propose(content, "json"), [JSON], 100, 20),
)
NASTY = (
    *(
        b"\0",
        b'"',
        b'""',
        b"\n",
        b"\r",
        b"\r\n",
        b",",
        b";",
        b"\t",
        b" ",
        b"#",
        b"\xef\xbb\xbf",
        b"\xff\xfe",
        b"\xfe\xff",
        b"\xe9",
    ),
    *(
        b"time,station,rain\n",
        b"rain,time\n",
        b"NaN",
        b"inf",
        b"-999",
        b"1e400",
        b"9" * 400,
        b"0x1",
        b"1.234.567,8",
        b"now",
    ),
    *(
        b"2025-10-21T24:00Z",
        b"9999-12-31T23:59Z",
        b"0001-01-01",
        b"-",
        b"/",
        b"P",
        b"[" * 50,
        b"{",
        b"}",
        b"null",
        b"\\u0000",
    ),
    *(
        "\u2028\u00a0\u0661\ufeff\U0001f327".encode(),
        b'"' * 99,
        b'a"b\n' * 99,
        b"a\n" * 99,
        b"," * 999,
        b"x" * 9999,
        b"\n" * 999,
    ),
)
HUGE = (
    *(b'"' * 40_000, b'a,"b\n' * 8_000, b'"\n' * 20_000, b"," * 40_000, b"\n" * 40_000, b"x" * 40_000, b"\0" * 40_000),
    *(
        PLAIN * 40,
        b"time,station,rain\n" * 2_400,
        b"time,station,rain\n,,mm\n" * 1_800,
        b"[" * 40_000,
        b"[{}," * 10_000,
    ),
    *(b'{"a":' * 8_000, JOINED * 12, NOTES * 24, b"2025-10-21T14:20Z\n" * 2_000, b"-" * 40_000, b"1," * 20_000),
    *(
        b"Z " * 20_000,
        b"2025-10-21T14:20Z/" * 2_200,
        b'"time\nstation\nrain"\n' * 2_000,
        b"\r" * 40_000,
        b"\xe9,\n" * 12_000,
    ),
)
"""Inputs made to be read over and over by a parser that looks back or ahead too far."""


def mutated(sample: bytes, chance: random.Random) -> bytes:
    """Return a sample that was cut, doubled, mixed up, overwritten, or all of it."""
    content = bytearray(sample)
    for _ in range(chance.randint(1, 6)):
        at, end = sorted(chance.randrange(len(content) + 1) for _ in range(2))
        how = chance.randrange(6)
        if how == 0:
            content[at:end] = b""
        elif how == 1:
            content[at:at] = content[at:end]
        elif how == 2 and content:
            content[at : at + 1] = bytes([chance.randrange(256)])
        elif how == 3:
            content[at:at] = chance.choice(NASTY)
        elif how == 4:
            content[at : at + chance.randrange(9)] = chance.choice(NASTY)
        else:
            content = content[at:] + content[:at]
    return bytes(content)


def reads(parser: Parser, content: bytes) -> None:
    """Have it read; to refuse in words is well."""
    words = "read"
    try:
        parser.read(content)
    except UnreadableError as error:
        words = str(error)
    assert 0 < len(words) < 2_000


def reads_within_bounds(parser: Parser, content: bytes) -> None:
    """Have it read with its calls counted."""
    calls, limit = 0, parser.effort * (CALLS_AT_LEAST + CALLS_A_BYTE * len(content))

    def count(_frame: FrameType, event: str, _given: object) -> None:
        nonlocal calls
        if event in ("call", "c_call"):
            calls += 1
            if calls > limit:
                sys.setprofile(None)
                raise AssertionError(f"{parser.name}: more than {limit:,} calls for {len(content):,} bytes")

    sys.setprofile(count)
    try:
        reads(parser, content)
    finally:
        sys.setprofile(None)


@pytest.mark.parametrize("parser", PARSERS, ids=lambda parser: parser.name)
def test_mutated_samples(parser: Parser) -> None:
    """Real content, damaged by a chance that is the same each time."""
    chance = random.Random(parser.name)
    for number in range(INPUTS or parser.in_suite):
        content = mutated(chance.choice(parser.samples), chance)
        try:
            (reads_within_bounds if number % 20 == 0 else reads)(parser, content)
        except Exception as error:
            raise AssertionError(f"input {number} of {parser.name}: {content[:2000]!r}") from error


@pytest.mark.parametrize("parser", PARSERS, ids=lambda parser: parser.name)
@settings(max_examples=INPUTS or 25, deadline=None, database=None, suppress_health_check=list(HealthCheck))
@given(st.one_of(st.binary(max_size=300), st.text("ti:me,;-\n\"'019 TZ\t.[]{}/P", max_size=150).map(str.encode)))
def test_any_bytes(parser: Parser, content: bytes) -> None:
    """Alone, and behind the beginning of a good sample."""
    for begin in (b"", parser.samples[0][:60]):
        reads(parser, begin + content)


@pytest.mark.parametrize("parser", PARSERS, ids=lambda parser: parser.name)
def test_long_inputs_take_no_more_work_and_memory_than_their_length_explains(parser: Parser) -> None:
    """What invites to look back or ahead again and again, and what is much in little."""
    for content in (whole[: max(len(whole), LONG) if INPUTS else LONG] for whole in HUGE):
        reads_within_bounds(parser, content)
        tracemalloc.start()
        try:
            reads(parser, content)
            peak = tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()
        limit = parser.effort * (PEAK_AT_LEAST + PEAK_A_BYTE * len(content))
        assert peak < limit, f"{parser.name}: {peak:,} bytes held for {len(content):,} of {content[:40]!r}"
