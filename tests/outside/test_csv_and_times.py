"""The examples of RFC 4180 (CSV), section 2, and of RFC 3339 (times), section 5.8; their texts are from memory."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from pydantic import TypeAdapter

from watchman.readings.sources import AnySource
from watchman.readings.sources.settings import Clock
from watchman.readings.sources.times import read


def cells(text: str, *, header: bool = False) -> list[tuple[str, ...]]:
    """Return the first three fields of each row, as the parser cuts them."""
    names = ("field_name", "field_name2", "field_name3") if header else (1, 2, 3)
    if not header and text.count(",") == 0:
        names = (1, 1, 1)
    columns = dict(zip(("time", "station", "rain"), names, strict=True))
    source = TypeAdapter(AnySource).validate_python({"name": "m", "kind": "csv", "path": "x.csv", "columns": columns})
    return [
        row
        for table in source.tables(text.encode())
        for row in zip(table.columns["time"], table.columns["station"], table.columns["rain"], strict=True)
    ]


ABC = ("aaa", "bbb", "ccc")
XYZ = ("zzz", "yyy", "xxx")


@pytest.mark.parametrize(
    ("text", "rows"),
    [
        ("aaa,bbb,ccc\r\nzzz,yyy,xxx\r\n", [ABC, XYZ]),  # 2.1
        ("aaa,bbb,ccc\r\nzzz,yyy,xxx", [ABC, XYZ]),  # 2.2: the last line need not end
        ('"aaa","bbb","ccc"\r\nzzz,yyy,xxx', [ABC, XYZ]),  # 2.5
        ('"aaa","b\r\nbb","ccc"\r\nzzz,yyy,xxx', [("aaa", "b\nbb", "ccc"), XYZ]),  # 2.6, its line break as a line feed
        ('"aaa","b""bb","ccc"', [("aaa", 'b"bb', "ccc")]),  # 2.7
        (" aaa, bbb,ccc", [(" aaa", " bbb", "ccc")]),  # 2.4: spaces belong to a field
    ],
)
def test_examples_of_rfc_4180(text: str, rows: list[tuple[str, ...]]) -> None:
    """Each is cut as the text says."""
    assert cells(text) == rows


def test_the_header_of_rfc_4180() -> None:
    """2.3: a first line of names is no row. (Rows of letters alone, as there, would be taken for descriptions.)"""
    text = "field_name,field_name2,field_name3\r\n1,bbb,ccc\r\n2,yyy,xxx\r\n"

    assert cells(text, header=True) == [("1", "bbb", "ccc"), ("2", "yyy", "xxx")]


@pytest.mark.parametrize(
    ("text", "moment"),
    [
        ("1985-04-12T23:20:50.52Z", "1985-04-12T23:20:50Z"),
        ("1996-12-19T16:39:57-08:00", "1996-12-20T00:39:57Z"),
        ("1990-12-31T23:59:60Z", "1991-01-01T00:00:00Z"),  # a leap second, which seconds since 1970 don't count
        ("1990-12-31T15:59:60-08:00", "1991-01-01T00:00:00Z"),
        ("1937-01-01T12:00:27.87+00:20", "1937-01-01T11:40:27Z"),
        ("1985-04-12t23:20:50.52z", "1985-04-12T23:20:50Z"),  # 5.6: T and Z may be lower case
        ("1985-04-12 23:20:50Z", "1985-04-12T23:20:50Z"),  # 5.6: and a space may stand for T
        ("1985-04-12T23:20:50-00:00", "1985-04-12T23:20:50Z"),  # 4.3: UTC is known, the local offset isn't
    ],
)
def test_examples_of_rfc_3339(text: str, moment: str) -> None:
    """Whatever the source's own clock keeps."""
    seconds = read([text, text], Clock(utc_offset="+05:00"))

    assert [datetime.fromtimestamp(int(second), UTC) for second in seconds] == [datetime.fromisoformat(moment)] * 2
