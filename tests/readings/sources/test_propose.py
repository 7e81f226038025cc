"""What `init` guesses from a look at a source: everyday tables, and nonsense."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from watchman.readings.sources.propose import RowSeen, StationSeen, propose

MINUTES = range(0, 60, 5)


def table(header: str, row: Callable[[int], str]) -> bytes:
    return "\n".join([header, *map(row, MINUTES)]).encode()


def test_an_everyday_table() -> None:
    """Columns, stations, first rows and spacing; nothing is written that is the default anyway."""
    rows = [f"2025-10-21T14:{m:02d}:00Z,{s},{r},3.9" for m in MINUTES for s, r in (("hollin", m % 2 * 0.2), ("007", 0))]

    found = propose("\n".join(["time,station,rain_mm,batt_v", *rows]).encode(), "csv")

    assert found.settings == {"columns": {"time": "time", "station": "station", "rain": "rain_mm", "battery": "batt_v"}}
    first, last = datetime(2025, 10, 21, 14, tzinfo=UTC), datetime(2025, 10, 21, 14, 55, tzinfo=UTC)
    assert found.stations == (StationSeen("007", 24, first, last, 5.0), StationSeen("hollin", 24, first, last, 5.0))
    assert found.rows[:2] == (RowSeen("007", first, "rain", 0.0), RowSeen("007", first, "battery", 3.9))
    assert found.trouble == ""


@pytest.mark.parametrize(("name", "unit"), [("temp_F", "degF"), ("airTemp_degF", "degF"), ("temp_c", None)])
def test_degrees_fahrenheit_by_the_name(name: str, unit: str | None) -> None:
    """A frost taken for a mild day would send somebody to clean a frozen gauge."""
    found = propose(table(f"time,station,rain_mm,{name}", lambda m: f"2025-10-21T14:{m:02d}Z,elm,0,71.2"), "csv")

    assert found.settings.get("temperature_unit") == unit


def test_four_lines_of_header() -> None:
    """Names in the second line, units in the third, which are known as such; the station stands in the file's name."""
    header = '"x","y"\n"TIMESTAMP","RECORD","BattV","Rain_Tot"\n"TS","RN","Volts","mm"\n"","","Min","Tot"'

    found = propose(table(header, lambda m: f'"2025-10-21 14:{m:02d}:00",{m},12.5,{0.254 if m == 10 else 0}'), "csv")

    assert found.settings == {
        "columns": {"time": "TIMESTAMP", "battery": "BattV", "rain": "Rain_Tot"},
    }
    assert any("{station}" in question for question in found.questions)
    assert any("no offset" in question for question in found.questions)


def test_semicolons_decimal_commas_and_a_day_and_hour_apart() -> None:
    """Two columns make the time, in the Windows code page."""
    text = table(
        "Datum;Uhrzeit;Station;Niederschlag mm;Volt", lambda m: f"21.10.2025;14:{m:02d};Mühle;0,{m % 2 * 2};12,6"
    )

    found = propose(text.decode().encode("cp1252"), "csv")

    assert found.settings == {
        "delimiter": ";",
        "decimal": ",",
        "time": {"format": "%d.%m.%Y %H:%M"},
        "columns": {"time": ["Datum", "Uhrzeit"], "station": "Station", "rain": "Niederschlag mm", "battery": "Volt"},
    }
    assert [station.name for station in found.stations] == ["Mühle"]


