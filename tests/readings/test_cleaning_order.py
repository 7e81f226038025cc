"""The same totals and flags after the last delivery, whatever the order, the repetition and the size of deliveries.

Through the real store, the real record and the watch's own cycle, on readings as the field makes them: missing, twice,
contradictory, absurd, reset, wrapped, at intervals that change, tip by tip, stamped in the future and in 1970.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import closing
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as some

from tests.helpers import write_network
from watchman import watch
from watchman.model import BATTERY, RAIN, Delivery, Readings
from watchman.network import Network, load
from watchman.readings.record import DAY, HOUR, Record
from watchman.store import Store

NOW = 1_760_918_400  # 2025-10-20T00:00:00Z
BEGIN = NOW - 6 * DAY
SOURCES = ("plain", "totals", "daily", "tips")
RAIN_OF = {
    "plain": "",
    "totals": 'rain = { unit = "tips", counts = "running total" }\ntip_mm = 0.2',
    "daily": 'rain = { counts = "running total", zeroed_at = "00:00" }',
    "tips": 'rain = { counts = "each tip" }',
}
NETWORK = """\
[network]
name = "Veldran Hills"
zone = "UTC"

[store]
address = "sqlite:///watch.db"

[mail]
host = "mail.example.org"
sender = "watch@example.org"

[[contacts]]
name = "tech-1"
roles = ["technician", "supervisor", "data manager", "crew", "warden"]
mail = "tech-1@example.org"
""" + "".join(
    f"""
