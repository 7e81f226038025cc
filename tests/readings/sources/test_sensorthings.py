"""SensorThings against a server written from the standard's text (things_server.py), well and badly behaved."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from pydantic import TypeAdapter, ValidationError

from tests.readings.sources.server import Answer, Handler
from tests.readings.sources.things_server import Datastream, Things
from watchman.model import BATTERY, RAIN, Delivery
from watchman.readings.sources import AnySource, FetchMemory, fetch, things
from watchman.readings.sources.sensorthings import Source

NOW = datetime(2025, 10, 21, 15, 0, tzinfo=UTC)
STATIONS = {"hollin": 0, "larkmoor": 1, "fennick bridge": 2}
SOURCES: TypeAdapter[AnySource] = TypeAdapter(AnySource)

Serve = Callable[[Answer], tuple[str, list[Handler]]]


def made(address: str, **settings: Any) -> AnySource:
    return SOURCES.validate_python({"name": "main", "kind": "sensorthings", "address": f"{address}/v1.1", **settings})


def at(minutes: float) -> str:
    """Return the time so many minutes before NOW."""
    return (NOW - timedelta(minutes=minutes)).strftime("%Y-%m-%dT%H:%M:%S.000Z")


def ask(source: AnySource, memory: FetchMemory | None = None, now: datetime = NOW) -> tuple[Delivery, FetchMemory]:
    delivery, memory = fetch(source, Path("unused"), STATIONS, 0, memory or FetchMemory(), now)
    return delivery, FetchMemory.model_validate_json(memory.model_dump_json())


def rows(*deliveries: Delivery) -> set[tuple[int, int, int, float]]:
    """Return what came, as (station, variable, minutes before NOW, value)."""
    found = set()
    for delivery in deliveries:
        readings = delivery.readings
        before = (int(NOW.timestamp()) - readings.observed_at) // 60
        found |= set(
            zip(
                readings.station.tolist(),
                readings.variable.tolist(),
                before.tolist(),
                readings.value.tolist(),
                strict=True,
            )
        )
    return found


def fill(server: Things, stream: Datastream, count: int, value: float = 0.2, last: int = 0) -> None:
    """Add so many observations five minutes apart, the last so many minutes before NOW."""
    for number in range(count):
        server.observe(stream, at(last + 5 * (count - 1 - number)), value)


def gauge(server: Things, count: int = 12) -> Datastream:
    stream = server.add("hollin")
    fill(server, stream, count)
    return stream


# --- reading ---


def test_a_server_is_read(serve: Serve) -> None:
    """Things are stations by their name, datastreams variables by what they observe; a null is no reading."""
    server = Things()
    rain, battery = server.add("hollin"), server.add("larkmoor", "Battery voltage", unit={"symbol": "mV"})
    server.observe(rain, at(5), 0.2)
    server.observe(rain, at(0), None)
    server.observe(battery, at(10), 12650)
    address, _ = serve(server.answer)

    delivery, _ = ask(made(address))

    assert rows(delivery) == {(0, RAIN, 5, 0.2), (1, BATTERY, 10, 12.65)}
    assert (delivery.trouble, delivery.rejected) == ("", ())


@pytest.mark.parametrize(
    ("shape", "settings"),
    [
        ({"thing": {"name": "hollin"}}, {}),
        ({"thing": {"@iot.id": "hollin"}}, {}),
        ({"properties": {"local": "hollin", "floors": 2}}, {}),
        ({"properties": {"local": "hollin", "near": "larkmoor"}}, {"station": "local"}),
        ({"thing": {"name": "hollin", "@iot.id": "larkmoor"}}, {"station": "name"}),
        ({"thing": {"name": "larkmoor", "@iot.id": "hollin"}}, {"station": "@iot.id"}),
    ],
)
def test_a_thing_is_known_by_its_name_id_or_a_property(
    serve: Serve, shape: dict[str, Any], settings: dict[str, Any]
) -> None:
    """And by the one of them that is named, where it would be two stations."""
    server = Things()
    server.observe(server.add("Gauge 7", **shape), at(0), 0.2)
    address, _ = serve(server.answer)

    assert rows(ask(made(address, **settings))[0]) == {(0, RAIN, 0, 0.2)}


@pytest.mark.parametrize("identifier", [7, "urn:x:7", "it's"])
def test_ids_are_numbers_or_text(serve: Serve, identifier: int | str) -> None:
    """An id that is text stands in quotation marks in an address (18-088, 9.2)."""
    server = Things()
    server.observe(server.add("hollin", identifier=identifier), at(0), 0.2)
    address, _ = serve(server.answer)

    assert rows(ask(made(address))[0]) == {(0, RAIN, 0, 0.2)}


@pytest.mark.parametrize(
    ("settings", "time", "minutes"),
    [
        ({}, f"{at(10)}/{at(5)}", 5),
        ({"stamps": "begin", "covers_minutes": 5}, f"{at(10)}/{at(5)}", 5),
        ({"stamps": "begin", "covers_minutes": 5}, at(10), 5),
        ({}, at(10), 10),
    ],
)
def test_an_interval_ends_where_it_says(serve: Serve, settings: dict[str, Any], time: str, minutes: int) -> None:
    """What the settings say of stamps holds for instants; an interval (begin/end) needs no such word."""
    server = Things()
    server.observe(server.add("hollin"), time, 0.2)
    address, _ = serve(server.answer)

    assert rows(ask(made(address, **settings))[0]) == {(0, RAIN, minutes, 0.2)}


def test_when_a_result_came_about_is_when_it_was_received(serve: Serve) -> None:
    """At first; never before its interval was over nor after now. Later on it is received when we see it."""
    server = Things()
    stream = server.add("hollin")
    for minutes, came in ((60, 40), (50, 70), (45, -30)):
        server.observe(stream, at(minutes), 0.2, at(came))
    server.observe(stream, at(35), 0.2)
    address, _ = serve(server.answer)

    delivery, memory = ask(made(address))
    server.observe(stream, at(5), 0.2, at(5))
    later, _ = ask(made(address), memory, NOW + timedelta(minutes=2))

    received = {
        int(before): int(came)
        for before, came in zip(
            (int(NOW.timestamp()) - delivery.readings.observed_at) // 60,
            (int(NOW.timestamp()) - delivery.readings.received_at) // 60,
            strict=True,
        )
    }
    assert received == {60: 40, 50: 50, 45: 0, 35: 30}
    new = later.readings.observed_at == int(NOW.timestamp()) - 300
    assert later.readings.received_at[new].tolist() == [int(NOW.timestamp()) + 120]


def test_what_is_no_observation_costs_itself_only(serve: Serve) -> None:
    """Rows with a word for a result or no time are told, the others read."""
    server = Things()
    stream = server.add("hollin")
    server.observe(stream, at(10), "wet")
    server.observe(stream, at(5), "0.4")
    address, _ = serve(
        lambda request: (
            server.answer(request)
            if "Observations" not in request.path
            else request.send(json.dumps({"value": [*stream.observations, 7, {"result": 1.0}]}).encode())
        )
    )

    delivery, _ = ask(made(address))

    assert rows(delivery) == {(0, RAIN, 5, 0.4)}
    assert {row.reason.split(" can't")[0] for row in delivery.rejected} == {
        "its rain is not a number",
        "it is not an observation",
        "its time ''",
    }


# --- what is to be read ---


@pytest.mark.parametrize(
    ("unit", "settings", "value"),
    [
        ({"symbol": "mm"}, {}, 1.0),
        ({"symbol": "", "name": "Inch"}, {}, 25.4),
        ({"symbol": "?", "definition": "http://example.org/ucum#cm"}, {}, 10.0),
        ({"name": None, "symbol": None, "definition": None}, {}, 1.0),
        ({"name": None, "symbol": None}, {"rain": {"unit": "inch"}}, 25.4),
        ({"symbol": "tips"}, {"rain": {"unit": "tips"}, "tip_mm": 0.2}, 1.0),
    ],
)
def test_units_are_what_the_server_says(
    serve: Serve, unit: dict[str, Any], settings: dict[str, Any], value: float
) -> None:
    """Symbol, name or definition; where it says none, what the settings say."""
    server = Things()
    server.observe(server.add("hollin", unit=unit), at(0), 1.0)
    address, _ = serve(server.answer)

    assert rows(ask(made(address, **settings))[0]) == {(0, RAIN, 0, value)}


@pytest.mark.parametrize(
    ("name", "unit", "settings", "told"),
    [
        ("Rain", {"symbol": "furlong"}, {}, "its unit 'furlong' is not one of rain"),
        ("Rain", {"symbol": "mm/h"}, {}, "its unit 'mm/h' is not one of rain"),
        ("Rain", {"symbol": "mm", "name": "millimetres per hour"}, {}, "'millimetres per hour' is not one of rain"),
        ("Rain", {"symbol": "degC"}, {}, "its unit 'degC' is not one of rain"),
        ("Rain", {"symbol": "tips"}, {}, "it counts tips (unit 'tips'): write rain = { unit = \"tips\" } and tip_mm"),
        ("Rain", {"symbol": "mm"}, {"rain": {"unit": "tips"}}, "the settings say that rain is in tips"),
        ("Battery voltage", {"symbol": "%"}, {}, "its unit '%' is not one of battery"),
        ("Battery temperature", {"symbol": "V"}, {}, "may be battery or temperature; say which"),
        ("Noise", {"symbol": "V"}, {}, "none of its 1 datastreams is one of rain, battery"),
        ("Rain intensity", {"symbol": "mm"}, {}, "none of its 1 datastreams is one of rain, battery"),
    ],
)
def test_what_is_not_known_is_asked_about_and_not_guessed(
    serve: Serve, name: str, unit: dict[str, Any], settings: dict[str, Any], told: str
) -> None:
    """An odd unit, or a name that fits two variables: nothing is read, and a sentence says what to write."""
    server = Things()
    server.observe(server.add("hollin", name, unit=unit), at(0), 1.0)
    address, _ = serve(server.answer)

    delivery, _ = ask(made(address, **settings))

    assert (len(delivery.readings), told in delivery.trouble) == (0, True), delivery.trouble


def test_two_datastreams_for_one_variable_are_asked_about(serve: Serve) -> None:
    """Five minutes and a day of the same rain, added up, would be twice the rain."""
    server = Things()
    for name in ("Rain 5 min", "Rain day"):
        server.observe(server.add("hollin", name), at(0), 1.0)
    server.observe(server.add("larkmoor"), at(0), 0.2)
    address, _ = serve(server.answer)

    first, _ = ask(made(address))
    chosen, _ = ask(made(address, variables={"rain": "Rain 5 min"}))

    assert rows(first) == {(1, RAIN, 0, 0.2)}
    assert "station 'hollin' has 2 datastreams that may be its rain, and none is read" in first.rejected[0].reason
    assert rows(chosen) == {(0, RAIN, 0, 1.0)}


def test_new_things_are_told_once_and_new_datastreams_read(serve: Serve) -> None:
    """The list is looked at again after an hour."""
    server = Things()
    gauge(server, 1)
    address, _ = serve(server.answer)
    first, memory = ask(made(address))
    server.add("bramley")
    server.observe(server.add("larkmoor"), at(0), 0.4)

    soon, memory = ask(made(address), memory, NOW + timedelta(minutes=30))
    later, memory = ask(made(address), memory, NOW + timedelta(minutes=61))
    again, memory = ask(made(address), memory, NOW + timedelta(minutes=130))

    assert [len(one.rejected) for one in (first, soon, later, again)] == [0, 0, 1, 0]
    assert later.rejected[0].reason.startswith("thing 'bramley' is not in stations.csv")
    assert (1, RAIN, 0, 0.4) in rows(later)


def test_a_unit_that_changes_is_noticed_at_once(serve: Serve) -> None:
    """Nothing is read by the old one: the list is looked at again first."""
    server = Things()
    for name in STATIONS:
        fill(server, server.add(name), 2)
    address, _ = serve(server.answer)
    source = made(address)
    _, memory = ask(source)
    server.datastreams[0].unit = {"symbol": "in"}
    server.observe(server.datastreams[0], at(-1), 1.0)

    noticed, memory = ask(source, memory, NOW + timedelta(minutes=2))
    after, _ = ask(source, memory, NOW + timedelta(minutes=3))

    assert 0 not in {row[0] for row in rows(noticed)}
    assert "its unit has changed; it is looked at anew" in noticed.rejected[0].reason
    assert (0, RAIN, -1, 25.4) in rows(after)


def test_many_things_of_others_are_counted(serve: Serve) -> None:
    """A national service has more stations than ours."""
    server = Things()
    gauge(server, 1)
    for number in range(150):
        server.add(f"other {number}")
    address, _ = serve(server.answer)

    delivery, _ = ask(made(address))

    assert [row.reason for row in delivery.rejected] == [
        "150 things are not in stations.csv; the first are 'other 0', 'other 1', 'other 2', 'other 3', 'other 4'"
    ]


# --- pages ---


@pytest.mark.parametrize("ignored", [set(), {"$filter"}, {"$orderby"}, {"$filter", "$orderby"}, {"$select"}, {"$top"}])
@pytest.mark.parametrize("together", [False, True])
def test_every_observation_comes_once_however_the_server_pages(serve: Serve, ignored: set[str], together: bool) -> None:
    """Pages smaller than what was asked for, in any order, with or without a filter: in the end all has come."""
    server = Things(page=5, ignores=ignored, refuses=set() if together else {"$expand"})
    streams = [server.add(name) for name in STATIONS]
    for stream in streams:
        fill(server, stream, 40)
    address, _ = serve(server.answer)
    source, memory, deliveries = made(address), FetchMemory(), []
    for minutes in range(5):
        delivery, memory = ask(source, memory, NOW + timedelta(minutes=minutes))
        assert (delivery.trouble, delivery.rejected) == ("", ())
        deliveries.append(delivery)

    assert rows(*deliveries) == {(place, RAIN, 5 * step, 0.2) for place in range(3) for step in range(40)}


def test_a_page_as_long_as_asked_for_need_not_be_the_last(serve: Serve, monkeypatch: pytest.MonkeyPatch) -> None:
    """A server may take $top for all that is wanted and name no next page (9.3.3.5)."""
    monkeypatch.setattr(things, "PAGE", 5)
    server = Things()
    gauge(server, 15)
    address, _ = serve(server.answer)

    delivery, _ = ask(made(address))

    assert len(rows(delivery)) == 15
    assert sum("Observations" in path for path in server.asked) == 4


def test_ties_and_late_rows_are_not_lost(serve: Serve) -> None:
    """What has the same time as the newest, and what comes up to an hour late, is within the overlap."""
    server = Things()
    stream = gauge(server)
    address, _ = serve(server.answer)
    source = made(address)
    _, memory = ask(source)
    server.observe(stream, at(0), 0.4)
    server.observe(stream, at(58), 0.6)

    delivery, _ = ask(source, memory, NOW + timedelta(minutes=1))

    assert {(0, RAIN, 0, 0.2), (0, RAIN, 0, 0.4), (0, RAIN, 58, 0.6)} <= rows(delivery)


def test_ties_at_the_edge_of_a_page_are_not_lost(serve: Serve) -> None:
    """The order asked for is one of ids too, so that a tie can't change places between two pages."""
    server = Things(page=3, unstable=True)
    stream = server.add("hollin")
    for value in range(10):
        server.observe(stream, at(5), value)
    address, _ = serve(server.answer)

    assert {row[3] for row in rows(ask(made(address))[0])} == set(map(float, range(10)))


