"""Small worlds of batteries for the tests: each day's charge at dawn and in the evening, as hourly volts by the sun."""

from __future__ import annotations

from typing import Any

import numpy as np

from tests.helpers import moment, stations_at, view_of
from watchman.judging.science.battery import LITHIUM, TABLES
from watchman.judging.view import View
from watchman.model import BATTERY, TEMPERATURE

HOUR, DAY = 3600, 86400
BEGIN = moment("2025-10-01T00:00Z")
DAYS = 33
TIMES = BEGIN + HOUR * np.arange(1, DAYS * 24 + 1)
NOW = BEGIN + (DAYS - 1) * DAY + 9 * HOUR
"""Nine in the morning of the last day; the places lie at longitude 0, where the sun's time is UTC."""
PLACES = ((0.0, 0.0), (6.0, 0.0), (0.0, 6.0), (7.0, 7.0), (-6.0, 2.0), (3.0, -5.0))
ONE = 0
NIGHT_USE = 0.04
BUMP_V = 0.08
"""The sun lifts the volts of a battery that charges by so much at noon."""


def account(gains: np.ndarray, use: float | np.ndarray = NIGHT_USE, start: float = 0.95) -> np.ndarray:
    """Return the charge [share; half day, n] of batteries with daily gains [day, n] and a use by half days."""
    use = np.broadcast_to(use, gains.shape)
    level, half_days = np.full(gains.shape[1], start), []
    for gain, takes in zip(gains, use, strict=True):
        half_days.append(level)
        level = np.clip(level + gain - takes, 0.0, 0.97)
        half_days.append(level)
        level = np.clip(level - takes, 0.0, 1.0)
    return np.array(half_days)


def sunny(stations: int = len(PLACES)) -> np.ndarray:
    """Return daily gains that fill every battery."""
    return np.full((DAYS, stations), 0.25)


def volts(half_days: np.ndarray, kind: str = LITHIUM, bump_v: float = BUMP_V) -> np.ndarray:
    """Return hourly volts [V; hour, n]: dawn at 6, evening at 18 o'clock, a line between, lifted by day by the sun."""
    at = np.arange(len(half_days)) * 12.0 + 6.0
    hours = np.arange(1, DAYS * 24 + 1) - 0.5
    charge = np.stack([np.interp(hours, at, column) for column in half_days.T], axis=1)
    resting = np.interp(charge, *TABLES[kind])
    charges = half_days[1::2] > half_days[::2] - NIGHT_USE / 2
    by_day = (
        np.clip(np.sin((hours % 24 - 7) / 10 * np.pi), 0, None)[:, None]
        * ((hours % 24 > 7) & (hours % 24 < 17))[:, None]
    )
    return np.asarray(resting + bump_v * by_day * np.repeat(charges, 24, axis=0)[: len(hours)])


def seen_by(hours: np.ndarray, *, now: int = NOW, warmth_c: np.ndarray | None = None, **columns: Any) -> View:
    """Return what a check sees of stations with these hourly volts, lithium cells at longitude 0 unless said."""
    size = hours.shape[1]
    columns.setdefault("chemistry", (LITHIUM,) * size)
    columns.setdefault("longitude", np.zeros(size))
    stations = stations_at(columns.pop("places", PLACES[:size]), **columns)
    tables = {BATTERY: hours} | ({} if warmth_c is None else {TEMPERATURE: warmth_c})
    return view_of(stations, now, TIMES, tables)
