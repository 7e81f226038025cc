"""Builders the tests share: stations in a few words, a record fed with readings, moments by their text."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from watchman.judging.science.distance import nearest
from watchman.judging.view import Stations, View
from watchman.model import Readings
from watchman.readings.cleaning import Terms
from watchman.readings.record import Record


def moment(text: str) -> int:
    """Return a time such as "2025-10-21T14:20Z" in seconds since 1970 UTC."""
    return int(datetime.fromisoformat(text).timestamp())


def stations_at(places_km: Sequence[tuple[float, float]], **columns: Any) -> Stations:
    """Return stations at (east, north) km from 40 N 105 W, with every column not given at its neutral value."""
    size = len(places_km)
    east, north = np.array(places_km, float).T
    latitude = 40.0 + north / 111.195
    longitude = -105.0 + east / (111.195 * np.cos(np.radians(40.0)))
    neighbours, neighbours_km = nearest(latitude, longitude, 12, 60.0)
    names = tuple(f"S{position}" for position in range(size))
    neutral: dict[str, Any] = {
        "ids": names,
        "names": names,
        "latitude": latitude,
        "longitude": longitude,
        "elevation_m": np.full(size, np.nan),
        "chemistry": ("",) * size,
        "cutoff_v": np.full(size, np.nan),
        "covers_s": np.zeros(size, np.int64),
        "sends_every_s": np.zeros(size, np.int64),
        "mast": ("",) * size,
        "plan": ("",) * size,
        "area": ("",) * size,
        "source": ("main",) * size,
        "neighbours": neighbours,
        "neighbours_km": neighbours_km,
        "utc_offset_s": 0,
        "tip_um": np.full(size, 200, np.int64),
        "plan_end": np.zeros(size, np.int64),
        "calibration_due": np.zeros(size, np.int64),
        "from_s": np.zeros(size, np.int64),
        "status": ("",) * size,
        "season": ("",) * size,
        "relied_on_by": ("",) * size,
    }
    return Stations(**{**neutral, **columns})


def table_of(times: np.ndarray, values: Mapping[int, np.ndarray]) -> Readings:
    """Return tables of values [time, station] by variable as readings a minute late; NaN is not delivered."""
    parts = []
    for variable, table in values.items():
        row, station = np.nonzero(~np.isnan(table))
        observed_at = times[row].astype(np.int64)
        parts.append(
            Readings(
                station=station.astype(np.int32),
                variable=np.full(len(row), variable, np.int8),
                observed_at=observed_at,
                received_at=observed_at + 60,
                value=table[row, station].astype(np.float64),
                source=np.zeros(len(row), np.int16),
                delivery=np.arange(1, len(row) + 1, dtype=np.int64),
                revision=np.zeros(len(row), np.int64),
            )
        )
    return Readings.join(parts)


def record_of(stations: Stations, now: int, step: int, *, running: bool = False) -> Record:
    """Return an empty record of a network whose only source delivers rain in mm every `step` seconds."""
    terms = Terms(
        in_tips=np.array([False]),
        running=np.array([running]),
        each_tip=np.array([False]),
        wraps_at=np.array([0.0]),
        zeroed_at_s=np.array([-1]),
        tip_um=np.full(len(stations), 200.0),
        covers_s=np.full(len(stations), step, np.int64),
    )
    return Record(now, terms, stations.sends_every_s, day_starts_s=-stations.utc_offset_s % 86400)


def deliver(record: Record, now: int, times: np.ndarray, values: Mapping[int, np.ndarray]) -> None:
    """Move the record on to `now` and give it tables of values [time, station] that arrived by then, in order."""
    record.advance(now)
    record.take(table_of(times, values), _nothing_before)


def seen(stations: Stations, now: int, record: Record) -> View:
    """Return what the checks see, with nobody at work and no visit before."""
    return View(
        now=now,
        stations=stations,
        record=record,
        health=(),
        in_service=np.ones(len(stations), bool),
        last_visit=np.zeros(len(stations), np.int64),
        on_probation=np.zeros(len(stations), bool),
    )


def view_of(stations: Stations, now: int, times: np.ndarray, values: Mapping[int, np.ndarray]) -> View:
    """Return what the checks see at `now` when everything up to then came in one delivery; rain in mm."""
    record = record_of(stations, now, int(times[1] - times[0]))
    arrived = times <= now
    record.take(table_of(times[arrived], {kind: table[arrived] for kind, table in values.items()}), _nothing_before)
    record.advance(now)  # afterwards, so that habits are learned from all of it
    return seen(stations, now, record)


def _nothing_before(begin: int, end: int, stations: np.ndarray) -> Readings:
    return Readings.empty()


NETWORK_TOML = """\
[network]
name = "Veldran Hills"
zone = "America/Denver"

[mail]
host = "mail.example.org"
sender = "watch@example.org"

[[sources]]
name = "main"
kind = "csv"
path = "data/*.csv"
columns = { time = "time", station = "station", rain = "rain_mm", battery = "battery_v" }

[[contacts]]
name = "tech-1"
roles = ["technician", "crew", "supervisor"]
mail = "tech-1@example.org"
text = "secret:tech_1_text"

[[contacts]]
name = "warden"
roles = ["warden", "road crew"]
mail = "warden@example.org"
"""

STATIONS_CSV = """\
id,latitude,longitude,name
hollin,39.70,-105.20,Hollin Dam
fennick,39.75,-105.25,Fennick Bridge
larkmoor,39.68,-105.12,Larkmoor
"""

RULES = {"overdue": 'check = "overdue"\ntell = ["technician"]\n'}

SECRETS = {"tech_1_text": "json://texts.example.org/+15551230000"}


def write_network(
    folder: Path, network: str = NETWORK_TOML, stations: str = STATIONS_CSV, rules: Mapping[str, str] | None = None
) -> Path:
    """Write a network's folder that works, or with other texts, and return it."""
    (folder / "rules").mkdir(parents=True, exist_ok=True)
    (folder / "network.toml").write_text(network, encoding="utf-8")
    (folder / "stations.csv").write_text(stations, encoding="utf-8")
    for name, text in (RULES if rules is None else rules).items():
        (folder / "rules" / f"{name}.toml").write_text(text, encoding="utf-8")
    return folder
