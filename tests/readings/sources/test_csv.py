"""Tables in text as the field makes them: what is read, and what is refused in words rather than misread."""

from __future__ import annotations

import os
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from tests.readings.sources.test_files import HEADER, NOW, STATIONS, values, write
from watchman.model import BATTERY, RAIN, TEMPERATURE, Delivery
from watchman.readings.sources import AnySource, FetchMemory, fetch

Make = Callable[..., AnySource]
ROW = "2025-10-21T14:20Z,hollin,0.2\n"
GOOD = [(0, RAIN, "14:20", 0.2)]
FOUR = {"time": "time", "station": "station", "rain": "rain", "battery": "battery"}


def read(source: AnySource, folder: Path, text: str | bytes) -> Delivery:
    """Return what a source whose path is data.csv brings, with this text in the file."""
    write(folder / "data.csv", text)
    return fetch(source, folder, STATIONS, 0, FetchMemory(), NOW)[0]


@pytest.mark.parametrize(
    ("settings", "text"),
    [
        ({}, f"Station list\nprinted 21.10.2025; 3 gauges\n\n{HEADER}{ROW}"),
        ({}, f"\x00\x00\x00\n{HEADER}{ROW}\x00\x00\x00\x00"),
        ({}, f"{HEADER}{ROW}".replace("\n", "\r")),
        ({}, f"{HEADER}{ROW}".replace("\n", "\r\r\n")),
        ({}, f"{HEADER}{ROW}".encode("utf-16-le")),
        ({}, f"{HEADER}{ROW}".encode("utf-16-be")),
        ({}, "time,station,rain,,\n2025-10-21T14:20Z,hollin,0.2\n"),
        ({}, f"time,station,rain\n{ROW.strip()},,,\n"),
        ({}, '"time","station","rain"\r\n"2025-10-21T14:20Z","hollin","0.2"\r\n'),
        ({"columns": {"time": "time", "station": "station", "rain": "A b"}}, f'time,station,"A\nb"\n{ROW}'),
        ({"delimiter": "spaces"}, "time   station\train\n2025-10-21T14:20Z  hollin    0.2\n"),
        ({"delimiter": "|"}, "time|station|rain\n2025-10-21T14:20Z|hollin|0.2\n"),
        ({"delimiter": ";", "decimal": ","}, "time;station;rain\n2025-10-21T14:20Z;hollin;0.2\n"),
        ({"rain": {"unit": "inch"}}, f"time,station,rain\n,,mm\n{ROW}"),
        ({}, f"time,station,rain\n,,mm\nwhen,where,total\n{ROW}"),
        ({"skip_lines": [2]}, f"time,station,rain\n,,furlong\n{ROW}"),
        ({"columns": {"time": ["y", "m", "d", "h"], "station": "s", "rain": "r"}, "time": {"format": "%Y %m %d %H%M"}},
         "y,m,d,h,s,r\n2025,10,21,1420,hollin,0.2\n"),
        ({"columns": {"time": ["y", "day", "hhmm"], "station": "s", "rain": "r"}, "time": {"format": "%Y %j %H%M"}},
         "y,day,hhmm,s,r\n2025,294,1420,hollin,0.2\n"),
    ],
)  # fmt: skip
def test_every_way_to_write_a_table(source: Make, tmp_path: Path, settings: dict[str, Any], text: str | bytes) -> None:
    """Preambles, NULs, line ends, UTF-16, too many delimiters, line breaks in names, units, descriptions."""
    delivery = read(source(path="data.csv", **settings), tmp_path, text)

    assert values(delivery) == GOOD
    assert (delivery.trouble, delivery.rejected) == ("", ())