def test_once_a_day_it_looks_back_for_what_came_late(serve: Serve) -> None:
    """A batch that is days late comes with the next look back, received when we saw it."""
    server = Things()
    stream = gauge(server)
    address, _ = serve(server.answer)
    source = made(address)
    _, memory = ask(source)
    server.observe(stream, at(3 * 1440), 5.0)
    late = (0, RAIN, 3 * 1440, 5.0)

    soon, memory = ask(source, memory, NOW + timedelta(hours=23))
    next_day, memory = ask(source, memory, NOW + timedelta(hours=24, minutes=1))
    after, _ = ask(source, memory, NOW + timedelta(hours=25))

    assert [late in rows(one) for one in (soon, next_day, after)] == [False, True, False]
    assert int((NOW + timedelta(hours=24, minutes=1)).timestamp()) in next_day.readings.received_at.tolist()


def test_a_gap_is_fetched_in_bites_and_what_is_new_goes_first(serve: Serve) -> None:
    """After an outage each asking takes a bounded part, newest first, until all is there."""
    server = Things(page=10)
    stream = gauge(server, 12)
    address, _ = serve(server.answer)
    source = made(address)
    _, memory = ask(source)
    fill(server, stream, 400, 0.4, last=-2000)
    deliveries = []
    for minutes in range(2000, 2008):
        delivery, memory = ask(source, memory, NOW + timedelta(minutes=minutes))
        deliveries.append(delivery)

    assert (0, RAIN, -2000, 0.4) in rows(deliveries[0])
    assert len(rows(deliveries[0])) <= 2 * things.PAGES * 10
    assert len({row for row in rows(*deliveries) if row[3] == 0.4}) == 400


