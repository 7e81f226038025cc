"""What is asked of a server: what is new, gaps in bites, so often and so long at most."""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.readings.sources.archive import Archive, stamp
from tests.readings.sources.server import Answer, Handler
from watchman.model import Delivery
from watchman.readings.sources import AnySource, FetchMemory, fetch
from watchman.readings.sources.web import Door, NotNowError, Rate

NOW = datetime(2025, 10, 21, 15, 0, tzinfo=UTC)
MINUTE, HOUR, DAY = timedelta(minutes=1), timedelta(hours=1), timedelta(days=1)
STATIONS = {"hollin": 0, "larkmoor": 1}
BITES = "?from={since}&to={until}"

Make = Callable[..., AnySource]
Serve = Callable[[Answer], tuple[str, list[Handler]]]


def ask(
    source: AnySource, memory: FetchMemory | None = None, now: datetime = NOW, stations: dict[str, int] = STATIONS
) -> tuple[Delivery, FetchMemory]:
    """Fetch; the memory goes through the store's form, as over a restart."""
    delivery, memory = fetch(source, Path("unused"), stations, 0, memory or FetchMemory(), now)
    return delivery, FetchMemory.model_validate_json(memory.model_dump_json())


def had(delivery: Delivery) -> set[int]:
    """Return the times of a delivery's readings, in hours before NOW."""
    return {round((NOW.timestamp() - moment) / 3600) for moment in delivery.readings.observed_at.tolist()}


@pytest.fixture
def kept() -> Archive:
    """Return an archive with four days of both stations."""
    archive = Archive()
    for station in STATIONS:
        archive.keep(station, NOW - 4 * DAY, NOW)
    return archive


def test_the_past_comes_in_bites_oldest_first_and_what_is_new_before_it(
    source: Make, serve: Serve, kept: Archive
) -> None:
    """Each bite has the stated length; all of it is had, and arrived when nobody knows better."""
    address, _ = serve(kept)
    made = source(kind="json", address=f"{address}/{BITES}", look_back_days=4)

    delivery, memory = ask(made)

    assert [query["from"] for query in kept.asked] == [
        stamp(NOW - DAY),
        *(stamp(NOW - days * DAY - timedelta(seconds=1)) for days in (4, 3, 2)),
    ]
    ends = [stamp(NOW - days * DAY + timedelta(seconds=1)) for days in (3, 2, 1)]
    assert [query["to"] for query in kept.asked[1:]] == ends
    assert had(delivery) == set(range(96))
    assert len(delivery.readings) < 2 * 96 + 2 * 3 + 1
    late = delivery.readings.received_at - delivery.readings.observed_at
    assert set(late.tolist()) == {0, 300}, "the stated delay, but not after now"
    assert memory.gaps == ()


def test_bites_go_on_after_a_restart(source: Make, serve: Serve, kept: Archive) -> None:
    """While half of the time is left; then the next fetch goes on, first with what is new."""

    def slow(request: Handler) -> None:
        time.sleep(0.12)
        kept(request)

    address, _ = serve(slow)
    made = source(kind="json", address=f"{address}/{BITES}", look_back_days=4, bite_hours=12, budget_s=1)
    delivery, memory = ask(made)
    seen, rounds = had(delivery), 1
    assert memory.gaps, "not all at once"
    while memory.gaps:
        begun = len(kept.asked)
        delivery, memory = ask(made, memory, NOW + rounds * MINUTE)
        assert kept.asked[begun]["from"] == stamp(NOW - HOUR), "what is new comes first"
        seen |= had(delivery)
        rounds += 1
    assert seen == set(range(96))
    assert rounds > 1
    assert len(kept.asked) == 7 + rounds, "no bite was asked for twice"