@pytest.mark.parametrize(
    ("settings", "written", "value"),
    [
        ({"decimal": ","}, "1.234,5", 1234.5),
        ({"decimal": ",", "thousands": "."}, "1.234", 1234.0),
        ({"decimal": ",", "thousands": "."}, "12.345.678", 12_345_678.0),
        ({"decimal": ",", "thousands": "space"}, "1\u202f234,5", 1234.5),
        ({"thousands": ","}, "1,234.5", 1234.5),
        ({"thousands": "'"}, "1'234", 1234.0),
        ({"decimal": ","}, "-0,25", -0.25),
        ({"decimal": ","}, "12,5", 12.5),
        ({"decimal": ","}, "0.200", 0.2),
    ],
)
def test_decimal_and_thousands_signs(
    source: Make, tmp_path: Path, settings: dict[str, Any], written: str, value: float
) -> None:
    """Where both are known, or stand in one number, they can't be taken for each other."""
    made = source(path="data.csv", delimiter=";", **settings)

    delivery = read(made, tmp_path, f"time;station;rain\n2025-10-21T14:20Z;hollin;{written}\n")

    assert values(delivery) == [(0, RAIN, "14:20", value)]
    assert delivery.rejected == ()


@pytest.mark.parametrize(
    ("settings", "written", "reason"),
    [
        ({"decimal": ","}, "1.234", 'write thousands = "."'),
        ({"decimal": ",", "thousands": "."}, "1.23", "not a number"),
        ({"thousands": ","}, "1,23", "not a number"),
        ({}, "0,2", 'write decimal = ","'),
        ({}, "1,234.5", "not a number"),
        ({"decimal": ","}, "1,234,5", "not a number"),
    ],
)
def test_a_number_that_may_be_two_is_none(
    source: Make, tmp_path: Path, settings: dict[str, Any], written: str, reason: str
) -> None:
    """It is refused, and the reason says what to write."""
    made = source(path="data.csv", delimiter=";", **settings)

    delivery = read(made, tmp_path, f"time;station;rain\n2025-10-21T14:20Z;hollin;{written}\n")

    assert len(delivery.readings) == 0
    assert reason in delivery.trouble


def test_the_units_beneath_the_names_count(source: Make, tmp_path: Path) -> None:
    """They go before the settings, and each column has its own."""
    columns = {"time": "time", "station": "station", "rain": "rain", "battery": "v", "temperature": "t"}
    text = "time,station,rain,v,t\nISO,id,in,mV,degF\n2025-10-21T14:20Z,hollin,1,3912,14\n"

    delivery = read(source(path="data.csv", columns=columns), tmp_path, text)

    assert values(delivery) == [
        (0, RAIN, "14:20", 25.4),
        (0, BATTERY, "14:20", 3.912),
        (0, TEMPERATURE, "14:20", pytest.approx(-10.0)),
    ]
    assert delivery.look is not None
    assert delivery.look.units == {("rain", "in"), ("battery", "mV"), ("temperature", "degF")}


@pytest.mark.parametrize(
    ("unit", "reason"),
    [
        ("furlong", "its unit 'furlong' is not one of rain"),
        ("tips", 'write rain = { unit = "tips" }'),
        ("mm/h", "mm/h"),
    ],
)
def test_a_unit_that_cannot_be_read_leaves_its_column_only(
    source: Make, tmp_path: Path, unit: str, reason: str
) -> None:
    """The others are read, and it is said why this one isn't."""
    text = f"time,station,rain,battery\n,,{unit},V\n2025-10-21T14:20Z,hollin,1,3.9\n"

    delivery = read(source(path="data.csv", columns=FOUR), tmp_path, text)

    assert values(delivery) == [(0, BATTERY, "14:20", 3.9)]
    [rejected] = delivery.rejected
    assert rejected.reason.startswith("its rain is left unread")
    assert reason in rejected.reason


