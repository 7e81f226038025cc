"""Real running totals that go back to 0 each day: 28 stations in Flanders, 1-15 September 2022, 5 minutes.

Readings: demo data of the PyPI package metobs-toolkit 1.1.1 (MIT, Atmospheric Physics group, Ghent University), raw.
Totals: worked out apart from this program when the data were chosen, by the difference of successive totals and the new
total after a fall [mm]; they agree with the sums of each day's largest total, which pandas works out here again.
"""

from __future__ import annotations

import shutil
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tests.helpers import moment, write_network
from tests.outside.test_flanders import file_of_package
from watchman import watch
from watchman.model import RAIN, Readings
from watchman.network import Network, load
from watchman.readings import sources
from watchman.readings.cleaning import Clean, Held, clean

TOTALS_MM = dict(
    zip(
        (f"vlinder{number:02}" for number in range(1, 29)),
        (
            *(39.0, 40.6, 48.4, 46.8, 4.2, 26.8, 53.4, 56.6, 0.4, 1.8, 61.4, 62.2, 12.0, 46.2),
            *(26.4, 0.2, 61.6, 60.2, 25.0, 39.2, 37.0, 0.0, 4.2, 46.0, 70.4, 58.4, 34.6, 22.4),
        ),
        strict=True,
    )
)
SOURCE = """
[[sources]]
name = "main"
kind = "csv"
path = "readings.csv"
delimiter = ";"
columns = { time = ["Datum", "Tijd (UTC)"], station = "Vlinder", rain = "Neerslagsom" }
rain = { counts = "running total"ZEROED }
"""
NETWORK = """\
[network]
name = "Flanders"
zone = "UTC"

[mail]
host = "mail.example.org"
sender = "watch@example.org"

[[contacts]]
name = "tech-1"
roles = ["technician", "supervisor"]
mail = "tech-1@example.org"
"""
DAY = 86400


def network(folder: Path, zeroed: str) -> Network:
    """Return the network as a technician would write it, with or without the hour of the reset."""
    places = pd.read_csv(file_of_package("demo_metadatafile.csv"))
    lines = "".join(
        f"{name},{lat},{lon},{name}\n"
        for name, lat, lon in zip(places["Vlinder"], places["lat"], places["lon"], strict=True)
    )
    return load(
        write_network(folder, NETWORK + SOURCE.replace("ZEROED", zeroed), f"id,latitude,longitude,name\n{lines}"),
        {}.get,
    )


@pytest.fixture(scope="module", params=["", ', zeroed_at = "00:00"'], ids=["hour not written", "hour written"])
def read(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[Network, Readings]:
    """What the source reads of the package's file."""
    net = network(tmp_path_factory.mktemp("flanders"), request.param)
    shutil.copy(file_of_package("demo_datafile.csv"), net.folder / "readings.csv")
    now = datetime(2022, 10, 1, tzinfo=UTC)
    delivery, _ = sources.fetch(net.sources[0], net.folder, net.aliases(0), 0, sources.FetchMemory(), now)
    assert not delivery.trouble
    return net, delivery.readings


def sums_mm(net: Network, rows: Clean) -> dict[str, float]:
    """Return the counted rain of each station [mm]."""
    um = np.zeros(len(net.stations), np.int64)
    counted = rows.counts & rows.usable
    np.add.at(um, rows.station[counted], rows.rain_um[counted])
    return {station.id: round(total / 1000, 1) for station, total in zip(net.stations, um.tolist(), strict=True)}


def largest_mm(net: Network, readings: Readings) -> dict[str, float]:
    """Return the sum of each day's last total that was delivered [mm]; the first reading only begins."""
    table = pd.DataFrame({"station": readings.station, "at": readings.observed_at, "mm": readings.value})
    table = table.sort_values(["station", "at"]).set_index("station")
    found = {}
    for place, station in enumerate(net.stations):
        own = table.loc[[place]]
        by_day = own["mm"].groupby((own["at"] // DAY).to_numpy()).max()
        found[station.id] = round(float(by_day.sum() - own["mm"].iloc[0]), 1)
    return found


def test_daily_totals_give_the_totals_worked_out_apart(read: tuple[Network, Readings]) -> None:
    """Station by station to the tip, through the source and the cleaning."""
    net, readings = read
    rows = clean(readings, watch.terms_of(net), Held.of(()))
    assert sums_mm(net, rows) == TOTALS_MM == largest_mm(net, readings)


def test_nothing_that_was_delivered_is_lost_when_readings_around_the_reset_are_missing(
    read: tuple[Network, Readings],
) -> None:
    """From 20:00 to 09:00 of every night but one reading in ten is lost: each day's last total that came is counted.

    Where nobody wrote the hour, rain may be lost (never invented) when the new day soon had more than the old.
    """
    net, readings = read
    random = np.random.default_rng(22)
    night = (readings.observed_at + 4 * 3600) % DAY < 13 * 3600
    left = readings.take(~night | (random.random(len(readings)) < 0.1))
    found, expected = sums_mm(net, clean(left, watch.terms_of(net), Held.of(()))), largest_mm(net, left)
    if net.sources[0].rain.zeroed_at:
        assert found == expected
    else:
        assert all(found[name] <= expected[name] for name in expected)
        assert sum(found.values()) > 0.9 * sum(expected.values())


def test_an_interval_that_changes_leaves_the_totals_and_shows_in_the_lengths(read: tuple[Network, Readings]) -> None:
    """5 minutes to the 6th, a quarter of an hour to the 11th, then an hour; read as the rain of each interval."""
    net, readings = read
    rows = clean(readings, watch.terms_of(net), Held.of(()))
    wet = rows.take((rows.variable == RAIN) & rows.usable)
    begins = [moment(f"2022-09-{day:02}T00:00Z") for day in (1, 6, 11)]
    step = np.array([300, 900, 3600])[np.searchsorted(begins, wet.observed_at, side="left") - 1]
    ends = -(-wet.observed_at // step) * step
    table = pd.DataFrame({"station": wet.station, "at": ends, "step": step, "mm": wet.rain_um / 1000})
    table = table.groupby(["station", "at", "step"], as_index=False)["mm"].sum()
    size = len(table)
    thinned = Readings(
        station=table["station"].to_numpy(np.int32),
        variable=np.full(size, RAIN, np.int8),
        observed_at=table["at"].to_numpy(np.int64),
        received_at=table["at"].to_numpy(np.int64) + 60,
        value=table["mm"].to_numpy(np.float64),
        source=np.zeros(size, np.int16),
        delivery=np.arange(1, size + 1),
        revision=np.zeros(size, np.int64),
    )
    each = load(
        write_network(
            net.folder,
            NETWORK + SOURCE.replace('rain = { counts = "running total"ZEROED }', ""),
            (net.folder / "stations.csv").read_text(encoding="utf-8"),
        ),
        {}.get,
    )
    found = clean(thinned, watch.terms_of(each), Held.of(()))
    assert sums_mm(each, found) == sums_mm(net, rows)
    right = found.covers_s == table["step"].to_numpy()
    assert right.mean() > 0.999
