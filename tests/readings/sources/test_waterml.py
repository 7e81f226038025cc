"""WaterML 2.0: documents shaped as OGC 10-126r4's own examples are, and others that mean harm."""

from __future__ import annotations

import os
import tracemalloc
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from pydantic import TypeAdapter, ValidationError

from tests.readings.sources.server import Answer, Handler
from watchman.model import RAIN, TEMPERATURE, Delivery
from watchman.readings.sources import AnySource, FetchMemory, fetch

NOW = datetime(2025, 10, 21, 15, 0, tzinfo=UTC)
STATIONS = {"hollin": 0, "larkmoor": 1, "fennick bridge": 2}
SOURCES: TypeAdapter[AnySource] = TypeAdapter(AnySource)
REGISTER = "http://www.opengis.net/def/waterml/2.0"
NAMESPACES = (
    'xmlns:wml2="http://www.opengis.net/waterml/2.0" xmlns:om="http://www.opengis.net/om/2.0" '
    'xmlns:gml="http://www.opengis.net/gml/3.2" xmlns:xlink="http://www.w3.org/1999/xlink" '
    'xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" xmlns:swe="http://www.opengis.net/swe/2.0" '
    'xmlns:sf="http://www.opengis.net/sampling/2.0"'
)
FEATURE = '<om:featureOfInterest xlink:href="http://example.org/stations/hollin" xlink:title="Hollin Moor"/>'
RAINFALL = '<om:observedProperty xlink:href="http://example.org/property/rainfall" xlink:title="Rainfall"/>'
MM = '<wml2:uom code="mm"/>'

Serve = Callable[[Answer], tuple[str, list[Handler]]]


def interpolation(name: str) -> str:
    return f'<wml2:interpolationType xlink:href="{REGISTER}/interpolationType/{name}" xlink:title="{name}"/>'


def quality(name: str) -> str:
    return f'<wml2:quality xlink:href="{REGISTER}/quality/{name}" xlink:title="{name}"/>'


def point(time: str, value: str, said: str = "") -> str:
    """Return a point; value "nil" is one that says so."""
    stamp = f"<wml2:time>{time}</wml2:time>" if time else ""
    written = '<wml2:value xsi:nil="true"/>' if value == "nil" else f"<wml2:value>{value}</wml2:value>"
    if said:
        said = f"<wml2:metadata><wml2:TVPMeasurementMetadata>{said}</wml2:TVPMeasurementMetadata></wml2:metadata>"
    return f"<wml2:point><wml2:MeasurementTVP>{stamp}{written}{said}</wml2:MeasurementTVP></wml2:point>"


def series(
    *points: str, usual: str = MM, meta: str = "", head: str = FEATURE + RAINFALL, kind: str = "Measurement"
) -> str:
    if meta:
        meta = f"<wml2:MeasurementTimeseriesMetadata>{meta}</wml2:MeasurementTimeseriesMetadata>"
        meta = f"<wml2:metadata>{meta}</wml2:metadata>"
    usual = f"<wml2:DefaultTVPMeasurementMetadata>{usual}</wml2:DefaultTVPMeasurementMetadata>"
    return (
        f"<wml2:observationMember><om:OM_Observation>{head}<om:result><wml2:{kind}Timeseries>{meta}"
        f"<wml2:defaultPointMetadata>{usual}</wml2:defaultPointMetadata>{''.join(points)}"
        f"</wml2:{kind}Timeseries></om:result></om:OM_Observation></wml2:observationMember>"
    )


def document(*members: str) -> bytes:
    inside = "".join(members)
    return f'<?xml version="1.0" encoding="UTF-8"?><wml2:Collection {NAMESPACES}>{inside}</wml2:Collection>'.encode()


def read(folder: Path, content: bytes, **settings: Any) -> Delivery:
    (folder / "rain.xml").write_bytes(content)
    source = SOURCES.validate_python({"name": "main", "kind": "waterml", "path": "rain.xml", **settings})
    # Half a document in a file that was written just now would be taken for one that is still being written.
    os.utime(folder / "rain.xml", (1e9, 1e9))
    return fetch(source, folder, STATIONS, 0, FetchMemory(), NOW)[0]