def test_an_outage_is_caught_up_with(source: Make, serve: Serve, kept: Archive) -> None:
    """Of ours, or of the server: from where it was asked last, less the overlap; those rows have just arrived."""
    kept.keep("hollin", NOW, NOW + 3 * DAY)
    rows, kept.rows = kept.rows, [row for row in kept.rows if row[0] <= NOW]
    address, _ = serve(kept)
    made = source(kind="json", address=f"{address}/{BITES}", look_back_days=4)
    _, memory = ask(made)
    kept.rows, begun = rows, len(kept.asked)

    later = NOW + 3 * DAY
    delivery, memory = ask(made, memory, later)

    assert [query["from"] for query in kept.asked[begun:]] == [
        stamp(later - DAY),
        *(stamp(NOW - HOUR + days * DAY - timedelta(seconds=1)) for days in range(3)),
    ]
    assert set(range(-72, 0)) <= had(delivery)
    assert set(delivery.readings.received_at.tolist()) == {int(later.timestamp())}


def test_a_station_that_comes_back_brings_what_it_kept(source: Make, serve: Serve, kept: Archive) -> None:
    """Silent for two days while others spoke: its own past is asked for once it is heard again, and only then."""
    kept.rows = [row for row in kept.rows if row[1] == "hollin" or row[0] <= NOW - 2 * DAY]
    address, _ = serve(kept)
    made = source(kind="json", address=f"{address}/{BITES}", look_back_days=4)
    _, memory = ask(made)
    _, memory = ask(made, memory, NOW + MINUTE)
    assert kept.asked[-1]["from"] == stamp(NOW - HOUR), "the silent one doesn't make each answer long"

    kept.keep("larkmoor", NOW - 2 * DAY, NOW)
    begun = len(kept.asked)
    delivery, memory = ask(made, memory, NOW + 2 * MINUTE)
    delivery_2, memory = ask(made, memory, NOW + 3 * MINUTE)

    back = {
        round((NOW.timestamp() - moment) / 3600)
        for one in (delivery, delivery_2)
        for moment in one.readings.observed_at[one.readings.station == 1].tolist()
    }
    assert back >= set(range(48))
    assert len(kept.asked) - begun < 6
    assert memory.gaps == ()


def test_a_station_that_sends_its_past_oldest_first_is_waited_for(source: Make, serve: Serve, kept: Archive) -> None:
    """Its rows lie further back than what is new: every quarter of an hour the slowest station decides."""
    kept.rows = [row for row in kept.rows if row[1] == "hollin" or row[0] <= NOW - 20 * HOUR]
    address, _ = serve(kept)
    made = source(kind="json", address=f"{address}/{BITES}", look_back_days=4)
    _, memory = ask(made)
    kept.keep("larkmoor", NOW - 20 * HOUR, NOW - 15 * HOUR)
    begun, seen = len(kept.asked), set()
    for minutes in range(1, 16):
        delivery, memory = ask(made, memory, NOW + minutes * MINUTE)
        seen |= had(delivery)

    assert seen >= set(range(15, 20))
    assert [query["from"] for query in kept.asked[begun:]].count(stamp(NOW - HOUR)) == 15
    assert len(kept.asked) - begun == 16


def test_once_a_day_all_of_the_past_is_looked_through(source: Make, serve: Serve, kept: Archive) -> None:
    """For rows that came weeks late."""
    address, _ = serve(kept)
    made = source(kind="json", address=f"{address}/{BITES}", look_back_days=4)
    _, memory = ask(made)
    for minutes in range(1, 4):
        _, memory = ask(made, memory, NOW + minutes * MINUTE)
    assert len(kept.asked) == 4 + 3
    kept.rows.append((NOW - 50 * HOUR, "larkmoor", 77.0))

    found = []
    for minutes in range(3):
        delivery, memory = ask(made, memory, NOW + DAY + minutes * MINUTE)
        found += delivery.readings.value.tolist()
    assert 77.0 in found