def test_a_second_gap_waits_for_the_first(serve: Serve, monkeypatch: pytest.MonkeyPatch) -> None:
    """An outage before the past of the last one is read costs nothing either."""
    monkeypatch.setattr(things, "PAGES", 2)
    server = Things(page=5)
    stream = gauge(server, 2)
    address, _ = serve(server.answer)
    source = made(address)
    _, memory = ask(source)
    fill(server, stream, 50, 0.4, last=-1000)
    deliveries = []
    for minutes in (1000, *range(2000, 2012)):
        if minutes == 2000:
            fill(server, stream, 50, 0.6, last=-2000)
        delivery, memory = ask(source, memory, NOW + timedelta(minutes=minutes))
        deliveries.append(delivery)

    found = rows(*deliveries)
    assert [sum(row[3] == value for row in found) for value in (0.4, 0.6)] == [50, 50]


def test_many_datastreams_are_asked_for_at_once(serve: Serve) -> None:
    """Where the server can: one request in place of many."""
    server = Things()
    for name in STATIONS:
        fill(server, server.add(name), 12)
    address, _ = serve(server.answer)
    source = made(address)
    _, memory = ask(source)
    server.observe(server.datastreams[1], at(-1), 0.8)
    asked = len(server.asked)

    delivery, _ = ask(source, memory, NOW + timedelta(minutes=2))

    assert len(server.asked) == asked + 1
    assert (1, RAIN, -1, 0.8) in rows(delivery)