def test_one_value_a_row() -> None:
    """The source's words for variables are found; tips by their name, and a total that only rises."""
    rows = [
        f"{1761056000 + 60 * m},G{s},{p},{v}"
        for m in MINUTES
        for s in (1, 2)
        for p, v in (("RAIN_COUNT", m // 5 + 100 * s), ("BATT_VOLTS", 12))
    ]

    found = propose("\n".join(["obs_time,site_id,parameter,value", *rows]).encode(), "csv")

    assert found.settings == {
        "time": {"format": "epoch"},
        "columns": {"time": "obs_time", "station": "site_id", "variable": "parameter", "value": "value"},
        "variables": {"rain": "RAIN_COUNT", "battery": "BATT_VOLTS"},
        "rain": {"unit": "tips", "counts": "running total"},
    }
    assert "How much rain is one tip? Write tip_mm for each station, or for the source." in found.questions


def test_records_deep_in_a_document() -> None:
    """The longest list of objects, fields by dotted names."""
    records = [
        {"at": f"2025-10-21T14:{m:02d}:00+01:00", "station": {"id": "hollin"}, "obs": {"rain_in": 0.01 * (m % 3)}}
        for m in MINUTES
    ]

    found = propose(json.dumps({"meta": [{"n": 1}], "data": {"readings": records}}).encode(), "json")

    assert found.settings == {
        "records": "data.readings",
        "columns": {"time": "at", "station": "station.id", "rain": "obs.rain_in"},
        "rain": {"unit": "inch"},
    }


@pytest.mark.parametrize(
    ("header", "values", "unit"),
    [
        ("rain_mm", [0, 1, 2], "mm"),
        ("tips", [0, 0.2], "tips"),
        ("Rain (in)", [0, 1], "inch"),
        ("rain", [0, 1, 3], "tips"),
        ("rain", [0, 0.2, 1.4], "mm"),
        ("rain", [0, 0.254, 0.508], "mm"),
        ("rain", [0, 0.01, 0.13], "inch"),
        ("rain", [0, 0], "mm"),
        ("rain", [0, "NA", "-999"], "mm"),
    ],
)
def test_the_unit_of_rain(header: str, values: list[Any], unit: str) -> None:
    """By the header's words first, else by the grid on which its values lie."""
    found = propose(
        table(f"time,id,{header}", lambda m: f"2025-10-21T14:{m:02d}Z,a,{values[m // 5 % len(values)]}"), "csv"
    )

    assert found.settings.get("rain", {"unit": "mm"})["unit"] == unit


def test_day_or_month_first_is_asked() -> None:
    """Where both would do, the person is asked; where one would scatter the times, it isn't taken."""
    doubtful = propose(table("time,id,rain", lambda m: f"05/06/2025 14:{m:02d},a,0.2"), "csv")
    assert any("day first or month first" in question for question in doubtful.questions)

    rows = "\n".join(["time,id,rain", *(f"10/{day:02d}/2025 14:00,a,0.2" for day in range(5, 12))])
    assert propose(rows.encode(), "csv").settings["time"] == {"format": "%m/%d/%Y %H:%M"}


@pytest.mark.parametrize(
    ("sample", "kind", "told"),
    [
        (b"", "csv", "it is empty"),
        (b"lorem ipsum\ndolor sit\n", "csv", "no column of it looks like a time"),
        (b"<html><body>hello</body></html>", "csv", "no column of it looks like a time"),
        (b"2025-10-21T14:00Z,a,0.2\n" * 3, "csv", "write columns by place"),
        (b"time,id,colour\n2025-10-21T14:00Z,a,red\n", "csv", "it has: time, id, colour"),
        (b"[]", "json", "there is no list of records in it"),
        (b'{"a": ', "json", "half a JSON document"),
    ],
)
def test_what_is_no_table_is_said(sample: bytes, kind: Any, told: str) -> None:
    """Nothing is proposed, and the reason is a sentence."""
    found = propose(sample, kind)

    assert told in found.trouble
    assert found.settings == {}


@settings(max_examples=60, deadline=None)
@given(st.one_of(st.binary(max_size=200), st.text("ti:me,;-\n\"'019 TZ\t.", max_size=120).map(str.encode)))
def test_nothing_makes_it_raise(sample: bytes) -> None:
    """Any bytes give a proposal or a reason."""
    assert propose(sample, "csv").kind == "csv"
    assert propose(sample, "json").kind == "json"


def test_one_value_a_row_under_names_nobody_thought_of() -> None:
    """What the words in a column say, and the only column of figures that is left, tell which is which."""
    rows = "".join(
        f"0{node},{1761000000 + 300 * step},{what},{value}\n"
        for step in range(12)
        for node in (7, 8)
        for what, value in (("tips", step % 2), ("vbat", 3950 + step))
    )
    proposal = propose(f"unit,t0,kanal,x\n{rows}".encode(), "csv")

    assert proposal.trouble == ""
    assert proposal.settings["columns"] == {"time": "t0", "variable": "kanal", "value": "x", "station": "unit"}
    assert proposal.settings["variables"] == {"rain": "tips", "battery": "vbat"}


@pytest.mark.parametrize(
    ("header", "columns"),
    [
        ("TIMESTAMP,Rain_A1_mm,Rain_A2_mm", {"time": "TIMESTAMP", "rain": "Rain_{station}_mm"}),
        ("time,hollin rain,fennick rain", {"time": "time", "rain": "{station} rain"}),
        ("time,rain_mm,rain_total_mm,site", {"time": "time", "rain": "rain_mm", "station": "site"}),
    ],
)
def test_a_column_a_station(header: str, columns: dict[str, str]) -> None:
    """Where only a part of the names differs, that part is the station; beside a column of stations it is not."""
    more = ",hollin" if "site" in header else ""
    rows = "".join(f"2025-10-21 00:{at:02}:00,0.{at % 3},0{more}\n" for at in range(5, 60, 5))
    proposal = propose(f"{header}\n{rows}".encode(), "csv")
    assert proposal.trouble == ""
    assert proposal.settings["columns"] == columns
    if "site" not in header:
        assert [one.name for one in proposal.stations] in (["A1", "A2"], ["fennick", "hollin"])


def sample_of(header: str, row: Callable[[int], str]) -> bytes:
    return f"{header}\n{''.join(f'{row(step)}{chr(10)}' for step in range(288 * 3))}".encode()


def stamp(step: int) -> str:
    return f"2025-10-{20 + step // 288:02}T{step % 288 // 12:02}:{step % 12 * 5:02}:00Z"


def test_a_total_that_starts_again_each_day_is_a_running_total() -> None:
    """A tip or two a day: it falls as often as it rises, and stands still above 0 nearly always."""
    proposal = propose(
        sample_of("time,station,rain", lambda step: f"{stamp(step)},ash,{0.2 if step % 288 > 90 else 0.0}"), "csv"
    )
    assert proposal.settings["rain"]["counts"] == "running total"


def test_of_several_columns_of_rain_the_plain_one_is_read_and_the_others_named() -> None:
    """An intensity, or the sum of a day, is no reading."""
    proposal = propose(
        sample_of(
            "time,station,rain_intensity_mmh,rain_24h_mm,rain_mm", lambda s: f"{stamp(s)},ash,{s % 7},{s},0.{s % 3}"
        ),
        "csv",
    )
    assert proposal.settings["columns"]["rain"] == "rain_mm"
    assert any("rain_intensity_mmh, rain_24h_mm" in reason for reason in proposal.reasons)


def test_what_reads_nothing_is_no_proposal() -> None:
    """A person would be asked whether nothing is right."""
    proposal = propose(b"time,station,rain\n2025-10-20T00:00:00Z,ash,NA\n2025-10-20T00:05:00Z,ash,NA\n", "csv")
    assert proposal.trouble
