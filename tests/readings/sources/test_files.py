"""Sources in files, through the one function the program calls: what is read, what is refused, what costs nothing."""

from __future__ import annotations

import gzip
import json
import os
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from watchman.model import BATTERY, RAIN, SIGNAL, TEMPERATURE, Delivery
from watchman.readings.sources import AnySource, FetchMemory, fetch

NOW = datetime(2025, 10, 21, 15, 0, tzinfo=UTC)
STATIONS = {"hollin": 0, "007": 1}
Make = Callable[..., AnySource]

HEADER = "time,station,rain\n"
ROWS = "2025-10-21T14:20Z,hollin,0.2\n2025-10-21T14:20Z,007,0\n"


def look(source: AnySource, folder: Path, memory: FetchMemory | None = None) -> tuple[Delivery, FetchMemory]:
    return fetch(source, folder, STATIONS, 3, memory or FetchMemory(), NOW)


def write(path: Path, text: str | bytes, age_s: float = 60) -> None:
    """Write a file that nobody has touched for a while."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    changed = path.stat().st_mtime - age_s
    os.utime(path, (changed, changed))


def values(delivery: Delivery) -> list[tuple[int, int, str, float]]:
    """Return (station, variable, observed_at, value) in order."""
    readings = delivery.readings
    return sorted(
        (int(station), int(variable), datetime.fromtimestamp(int(at), UTC).strftime("%H:%M"), float(value))
        for station, variable, at, value in zip(
            readings.station, readings.variable, readings.observed_at, readings.value, strict=True
        )
    )


def read(source: AnySource, folder: Path, text: str | bytes) -> Delivery:
    """Return what a source whose path is data.csv brings, with this text in the file."""
    write(folder / "data.csv", text)
    return look(source, folder)[0]


def test_a_wide_table_is_read(source: Make, tmp_path: Path) -> None:
    """One column a variable, ids such as 007 stay text, and every reading knows its source."""
    columns = {"time": "time", "station": "station", "rain": "rain", "battery": "battery", "signal": "dBm"}
    text = "time,station,rain,battery,dBm\n2025-10-21T14:20Z,hollin,0.2,3.91,-97\n2025-10-21T14:20Z,007,,3.70,NA\n"

    delivery = read(source(path="data.csv", columns=columns), tmp_path, text)

    assert values(delivery) == [
        (0, RAIN, "14:20", 0.2),
        (0, BATTERY, "14:20", 3.91),
        (0, SIGNAL, "14:20", -97.0),
        (1, BATTERY, "14:20", 3.7),
    ]
    assert (delivery.trouble, delivery.rejected) == ("", ())
    assert set(delivery.readings.source.tolist()) == {3}


def test_a_long_table_is_read(source: Make, tmp_path: Path) -> None:
    """One value a row, its variable by the source's own word; what isn't watched is left alone."""
    columns = {"time": "t", "station": "id", "variable": "what", "value": "v"}
    text = (
        "t,id,what,v\n2025-10-21T14:20Z,hollin,RF,0.4\n2025-10-21T14:20Z,hollin,WIND,7\n2025-10-21T14:20Z,007,VB,3.6\n"
    )

    delivery = read(source(path="data.csv", columns=columns, variables={"rain": "RF", "battery": "VB"}), tmp_path, text)

    assert values(delivery) == [(0, RAIN, "14:20", 0.4), (1, BATTERY, "14:20", 3.6)]
    assert delivery.rejected == ()


def test_a_long_table_without_a_known_word_is_trouble(source: Make, tmp_path: Path) -> None:
    """The sentence lists what the table has, and how to say which is which."""
    columns = {"time": "t", "station": "id", "variable": "what", "value": "v"}

    delivery = read(
        source(path="data.csv", columns=columns), tmp_path, "t,id,what,v\n2025-10-21T14:20Z,hollin,RF,0.4\n"
    )

    assert "it has: RF" in delivery.trouble
    assert 'variables = { rain = "..." }' in delivery.trouble


def test_later_parts_of_a_long_table_may_hold_only_what_is_not_watched(source: Make, tmp_path: Path) -> None:
    """A row of wind appended to a table that was read before is no trouble."""
    made = source(path="data.csv", columns={"time": "t", "station": "id", "variable": "what", "value": "v"})
    text = "t,id,what,v\n2025-10-21T14:20Z,hollin,rain,0.4\n"
    write(tmp_path / "data.csv", text)
    _, memory = look(made, tmp_path)
    write(tmp_path / "data.csv", text + "2025-10-21T14:20Z,hollin,wind,7\n")

    assert look(made, tmp_path, memory)[0].trouble == ""


@pytest.mark.parametrize(
    ("settings", "text", "expected"),
    [
        ({}, b"\xef\xbb\xbftime,station,rain\n2025-10-21T14:20Z,hollin,0.2\n", 0.2),
        ({}, "time,station,rain\n2025-10-21T14:20Z,hollin,0.2\n".encode("utf-16"), 0.2),
        ({}, "time,station,rain\r\n2025-10-21T14:20Z,hollin,0.2\r\n", 0.2),
        ({}, 'time,station,rain\n"2025-10-21T14:20Z","hollin","0.2"', 0.2),
        ({}, "rain , time,station\n0.2, 2025-10-21T14:20Z , hollin \n", 0.2),
        ({}, "# made by a logger\n\ntime,station,rain,\n2025-10-21T14:20Z,hollin,0.2,\n# end\n", 0.2),
        ({"delimiter": ";", "decimal": ","}, "time;station;rain\n2025-10-21T14:20Z;hollin;0,2\n", 0.2),
        ({"delimiter": "tab"}, "time\tstation\train\n2025-10-21T14:20Z\thollin\t.2\n", 0.2),
        ({"skip_lines": [1, 3]}, "V1,abc\ntime,station,rain\n,,mm\n2025-10-21T14:20Z,hollin,0.2\n", 0.2),
        ({"columns": {"time": 2, "station": 1, "rain": 4}}, "hollin,2025-10-21T14:20Z,x,0.2\n", 0.2),
        ({"columns": {"time": ["d", "t"], "station": "s", "rain": "r"}}, "d,t,s,r\n2025-10-21,14:20,hollin,0.2", 0.2),
        ({"time": {"format": "epoch"}}, "time,station,rain\n1761056400,hollin,0.2\n", 0.2),
        ({"stamps": "begin", "covers_minutes": 5}, "time,station,rain\n2025-10-21T14:15Z,hollin,0.2\n", 0.2),
        ({"rain": {"unit": "inch"}}, "time,station,rain\n2025-10-21T14:20Z,hollin,0.01\n", 0.254),
        ({"rain": {"unit": "tips"}}, "time,station,rain\n2025-10-21T14:20Z,hollin,3\n", 3.0),
        ({}, "time,station,rain\n2025-10-21T14:20Z,hollin,-12.5\n", -12.5),
        ({}, "time,station,rain\n2025-10-21T14:20Z,hollin,1e6\n", 1e6),
    ],
)
def test_every_way_to_write_a_table(
    source: Make, tmp_path: Path, settings: dict[str, Any], text: str | bytes, expected: float
) -> None:
    """Marks, line ends, quotes, delimiters, decimal commas, comments, unit lines, units, absurd values as they are."""
    delivery = read(source(path="data.csv", **settings), tmp_path, text)

    [(*where, value)] = values(delivery)
    assert where == [0, RAIN, "14:20"]
    assert value == pytest.approx(expected, abs=1e-12)
    assert (delivery.trouble, delivery.rejected) == ("", ())


def test_other_units(source: Make, tmp_path: Path) -> None:
    """Fahrenheit and millivolts become degC and V."""
    settings = source(
        path="data.csv",
        columns={"time": "time", "station": "station", "temperature": "t", "battery": "b"},
        temperature_unit="degF",
        battery_unit="mV",
    )

    delivery = read(settings, tmp_path, "time,station,t,b\n2025-10-21T14:20Z,hollin,14,3912\n")

    assert values(delivery) == [(0, BATTERY, "14:20", 3.912), (0, TEMPERATURE, "14:20", pytest.approx(-10.0))]


@pytest.mark.parametrize("code", ["", "NA", "NaN", "---", "-999", "-999.0", "null", " "])
def test_a_missing_code_is_no_reading(source: Make, tmp_path: Path, code: str) -> None:
    """Missing is never zero, and no reason to reject the row."""
    delivery = read(source(path="data.csv"), tmp_path, f"{HEADER}2025-10-21T14:20Z,hollin,{code}\n{ROWS}")

    assert len(delivery.readings) == 2
    assert delivery.rejected == ()


BAD_ROWS = [
    ("yesterday,hollin,0.2", "can't be read as ISO 8601"),
    ("21.10.2025 14:20,hollin,0.2", 'time = { format = "%d.%m.%Y %H:%M" }'),
    ("1761056400,hollin,0.2", 'time = { format = "epoch" }'),
    ("2025-10-21T14:25Z,hollin,wet", "its rain is not a number"),
    ("2025-10-21T14:25Z,hollin,inf", "its rain is not a number"),
    ("2025-10-21T14:25Z,hollin,1,2", "perhaps a decimal comma"),
    ("2025-10-21T14:25Z,hol", "perhaps it breaks off"),
    ('2025-10-21T14:25Z,"hollin,0.2', "perhaps it breaks off"),
    ("\x00\x01garbage", "perhaps it breaks off"),
]


@pytest.mark.parametrize(("row", "reason"), BAD_ROWS)
def test_one_bad_row_costs_that_row_only(source: Make, tmp_path: Path, row: str, reason: str) -> None:
    """It is rejected with its text and a reason; the rows around it are read."""
    first, second = ROWS.splitlines()

    delivery = read(source(path="data.csv"), tmp_path, f"{HEADER}{first}\n{row}\n{second}\n")

    assert values(delivery) == [(0, RAIN, "14:20", 0.2), (1, RAIN, "14:20", 0.0)]
    [rejected] = delivery.rejected
    assert reason in rejected.reason
    shown = row.replace("\x00\x01", "  ")  # it is told in a terminal
    assert rejected.row.replace('"', "")[:12] == shown.replace('"', "")[:12]
    assert (rejected.source, rejected.received_at, delivery.trouble) == ("main", NOW, "")


def test_absurd_times_are_delivered(source: Make, tmp_path: Path) -> None:
    """1970 and 2099 are for cleaning to judge."""
    text = f"{HEADER}1970-01-01T00:05Z,hollin,0.2\n2099-01-01T00:00Z,hollin,0.2\n"

    assert read(source(path="data.csv"), tmp_path, text).readings.observed_at.tolist() == [300, 4070908800]


def test_an_unlisted_station_is_told_once_with_its_rows(source: Make, tmp_path: Path) -> None:
    """Not a row each, and not again at the next fetch."""
    made = source(path="data.csv")
    write(tmp_path / "data.csv", HEADER + ROWS + "2025-10-21T14:20Z,X9,0\n" * 3)

    delivery, memory = look(made, tmp_path)
    [rejected] = delivery.rejected
    assert (rejected.row, delivery.trouble) == ("station X9", "")
    assert "3 rows of station 'X9', which is not in stations.csv" in rejected.reason

    write(tmp_path / "data.csv", HEADER + ROWS + "2025-10-21T14:20Z,X9,0\n" * 4)
    assert look(made, tmp_path, memory)[0].rejected == ()


def test_only_unlisted_stations_are_trouble(source: Make, tmp_path: Path) -> None:
    """A source none of whose stations is listed says which it has."""
    delivery = read(source(path="data.csv"), tmp_path, f"{HEADER}2025-10-21T14:20Z,X9,0\n")

    assert delivery.trouble == "none of its 1 stations is in stations.csv; it has: X9"


def test_many_bad_rows_are_counted(source: Make, tmp_path: Path) -> None:
    """A file of letters doesn't become a thousand rejected rows."""
    delivery = read(source(path="data.csv"), tmp_path, HEADER + "x,hollin,1\n" * 1000)

    assert len(delivery.rejected) == 21
    assert delivery.rejected[-1].reason == "and 980 more rows"
    assert delivery.trouble.startswith("no row could be read; the first is 'x,hollin,1'")


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "data.csv is empty"),
        ("\n\n", "data.csv can't be read: it is empty"),
        ("when,station,rain\n", "it has no column 'time'; its header is: when,station,rain"),
        ("<html><title>x</title>", "it has no column 'time'"),
        (b"\x89PNG\r\n\x1a\n\x00\x00", "it has no column 'time'"),
    ],
)
def test_a_file_that_is_no_such_table_is_trouble(source: Make, tmp_path: Path, text: str | bytes, told: str) -> None:
    """An empty file, another header, a web page, a picture: each is said."""
    assert told in read(source(path="data.csv"), tmp_path, text).trouble