@pytest.mark.parametrize("how", [{"refuses": {"$expand"}}, {"ignores": {"$expand"}}, {"ignores": {"inner"}}])
def test_a_server_that_cannot_expand_is_asked_one_by_one(serve: Serve, how: dict[str, set[str]]) -> None:
    """It refuses, leaves it out, or doesn't heed what stands in the brackets."""
    server = Things(page=20, **how)
    for name in STATIONS:
        fill(server, server.add(name), 60)
    address, _ = serve(server.answer)
    source, memory, deliveries = made(address), FetchMemory(), []
    for minutes in range(4):
        delivery, memory = ask(source, memory, NOW + timedelta(minutes=minutes))
        assert (delivery.trouble, delivery.rejected) == ("", ())
        deliveries.append(delivery)
    server.observe(server.datastreams[2], at(-4), 0.8)
    asked = len(server.asked)
    delivery, _ = ask(source, memory, NOW + timedelta(minutes=5))

    assert rows(*deliveries) == {(place, RAIN, 5 * step, 0.2) for place in range(3) for step in range(60)}
    assert (2, RAIN, -4, 0.8) in rows(delivery)
    assert len(server.asked) == asked + 3


def test_a_server_that_knows_no_options_is_read(serve: Serve) -> None:
    """By the standard it refuses those it doesn't know with 501; it is asked without any."""
    server = Things(refuses={"$filter", "$orderby", "$select", "$top", "$expand"}, page=50)
    gauge(server)
    address, _ = serve(
        lambda request: (
            server.answer(request) if "expand" not in request.path else server.answer(_without_query(request))
        )
    )

    delivery, _ = ask(made(address))

    assert (len(rows(delivery)), delivery.trouble) == (12, "")