def test_a_bite_that_fails_holds_up_no_other_and_is_asked_again_later(
    source: Make, serve: Serve, kept: Archive
) -> None:
    """It is told, and the source isn't taken for out."""
    bad = stamp(NOW - 3 * DAY - timedelta(seconds=1))
    broken = [True]
    address, _ = serve(lambda request: request.send(b"", 500) if broken[0] and bad in request.path else kept(request))
    made = source(kind="json", address=f"{address}/{BITES}", look_back_days=4)

    delivery, memory = ask(made)
    assert had(delivery) == set(range(96)) - set(range(49, 72))
    assert delivery.trouble == ""
    assert (
        "for what is missing from 2025-10-18 15:00 to 2025-10-19 15:00 UTC, has a fault" in delivery.rejected[0].reason
    )
    delivery, memory = ask(made, memory, NOW + MINUTE)
    assert delivery.rejected == ()

    broken[0] = False
    delivery, memory = ask(made, memory, NOW + 15 * MINUTE)
    assert set(range(49, 72)) <= had(delivery)
    assert memory.gaps == ()


def test_a_gap_is_not_starved_by_what_is_new(source: Make, serve: Serve, kept: Archive) -> None:
    """A server that takes more than half of the time for what is new: every second time a bite comes first."""

    def slow(request: Handler) -> None:
        request.over.wait(0.6)
        kept(request)

    address, _ = serve(slow)
    made = source(kind="json", address=f"{address}/{BITES}", look_back_days=2, budget_s=1)

    _, memory = ask(made)
    assert len(kept.asked) == 1
    delivery, memory = ask(made, memory, NOW + MINUTE)
    assert had(delivery) == set(range(24, 49))
    assert delivery.trouble == ""
    delivery, memory = ask(made, memory, NOW + 2 * MINUTE)
    assert (min(had(delivery)), memory.gaps) == (0, ())


def test_no_station_is_taken_for_hanging_for_want_of_time(source: Make, serve: Serve) -> None:
    """One asked when another took most of the time is the first the next time; if it hangs then, it is told."""

    def slow(request: Handler) -> None:
        request.over.wait({"/s0": 0.6, "/s1": 9.0}.get(request.path, 0))
        request.send(b"time,rain\n2025-10-21T14:20Z,0.2\n")

    address, _ = serve(slow)
    made = source(address=f"{address}/{{station}}", columns={"time": "time", "rain": "rain"}, budget_s=1)
    stations = {f"s{number}": number for number in range(4)}

    delivery, memory = ask(made, None, NOW, stations)
    assert (delivery.trouble, delivery.readings.station.tolist()) == ("", [0])
    delivery, memory = ask(made, memory, NOW + MINUTE, stations)
    assert delivery.trouble.startswith(f"{address}/s1 (station s1) had not answered when budget_s = 1 was over")
    delivery, memory = ask(made, memory, NOW + 2 * MINUTE, stations)
    assert delivery.readings.station.tolist()[:2] == [2, 3]
    assert delivery.trouble == ""


def test_a_long_walk_into_the_past_is_not_begun_again(source: Make, serve: Serve, kept: Archive) -> None:
    """Without {until} the past is one stretch of many pages; what is found missing meanwhile has its own."""
    kept.longest, kept.order = 10, lambda row: -row[0].timestamp()
    kept.rows = [row for row in kept.rows if row[1] == "hollin" or row[0] <= NOW - 3 * HOUR]
    address, _ = serve(kept)
    pages = f"{address}/?from={{since}}&offset={{offset}}"
    made = source(kind="json", address=pages, page_size=10, look_back_days=4, bite_hours=6, max_mb=0.0007)

    delivery, memory = ask(made)
    seen = had(delivery)
    for minutes in range(1, 40):
        kept.rows.append((NOW + minutes * MINUTE, "hollin", float(minutes)))
        delivery, memory = ask(made, memory, NOW + minutes * MINUTE)
        seen |= had(delivery)
    assert seen >= set(range(96))
    assert sum("2025-10-17" in query["from"] for query in kept.asked) < 25, "20 pages, and those that new rows moved"


def test_a_bite_that_is_too_much_is_halved(source: Make, serve: Serve, kept: Archive) -> None:
    """As often as it takes for max_mb; what is new as well."""
    address, _ = serve(kept)
    made = source(kind="json", address=f"{address}/{BITES}", look_back_days=4, max_mb=0.002)

    delivery, memory = ask(made)
    seen = had(delivery)
    for minutes in range(1, 60):
        delivery, memory = ask(made, memory, NOW + minutes * MINUTE)
        seen |= had(delivery)
        assert delivery.trouble == ""
    assert seen == set(range(96))
    assert memory.gaps == ()


