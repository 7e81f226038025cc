"""One poll from the fetch to the commit, against the number of stations and against the history in the store."""

from __future__ import annotations

import sqlite3
import tempfile
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np

from tests.bench import weather
from tests.bench.measure import Line, Time, middle, peak_mb, timed
from tests.bench.served import Served
from tests.helpers import moment
from watchman import watch
from watchman.judging.view import aware
from watchman.network import Network
from watchman.readings import sources
from watchman.store import Store

BEGIN = moment("2025-07-21T14:02Z")
DAY = 86400
POLLS = 14
UNCOUNTED = 2
STEPS = ("fetch and parse", "keep", "record", "judge", "commit", "the whole cycle")


class Polling:
    """A network watched poll by poll over HTTP, the time of every step noted."""

    def __init__(self, folder: Path, served: Served, place: weather.Sites, network: Network, store: Store) -> None:
        self.place, self.network, self.store, self.served = place, network, store, served
        self.now = BEGIN
        self.begun = timed(self._begin)
        self.memory = sources.FetchMemory()
        self.noted: dict[str, list[Time]] = {step: [] for step in STEPS}
        self.late: list[Time] = []

    def _begin(self) -> None:
        self.watch = watch.begin(self.network, self.store, aware(self.now))

    def run(self, step_s: int) -> None:
        """Poll every `step_s` seconds; every third poll brings ten stations' readings of two hours ago besides."""
        times = BEGIN // step_s * step_s + np.arange(1 - 7200 // step_s, POLLS + 1) * step_s
        values = weather.tables(self.place, times)
        self._note(self.store, "keep", "keep")
        self._note(self.watch.record, "take", "record")
        self._note(self.store, "commit", "commit")
        judge = watch.judge
        self._note(watch, "judge", "judge")
        for poll in range(POLLS):
            at = len(times) - POLLS + poll
            self.now = int(times[at]) + 90
            now = slice(at, at + 1)
            table = weather.csv_of(times[now], {variable: rows[now] for variable, rows in values.items()})
            late = poll % 3 == 2
            if late:
                ago = slice(at - 7200 // step_s, at - 7200 // step_s + 1)
                old = weather.csv_of(times[ago], {variable: rows[ago] + 0.2 for variable, rows in values.items()})
                table += "".join(old.splitlines(keepends=True)[1:11])
            self.served.table = table.encode()
            self._poll(late)
        setattr(watch, "judge", judge)  # noqa: B010

    def _poll(self, late: bool) -> None:
        fetched: list[Any] = []
        moment_now = aware(self.now)

        def fetch() -> None:
            source, aliases = self.network.sources[0], self.network.aliases(0)
            fetched.extend(sources.fetch(source, self.network.folder, aliases, 0, self.memory, moment_now))

        self.noted["fetch and parse"].append(timed(fetch))
        delivery, self.memory = fetched
        assert not delivery.trouble, delivery.trouble

        def cycle() -> None:
            told = watch.cycle(self.watch, [delivery], moment_now)
            assert not told.trouble, told.trouble

        took = timed(cycle)
        (self.late if late else self.noted["the whole cycle"]).append(took)

    def _note(self, owner: Any, name: str, step: str) -> None:
        """Note from now on how long one of the cycle's steps takes."""
        work: Callable[..., Any] = getattr(owner, name)

        def noted(*given: Any, **named: Any) -> Any:
            result: list[Any] = []
            self.noted[step].append(timed(lambda: result.append(work(*given, **named))))
            return result[0]

        setattr(owner, name, noted)

    def usual(self, step: str) -> Time:
        """Return how long a step usually took."""
        return middle(self.noted[step][UNCOUNTED:])


def whole(stations: int) -> list[Line]:
    """Measure one poll of a big network, step by step."""
    place = weather.sites(stations, BEGIN, BEGIN + POLLS * 300)
    with tempfile.TemporaryDirectory() as folder, Served() as served:
        network = weather.network(Path(folder), place, served.address)
        with closing(Store.open("sqlite:///watch.db", Path(folder))) as store:
            polling = Polling(Path(folder), served, place, network, store)
            polling.run(300)
    fetch, cycle = polling.usual("fetch and parse"), polling.usual("the whole cycle")
    slowest = max(polling.noted["the whole cycle"] + polling.late, key=lambda run: run.wall_s)
    return [
        Line("fetch to commit", str(Time(fetch.wall_s + cycle.wall_s, fetch.cpu_s + cycle.cpu_s))),
        *(Line(f"    {step}", str(polling.usual(step))) for step in STEPS),
        Line("    a cycle with ten late readings", str(middle(polling.late))),
        Line("    the slowest cycle (a start's, or the hour's saving)", str(slowest)),
        Line("    peak memory of the process", f"{peak_mb():.0f} MB"),
    ]


def size(stations: int) -> list[Line]:
    """Measure the cycle of a network of this size."""
    place = weather.sites(stations, BEGIN, BEGIN + POLLS * 300)
    with tempfile.TemporaryDirectory() as folder, Served() as served:
        network = weather.network(Path(folder), place, served.address)
        with closing(Store.open("sqlite:///watch.db", Path(folder))) as store:
            polling = Polling(Path(folder), served, place, network, store)
            polling.run(300)
    cycle = polling.usual("the whole cycle")
    note = f"{1e6 * cycle.wall_s / stations:.0f} us a station"
    return [Line(f"a cycle at {stations:,} stations", str(cycle), note)]


def history(stations: int, days: int) -> list[Line]:
    """Measure the cycle and the start with so many days of 15-minute readings in the store."""
    place = weather.sites(stations, BEGIN, BEGIN + POLLS * 900)
    with tempfile.TemporaryDirectory() as folder, Served() as served:
        network = weather.network(Path(folder), place, served.address, covers_minutes=15)
        with closing(Store.open("sqlite:///watch.db", Path(folder))) as store:
            store.bind([station.id for station in network.stations], [source.name for source in network.sources])
            rows = _fill(Path(folder) / "watch.db", days)
            _save_cells(store, network, place, days, rows)
            polling = Polling(Path(folder), served, place, network, store)
            polling.run(900)
            file_mb = (Path(folder) / "watch.db").stat().st_size / 1e6
    note = f"{rows / 1e6:.1f} M rows, {file_mb:.0f} MB"
    return [
        Line(f"a cycle with {days} d in the store", str(polling.usual("the whole cycle")), note),
        Line("    with ten late readings", str(middle(polling.late))),
        Line("    the start", str(polling.begun), f"peak memory of the process {peak_mb():.0f} MB"),
    ]


def _fill(database: Path, days: int) -> int:
    """Put readings of four variables every 15 minutes into the store, and return how many: by SQL, as no cycle
    could.
    """
    last = BEGIN // 900 * 900
    with closing(sqlite3.connect(database)) as connection:
        connection.execute("PRAGMA synchronous = OFF")
        connection.execute(
            """
            WITH RECURSIVE times(at) AS (SELECT ? UNION ALL SELECT at + 900 FROM times WHERE at + 900 <= ?),
                variables(variable) AS (VALUES (0), (1), (2), (4))
            INSERT INTO delivered (station, variable, observed_at, received_at, source, value, revision)
            SELECT number, variable, at, at + 60, 1, CASE variable
                WHEN 0 THEN 0.2 * ((number + at / 900) % 97 = 0) WHEN 1 THEN 3.9 WHEN 2 THEN 10.0 ELSE -85.0 END, 0
            FROM times CROSS JOIN stations CROSS JOIN variables
            """,
            (last - days * DAY + 900, last),
        )
        connection.commit()
        return int(connection.execute("SELECT max(delivery) FROM delivered").fetchone()[0])


def _save_cells(store: Store, network: Network, place: weather.Sites, days: int, known_to: int) -> None:
    """Save the hours and days that these readings made, as the cycles would have."""
    for name, step in (("hourly", 3600), ("daily", DAY)):
        cells = np.zeros((len(place), 15))
        cells[:, 2], cells[:, 3] = step, 900
        cells[:, [6, 7, 9]] = np.array([3.9, 10.0, -85.0]) * step / 900
        cells[:, [11, 12, 14]] = step / 900
        station = np.arange(len(place), dtype=np.int32)
        for end in BEGIN // step * step + np.arange(1 - days * DAY // step, 1) * step:
            store.save_cells({name: (station, np.full(len(place), end), cells)}, known_to)
    record = watch.empty_record(network, aware(BEGIN))
    store.save_cells({"habits": record.habits(watch._ways_of_reading(network, record))}, known_to)