def _without_query(request: Handler) -> Handler:
    request.path = request.path.partition("?")[0]
    return request


@pytest.mark.parametrize("seed", [100, 102, 117, 128, 134, 153])
def test_in_the_end_all_has_come_whatever_the_server_does(
    serve: Serve, monkeypatch: pytest.MonkeyPatch, seed: int
) -> None:
    """Rows that come in any order, in bursts and days late, ties, pages of any size, options left out: nothing is lost
    once a look back is over, and nothing comes that isn't there.
    """
    chance = random.Random(seed)
    monkeypatch.setattr(things, "PAGES", chance.choice((1, 2, 5)))
    left_out = chance.sample(["$filter", "$orderby", "$top", "$select", "inner"], chance.randrange(3))
    server = Things(
        page=chance.choice((4, 9, 30)),
        ignores=set(left_out),
        refuses=set(chance.sample(["$expand"], chance.randrange(2))),
        names_next_after_top=chance.random() < 0.5,
    )
    streams = [server.add(name) for name in STATIONS]
    address, _ = serve(server.answer)
    source, memory, deliveries, there = made(address), FetchMemory(), [], set()
    moments = sorted(chance.sample(range(600), 8))
    moments += [later + step for later in (2100, 3700) for step in range(12)]
    for moment in moments:
        for place, stream in enumerate(streams):
            for _ in range(chance.choice((0, 1, 6)) if moment < 2000 else 0):
                late = chance.choice((0, 0, 5, 50, 400, 2000))
                value = chance.randrange(5) / 5
                server.observe(stream, at(late - moment), value)
                there.add((place, RAIN, late - moment, value))
        delivery, memory = ask(source, memory, NOW + timedelta(minutes=moment))
        assert (delivery.trouble, delivery.rejected) == ("", ())
        deliveries.append(delivery)

    assert rows(*deliveries) == there