def rows(delivery: Delivery) -> list[tuple[int, int, str, float]]:
    """Return what came, as (station, variable, time, value), by time."""
    readings = delivery.readings
    return sorted(
        (station, variable, datetime.fromtimestamp(moment, UTC).strftime("%d %H:%M"), value)
        for station, variable, moment, value in zip(
            readings.station.tolist(),
            readings.variable.tolist(),
            readings.observed_at.tolist(),
            readings.value.tolist(),
            strict=True,
        )
    )


# --- reading ---


def test_a_document_is_read(tmp_path: Path) -> None:
    """Station by the feature of interest, variable by the observed property, unit by its code."""
    content = document(
        series(point("2025-10-21T14:00:00Z", "0.2"), point("2025-10-21T15:05:00+01:00", "1.0")),
        series(
            point("2025-10-21T14:00:00Z", "50"),
            usual='<wml2:uom code="[degF]"/>',
            head=FEATURE.replace("hollin", "larkmoor")
            + '<om:observedProperty xlink:href="http://example.org/p#AirTemperature"/>',
        ),
    )

    delivery = read(tmp_path, content)

    assert rows(delivery) == [
        (0, RAIN, "21 14:00", 0.2),
        (0, RAIN, "21 14:05", 1.0),
        (1, TEMPERATURE, "21 14:00", 10.0),
    ]
    assert (delivery.trouble, delivery.rejected) == ("", ())


@pytest.mark.parametrize(
    "head",
    [
        '<om:featureOfInterest xlink:title="hollin"/>',
        '<om:featureOfInterest xlink:href="urn:example:station:hollin"/>',
        "<om:featureOfInterest><wml2:MonitoringPoint><gml:identifier>hollin</gml:identifier></wml2:MonitoringPoint>"
        "</om:featureOfInterest>",
        '<om:featureOfInterest><wml2:MonitoringPoint gml:id="hollin"><gml:name>Hollin Moor</gml:name>'
        "</wml2:MonitoringPoint></om:featureOfInterest>",
        '<om:featureOfInterest xlink:href="#here"/>',
    ],
)
def test_the_station_is_known_by_any_of_its_words(tmp_path: Path, head: str) -> None:
    """Title, address, identifier, name or gml:id; where it only refers to a member, by that, wherever it stands."""
    member = (
        '<wml2:samplingFeatureMember><wml2:MonitoringPoint gml:id="here"><gml:name>hollin</gml:name>'
        "</wml2:MonitoringPoint></wml2:samplingFeatureMember>"
    )
    one = series(point("2025-10-21T14:00:00Z", "0.2"), head=head + RAINFALL)

    for content in (document(member, one), document(one, member)):
        assert rows(read(tmp_path, content)) == [(0, RAIN, "21 14:00", 0.2)]


def test_one_file_a_station_needs_no_feature(tmp_path: Path) -> None:
    """The file's name says whose it is."""
    (tmp_path / "hollin.xml").write_bytes(document(series(point("2025-10-21T14:00:00Z", "0.2"), head=RAINFALL)))
    source = SOURCES.validate_python({"name": "main", "kind": "waterml", "path": "{station}.xml"})

    assert rows(fetch(source, tmp_path, STATIONS, 0, FetchMemory(), NOW)[0]) == [(0, RAIN, "21 14:00", 0.2)]