def test_a_table_without_rows_is_no_trouble(source: Make, tmp_path: Path) -> None:
    """A header alone just brings nothing."""
    delivery = read(source(path="data.csv"), tmp_path, HEADER)

    assert (len(delivery.readings), delivery.trouble, delivery.rejected) == (0, "", ())


def test_no_file_and_a_forbidden_place_are_trouble(source: Make, tmp_path: Path) -> None:
    """The sentence names the path."""
    (tmp_path / "data.csv").mkdir()

    assert look(source(path="data.csv"), tmp_path)[0].trouble == "no file matches data.csv"
    assert look(source(path="*.txt"), tmp_path)[0].trouble == "no file matches *.txt"


def test_a_file_beyond_the_limit_is_not_read(source: Make, tmp_path: Path) -> None:
    """max_mb bounds what is read at once."""
    delivery = read(source(path="data.csv", max_mb=0.0001), tmp_path, HEADER + ROWS * 3)

    assert delivery.trouble == "data.csv has 0.000177 MB to read; the limit is max_mb = 0.0001"


def test_the_same_file_twice_costs_nothing(source: Make, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """By what the file system says of it it isn't even opened; merely touched, it is opened and brings nothing."""
    made, path = source(path="data.csv"), tmp_path / "data.csv"
    write(path, HEADER + ROWS)
    _, memory = look(made, tmp_path)
    opened: list[Path] = []
    really = Path.open
    monkeypatch.setattr(Path, "open", lambda self, mode: opened.append(self) or really(self, mode))

    delivery, memory = look(made, tmp_path, memory)
    assert (len(delivery.readings), delivery.trouble, opened) == (0, "", [])
    os.utime(path, (1, 1))
    delivery, memory = look(made, tmp_path, memory)
    assert (len(delivery.readings), delivery.trouble, opened) == (0, "", [path])


def test_a_replaced_file_is_read_though_its_size_and_time_are_the_same(source: Make, tmp_path: Path) -> None:
    """As a transfer does that keeps times, to the minute."""
    made, path = source(path="data.csv"), tmp_path / "data.csv"
    write(path, HEADER + ROWS)
    _, memory = look(made, tmp_path)
    status = path.stat()
    (tmp_path / "new").write_text(HEADER + ROWS.replace("0.2", "0.4"))
    (tmp_path / "new").replace(path)
    os.utime(path, ns=(status.st_mtime_ns, status.st_mtime_ns))

    assert [value for *_, value in values(look(made, tmp_path, memory)[0])] == [0.4, 0.0]


def test_a_correction_in_the_middle_of_a_file_that_grew_is_not_lost(source: Make, tmp_path: Path) -> None:
    """Neither its first bytes nor those before its end show it."""
    made, path = source(path="data.csv"), tmp_path / "data.csv"
    text = HEADER + "".join(f"2025-10-21T{row // 60:02d}:{row % 60:02d}Z,hollin,0.0\n" for row in range(600))
    write(path, text)
    _, memory = look(made, tmp_path)
    write(path, text.replace("05:00Z,hollin,0.0", "05:00Z,hollin,0.2") + "2025-10-21T10:00Z,hollin,0.4\n")

    readings = look(made, tmp_path, memory)[0].readings

    assert sorted(readings.value[readings.value > 0].tolist()) == [0.2, 0.4]


def test_only_what_was_appended_is_read(source: Make, tmp_path: Path) -> None:
    """Behind the header and lines to skip, from where the last fetch ended; memory survives JSON."""
    made = source(path="data.csv", skip_lines=[2])
    text = "time,station,rain\n,,mm\n2025-10-21T14:20Z,hollin,0.2\n"
    write(tmp_path / "data.csv", text)
    _, memory = look(made, tmp_path)
    memory = FetchMemory.model_validate_json(memory.model_dump_json())
    write(tmp_path / "data.csv", text + "2025-10-21T14:25Z,hollin,0.4\n")

    delivery, _ = look(made, tmp_path, memory)

    assert values(delivery) == [(0, RAIN, "14:25", 0.4)]


def test_a_file_written_anew_is_read_whole(source: Make, tmp_path: Path) -> None:
    """Longer, but not by appending."""
    made = source(path="data.csv")
    write(tmp_path / "data.csv", HEADER + ROWS)
    _, memory = look(made, tmp_path)
    write(tmp_path / "data.csv", HEADER + ROWS.replace("0.2", "0.6") * 2)

    assert [value for *_, value in values(look(made, tmp_path, memory)[0])] == [0.6, 0.6, 0.0, 0.0]


def test_a_line_that_is_being_written_waits(source: Make, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Half a last line of a file just touched is left for later, and then read once."""
    made, path = source(path="data.csv"), tmp_path / "data.csv"
    write(path, HEADER + ROWS + "2025-10-21T14:25Z,hollin,1", age_s=0)
    delivery, memory = look(made, tmp_path)
    assert (len(delivery.readings), delivery.rejected) == (2, ())

    write(path, HEADER + ROWS + "2025-10-21T14:25Z,hollin,12.4", age_s=0)
    delivery, memory = look(made, tmp_path, memory)
    assert len(delivery.readings) == 0

    monkeypatch.setattr("watchman.readings.sources.files.STILL_WRITTEN_S", 0.0)
    delivery, memory = look(made, tmp_path, memory)
    assert values(delivery) == [(0, RAIN, "14:25", 12.4)]
    assert len(look(made, tmp_path, memory)[0].readings) == 0


def test_half_a_last_line_that_was_read_is_read_again_when_it_is_whole(source: Make, tmp_path: Path) -> None:
    """A transfer that stood still for long doesn't cost the reading."""
    made, path = source(path="data.csv"), tmp_path / "data.csv"
    write(path, HEADER + ROWS + "2025-10-21T14:25Z,hollin,1")
    _, memory = look(made, tmp_path)
    write(path, HEADER + ROWS + "2025-10-21T14:25Z,hollin,12.4\n")

    assert values(look(made, tmp_path, memory)[0]) == [(0, RAIN, "14:25", 12.4)]


def test_a_quoted_line_break_that_is_being_written_waits(source: Make, tmp_path: Path) -> None:
    """The line has ended, the row has not."""
    made, path = source(path="data.csv"), tmp_path / "data.csv"
    header, row = "time,station,rain,note\n", '2025-10-21T14:25Z,hollin,12.4,"two\nlines"\n'
    write(path, header + row[:-8], age_s=0)
    delivery, memory = look(made, tmp_path)
    assert (len(delivery.readings), delivery.rejected) == (0, ())
    write(path, header + row)

    delivery, _ = look(made, tmp_path, memory)
    assert (values(delivery), delivery.rejected) == ([(0, RAIN, "14:25", 12.4)], ())


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le"])
def test_half_a_line_of_utf_16_waits_too(source: Make, tmp_path: Path, encoding: str) -> None:
    """Its line ends are two bytes long."""
    made, path = source(path="data.csv"), tmp_path / "data.csv"
    write(path, (HEADER + ROWS + "2025-10-21T14:25Z,hollin,1").encode(encoding), age_s=0)
    delivery, memory = look(made, tmp_path)
    assert (len(delivery.readings), delivery.rejected) == (2, ())
    write(path, (HEADER + ROWS + "2025-10-21T14:25Z,hollin,12.4\n").encode(encoding))

    assert (0, RAIN, "14:25", 12.4) in values(look(made, tmp_path, memory)[0])


def test_what_a_transfer_has_not_finished_is_left_alone(source: Make, tmp_path: Path) -> None:
    """Temporary names, an empty file just made, half of what gzip packed; nothing is told of them."""
    whole = gzip.compress((HEADER + ROWS).encode())
    for name in (".data.csv", "data.csv.part", "data.csv.TMP", "~data.csv", "data.csv.filepart", "data.csv~"):
        write(tmp_path / "in" / name, HEADER + ROWS, age_s=600)
    write(tmp_path / "in" / "empty.csv", "", age_s=0)
    write(tmp_path / "in" / "half.csv.gz", whole[:-20], age_s=0)
    write(tmp_path / "in" / "a.csv", HEADER + ROWS)
    made = source(path="in/*")

    delivery, memory = look(made, tmp_path)
    assert (len(delivery.readings), delivery.rejected, delivery.trouble) == (2, (), "")
    write(tmp_path / "in" / "half.csv.gz", whole)
    (tmp_path / "in" / "data.csv.part").rename(tmp_path / "in" / "b.csv")
    assert len(look(made, tmp_path, memory)[0].readings) == 4


def test_packed_files_are_read(source: Make, tmp_path: Path) -> None:
    """One packing after another in a file, and JSON as well."""
    packed = gzip.compress((HEADER + ROWS).encode()) + gzip.compress(b"2025-10-21T14:25Z,hollin,0.4\n")
    write(tmp_path / "data.csv", packed)
    assert [value for *_, value in values(look(source(path="data.csv"), tmp_path)[0])] == [0.2, 0.4, 0.0]

    write(tmp_path / "data.csv", gzip.compress(b'[{"at": "2025-10-21T14:20Z", "id": "hollin", "obs": {"v": 4}}]'))
    assert values(look(source(path="data.csv", **JSON), tmp_path)[0]) == [(0, BATTERY, "14:20", 4.0)]


@pytest.mark.parametrize(
    ("packed", "told"),
    [
        (gzip.compress((HEADER + ROWS * 50_000).encode()), "unpacked, it is larger than max_mb = 0.5"),
        (gzip.compress((HEADER + ROWS).encode())[:-12], "it breaks off"),
        (gzip.compress((HEADER + ROWS).encode())[:20] + b"xxxxxxxxxxxxxxxxxxx", "it is damaged"),
    ],
)
def test_a_packed_file_that_cannot_be_unpacked_is_told(source: Make, tmp_path: Path, packed: bytes, told: str) -> None:
    """Too large, cut or damaged; what could be unpacked is read."""
    write(tmp_path / "data.csv", packed)

    delivery, _ = look(source(path="data.csv", max_mb=0.5), tmp_path)

    assert told in delivery.trouble + "".join(rejected.reason for rejected in delivery.rejected)


def test_a_file_that_is_renamed_is_not_read_again(source: Make, tmp_path: Path) -> None:
    """It is moved into a folder of what is done; what is appended there is read alone."""
    made, done = source(path="in/**/*.csv"), tmp_path / "in" / "done" / "x.csv"
    write(tmp_path / "in" / "a.csv", HEADER + ROWS)
    _, memory = look(made, tmp_path)
    done.parent.mkdir()
    (tmp_path / "in" / "a.csv").rename(done)

    delivery, memory = look(made, tmp_path, memory)
    assert (len(delivery.readings), delivery.trouble, list(memory.files)) == (0, "", ["in/done/x.csv"])
    write(done, HEADER + ROWS + "2025-10-21T14:25Z,hollin,0.4\n")
    assert values(look(made, tmp_path, memory)[0]) == [(0, RAIN, "14:25", 0.4)]


def test_files_that_were_read_may_be_deleted(source: Make, tmp_path: Path) -> None:
    """An empty folder is no fault then, and stays none; one that never held a file is."""
    made, path = source(path="in/*.csv"), tmp_path / "in" / "a.csv"
    write(path, HEADER + ROWS)
    _, memory = look(made, tmp_path)
    path.unlink()
    for _ in range(3):
        delivery, memory = look(made, tmp_path, memory)
        assert (delivery.trouble, delivery.rejected, memory.files) == ("", (), {})
    write(path, HEADER + ROWS)

    delivery, _ = look(made, tmp_path, memory)
    assert set(delivery.readings.received_at.tolist()) == {int(NOW.timestamp())}
    assert look(source(path="out/*.csv"), tmp_path)[0].trouble == "no file matches out/*.csv"

    path.unlink()
    path.parent.rmdir()
    assert look(made, tmp_path, memory)[0].trouble == "no file matches in/*.csv"


def test_thousands_of_files_are_known_again_by_a_few_bytes(
    source: Make, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Only the latest are remembered in full; a change of any other is read, and nothing twice."""
    monkeypatch.setattr("watchman.readings.sources.files.MARKS_KEPT", 10)
    made = source(path="in/*.csv")
    for number in range(200):
        write(
            tmp_path / "in" / f"{number:03d}.csv",
            HEADER + f"2025-10-21T{number // 60:02d}:{number % 60:02d}Z,hollin,0\n",
        )
    delivery, memory = look(made, tmp_path)
    assert len(delivery.readings) == 200
    for _ in range(2):
        delivery, memory = look(made, tmp_path, memory)
        memory = FetchMemory.model_validate_json(memory.model_dump_json())
        assert (len(delivery.readings), len(memory.files)) == (0, 10)
    assert len(memory.model_dump_json()) < 10 * 300 + 190 * 12

    write(tmp_path / "in" / "007.csv", HEADER + "2025-10-21T23:00Z,hollin,0.2\n")
    (tmp_path / "in" / "100.csv").unlink()
    write(tmp_path / "in" / "new.csv", HEADER + "2025-10-21T23:05Z,hollin,0.4\n")
    delivery, memory = look(made, tmp_path, memory)
    assert [value for *_, value in values(delivery)] == [0.2, 0.4]
    assert len(look(made, tmp_path, memory)[0].readings) == 0


def test_files_are_never_touched(source: Make, tmp_path: Path) -> None:
    """Neither what is in them nor what the file system says of them; not even where they can't be read."""
    for name, content in (
        ("a.csv", HEADER + ROWS),
        ("b.csv", ""),
        ("c.csv", "x"),
        (".d.csv", "y"),
        ("e.csv.part", "z"),
    ):
        write(tmp_path / "in" / name, content)

    def state() -> dict[str, tuple[bytes, int, int, int]]:
        return {
            path.name: (path.read_bytes(), path.stat().st_mtime_ns, path.stat().st_ctime_ns, path.stat().st_ino)
            for path in (tmp_path / "in").iterdir()
        }

    before = state()
    memory = FetchMemory()
    for _ in range(3):
        _, memory = look(source(path="in/*"), tmp_path, memory)
    assert state() == before


def test_a_file_a_station(source: Make, tmp_path: Path) -> None:
    """The station is in the file's name; a file of an unlisted one is said, and costs the others nothing."""
    made = source(path="*/{station}_day*.csv", columns={"time": "time", "rain": "rain"})
    text = "time,rain\n2025-10-21T14:20Z,0.2\n"
    for name in ("a/hollin_day1.csv", "b/hollin_day2.csv", "a/007_day_1.csv", "a/other_day1.csv"):
        write(tmp_path / name, text)

    delivery, _ = look(made, tmp_path)

    assert delivery.readings.station.tolist() == [1, 0, 0]
    assert [rejected.reason for rejected in delivery.rejected] == [
        "no station of stations.csv belongs to the file a/other_day1.csv; list its id or alias"
    ]
    assert delivery.trouble == ""


def test_one_bad_file_costs_the_others_nothing(source: Make, tmp_path: Path) -> None:
    """Of many files one that can't be read is a rejection; all of them are trouble."""
    write(tmp_path / "a.csv", HEADER + ROWS)
    write(tmp_path / "b.csv", "")

    delivery, _ = look(source(path="*.csv"), tmp_path)
    assert (len(delivery.readings), delivery.trouble) == (2, "")
    assert [rejected.reason for rejected in delivery.rejected] == ["b.csv is empty"]

    write(tmp_path / "a.csv", "")
    assert look(source(path="*.csv"), tmp_path)[0].trouble == "none of 2 could be read; the first: a.csv is empty"


def test_arrival(source: Make, tmp_path: Path) -> None:
    """What the source says; else, at first, the stated delay but no later than now; else now."""
    columns = {"time": "time", "station": "station", "rain": "rain", "received": "got", "revision": "rev"}
    made = source(path="data.csv", columns=columns, arrival_delay_minutes=10)
    text = (
        "time,station,rain,got,rev\n2025-10-21T14:20Z,hollin,0,2025-10-21T14:31Z,7\n"
        "2025-10-21T14:25Z,hollin,0,,2025-10-21T14:40Z\n2025-10-21T14:55Z,hollin,0,,\n"
    )
    write(tmp_path / "data.csv", text)
    delivery, memory = look(made, tmp_path)
    minutes = (delivery.readings.received_at - int(NOW.timestamp())) // 60
    assert minutes.tolist() == [-29, -25, 0]
    assert delivery.readings.revision.tolist() == [7, 1761057600, 0]

    write(tmp_path / "data.csv", text + "2025-10-21T14:30Z,hollin,0,,\n")
    delivery, _ = look(made, tmp_path, memory)
    assert delivery.readings.received_at.tolist() == [int(NOW.timestamp())]


def test_a_changed_setting_reads_everything_afresh(source: Make, tmp_path: Path) -> None:
    """So does a newly listed station, whose rows were left alone before."""
    made = source(path="data.csv")
    write(tmp_path / "data.csv", HEADER + ROWS)
    _, memory = look(made, tmp_path)

    assert len(look(source(path="data.csv", rain={"unit": "tips"}), tmp_path, memory)[0].readings) == 2
    more = {**STATIONS, "larkmoor": 2}
    assert len(fetch(made, tmp_path, more, 0, memory, NOW)[0].readings) == 2


def test_an_appended_second_pass_of_an_hour_is_known_by_the_rows_before_it(source: Make, tmp_path: Path) -> None:
    """The clock is set back between two fetches, and the file only grew."""
    made = source(path="data.csv", time={"zone": "America/Denver"})
    text = HEADER + "".join(f"2025-11-02 01:{minute:02d},hollin,0\n" for minute in range(0, 60, 5))
    write(tmp_path / "data.csv", text)
    _, memory = look(made, tmp_path)
    write(tmp_path / "data.csv", text + "2025-11-02 01:00,hollin,0.2\n")

    delivery, _ = look(made, tmp_path, memory)

    assert int(delivery.readings.observed_at.max()) == int(datetime(2025, 11, 2, 8, tzinfo=UTC).timestamp())


def test_a_long_file_is_read_in_blocks(source: Make, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The blocks' edges lose and double nothing."""
    moments = [datetime(2025, 10, 1, tzinfo=UTC) + timedelta(minutes=5 * step) for step in range(500)]
    text = HEADER + "".join(f"{moment:%Y-%m-%dT%H:%MZ},hollin,{row}\n" for row, moment in enumerate(moments))
    monkeypatch.setattr("watchman.readings.sources.csv.BLOCK", 100)

    readings = read(source(path="data.csv"), tmp_path, text).readings

    assert np.array_equal(readings.value, np.arange(500))


JSON = {"kind": "json", "columns": {"time": "at", "station": "id", "rain": "obs.rain", "battery": "obs.v"}}


def test_records_of_a_document(source: Make, tmp_path: Path) -> None:
    """Dotted names reach inside, numbers and text and null alike."""
    records = [
        {"at": "2025-10-21T14:20Z", "id": "hollin", "obs": {"rain": 0.2, "v": "3.9"}},
        {"at": "2025-10-21T14:20Z", "id": "007", "obs": {"rain": None}},
        {"at": "2025-10-21T14:25Z", "id": "hollin", "obs": {"rain": True}},
        "not a record",
    ]
    made = source(path="data.csv", records="data.readings", **JSON)

    delivery = read(made, tmp_path, json.dumps({"data": {"readings": records}}))

    assert values(delivery) == [(0, RAIN, "14:20", 0.2), (0, BATTERY, "14:20", 3.9)]
    assert [rejected.reason for rejected in delivery.rejected] == ["it is not a record", "its rain is not a number"]


@pytest.mark.parametrize(
    ("columns", "document"),
    [
        ({"time": "t", "station": "s", "rain": "r"}, {"t": 1761056400000, "s": "hollin", "r": 1}),
        ({"time": 1, "station": 2, "rain": 3}, [[1761056400000, "hollin", 1]]),
        ({"time": "t", "station": "s", "rain": "a.b"}, [{"t": 1761056400000.0, "s": "hollin", "a.b": 1}]),
        ({"time": "t", "station": "s", "rain": "v.0.x"}, [{"t": "1761056400000", "s": "hollin", "v": [{"x": 1}]}]),
    ],
)
def test_other_shapes_of_documents(source: Make, tmp_path: Path, columns: dict[str, Any], document: Any) -> None:
    """One object, lists instead of objects, names with dots, places in lists."""
    made = source(path="data.csv", kind="json", columns=columns, time={"format": "epoch ms"})

    assert values(read(made, tmp_path, json.dumps(document))) == [(0, RAIN, "14:20", 1.0)]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "is empty"),
        ('[{"at": "2025-10-21T14:20Z", "id": "hol', "it breaks off after 39 bytes: half a JSON document"),
        ('[{"at": "2025-10-21T14:20Z"', "half a JSON document"),
        ("time,station", "it is not JSON (line 1, column 1"),
        ("[" * 100_000, "nested too deep"),
        ('{"error": "no such key", "code": 4}', "one object with error, code"),
        ('"text"', "there is no list in it"),
        ('[{"when": 1, "where": 2}]', "no record has 'at' (columns.time); the first has: when, where"),
        (b"\xff\xfe\xfa[]", "its text is not UTF-8"),
    ],
)
def test_a_document_that_is_no_such_list_is_trouble(source: Make, tmp_path: Path, text: str | bytes, told: str) -> None:
    """Half a document, another format, an error object: each is said."""
    assert told in read(source(path="data.csv", **JSON), tmp_path, text).trouble


def test_a_field_that_no_record_has_is_said(source: Make, tmp_path: Path) -> None:
    """A misspelt field doesn't stay dry for ever without a word; the others are read."""
    delivery = read(
        source(path="data.csv", **JSON), tmp_path, '[{"at": "2025-10-21T14:20Z", "id": "hollin", "obs": {"v": 4}}]'
    )

    assert values(delivery) == [(0, BATTERY, "14:20", 4.0)]
    assert [rejected.reason for rejected in delivery.rejected] == ["no record has 'obs.rain' (columns.rain)"]


def test_a_document_that_is_being_written_is_no_trouble(source: Make, tmp_path: Path) -> None:
    """Half a document in a file just touched is tried again later."""
    made = source(path="data.json", **JSON)
    write(tmp_path / "data.json", '[{"at": ', age_s=0)
    delivery, memory = look(made, tmp_path)
    assert (delivery.trouble, memory.files) == ("", {})

    write(tmp_path / "data.json", '[{"at": ')
    assert "half a JSON document" in look(made, tmp_path, memory)[0].trouble


def test_a_document_caught_half_written_is_not_new_to_us_afterwards(source: Make, tmp_path: Path) -> None:
    """What it brings then is received now, as from any source that was read before."""
    made, record = source(path="data.json", **JSON), '[{"at": "2025-10-21T14:20Z", "id": "hollin", "obs": {"v": 4}}'
    write(tmp_path / "data.json", record + "]")
    _, memory = look(made, tmp_path)
    write(tmp_path / "data.json", record, age_s=0)
    _, memory = look(made, tmp_path, memory)
    write(tmp_path / "data.json", record.replace("14:20", "14:25") + "]", age_s=30)

    assert look(made, tmp_path, memory)[0].readings.received_at.tolist() == [int(NOW.timestamp())]


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.one_of(st.binary(max_size=200), st.text("ti:me,;-\n\"'019 TZ\t.[]{}", max_size=120).map(str.encode)))
def test_no_bytes_make_it_raise(source: Make, tmp_path: Path, content: bytes) -> None:
    """Whatever a file holds, after a good header or without one, the fetch returns."""
    for made in (source(path="data.csv"), source(path="data.csv", **JSON)):
        for text in (content, HEADER.encode() + content, ROWS.encode() + content):
            assert read(made, tmp_path, text).source == "main"