# --- faults ---


def test_a_circle_of_pages_is_noticed(serve: Serve) -> None:
    """A next page that is the first again ends, and is told."""
    server = Things(page=5)
    gauge(server)
    address, _ = serve(server.answer)
    source = made(address)
    _, memory = ask(source)
    server.circle = True

    delivery, _ = ask(source, memory, NOW + timedelta(minutes=1))

    assert "lead back to where they began" in delivery.rejected[0].reason
    assert len(server.asked) < 20


def test_a_next_page_elsewhere_is_not_asked(serve: Serve) -> None:
    """A password never goes to another host, and neither do we."""
    server = Things(page=5, address="http://elsewhere.example.org/v1.1")
    gauge(server)
    address, _ = serve(server.answer)

    delivery, _ = ask(made(address, token="letmein"))

    assert len(rows(delivery)) == 5
    assert "sends us on to http://elsewhere.example.org, which is not asked" in delivery.rejected[0].reason


def test_links_without_a_host_lead_on(serve: Serve) -> None:
    """A relative link is one on the same server (RFC 3986)."""
    server = Things(page=5, address="/v1.1")
    gauge(server)
    address, _ = serve(server.answer)

    assert len(rows(ask(made(address))[0])) == 12


def test_one_broken_datastream_costs_the_others_nothing(serve: Serve) -> None:
    """It is told, and asked again next time."""
    server = Things(broken={"/Datastreams(1)/Observations"}, refuses={"$expand"})
    gauge(server)
    server.observe(server.add("larkmoor"), at(0), 0.4)
    address, _ = serve(server.answer)
    source = made(address)

    delivery, memory = ask(source)
    server.broken = set()
    later, _ = ask(source, memory, NOW + timedelta(minutes=1))

    assert rows(delivery) == {(1, RAIN, 0, 0.4)}
    assert "Datastreams(1)/Observations has a fault of its own" in delivery.rejected[0].reason
    assert len(rows(later)) == 13


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b'{"value": 7}', 'there is no list "value" in it; is the address the root of a SensorThings server'),
        (b"[1, 2]", 'there is no list "value" in it'),
        (b'{"value": [', "it breaks off after 11 bytes"),
        (b"<html><title>Log in</title>", "sent a web page ('Log in') instead of data"),
        (b'{"value": []}', "it has no datastreams"),
    ],
)
def test_what_is_no_server_of_this_kind_is_told(serve: Serve, content: bytes, told: str) -> None:
    """In words that say what to look at."""
    address, _ = serve(lambda request: request.send(content))

    assert told in ask(made(address))[0].trouble


