"""A million rows that come weeks late, in no order: cleaned and kept, beside a library that only reads them."""

from __future__ import annotations

import tempfile
from contextlib import closing
from pathlib import Path

import numpy as np
import pandas as pd

from tests.bench import weather
from tests.bench.measure import Line, apart, peak_mb, timed
from tests.helpers import moment, table_of
from watchman import watch
from watchman.judging.view import aware
from watchman.model import RAIN, Delivery
from watchman.readings import sources
from watchman.readings.sources.settings import Columns
from watchman.store import Store

NOW = moment("2025-07-21T00:00Z")
DAY = 86400
STATIONS = 60


def whole(rows: int) -> list[Line]:
    """Measure a delivery of 5-minute rain of 60 stations that ends two weeks ago, while they have sent ever since."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "late.csv"
        _write(path, rows)
        read_s, read_mb = apart(_only_read, str(path))
        before_mb = apart(_ours, folder, 0)[2]
        fetch, cycle, ours_mb = apart(_ours, folder, rows)
    took = fetch + cycle
    note = f"parsed in {fetch:.1f} s, kept and cleaned in {cycle:.1f} s"
    return [
        Line(f"{rows / 1e6:.1f} M late rows, fetched, kept and cleaned", f"{rows / took:,.0f} rows/s", note),
        Line(
            "    pandas reading the same file, no cleaning",
            f"{rows / read_s:,.0f} rows/s",
            f"{took / read_s:.0f} times",
        ),
        Line("    peak memory: ours, without them, pandas", f"{ours_mb:.0f}, {before_mb:.0f}, {read_mb:.0f} MB"),
    ]


def _write(path: Path, rows: int) -> None:
    """Write the late rows, shuffled."""
    times = NOW - 14 * DAY - 300 * np.arange(rows // STATIONS)
    random = np.random.default_rng(5)
    table = pd.DataFrame(
        {
            "time": np.repeat(pd.to_datetime(times, unit="s").strftime("%Y-%m-%dT%H:%M:%SZ").to_numpy(), STATIONS),
            "station": np.tile([f"s{number}" for number in range(STATIONS)], len(times)),
            "rain_mm": np.where(random.random(len(times) * STATIONS) < 0.05, 0.2, 0.0),
        }
    )
    table.sample(frac=1, random_state=5).to_csv(path, index=False)


def _only_read(path: str) -> tuple[float, float]:
    took = timed(lambda: pd.read_csv(path, parse_dates=["time"]))
    return took.wall_s, peak_mb()


def _ours(folder: str, rows: int) -> tuple[float, float, float]:
    """Return how long fetching and the cycle took [s], and the most memory held [MB]; no rows: without them."""
    place = weather.sites(STATIONS, NOW - DAY, NOW)
    with tempfile.TemporaryDirectory() as own, closing(Store.open("sqlite:///watch.db", Path(own))) as store:
        network = weather.network(Path(own), place, "http://127.0.0.1/")
        watching = watch.begin(network, store, aware(NOW))
        recent = np.arange(NOW - DAY, NOW + 1, 300)
        steady = table_of(recent, {RAIN: np.zeros((len(recent), STATIONS))})
        watch.cycle(watching, [Delivery("main", aware(NOW), steady)], aware(NOW))
        if not rows:
            return 0.0, 0.0, peak_mb()
        (Path(own) / "late.csv").symlink_to(Path(folder) / "late.csv")
        columns = Columns(time="time", station="station", rain="rain_mm")
        source = network.sources[0].model_copy(update={"address": None, "path": "late.csv", "columns": columns})
        fetched: list[Delivery] = []

        def fetch() -> None:
            delivery, _ = sources.fetch(source, Path(own), network.aliases(0), 0, sources.FetchMemory(), aware(NOW))
            fetched.append(delivery)

        fetching = timed(fetch)
        assert not fetched[0].trouble, fetched[0].trouble
        assert len(fetched[0].readings) == rows // STATIONS * STATIONS
        later = aware(NOW + 60)

        def cycle() -> None:
            told = watch.cycle(watching, [fetched.pop()], later)
            assert not told.trouble, told.trouble

        return fetching.wall_s, timed(cycle).wall_s, peak_mb()
