"""The shapes that readings have in JSON documents."""

from __future__ import annotations

import json
from typing import Any

import pytest
from pydantic import TypeAdapter

from watchman.readings.sources import AnySource
from watchman.readings.sources.settings import Table, UnreadableError

COLUMNS = {"time": "time", "station": "station", "rain": "rain"}
EXPECTED = [("2025-10-21T14:20Z", "hollin", "0.2"), ("2025-10-21T14:25Z", "hollin", "0.4")]
ROWS = [{"time": time, "rain": float(mm)} for time, _, mm in EXPECTED]
LISTS = {"time": [row["time"] for row in ROWS], "rain": [row["rain"] for row in ROWS]}


def table(document: Any, **settings: Any) -> Table:
    adapter: TypeAdapter[AnySource] = TypeAdapter(AnySource)
    written = {"name": "main", "kind": "json", "path": "x.json", "columns": COLUMNS, **settings}
    content = document if isinstance(document, bytes) else json.dumps(document).encode()
    return next(iter(adapter.validate_python(written).tables(content)))


def rows(found: Table) -> list[tuple[str, ...]]:
    return list(zip(*(found.columns[name] for name in ("time", "station", "rain")), strict=True))


def of(station: str) -> dict[str, Any]:
    return {**COLUMNS, "station": station}


@pytest.mark.parametrize(
    ("document", "settings"),
    [
        ([{**row, "station": "hollin"} for row in ROWS], {}),
        ({"station": "hollin", **LISTS}, {}),
        ({"data": {"station": "hollin", **LISTS}}, {"records": "data"}),
        ({"hollin": ROWS}, {"records": "*", "columns": of("*")}),
        ({"hollin": LISTS}, {"records": "*", "columns": of("*")}),
        ({"updated": "14:27", "info": {"by": "x"}, "hollin": ROWS}, {"records": "*", "columns": of("*")}),
        ({"hollin": {"latest": ROWS}, "new": {}}, {"records": "*.latest", "columns": of("*")}),
        ({"all": [{"id": "hollin", "seen": ROWS}]}, {"records": "all.*.seen", "columns": of("all.*.id")}),
        ({"all": [{"on": {"id": "hollin"}, **LISTS}]}, {"records": "all.*", "columns": of("all.*.on.id")}),
        ({"all": {"hollin": {"a": ROWS[0], "b": ROWS[1]}}}, {"records": "all.*.*", "columns": of("all.*")}),
    ],
    ids=[
        "list",
        "lists",
        "lists below",
        "by name",
        "lists by name",
        "beside others",
        "deeper",
        "in a list",
        "lists in a list",
        "twice",
    ],
)
def test_a_shape_is_read(document: Any, settings: dict[str, Any]) -> None:
    """Records, lists side by side, and both for each station: by its name, or beside its id."""
    found = table(document, **settings)

    assert rows(found) == EXPECTED
    assert found.faulty == ()


def test_one_document_a_line_is_their_list() -> None:
    """And a last line that breaks off is told as such."""
    lines = "\n".join(json.dumps({**row, "station": "hollin"}) for row in ROWS).encode()

    assert rows(table(lines + b"\n")) == EXPECTED
    with pytest.raises(UnreadableError, match="half a JSON document"):
        table(lines[:-3])


def test_lists_of_unequal_length_cost_their_station_only() -> None:
    """Nobody can say which time belongs to which value."""
    uneven = {"time": ["2025-10-21T14:20Z", "2025-10-21T14:25Z"], "rain": [0.2]}
    found = table({"hollin": LISTS, "larkmoor": uneven}, records="*", columns=of("*"))

    assert rows(found) == EXPECTED
    assert [reason for _, reason in found.faulty] == ["its lists are not equally long: time has 2, rain has 1"]


@pytest.mark.parametrize(
    ("document", "settings", "told"),
    [
        ({"x": {}}, {"records": "all.*"}, "there is nothing at 'all'; the document has: x"),
        ({"rows": ROWS}, {}, 'it is one object with rows; name its list, for instance records = "readings"'),
        ({"rows": ROWS}, {"records": "data"}, "there is no list at 'data'; the document has: rows"),
        ([{"when": 1, "rain": 2}], {}, "no record has 'time' (columns.time); the first has: when, rain"),
        (ROWS, {}, "no record has 'station' (columns.station); the first has: time, rain"),
    ],
)
def test_what_is_elsewhere_is_told(document: Any, settings: dict[str, Any], told: str) -> None:
    """With what is there instead."""
    with pytest.raises(UnreadableError) as raised:
        table(document, **settings)
    assert told in str(raised.value)


@pytest.mark.parametrize(
    ("document", "field", "expected"),
    [
        ({"meta": {"next": "/more?after=7"}}, "meta.next", "/more?after=7"),
        ({"next": None}, "next", ""),
        ({"next": False}, "next", ""),
        ({}, "next", ""),
        ({"cursor": 7}, "cursor", "7"),
        ({"_links": {"next": {"href": "/more"}}}, "_links.next", "/more"),
        ({"links": [{"rel": "self", "href": "/this"}, {"rel": "next", "href": "/more"}]}, "links", "/more"),
        ({"links": [{"rel": "self", "href": "/this"}]}, "links", ""),
    ],
)
def test_a_document_names_its_next_page(document: Any, field: str, expected: str) -> None:
    """As an address, a link, one of several links, or a word for {next}; nothing on the last page."""
    adapter: TypeAdapter[AnySource] = TypeAdapter(AnySource)
    made = adapter.validate_python({"name": "main", "kind": "json", "path": "x.json", "columns": COLUMNS})

    assert made.next_of(json.dumps(document).encode(), field) == expected