def test_half_a_character_does_no_harm(serve: Serve) -> None:
    """An escape that is no character (RFC 8259, 8.2) can be kept and shown like any other name."""
    server = Things()
    gauge(server)
    server.add("bramley \ud800")
    address, _ = serve(server.answer)

    delivery, _ = ask(made(address))

    assert delivery.rejected[0].reason.startswith("thing 'bramley ?' is not in stations.csv")


def test_no_thing_of_ours_is_trouble(serve: Serve) -> None:
    """With the names that it has."""
    server = Things()
    server.add("bramley")
    address, _ = serve(server.answer)

    assert ask(made(address))[0].trouble.endswith("none of its 1 things is in stations.csv; it has: bramley")


def test_a_source_that_is_down_is_trouble_and_keeps_its_place(serve: Serve) -> None:
    """Nothing is forgotten while it can't be asked."""
    server = Things()
    stream = gauge(server)
    down = False
    address, _ = serve(lambda request: request.send(b"", 503, Retry_After="100") if down else server.answer(request))
    source = made(address)
    _, memory = ask(source)
    down = True
    broken, memory = ask(source, memory, NOW + timedelta(minutes=1))
    down = False
    server.observe(stream, at(-1), 0.4)
    waits, memory = ask(source, memory, NOW + timedelta(minutes=2))
    well, _ = ask(source, memory, NOW + timedelta(minutes=4))

    assert "is overloaded or down (HTTP 503)" in broken.trouble
    assert "asked us to wait until" in waits.trouble
    assert (0, RAIN, -1, 0.4) in rows(well)


def test_what_the_budget_is_too_short_for_comes_next_time(serve: Serve) -> None:
    """In turn, and without trouble: a slow server is no broken one."""
    server = Things()
    for name in STATIONS:
        fill(server, server.add(name), 2)

    def slow(request: Handler) -> None:
        if "Observations" in request.path:
            request.over.wait(0.7)
        server.answer(request)

    address, _ = serve(slow)
    source, memory, heard = made(address, budget_s=1.2), FetchMemory(), []
    for minutes in range(3):
        delivery, memory = ask(source, memory, NOW + timedelta(minutes=minutes))
        assert delivery.trouble == ""
        heard.append(tuple(sorted(set(delivery.readings.station.tolist()))))

    assert set().union(*heard) == {0, 1, 2}
    assert max(map(len, heard)) == 1


def test_one_that_never_answers_keeps_the_others_waiting_once(serve: Serve) -> None:
    """It takes the budget of one asking, which is trouble; the next asking begins behind it."""
    server = Things(refuses={"$expand"})
    for name in STATIONS:
        fill(server, server.add(name), 2)
    address, _ = serve(
        lambda request: request.over.wait() if "(1)/Observations" in request.path else server.answer(request)
    )
    source = made(address, budget_s=0.5)
    first, memory = ask(source)
    second, _ = ask(source, memory, NOW + timedelta(minutes=1))

    assert "had not answered when budget_s = 0.5 was over" in first.trouble
    assert {row[0] for row in rows(second)} == {1, 2}