def test_a_bare_series_is_read(tmp_path: Path) -> None:
    """As in the standard's example of a measurement time series (10-126r4, xsd-measurement-timeseries-tvp): times by
    baseTime and spacing, a point that is nil, an accuracy that has a unit of its own.
    """
    accuracy = (
        '<wml2:accuracy><swe:Quantity><swe:uom code="m"/><swe:value>0.1</swe:value></swe:Quantity></wml2:accuracy>'
    )
    missing = '<wml2:nilReason xlink:href="http://www.opengis.net/def/nil/OGC/0/missing" xlink:title="missing"/>'
    content = document(
        series(
            point("", "3.0"),
            point("", "3.2", accuracy),
            point("", "nil", missing),
            point("", "3.63"),
            meta="<wml2:baseTime>2025-10-21T12:27:00+10:00</wml2:baseTime><wml2:spacing>PT1M</wml2:spacing>",
        )
    )

    assert rows(read(tmp_path, content)) == [
        (0, RAIN, "21 02:27", 3.0),
        (0, RAIN, "21 02:28", 3.2),
        (0, RAIN, "21 02:30", 3.63),
    ]


@pytest.mark.parametrize(
    ("name", "settings", "time"),
    [
        ("TotalPrec", {}, "21 14:00"),
        ("TotalPrec", {"stamps": "begin", "covers_minutes": 5}, "21 14:00"),
        ("TotalSucc", {}, "21 14:15"),
        ("TotalSucc", {"stamps": "begin", "covers_minutes": 5}, "21 14:15"),
        ("InstantTotal", {"stamps": "begin", "covers_minutes": 5}, "21 14:00"),
        ("Continuous", {}, "21 14:00"),
        ("Continuous", {"stamps": "begin", "covers_minutes": 5}, "21 14:05"),
    ],
)
def test_what_a_time_stands_for_is_said_by_the_series(
    tmp_path: Path, name: str, settings: dict[str, Any], time: str
) -> None:
    """By OGC's register: a total of the interval before, or after, its time; what it doesn't say the settings say."""
    usual = MM + interpolation(name) + "<wml2:aggregationDuration>PT15M</wml2:aggregationDuration>"
    content = document(series(point("2025-10-21T14:00:00Z", "0.2"), usual=usual))

    assert rows(read(tmp_path, content, **settings)) == [(0, RAIN, time, 0.2)]


def test_a_point_may_differ_from_the_others(tmp_path: Path) -> None:
    """In unit, in what its time stands for; an empty element says nothing (as in the standard's example)."""
    usual = MM + interpolation("TotalPrec") + "<wml2:aggregationDuration>PT5M</wml2:aggregationDuration>"
    content = document(
        series(
            point("2025-10-21T14:00:00Z", "1", "<wml2:interpolationType/>"),
            point("2025-10-21T14:05:00Z", "1", '<wml2:uom code="[in_i]"/>'),
            point("2025-10-21T14:10:00Z", "2", interpolation("TotalSucc")),
            point("2025-10-21T14:20:00Z", "3", '<wml2:uom code="furlong"/>'),
            usual=usual,
        )
    )

    delivery = read(tmp_path, content)

    assert rows(delivery) == [(0, RAIN, "21 14:00", 1.0), (0, RAIN, "21 14:05", 25.4), (0, RAIN, "21 14:15", 2.0)]
    assert [row.row for row in delivery.rejected] == ["2025-10-21T14:20:00Z 3"]


def test_quality_is_what_the_source_says(tmp_path: Path) -> None:
    """Poor is told and not counted, missing is none, and never zero; the rest is read (OGC's register of qualities)."""
    said = ("good", "suspect", "estimate", "unchecked", "poor", "missing")
    times = [f"2025-10-21T14:{5 * place:02d}:00Z" for place in range(9)]
    content = document(
        series(
            *(point(time, "0.2", quality(name)) for time, name in zip(times, said, strict=False)),
            point(times[6], "nil", quality("good")),
            point(times[7], ""),
            point(times[8], "0"),
        )
    )

    delivery = read(tmp_path, content)

    assert [row[2:] for row in rows(delivery)] == [
        *(("21 14:00", 0.2), ("21 14:05", 0.2), ("21 14:10", 0.2), ("21 14:15", 0.2)),
        ("21 14:40", 0.0),
    ]
    assert [(row.row, row.reason) for row in delivery.rejected] == [
        ("2025-10-21T14:20:00Z 0.2", "the source itself calls it poor")
    ]


