"""A look at a SensorThings server and at a WaterML document proposes settings by which the source can be read."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta

from tests.readings.sources.server import Answer, Handler
from tests.readings.sources.test_waterml import FEATURE, RAINFALL, document, interpolation, point, series
from tests.readings.sources.things_server import Things
from watchman.readings.sources.looking import kind_of, look_at_series, look_at_things

NOW = datetime(2025, 10, 21, 15, 0, tzinfo=UTC)

Serve = Callable[[Answer], tuple[str, list[Handler]]]


def at(minutes: int) -> str:
    return (NOW - timedelta(minutes=minutes)).strftime("%Y-%m-%dT%H:%M:%SZ")


def test_a_server_is_proposed(serve: Serve) -> None:
    """Its things are the stations; what can't be told from it is asked."""
    server = Things()
    rain = server.add("Hollin Moor")
    for step, value in enumerate((0.2, 0.0, 0.4, 0.0)):
        server.observe(rain, at(5 * step), value)
    server.add("Larkmoor", "Battery voltage", unit={"symbol": "V"})
    for name in ("Rain a", "Rain b"):
        server.add("Fennick", name)
    address, _ = serve(server.answer)

    proposal = look_at_things(f"{address}/v1.1", "", NOW)

    assert (proposal.kind, proposal.settings, proposal.trouble) == ("sensorthings", {}, "")
    assert [(one.name, one.readings, one.spacing_minutes) for one in proposal.stations] == [
        ("Hollin Moor", 4, 5.0),
        ("Larkmoor", 0, None),
    ]
    assert [(row.station, row.variable, row.value) for row in proposal.rows][:2] == [
        ("Hollin Moor", "rain", 0.0),
        ("Hollin Moor", "rain", 0.4),
    ]
    assert proposal.reasons == ("Rain is read from 'Rain' in mm.", "Battery is read from 'Battery voltage' in V.")
    assert [question.split(",")[0].split(";")[0] for question in proposal.questions] == [
        "Station 'Fennick' has 2 datastreams that may be its rain",
        "Is a time the end of its interval or the beginning? The end is taken.",
    ]


def test_tips_and_totals_are_seen(serve: Serve) -> None:
    """From the unit, and from values that only rise."""
    server = Things()
    rain = server.add("Hollin Moor", unit={"name": None, "symbol": None}, kind="OM_CountObservation")
    for step in range(6):
        server.observe(rain, f"{at(5 * step + 5)}/{at(5 * step)}", 100 - step)
    address, _ = serve(server.answer)

    proposal = look_at_things(f"{address}/v1.1", "", NOW)

    assert proposal.settings == {"rain": {"unit": "tips", "counts": "running total"}}
    assert proposal.questions == ("How much rain is one tip? Write tip_mm for each station, or for the source.",)


def test_a_server_that_is_none_is_trouble(serve: Serve) -> None:
    """In the words of whoever reads it later."""
    address, _ = serve(lambda request: request.send(b"{}"))
    gone, _ = serve(lambda request: request.send(b"", 404))

    assert "is the address the root of a SensorThings server" in look_at_things(address, "", NOW).trouble
    assert "has nothing there (HTTP 404)" in look_at_things(gone, "", NOW).trouble


def test_a_document_is_proposed() -> None:
    """A series says itself what its times stand for, so that nothing needs to be asked."""
    usual = '<wml2:uom code="mm"/>' + interpolation("TotalPrec")
    content = document(
        series(*(point(at(5 * step), value) for step, value in enumerate(("0.2", "0", "0.4", "0"))), usual=usual),
        series(point(at(0), "7"), head=FEATURE + RAINFALL.replace("ainfall", "iver discharge")),
    )

    proposal = look_at_series(content)

    assert (proposal.kind, proposal.settings, proposal.questions, proposal.trouble) == ("waterml", {}, (), "")
    assert [(one.name, one.readings) for one in proposal.stations] == [("Hollin Moor", 4)]


def test_a_document_that_is_none_is_trouble() -> None:
    """With why."""
    assert "its outermost element is 'x'" in look_at_series(b"<x/>").trouble


def test_the_standard_is_known_by_what_an_address_answers() -> None:
    """So that nobody needs to name it."""
    root = b'{"value": [{"name": "Things", "url": "x/Things"}, {"name": "Datastreams", "url": "x/Datastreams"}]}'

    assert [kind_of(sample) for sample in (root, document(), b'{"value": [{"name": "x"}]}', b"[1]", b"time,rain")] == [
        *("sensorthings", "waterml", "", "", "")
    ]