def test_columns_may_change_places_in_the_middle(source: Make, tmp_path: Path) -> None:
    """Files one after another: each header says how its own rows are read, its preamble and mark are no rows."""
    text = (
        "logger 1\ntime,station,rain,battery\n,,mm,V\n2025-10-21T14:20Z,hollin,0.2,3.9\n"
        "logger 1\ntime,station,rain,battery\n,,mm,V\n2025-10-21T14:25Z,hollin,0.4,3.8\n"
        "\ufefflogger 2\nbattery,rain,station,time\nmV,in,,\n3700,1,hollin,2025-10-21T14:30Z\n"
    )

    delivery = read(source(path="data.csv", columns=FOUR), tmp_path, text)

    assert values(delivery) == [
        *[(0, RAIN, "14:20", 0.2), (0, RAIN, "14:25", 0.4), (0, RAIN, "14:30", 25.4)],
        *[(0, BATTERY, "14:20", 3.9), (0, BATTERY, "14:25", 3.8), (0, BATTERY, "14:30", 3.7)],
    ]
    assert (delivery.trouble, delivery.rejected) == ("", ())


def test_rows_beneath_a_header_without_our_columns_are_refused(source: Make, tmp_path: Path) -> None:
    """What stands above it is read; nobody knows what the columns beneath it hold."""
    text = f"{HEADER}{ROW}time,station,precipitation\n2025-10-21T14:25Z,hollin,7\n"

    delivery = read(source(path="data.csv"), tmp_path, text)

    assert values(delivery) == GOOD
    [rejected] = delivery.rejected
    assert "the header above it has no column 'rain'" in rejected.reason


def test_what_is_appended_is_read_by_the_last_header(source: Make, tmp_path: Path) -> None:
    """Also in a later fetch, when that header is long read."""
    made, path = source(path="data.csv", columns=FOUR), tmp_path / "data.csv"
    text = "time,station,rain,battery\n2025-10-21T14:20Z,hollin,0.2,3.9\nbattery,rain,station,time\n"
    memory = FetchMemory()
    for minute in (25, 30, 35):
        text += f"3.8,0.{minute},hollin,2025-10-21T14:{minute}Z\n"
        write(path, text)
        delivery, memory = fetch(made, tmp_path, STATIONS, 0, memory, NOW)
        memory = FetchMemory.model_validate_json(memory.model_dump_json())

    assert values(delivery) == [(0, RAIN, "14:35", 0.35), (0, BATTERY, "14:35", 3.8)]


@pytest.mark.parametrize(
    ("header", "told"),
    [
        ("time,station,rain,rain", "it has several columns 'rain'; write the place of the right one, for instance 3"),
        ("time,station,rain_mm", "perhaps it is 'rain_mm' now"),
        ("2025-10-21T14:15Z,hollin,0.2", "it has no header: its first line looks like a row"),
    ],
)
def test_a_header_that_is_not_ours_is_refused(source: Make, tmp_path: Path, header: str, told: str) -> None:
    """A name that stands twice, another name, no header at all."""
    columns = {"time": "time", "station": "station", "rain": "rain mm" if "rain_mm" in header else "rain"}

    assert told in read(source(path="data.csv", columns=columns), tmp_path, f"{header}\n{ROW}").trouble


def test_a_word_in_a_remark_is_no_header(source: Make, tmp_path: Path) -> None:
    """A row may speak of rain."""
    made = source(path="{station}.csv", columns={"time": "time", "rain": "rain"})
    write(tmp_path / "hollin.csv", "time,rain,note,seen\n2025-10-21T14:20Z,0.2,rain,\n2025-10-21T14:25Z,0.4,time,\n")

    delivery, _ = fetch(made, tmp_path, STATIONS, 0, FetchMemory(), NOW)

    assert [value for *_, value in values(delivery)] == [0.2, 0.4]