def test_the_quality_of_all_holds_where_a_point_says_none(tmp_path: Path) -> None:
    """And a point's own goes before it."""
    content = document(
        series(
            point("2025-10-21T14:00:00Z", "0.2"),
            point("2025-10-21T14:05:00Z", "0.4", quality("good")),
            usual=MM + quality("poor"),
        )
    )

    assert rows(read(tmp_path, content)) == [(0, RAIN, "21 14:05", 0.4)]


@pytest.mark.parametrize(
    ("settings", "zone", "time"),
    [
        ({}, "", "21 14:00"),
        ({}, "+11:00", "21 03:00"),
        ({"time": {"utc_offset": "-07:00"}}, "+11:00", "21 21:00"),
        ({"time": {"zone": "America/Denver"}}, "", "21 20:00"),
    ],
)
def test_a_time_without_an_offset_is_the_stations(
    tmp_path: Path, settings: dict[str, Any], zone: str, time: str
) -> None:
    """By the monitoring point's timeZone, if the settings don't say otherwise; else UTC."""
    zoned = f"<wml2:timeZone><wml2:TimeZone><wml2:zoneOffset>{zone}</wml2:zoneOffset></wml2:TimeZone></wml2:timeZone>"
    head = f'<wml2:MonitoringPoint gml:id="hollin">{zoned}</wml2:MonitoringPoint>'
    member = f"<wml2:samplingFeatureMember>{head}</wml2:samplingFeatureMember>"
    inside = f"<om:featureOfInterest>{head}</om:featureOfInterest>"
    refers = '<om:featureOfInterest xlink:href="#hollin"/>'
    one = point("2025-10-21T14:00:00", "0.2")

    for content in (
        document(series(one, head=inside + RAINFALL)),
        document(member, series(one, head=refers + RAINFALL)),
    ):
        assert rows(read(tmp_path, content, **settings)) == [(0, RAIN, time, 0.2)]


def test_long_series_are_read_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """However many tables they make."""
    from watchman.readings.sources import waterml

    monkeypatch.setattr(waterml, "BLOCK", 7)
    begin = datetime(2025, 10, 1, tzinfo=UTC)
    points = [point((begin + timedelta(minutes=5 * step)).isoformat(), str(step)) for step in range(50)]
    content = document(series(*points[:30]), series(*points[30:]))

    assert [row[3] for row in rows(read(tmp_path, content))] == list(range(50))
    source = SOURCES.validate_python({"name": "main", "kind": "waterml", "path": "rain.xml"})
    assert max(map(len, source.tables(waterml.Document(content, STATIONS)))) == 7


def test_it_is_fetched_from_an_address(serve: Serve, tmp_path: Path) -> None:
    """Like any other document."""
    content = document(series(point("2025-10-21T14:00:00Z", "0.2")))
    address, _ = serve(lambda request: request.send(content, Content_Type="text/xml"))
    source = SOURCES.validate_python({"name": "main", "kind": "waterml", "address": f"{address}/rain?from={{since}}"})

    assert set(rows(fetch(source, tmp_path, STATIONS, 0, FetchMemory(), NOW)[0])) == {(0, RAIN, "21 14:00", 0.2)}


def test_nothing_new_is_no_trouble(tmp_path: Path) -> None:
    """A collection without members is what a server sends that has nothing since then."""
    delivery = read(tmp_path, document())

    assert (len(delivery.readings), delivery.trouble) == (0, "")


# --- what is not read ---


