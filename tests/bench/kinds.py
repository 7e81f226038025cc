"""Each kind of source: rows read, cleaned and kept a second, beside pandas reading the same file and doing no more."""

from __future__ import annotations

import json
import multiprocessing
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, closing, contextmanager
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path

import numpy as np
import pandas as pd

from tests.bench import weather
from tests.bench.measure import Line, Time, peak_mb, timed
from tests.helpers import moment, write_network
from tests.readings.sources import test_waterml
from tests.readings.sources.server import Servers
from tests.readings.sources.things_server import Things
from watchman import watch
from watchman.judging.view import aware
from watchman.model import Delivery
from watchman.network import load
from watchman.readings import sources
from watchman.store import Store

BEGIN = moment("2025-07-21T06:00Z")
STATIONS = 500
COLUMNS = """
[sources.columns]
time = "time"
station = "station"
rain = "rain_mm"
battery = "battery_v"
temperature = "temperature_c"
signal = "signal_dbm"
"""
NETWORK = """\
[network]
name = "Wide Hills"
zone = "UTC"

[[sources]]
name = "main"
covers_minutes = 5
max_mb = 1000
{source}
[[contacts]]
name = "tech-1"
roles = ["technician", "crew", "supervisor", "warden", "road crew", "data manager"]
text = "json://127.0.0.1:9/+15551230000"
"""


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of source. serve: given a folder and the rows as CSV text, has them lie or be served there while it is
    open, and gives the source's TOML; plain: has pandas read the same in the folder, where it can.
    """

    serve: Callable[[Path, str], AbstractContextManager[str]]
    plain: Callable[[Path], pd.DataFrame] | None = None


@contextmanager
def csv(folder: Path, table: str) -> Iterator[str]:
    """Lay the rows down as CSV."""
    (folder / "rows.csv").write_text(table)
    yield f'kind = "csv"\npath = "rows.csv"\n{COLUMNS}'


@contextmanager
def json_records(folder: Path, table: str) -> Iterator[str]:
    """Lay the rows down as a list of JSON objects, with numbers where they are numbers."""
    names, *rows = (line.split(",") for line in table.splitlines())
    records = [dict(zip(names, [time, station, *map(float, numbers)], strict=True)) for time, station, *numbers in rows]
    (folder / "rows.json").write_text(json.dumps(records))
    yield f'kind = "json"\npath = "rows.json"\n{COLUMNS}'


QUERY = "select time, station, rain_mm, battery_v, temperature_c, signal_dbm from readings"


@contextmanager
def sql(folder: Path, table: str) -> Iterator[str]:
    """Lay the rows down in a SQLite database, with numbers where they are numbers."""
    with closing(sqlite3.connect(folder / "rows.db")) as archive:
        archive.execute(
            "CREATE TABLE readings (time TEXT, station TEXT, rain_mm, battery_v, temperature_c, signal_dbm)"
        )
        rows = ([time, station, *map(float, rest)] for time, station, *rest in _cells(table))
        archive.executemany("INSERT INTO readings VALUES (?, ?, ?, ?, ?, ?)", rows)
        archive.commit()
    yield (
        f'kind = "sql"\naddress = "sqlite:///rows.db"\nquery = "{QUERY}"\nmax_rows = 5000000\nbudget_s = 600\n{COLUMNS}'
    )


def _read_sql(folder: Path) -> pd.DataFrame:
    with closing(sqlite3.connect(folder / "rows.db")) as archive:
        return pd.read_sql_query(QUERY, archive, parse_dates=["time"])


@contextmanager
def waterml(folder: Path, table: str) -> Iterator[str]:
    """Lay the rain and the volts down as one WaterML 2.0 document, a series for each station and variable."""
    series: dict[tuple[str, str], list[str]] = {}
    for time, station, rain, volts, *_ in _cells(table):
        for variable, value in (("rain", rain), ("battery", volts)):
            series.setdefault((station, variable), []).append(test_waterml.point(time, value))
    members = (
        test_waterml.series(
            *points,
            usual=f'<wml2:uom code="{"mm" if variable == "rain" else "V"}"/>',
            head=f'<om:observedProperty xlink:href="http://example.org/{variable}"/>'
            f'<om:featureOfInterest xlink:href="http://example.org/{station}" xlink:title="{station}"/>',
        )
        for (station, variable), points in series.items()
    )
    (folder / "rows.xml").write_bytes(test_waterml.document(*members))
    yield 'kind = "waterml"\npath = "rows.xml"\n'


@contextmanager
def sensorthings(_folder: Path, table: str) -> Iterator[str]:
    """Serve the rain and the volts as a SensorThings server, in a process of its own."""
    ours, theirs = multiprocessing.Pipe()
    server = multiprocessing.get_context("fork").Process(target=_serve_things, args=(table, theirs), daemon=True)
    server.start()
    try:
        yield f'kind = "sensorthings"\naddress = "{ours.recv()}/v1.1"\nbudget_s = 600\nlook_back_days = 400\n'
    finally:
        server.terminate()
        server.join()


def _serve_things(table: str, line: Connection) -> None:
    things, streams = Things(page=1000), {}
    for time, station, rain, volts, *_ in _cells(table):
        for variable, value, unit in (("Rain", rain, "mm"), ("Battery", volts, "V")):
            if (station, variable) not in streams:
                streams[station, variable] = things.add(station, variable, unit={"symbol": unit})
            things.observe(streams[station, variable], time, float(value))
    servers = Servers()
    line.send(servers.start(things.answer)[0])
    line.recv()


def _cells(table: str) -> list[list[str]]:
    return [line.split(",") for line in table.splitlines()[1:]]


KINDS = {
    "csv": Kind(csv, lambda folder: pd.read_csv(folder / "rows.csv", parse_dates=["time"])),
    "json": Kind(json_records, lambda folder: pd.read_json(folder / "rows.json", convert_dates=["time"])),
    "sql": Kind(sql, _read_sql),
    "waterml": Kind(waterml),
    "sensorthings": Kind(sensorthings),
}
"""A further kind is a line here."""


def table_of(rows: int) -> str:
    """Return so many rows, or a few less for lost reports, of four variables as CSV text."""
    times = BEGIN + np.arange(rows // STATIONS) * 300
    place = weather.sites(STATIONS, BEGIN, int(times[-1]))
    return weather.csv_of(times, weather.tables(place, times))


def whole(name: str, rows: int) -> list[Line]:
    """Measure how many rows of a kind are read, cleaned and kept a second."""
    table = table_of(rows)
    count, now = table.count("\n") - 1, aware(BEGIN + rows // STATIONS * 300)
    stations = "id,latitude,longitude\n" + "".join(f"s{n},{36 + n / 100:.2f},-106\n" for n in range(STATIONS))
    with tempfile.TemporaryDirectory() as text:
        folder = Path(text)
        with KINDS[name].serve(folder, table) as source:
            rules = {"source-outage": (weather.RULES / "source-outage.toml").read_text(encoding="utf-8")}
            write_network(folder, NETWORK.format(source=source), stations, rules)
            network = load(folder, lambda _name: None)
            with closing(Store.open("sqlite:///watch.db", folder)) as store:
                begun = watch.begin(network, store, now)
                before_mb = peak_mb()
                read: list[object] = []

                def fetch() -> None:
                    given = (network.sources[0], folder, network.aliases(0), 0, sources.FetchMemory(), now)
                    read.append(sources.fetch(*given)[0])

                fetching = timed(fetch)
                [delivery] = read
                assert isinstance(delivery, Delivery), delivery
                assert not delivery.trouble, delivery.trouble
                kept: list[object] = []
                keeping = timed(lambda: kept.append(store.keep(delivery.readings, delivery.rejected)))
                cleaning = timed(lambda: begun.record.take(kept[0], begun.history))  # type: ignore[arg-type]
    parts = (fetching, keeping, cleaning)
    wall_s, cpu_s = sum(part.wall_s for part in parts), sum(part.cpu_s for part in parts)
    shares = ", ".join(
        f"{count / part.cpu_s:,.0f} {what}" for what, part in zip(("read", "kept", "cleaned"), parts, strict=True)
    )
    note = f"{count / cpu_s:,.0f} rows/s by processor time ({shares}), of {len(delivery.readings) / count:.1f} readings"
    memory = f"{peak_mb():.0f} MB, {before_mb:.0f} of it before"
    return [
        Line(f"{name}: {count:,} rows read, kept and cleaned", str(Time(wall_s, cpu_s)), note),
        Line("    peak memory of the process", memory, f"the rows are {len(table) / 1e6:.0f} MB of CSV"),
    ]


def by_pandas(name: str, rows: int) -> list[Line]:
    """Measure pandas reading the same."""
    plain = KINDS[name].plain
    if plain is None:
        return []
    with tempfile.TemporaryDirectory() as text, KINDS[name].serve(Path(text), table_of(rows)):
        before_mb, read = peak_mb(), []
        took = timed(lambda: read.append(len(plain(Path(text)))))
    held = f"peak memory {peak_mb():.0f} MB, {before_mb:.0f} of it before"
    note = f"{read[0] / took.cpu_s:,.0f} rows/s by processor time; {held}"
    return [Line("    pandas, no cleaning, nothing kept", str(took), note)]