def test_a_quoted_line_break_stays_in_its_field(source: Make, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Also across the edge of a block, and with what would be a comment or a row of its own outside of quotes."""
    rows = [
        f'2025-10-21T14:{minute:02d}Z,hollin,0.{minute},"by\r\n# two\r\n\r\n2025-10-21T14:59Z,hollin,9 ""men"""\r\n'
        for minute in range(10, 50)
    ]
    monkeypatch.setattr("watchman.readings.sources.csv.BLOCK", 100)

    delivery = read(source(path="data.csv"), tmp_path, "time,station,rain,note\r\n" + "".join(rows))

    assert [value for *_, value in values(delivery)] == [float(f"0.{minute}") for minute in range(10, 50)]
    assert (delivery.trouble, delivery.rejected) == ("", ())


def test_a_quotation_mark_that_is_never_closed_costs_its_own_line(source: Make, tmp_path: Path) -> None:
    """However many there are; one within a field is a sign like any other."""
    bad = '2025-10-21T14:25Z,hollin,0.4,"broken\n'
    text = f'time,station,rain,note\n{ROW.strip()},5" gauge\n{bad}{bad}2025-10-21T14:30Z,hollin,0.6,\n'

    delivery = read(source(path="data.csv"), tmp_path, text)

    assert [value for *_, value in values(delivery)] == [0.2, 0.6]
    assert [rejected.reason[:40] for rejected in delivery.rejected] == ["a quotation mark in it is never closed; "] * 2


@pytest.mark.parametrize("tail", ['"12', '"12.4\n', "12.\x004\n", "\x00\x00.4\n"])
def test_half_a_value_is_no_value(source: Make, tmp_path: Path, tail: str) -> None:
    """An open quotation mark and the NULs of a failed write don't leave a smaller number."""
    delivery = read(source(path="data.csv"), tmp_path, f"{HEADER}{ROW}2025-10-21T14:25Z,hollin,{tail}")

    assert values(delivery) == GOOD
    assert "perhaps it breaks off" in delivery.rejected[0].reason


def test_a_last_row_that_breaks_off_is_refused_where_rows_are_longer(source: Make, tmp_path: Path) -> None:
    """12 may be half of 12.4; where every row leaves its last fields out it isn't."""
    made, header = source(path="data.csv"), "time,station,rain,note\n"
    long, short, last = f"{ROW.strip()},x\n", ROW, "2025-10-21T14:25Z,hollin,12"

    assert values(read(made, tmp_path, header + long + last)) == GOOD
    assert len(read(made, tmp_path, header + short + last).readings) == 2
    assert len(read(made, tmp_path, header + long + last + "\n").readings) == 2


def test_lines_in_two_code_pages(source: Make, tmp_path: Path) -> None:
    """Files that were joined keep their own."""
    text = HEADER.encode() + "2025-10-21T14:20Z,Möwe,1\n".encode() + "2025-10-21T14:25Z,Möwe,2\n".encode("cp1252")
    write(tmp_path / "data.csv", text)

    delivery, _ = fetch(source(path="data.csv"), tmp_path, {"Möwe": 0}, 0, FetchMemory(), NOW)

    assert delivery.readings.value.tolist() == [1.0, 2.0]


def test_very_long_lines_and_fields(source: Make, tmp_path: Path) -> None:
    """A megabyte in one line is one bad row, or a field nobody asked for."""
    text = f"time,station,rain,note\n{ROW.strip()},{'x' * 100_000}\n{'y' * 1_000_000}\n{','.join('z' * 300_000)}\n"

    delivery = read(source(path="data.csv"), tmp_path, text)

    assert values(delivery) == GOOD
    assert len(delivery.rejected) == 2


def test_lines_to_skip_further_down_do_not_take_rows_with_them(source: Make, tmp_path: Path) -> None:
    """Only the lines that are named are left out."""
    text = f"{HEADER}{ROW}a total\n2025-10-21T14:25Z,hollin,0.4\n"

    delivery = read(source(path="data.csv", skip_lines=[3]), tmp_path, text)

    assert [value for *_, value in values(delivery)] == [0.2, 0.4]
    assert delivery.rejected == ()