@pytest.mark.parametrize(
    ("change", "settings", "told"),
    [
        ({"usual": '<wml2:uom code="furlong"/>'}, {}, "its unit 'furlong' is not one of rain"),
        ({"usual": '<wml2:uom code="mm/h"/>'}, {}, "its unit 'mm/h' is not one of rain"),
        ({"usual": '<wml2:uom code="{tips}"/>'}, {}, 'write rain = { unit = "tips" } and tip_mm'),
        ({"usual": MM + interpolation("AveragePrec")}, {}, "its values are no amounts of rain (AveragePrec)"),
        ({"usual": MM + interpolation("MaxPrec")}, {}, "its values are statistics (MaxPrec), not readings"),
        ({"usual": MM + interpolation("TotalSucc")}, {}, "nothing says how long these are: write covers_minutes"),
        (
            {"usual": MM + "<wml2:aggregationDuration>P1M</wml2:aggregationDuration>"},
            {},
            "each of its values is of 'P1M', longer than a day",
        ),
        ({"meta": "<wml2:cumulative>true</wml2:cumulative>"}, {}, 'write rain = { counts = "running total" }'),
        (
            {"meta": "<wml2:cumulative>false</wml2:cumulative>"},
            {"rain": {"counts": "running total"}},
            'write rain = { counts = "each interval" }',
        ),
        (
            {
                "head": FEATURE
                + RAINFALL
                + f'<om:procedure xlink:title="model" xlink:arcrole="{REGISTER}/processType/Simulation"/>'
            },
            {},
            "it is forecast or simulated, not measured",
        ),
        (
            {"head": FEATURE + RAINFALL.replace("ainfall", "iver discharge")},
            {},
            "it has: River discharge. Say which is",
        ),
        (
            {"head": FEATURE + RAINFALL.replace("ainfall", "ain temperature")},
            {},
            "may be rain or temperature; say which",
        ),
        ({"head": RAINFALL}, {}, "none of its 1 stations is in stations.csv; it has: without a name"),
        (
            {"head": FEATURE.replace("Hollin Moor", "larkmoor") + RAINFALL},
            {},
            "names 2 of our stations, 'larkmoor' and 'hollin', and is not read",
        ),
    ],
)
def test_what_can_not_be_meant_as_readings_is_told(
    tmp_path: Path, change: dict[str, str], settings: dict[str, Any], told: str
) -> None:
    """And nothing is guessed."""
    delivery = read(tmp_path, document(series(point("2025-10-21T14:00:00Z", "0.2"), **change)), **settings)

    assert (len(delivery.readings), told in delivery.trouble) == (0, True), delivery.trouble


def test_running_totals_are_read_where_both_say_so(tmp_path: Path) -> None:
    """The series and the settings."""
    content = document(series(point("2025-10-21T14:00:00Z", "812"), meta="<wml2:cumulative>true</wml2:cumulative>"))

    assert rows(read(tmp_path, content, rain={"counts": "running total"})) == [(0, RAIN, "21 14:00", 812.0)]


def test_two_kinds_of_one_variable_are_asked_about(tmp_path: Path) -> None:
    """Hours and days of the same rain, added up, would be twice the rain."""
    hours, days = (f"<wml2:aggregationDuration>{length}</wml2:aggregationDuration>" for length in ("PT1H", "P1D"))
    other = FEATURE.replace("hollin", "larkmoor") + RAINFALL
    content = document(
        series(point("2025-10-21T14:00:00Z", "0.2"), usual=MM + hours),
        series(point("2025-10-21T00:00:00Z", "5.0"), usual=MM + days),
        series(point("2025-10-21T14:00:00Z", "0.4"), usual=MM + hours, head=other),
    )

    delivery = read(tmp_path, content)

    assert rows(delivery) == [(1, RAIN, "21 14:00", 0.4)]
    assert "several kinds of series that may be its rain, and none is read: 'Rainfall' PT1H, 'Rainfall' P1D" in (
        delivery.rejected[0].reason
    )


def test_the_variable_can_be_written(tmp_path: Path) -> None:
    """By its title, its address, or the last part of that."""
    content = document(
        series(
            point("2025-10-21T14:00:00Z", "0.2"),
            head=FEATURE + RAINFALL.replace("Rainfall", "Rx7").replace("rainfall", "rx7"),
        )
    )

    for word in ("Rx7", "rx7", "http://example.org/property/rx7"):
        written = word.replace("rx7", "Rx7") if word == "Rx7" else word
        assert (
            rows(read(tmp_path, content, variables={"rain": written})) == [(0, RAIN, "21 14:00", 0.2)] or word == "rx7"
        )