[[sources]]
name = "{name}"
kind = "csv"
path = "{name}.csv"
columns = {{ time = "time", station = "station", rain = "rain", battery = "battery" }}
{RAIN_OF[name]}
"""
    for name in SOURCES
)
STATIONS = "id,latitude,longitude,name,source\n" + "".join(
    f"{name},{47.2 + 0.03 * place},13.1,{name.title()},{name}\n" for place, name in enumerate(SOURCES)
)

Row = tuple[int, int, int, int, float, int]
"""Station, which is its source too, variable, observed_at, received_at, value, revision."""


@pytest.fixture(scope="module")
def network(tmp_path_factory: pytest.TempPathFactory) -> Network:
    """Four stations, one of each way to send rain."""
    return load(write_network(tmp_path_factory.mktemp("order"), NETWORK, STATIONS), {}.get)


def readings_of(rows: Sequence[Row]) -> Readings:
    """Return rows as readings."""
    station, variable, observed, received, value, revision = (
        list(column) for column in (zip(*rows, strict=True) if rows else [()] * 6)
    )
    return Readings(
        station=np.array(station, np.int32),
        variable=np.array(variable, np.int8),
        observed_at=np.array(observed, np.int64),
        received_at=np.array(received, np.int64),
        value=np.array(value, np.float64),
        source=np.array(station, np.int16),
        delivery=np.zeros(len(rows), np.int64),
        revision=np.array(revision, np.int64),
    )


@some.composite
def field(draw: some.DrawFn) -> list[Row]:
    """Return what four stations send in six days, with the mess of the field in it."""
    rows: list[Row] = []
    for station, source in enumerate(SOURCES):
        total, at = draw(some.sampled_from([0.0, 65_520.0, 4_294_967_280.0] if source == "totals" else [0.0])), BEGIN
        for step_s in draw(some.lists(some.sampled_from([300, 900, 3600, 6 * HOUR]), min_size=1, max_size=3)):
            at += draw(some.sampled_from([0, 0, 420, 5 * HOUR, 40 * HOUR, 90 * HOUR]))
            for tips in draw(some.lists(some.sampled_from([0, 0, 0, 1, 3, 40]), min_size=1, max_size=9)):
                before, at = at, at + (draw(some.integers(30, 5000)) if source == "tips" and tips else step_s)
                if source == "daily" and at // DAY > before // DAY:
                    total = 0.0
                total = (total + tips * (0.2 if source == "daily" else 1.0)) % 2**32
                value = total if source in ("totals", "daily") else 0.2 * tips
                if source != "tips" or tips:
                    rows.append((station, RAIN, at, at + 60, value, 0))
                rows.append((station, BATTERY, at, at + 60, draw(some.sampled_from([3.9, 4.1, -1.0])), 0))
    return [row for row in rows if row[2] <= NOW]


@some.composite
def messy(draw: some.DrawFn) -> list[Row]:
    """Return the same with rows missing, contradicted, revised, absurd and with stamps of another time."""
    rows = draw(field())
    for _ in range(draw(some.integers(0, 8))):
        if not rows:
            break
        place = draw(some.integers(0, len(rows) - 1))
        station, variable, observed, received, value, revision = rows[place]
        how = draw(some.sampled_from(["lost", "twice", "value", "revised", "odd", "reset", "clock", "future", "1970"]))
        if how == "lost":
            del rows[place]
        elif how == "twice":
            rows.append(rows[place])
        elif how == "revised":
            rows.append((station, variable, observed, received, value + 1.0, 5))
        elif how == "value":
            rows.append((station, variable, observed, received, value + draw(some.sampled_from([-0.2, 0.2, 30.0])), 0))
        elif how == "odd":
            odd = draw(some.sampled_from([-3.0, 0.0, 2.0, 65_535.0, 9_000.0, 3.4e38]))
            rows[place] = (station, variable, observed, received, odd, revision)
        elif how == "clock":
            moved = observed + draw(some.sampled_from([-HOUR, HOUR, -DAY, 180]))
            rows[place] = (station, variable, moved, received, value, revision)
        elif how == "reset" and variable == RAIN:
            rows = [
                (*row[:4], max(row[4] - value, 0.0), row[5])
                if row[:2] == (station, RAIN) and row[2] >= observed and SOURCES[station] in ("totals", "daily")
                else row
                for row in rows
            ]
        else:
            moved = observed + 30 * DAY if how == "future" else 100
            rows.append((station, variable, moved, received, value, revision))
    # A row that came twice came first at one time only.
    return list({(*row[:3], *row[4:]): row for row in rows}.values())


@some.composite
def deliveries(draw: some.DrawFn) -> list[list[Row]]:
    """Return the rows in another order, some of them more than once, cut into deliveries."""
    rows = draw(messy())
    again = draw(some.lists(some.sampled_from(rows), max_size=10)) if rows else []
    order = draw(some.permutations(rows + again)) if draw(some.booleans()) else [*again, *rows[::-1]]
    cuts = sorted(draw(some.lists(some.integers(0, len(order)), max_size=6)))
    return [list(order[first:last]) for first, last in zip([0, *cuts], [*cuts, len(order)], strict=True)]


def watched(network: Network, store: Store, parts: Sequence[Sequence[Row]]) -> watch.Watch:
    """Watch deliveries, each in a cycle of its own."""
    now = datetime.fromtimestamp(NOW, UTC)
    watching = watch.begin(network, store, now)
    for part in parts:
        readings = readings_of(part)
        sent = [
            Delivery(source.name, now, readings.take(readings.source == place))
            for place, source in enumerate(network.sources)
        ]
        assert not watch.cycle(watching, sent, now).trouble
    return watching


def totals_of(record: Record) -> dict[str, bytes]:
    """Return all arrays that sums are made of."""
    names = ("rain", "held", "known", "covers", "straddle", "running", "running_known", "total", "count")
    return {
        f"{grid} {name}": getattr(getattr(record, grid), name).tobytes()
        for grid in ("fine", "hourly", "daily")
        for name in names
    }


def flags_in(store: Store) -> list[tuple[Any, ...]]:
    """Return what the store says of each reading."""
    columns = "station, variable, observed_at, value, revision, flag, reason"
    with store._reading() as connection:
        kept = connection.exec_driver_sql(f"SELECT {columns} FROM delivered ORDER BY {columns}").fetchall()
    return [tuple(row) for row in kept]


MANY = settings(
    max_examples=10, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)


@MANY
@given(parts=deliveries())
def test_totals_and_flags_are_the_same_after_the_last_delivery(network: Network, parts: list[list[Row]]) -> None:
    """In order and at once, or shuffled, repeated and in parts, and begun anew from the store: byte for byte."""
    everything = sorted({row for part in parts for row in part})
    with (
        closing(Store.open("sqlite://", network.folder)) as once,
        closing(Store.open("sqlite://", network.folder)) as many,
    ):
        expected = totals_of(watched(network, once, [everything]).record)
        found = totals_of(watched(network, many, parts).record)
        assert [name for name in expected if expected[name] != found[name]] == []
        assert flags_in(many) == flags_in(once)
        anew = totals_of(watch.begin(network, many, datetime.fromtimestamp(NOW, UTC)).record)
        assert [name for name in expected if expected[name] != anew[name]] == []