def test_a_night_told_apart_by_the_order_of_rows_with_headers_between(source: Make, tmp_path: Path) -> None:
    """A header that comes again each hour doesn't hide that the clock was set back."""
    clocks = ["01:00", "01:30", "01:00", "01:30"]
    text = "".join(f"{HEADER}2025-11-02 {clock},hollin,0\n" for clock in clocks)

    readings = read(source(path="data.csv", time={"zone": "America/Denver"}), tmp_path, text).readings

    begin = int(datetime(2025, 11, 2, 7, tzinfo=UTC).timestamp())
    assert (readings.observed_at - begin).tolist() == [0, 1800, 3600, 5400]


def test_a_column_a_station(tmp_path: Path, source: Callable[..., AnySource]) -> None:
    """Whose a column is stands in its name; a row that can't be read is told once, and not once a station."""
    columns = {"time": "Zeit", "rain": "Regen {station} mm", "battery": "Akku {station}"}
    (tmp_path / "wide.csv").write_text(
        "Zeit;Regen Hollin mm;Akku Hollin;Regen Fennick Bridge mm;Wind\n"
        "2025-10-21T00:05:00Z;0,2;3,91;0,4;7\n"
        "2025-10-21T00:10:00Z;0,0;;0,6;7\n"
        "2025-10-21T00:15:00Z;0,0\n"
    )
    one = source(columns=columns, path="wide.csv", delimiter=";", decimal=",")
    delivery, _ = fetch(one, tmp_path, {"Hollin": 0, "Fennick Bridge": 1}, 0, FetchMemory(), NOW)

    readings = delivery.readings
    got = sorted(zip(readings.station.tolist(), readings.variable.tolist(), readings.value.tolist(), strict=True))
    assert got == [(0, RAIN, 0.0), (0, RAIN, 0.2), (0, BATTERY, 3.91), (1, RAIN, 0.4), (1, RAIN, 0.6)]
    assert len(delivery.rejected) == 1

    with pytest.raises(ValidationError, match="measure"):
        source(columns={"time": "t {station}", "rain": "r"}, path="wide.csv")


def test_rain_goes_on_without_a_voltage(tmp_path: Path, source: Callable[..., AnySource]) -> None:
    """A column that is gone costs itself, and is told once; without the rain the source is in trouble."""
    columns = {"time": "time", "station": "station", "rain": "rain", "battery": "battery_v"}
    one = source(columns=columns, path="data.csv")
    aliases = {"hollin": 0}
    (tmp_path / "data.csv").write_text("time,station,rain\n2025-10-21T00:05:00Z,hollin,0.2\n")
    delivery, _ = fetch(one, tmp_path, aliases, 0, FetchMemory(), NOW)
    assert delivery.readings.value.tolist() == [0.2]
    assert delivery.trouble == ""
    assert "battery is left unread" in delivery.rejected[0].reason

    (tmp_path / "data.csv").write_text("time,station,battery_v\n2025-10-21T00:05:00Z,hollin,3.9\n")
    os.utime(tmp_path / "data.csv", (0, 0))  # a fresh file may still be being written
    delivery, _ = fetch(one, tmp_path, aliases, 0, FetchMemory(), NOW)
    assert "no column 'rain'" in delivery.trouble


def test_nothing_from_a_source_steers_a_terminal(tmp_path: Path, source: Callable[..., AnySource]) -> None:
    """Neither colours nor a window's title, nor a line of its own."""
    name = "\x1b[2J\x1b]0;x\x07\u202egood"
    (tmp_path / "data.csv").write_text(f"time,station,rain\n2025-10-21T00:05:00Z,{name},0.2\n")
    delivery, _ = fetch(source(path="data.csv"), tmp_path, {"hollin": 0}, 0, FetchMemory(), NOW)
    told = [delivery.trouble, *(f"{row.row}{row.reason}" for row in delivery.rejected)]
    assert "good" in "".join(told)
    assert all(text.isprintable() for text in told)