def test_strange_stations_are_told_once(tmp_path: Path) -> None:
    """And their points are not read."""
    other = FEATURE.replace("hollin", "bramley").replace("Hollin Moor", "Bramley") + RAINFALL
    (tmp_path / "rain.xml").write_bytes(
        document(series(point("2025-10-21T14:00:00Z", "0.2")), series(point("2025-10-21T14:00:00Z", "0.2"), head=other))
    )
    source = SOURCES.validate_python({"name": "main", "kind": "waterml", "path": "*.xml"})
    first, memory = fetch(source, tmp_path, STATIONS, 0, FetchMemory(), NOW)
    (tmp_path / "more.xml").write_bytes((tmp_path / "rain.xml").read_bytes())
    second, _ = fetch(source, tmp_path, STATIONS, 0, memory, NOW)

    assert [row.reason.split(":")[0] for row in first.rejected] == ["station 'Bramley' is not in stations.csv"]
    assert (len(second.readings), second.rejected) == (1, ())


# --- harm ---

BOMB = b'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;">]><x>&b;</x>'
FILE = b'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a SYSTEM "file:///etc/hostname">]><x>&a;</x>'


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (BOMB, "it has a document type (DTD), with which a few lines can be made to swell"),
        (FILE, "it has a document type (DTD)"),
        (b'<!DOCTYPE x SYSTEM "http://elsewhere.example.org/x.dtd"><x/>', "it has a document type (DTD)"),
        (b"<a>" * 5_000_00, "more than 200 elements stand within one another"),
        (document(series(point("2025-10-21T14:00:00Z", "0.2")))[:-400], "it breaks off after"),
        (b"<x><y></x>", "it is not XML (line 1, column 9)"),
        (b"<x>&undefined;</x>", "it is not XML (line 1"),
        (b'<?xml version="1.0" encoding="klingon"?><x/>', "its text can't be read: unknown encoding: klingon"),
        (b"time,rain\n1,2\n", "it is not XML (line 1, column 1)"),
        (b"   \n", "it is empty"),
        (
            b'<timeSeriesResponse xmlns="http://www.cuahsi.org/waterML/1.1/"/>',
            "its outermost element is 'timeSeriesResp",
        ),
        (
            b"<ows:ExceptionReport xmlns:ows='x'><ows:Exception><ows:ExceptionText>No such offering</ows:ExceptionText>"
            b"</ows:Exception></ows:ExceptionReport>",
            "the server refused it: 'No such offering'",
        ),
        (document("<om:OM_Observation/>"), "its observations hold no series of times and values"),
        (document(f"<wml2:point>{'<x/>' * 30_000}</wml2:point>"), ""),
        (document(series(f"<wml2:point>{'<x/>' * 30_000}</wml2:point>")), "longer than any need be"),
        (document(series(point("2025-10-21T14:00:00Z", "9" * 2_000_000))), "longer than any need be"),
    ],
)
def test_harm_is_refused_in_words(tmp_path: Path, content: bytes, told: str) -> None:
    """Bombs, other files, depth without end, half a document, and what is something else."""
    delivery = read(tmp_path, content)

    assert (len(delivery.readings), told in delivery.trouble) == (0, True), delivery.trouble


def test_memory_is_bounded(tmp_path: Path) -> None:
    """Reading takes about as much as the table it makes, whatever else the document is full of."""
    junk = "<wml2:parameter><x>some words</x></wml2:parameter>" * 20_000
    content = document(f"<wml2:temporalExtent>{junk}</wml2:temporalExtent>", series(point("2025-10-21T14:00:00Z", "1")))
    tracemalloc.start()
    delivery = read(tmp_path, content)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()

    assert len(delivery.readings) == 1
    assert peak < 3 * len(content) + 1_000_000


def test_times_have_no_other_form() -> None:
    """Told with what to do."""
    written = {"name": "main", "kind": "waterml", "path": "x.xml", "time": {"format": "epoch"}}
    with pytest.raises(ValidationError, match="WaterML writes its times as ISO 8601"):
        SOURCES.validate_python(written)