def test_new_readings_of_every_station_come_before_the_past_of_any(source: Make, serve: Serve, kept: Archive) -> None:
    """Where each station has an address of its own; every fourth page may be one of the past."""
    stations = {f"s{number}": number for number in range(10)}
    address, _ = serve(kept)
    columns = {"time": "time", "rain": "rain"}
    made = source(
        kind="json",
        address=f"{address}/?station={{station}}&" + BITES[1:],
        columns=columns,
        budget_s=60,
        look_back_days=3,
    )

    ask(made, stations=stations)

    new = [query["from"] == stamp(NOW - DAY) for query in kept.asked]
    assert new[:13] == [True] * 4 + [False] + [True] * 4 + [False] + [True] * 2 + [False]
    assert sum(new) == 10


def test_the_rate_is_kept_over_pages_stations_and_restarts(source: Make, serve: Serve, kept: Archive) -> None:
    """Nothing is wrong when the rest has to wait, and each station has its turn."""
    address, asked = serve(kept)
    columns = {"time": "time", "rain": "rain"}
    made = source(
        kind="json", address=f"{address}/?station={{station}}", columns=columns, askings_per_minute=3, budget_s=0.5
    )
    stations = {f"s{number}": number for number in range(5)}
    memory, counts = FetchMemory(), []
    for moment in (0, 20, 59, 61, 122):
        delivery, memory = ask(made, memory, NOW + timedelta(seconds=moment), stations)
        counts.append(len(asked))
        assert delivery.trouble == ""
    assert counts == [3, 3, 3, 6, 9]
    assert [query["station"] for query in kept.asked] == ["s0", "s1", "s2", "s3", "s4", "s0", "s1", "s2", "s3"]


def test_repetitions_count_for_the_rate(serve: Serve) -> None:
    """And within the time that is left a free place is waited for."""
    address, asked = serve(lambda request: request.send(b"", 503) if len(asked) < 3 else request.send(b"x"))
    clock, slept = [0.0], []

    def sleep(seconds: float) -> None:
        slept.append(seconds)
        clock[0] += seconds

    with Door(100, 1e6, {}, lambda: clock[0], sleep, rate=Rate(2, (), 0)) as door:
        assert door.get(address, None)[0] == b"x"
        assert (slept, door.spent()) == ([1.0, 2.0, 57.0], (1.0, 60.0))
        clock[0] = 99.0
        door.get(address, None)
        with pytest.raises(NotNowError):
            door.get(address, None)


def test_what_a_server_asked_of_us_holds_though_nothing_was_kept(source: Make, serve: Serve) -> None:
    """The memory of a fetch whose delivery is not kept yet says it all the same."""
    address, asked = serve(lambda request: request.send(b"", 429, Retry_After="120"))
    made = source(address=address, askings_per_minute=60)
    before = FetchMemory()

    _, memory = ask(made, before)
    delivery, _ = ask(made, before.minding(memory), NOW + MINUTE)

    assert delivery.trouble.endswith("asked us to wait until 15:02:00 UTC")
    assert len(asked) == 1
    assert len(before.minding(memory).spent) == 1


def test_one_fetch_takes_no_more_than_a_little_over_max_mb(source: Make, serve: Serve, kept: Archive) -> None:
    """However many pages there are; the rest comes with the next ones."""
    kept.longest = 10
    address, asked = serve(kept)
    made: Any = source(kind="json", address=f"{address}/?offset={{offset}}", max_mb=0.002, page_size=10)

    delivery, memory = ask(made)
    assert (len(asked), delivery.trouble) == (3, "")
    seen = had(delivery)
    while memory.gaps:
        delivery, memory = ask(made, memory)
        seen |= had(delivery)
    assert seen == set(range(96))
    assert len(asked) == 20