def test_a_rate_is_kept_where_many_are_asked_for_at_once(serve: Serve) -> None:
    """The list takes the only asking of its minute, and nothing is lost or trouble."""
    server = Things()
    for name in STATIONS:
        fill(server, server.add(name), 2)
    address, _ = serve(server.answer)
    source, memory = made(address, askings_per_minute=1, budget_s=0.5), FetchMemory()
    for minutes in range(0, 10, 2):
        _, memory = ask(source, memory, NOW + timedelta(minutes=minutes))
    server.observe(server.datastreams[2], at(-60), 0.8)
    listing, memory = ask(source, memory, NOW + timedelta(minutes=62))
    after, _ = ask(source, memory, NOW + timedelta(minutes=64))

    assert (listing.trouble, len(listing.readings)) == ("", 0)
    assert (2, RAIN, -60, 0.8) in rows(after)


def test_the_last_in_turn_is_not_left_out_by_a_rate(serve: Serve) -> None:
    """With two askings a minute for three datastreams the one that had to wait is the first next time."""
    server = Things(refuses={"$expand"})
    for name in STATIONS:
        fill(server, server.add(name), 2)
    address, _ = serve(server.answer)
    source, memory, deliveries = made(address, askings_per_minute=2, budget_s=0.5), FetchMemory(), []
    for minutes in range(0, 20, 2):
        _, memory = ask(source, memory, NOW + timedelta(minutes=minutes))
    for stream in server.datastreams:
        server.observe(stream, at(-20), 0.8)
    for minutes in (22, 24):
        delivery, memory = ask(source, memory, NOW + timedelta(minutes=minutes))
        deliveries.append(delivery)

    assert {row[0] for row in rows(*deliveries) if row[3] == 0.8} == {0, 1, 2}


def test_a_rate_is_kept(serve: Serve) -> None:
    """With few askings a minute the datastreams come in turn, and nothing is trouble."""
    server = Things(refuses={"$expand"})
    for name in STATIONS:
        fill(server, server.add(name), 2)
    address, _ = serve(server.answer)
    source, memory, deliveries = made(address, askings_per_minute=3, budget_s=2), FetchMemory(), []
    for minutes in range(0, 24, 2):
        asked = len(server.asked)
        delivery, memory = ask(source, memory, NOW + timedelta(minutes=minutes))
        assert delivery.trouble == ""
        assert len(server.asked) - asked <= 3
        deliveries.append(delivery)

    assert {row[0] for row in rows(*deliveries)} == {0, 1, 2}


@pytest.mark.parametrize(
    ("settings", "told"),
    [
        ({"address": None, "path": "x.json"}, "has the address of its root and nothing else"),
        ({"address": "https://x.example.org/v1.1?x=1"}, "has the address of its root and nothing else"),
        ({"address": "https://x.example.org/{station}"}, "has the address of its root and nothing else"),
        ({"time": {"format": "epoch"}}, "SensorThings writes its times as ISO 8601"),
    ],
)
def test_settings_that_can_not_be_meant_are_told(settings: dict[str, Any], told: str) -> None:
    """With an example."""
    written = {"name": "main", "kind": "sensorthings", "address": "https://x.example.org/v1.1", **settings}
    with pytest.raises(ValidationError, match=told):
        SOURCES.validate_python({key: value for key, value in written.items() if value is not None})


def test_the_server_is_a_fair_one(serve: Serve) -> None:
    """The server of these tests does what the standard says of $count, $skip, $top and unknown options."""
    import requests

    server = Things(page=5)
    gauge(server)
    address, _ = serve(server.answer)
    here = f"{address}/v1.1/Datastreams(1)/Observations"

    page = requests.get(f"{here}?$count=true&$top=7&$skip=1&$orderby=id desc", timeout=5).json()

    assert page["@iot.count"] == 12
    assert [row["@iot.id"] for row in page["value"]] == [11, 10, 9, 8, 7]
    assert "%24skip=6" in page["@iot.nextLink"]
    assert len(requests.get(f"{here}?$top=2", timeout=5).json()["value"]) == 2
    assert requests.get(f"{here}?$apply=x", timeout=5).status_code == 400


def test_the_kind_is_registered() -> None:
    """By its word in network.toml."""
    assert isinstance(made("https://x.example.org"), Source)
