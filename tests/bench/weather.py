"""An invented network of any size and its readings: moving storms, batteries in the sun, some stations with a fault."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tests.helpers import write_network
from watchman.model import BATTERY, RAIN, SIGNAL, TEMPERATURE
from watchman.network import Network, load

DAY = 86400
SPACING_KM = 6.0
TIP_MM = 0.2
RULES = Path(__file__).parents[2] / "rules"

NETWORK_TOML = """\
[network]
name = "Wide Hills"
zone = "America/Denver"

[board]
listen = "127.0.0.1:0"
address = "http://127.0.0.1:8470"
key = "secret:link_key"

[[sources]]
name = "main"
kind = "csv"
address = "{address}"
covers_minutes = {covers_minutes}

[sources.columns]
time = "time"
station = "station"
rain = "rain_mm"
battery = "battery_v"
temperature = "temperature_c"
signal = "signal_dbm"

[[contacts]]
name = "tech-1"
roles = ["technician", "crew", "supervisor", "warden", "road crew", "data manager"]
text = "{text}"
"""
HEADER = "time,station,rain_mm,battery_v,temperature_c,signal_dbm\n"


@dataclass(frozen=True, slots=True)
class Sites:
    """Where the stations are [km], and what ails them: silent_from, dead_from, weak_from [s since 1970 UTC] are when
    some stop sending, stop counting rain, or lose their charger; never for most. own: by how much each one's volts,
    temperature and signal lie above or below the others', in spreads.
    """

    east_km: np.ndarray
    north_km: np.ndarray
    silent_from: np.ndarray
    dead_from: np.ndarray
    weak_from: np.ndarray
    own: np.ndarray

    def __len__(self) -> int:
        return len(self.east_km)


def sites(count: int, begin: int, end: int, seed: int = 1) -> Sites:
    """Return stations about 6 km apart; each fault begins at one in a hundred, between two times [s since 1970 UTC], a
    silence within the last two days of it.
    """
    random = np.random.default_rng(seed)
    side = int(np.ceil(np.sqrt(count)))
    place = np.arange(count)
    jitter = random.uniform(-2.0, 2.0, (2, count))
    silent, dead, weak = (np.full(count, np.iinfo(np.int64).max) for _ in range(3))
    for fault, earliest in ((silent, max(begin, end - 2 * DAY)), (dead, begin), (weak, begin)):
        ill = random.choice(count, max(count // 100, 1), replace=False)
        fault[ill] = random.integers(earliest, end, len(ill))
    east, north = (place % side) * SPACING_KM + jitter[0], (place // side) * SPACING_KM + jitter[1]
    return Sites(east, north, silent, dead, weak, random.standard_normal(count).astype(np.float32))


def tables(place: Sites, times: np.ndarray, seed: int = 2) -> dict[int, np.ndarray]:
    """Return [time, station] of rain [mm in each step], battery [V], temperature [degC] and signal [dBm].

    times: evenly spaced ends of intervals [s since 1970 UTC]. A report in two hundred is lost (NaN).
    """
    random = np.random.default_rng(seed)
    shape = (len(times), len(place))
    hour = (times % DAY / 3600.0 - 7.0)[:, None]
    sun = np.sin((hour - 8.0) / 12.0 * np.pi).astype(np.float32)
    weak_days = np.clip((times[:, None] - place.weak_from) / DAY, 0.0, 10.0).astype(np.float32)
    battery = 3.9 + 0.02 * place.own + 0.2 * np.maximum(sun, 0.0) * (weak_days == 0) - 0.06 * weak_days
    readings = {
        RAIN: _rain(place, times, random),
        BATTERY: np.round(battery, 2),
        TEMPERATURE: np.round(12.0 + 6.0 * sun + place.own, 1),
        SIGNAL: np.round(-85.0 + 5.0 * np.broadcast_to(place.own, shape)),
    }
    missing = (random.random(shape, np.float32) < 0.005) | (times[:, None] > place.silent_from)
    for table in readings.values():
        table[missing] = np.nan
    return {variable: table.astype(np.float32, copy=False) for variable, table in readings.items()}


def _rain(place: Sites, times: np.ndarray, random: np.random.Generator) -> np.ndarray:
    """Return the rain of storms that move over the stations, as whole tips [mm]."""
    step = int(times[1] - times[0])
    wide, high = place.east_km.max() + 60.0, place.north_km.max() + 60.0
    storms = max(round((times[-1] - times[0]) / DAY * wide * high / 5000.0), 1)
    rain = np.zeros((len(times), len(place)), np.float32)
    for begins in random.uniform(times[0] - 3600, times[-1], storms):
        first, last = np.searchsorted(times, [begins, begins + random.uniform(1800, 3 * 3600)])
        east, north = random.uniform(-30, wide), random.uniform(-30, high)
        move = random.uniform(-30, 30, 2)
        radius, peak_mm_h = random.uniform(4, 12), random.exponential(25.0)
        for row in range(first, last):
            hours = (times[row] - begins) / 3600.0
            away_east = np.abs(place.east_km - east - move[0] * hours)
            near = np.flatnonzero(away_east < 3 * radius)
            north_km = place.north_km[near] - north - move[1] * hours
            shape = np.exp(-(away_east[near] ** 2 + north_km**2) / radius**2)
            rain[row, near] += peak_mm_h * step / 3600.0 * shape
    counted = np.floor(np.cumsum(rain, axis=0, dtype=np.float64) / TIP_MM)
    tips = np.diff(counted, axis=0, prepend=0.0)
    tips[times[:, None] > place.dead_from] = 0.0
    return (tips * TIP_MM).astype(np.float32)


def network(
    folder: Path, place: Sites, address: str, *, covers_minutes: int = 5, text: str = "json://127.0.0.1:9/+15551230000"
) -> Network:
    """Write a network of these stations with the shipped rules into the folder, and return it."""
    latitude = 36.0 + place.north_km / 111.195
    longitude = -106.0 + place.east_km / (111.195 * np.cos(np.radians(latitude)))
    lines = [
        f"s{n},{latitude[n]:.5f},{longitude[n]:.5f},Station {n},M{n // 12},P{n // 400},lithium\n"
        for n in range(len(place))
    ]
    rules = {path.stem: path.read_text(encoding="utf-8") for path in sorted(RULES.glob("*.toml"))}
    written = NETWORK_TOML.format(address=address, covers_minutes=covers_minutes, text=text)
    write_network(folder, written, "id,latitude,longitude,name,mast,plan,chemistry\n" + "".join(lines), rules)
    return load(folder, {"link_key": "for the bench only, not a secret"}.get)


def csv_of(times: np.ndarray, values: Mapping[int, np.ndarray]) -> str:
    """Return the tables as the text a source serves, one row for each report."""
    stamps = np.datetime_as_string(times.astype("datetime64[s]"))
    columns = [values[variable] for variable in (RAIN, BATTERY, TEMPERATURE, SIGNAL)]
    row, station = np.nonzero(~np.isnan(columns[0]))
    numbers = [column[row, station].tolist() for column in columns]
    return HEADER + "".join(
        f"{stamps[r]}Z,s{s},{rain:.1f},{battery:.2f},{temperature:.1f},{signal:.0f}\n"
        for r, s, rain, battery, temperature, signal in zip(row.tolist(), station.tolist(), *numbers, strict=True)
    )
