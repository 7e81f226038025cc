"""Rain on a plane, minute by minute: clustered moving cells with hard edges, fronts with bands, wide stratiform fields.

Shapes after disc-cell cluster models (Cowpertwait; Northrop & Stone) and truncated Gaussian fields; the ranges of the
parameters are from memory. tests/test_skill.py holds hourly correlation, hard zeros and the tail of intensities against
published figures.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import ceil

import numpy as np

from tests.skill.climate import Climate

DAY_MINUTES = 1440
EDGE = 2.2
"""A cell ends, with a hard edge, this many sizes from its centre [-]."""
MODES = 120
"""Waves that make up one field."""
REACH_KM = 55.0
"""Storms are born as far as this outside the network [km]."""

Fall = tuple[slice, np.ndarray]
"""Minutes of the world, and the rain in them [mm/h, minute x station]."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where stations stand: east, north [km], height [m], arrays of equal length."""

    x_km: np.ndarray
    y_km: np.ndarray
    elevation_m: np.ndarray

    def apart_km(self) -> np.ndarray:
        """Return the distances between all stations [km, n x n]."""
        return np.asarray(np.hypot(self.x_km[:, None] - self.x_km, self.y_km[:, None] - self.y_km))


def season(rng: np.random.Generator, climate: Climate, place: Place, days: int) -> np.ndarray:
    """Return the rain of random weather on the stations [mm/h, float32, minute x station]."""
    rain = np.zeros((days * DAY_MINUTES, len(place.x_km)), np.float32)
    wet_years = rng.lognormal(0.0, 0.2, 3)
    for falls in (
        _storms(rng, climate, place, days, climate.storms * wet_years[0]),
        _bands(rng, climate, place, days, climate.bands * wet_years[1]),
        _steady(rng, climate, place, days, climate.steady * wet_years[2]),
    ):
        for minutes, fall in falls:
            rain[minutes] += fall.astype(np.float32)
    above_km = (place.elevation_m - place.elevation_m.mean()) / 1000.0
    rain *= np.exp(climate.uphill * above_km).astype(np.float32)
    return rain


def _storms(rng: np.random.Generator, climate: Climate, place: Place, days: int, per_day: float) -> Iterator[Fall]:
    """Yield the falls of all convective cells; most storms of a day pass beside some of the stations."""
    wide = REACH_KM + np.hypot(np.ptp(place.x_km), np.ptp(place.y_km)) / 2.0
    # As many storms to the area as a network of 30 km sees at this rate.
    number = rng.poisson(per_day * days * (wide / (REACH_KM + 15.0)) ** 2)
    for _ in range(number):
        opens = rng.integers(days) * DAY_MINUTES + rng.normal(15.0, 3.0) * 60.0
        lasts = rng.gamma(3.0, 1.2 * 60.0)
        radius = rng.uniform(20.0, 60.0)
        angle, away = rng.uniform(0.0, 2.0 * np.pi), wide * np.sqrt(rng.uniform())
        x, y = place.x_km.mean() + away * np.cos(angle), place.y_km.mean() + away * np.sin(angle)
        speed, heading = rng.gamma(6.0, 4.0), rng.normal(0.5, 0.9)
        strength = rng.uniform(*climate.cell_mm_h)
        if rng.uniform() < 0.5:  # the weak, wide rain that trails many storms
            yield _cell(
                place,
                begins=opens + 0.5 * lasts,
                minutes=rng.uniform(90.0, 240.0),
                peak_mm_h=rng.uniform(0.1, 0.2) * strength,
                centre=(x, y),
                size=(rng.uniform(0.3, 0.5) * radius, rng.uniform(0.6, 1.0)),
                move=(speed * np.cos(heading), speed * np.sin(heading)),
                length=days * DAY_MINUTES,
            )
        for _ in range(rng.poisson(rng.uniform(0.003, 0.006) * np.pi * radius**2)):
            turn, out = rng.uniform(0.0, 2.0 * np.pi), radius * np.sqrt(rng.uniform())
            yield _cell(
                place,
                begins=opens + rng.uniform(0.0, lasts),
                minutes=45.0 * rng.lognormal(0.0, 0.45),
                peak_mm_h=rng.exponential(strength),
                centre=(x + out * np.cos(turn), y + out * np.sin(turn)),
                size=(3.5 * rng.lognormal(0.0, 0.4), rng.uniform(0.6, 1.0)),
                move=(speed * np.cos(heading), speed * np.sin(heading)),
                length=days * DAY_MINUTES,
            )


def _cell(
    place: Place,
    begins: float,
    minutes: float,
    peak_mm_h: float,
    centre: tuple[float, float],
    size: tuple[float, float],
    move: tuple[float, float],
    length: int,
) -> Fall:
    """Return what one cell, longer than wide, rains while it swells and fades."""
    first, last = int(np.clip(begins, 0, length)), int(np.clip(ceil(begins + minutes), 0, length))
    age = np.arange(first, last) + 0.5 - begins
    swell = np.sin(np.pi * np.clip(age / minutes, 0.0, 1.0)) ** 2
    east = place.x_km - centre[0] - move[0] * age[:, None] / 60.0
    north = place.y_km - centre[1] - move[1] * age[:, None] / 60.0
    speed = max(np.hypot(*move), 1e-6)
    along = (east * move[0] + north * move[1]) / speed
    across = (north * move[0] - east * move[1]) / speed
    apart = np.hypot(along, across / size[1]) / size[0]
    profile = np.where(apart < EDGE, np.exp(-0.5 * apart**2), 0.0)
    return slice(first, last), peak_mm_h * swell[:, None] * profile


def _steady(rng: np.random.Generator, climate: Climate, place: Place, days: int, per_day: float) -> Iterator[Fall]:
    for _ in range(rng.poisson(per_day * days)):
        begins, minutes = int(rng.uniform(0, days * DAY_MINUTES)), max(90, int(rng.gamma(4.0, 180.0)))
        minute = np.arange(begins, min(begins + minutes, days * DAY_MINUTES))
        move = _drift(rng)
        wet = _wet(rng, place, minute, move, rng.uniform(40.0, 80.0), rng.uniform(0.35, 0.9))
        swell = np.sin(np.pi * (minute + 0.5 - begins) / minutes) ** 0.5
        yield _slice(minute), rng.uniform(*climate.steady_mm_h) * swell[:, None] * wet


def _bands(rng: np.random.Generator, climate: Climate, place: Place, days: int, per_day: float) -> Iterator[Fall]:
    """Yield fronts: a strip of rain with stronger bands in it, moving across with hard edges."""
    for _ in range(rng.poisson(per_day * days)):
        passes, half_width = rng.uniform(0, days * DAY_MINUTES), rng.lognormal(np.log(22.0), 0.4)
        speed, heading = rng.uniform(15.0, 50.0), rng.normal(0.4, 0.6)
        extent = np.hypot(np.ptp(place.x_km), np.ptp(place.y_km)) / 2.0
        reach = (2.0 * half_width + extent) / speed * 60.0
        minute = np.arange(max(0, int(passes - reach)), min(int(passes + reach) + 1, days * DAY_MINUTES))
        if not len(minute):
            continue
        ahead = (place.x_km - place.x_km.mean()) * np.cos(heading) + (place.y_km - place.y_km.mean()) * np.sin(heading)
        across = (ahead - speed * (minute[:, None] - passes) / 60.0) / half_width
        strip = np.where(np.abs(across) < 2.0, np.exp(-0.5 * across**2), 0.0)
        move = (speed * np.cos(heading), speed * np.sin(heading))
        wet = _wet(rng, place, minute, move, rng.uniform(15.0, 35.0), rng.uniform(0.55, 0.95))
        yield _slice(minute), 1.8 * rng.uniform(*climate.steady_mm_h) * strip * wet


def _slice(minute: np.ndarray) -> slice:
    return slice(int(minute[0]), int(minute[-1]) + 1) if len(minute) else slice(0, 0)


def _drift(rng: np.random.Generator) -> tuple[float, float]:
    speed, heading = rng.gamma(6.0, 4.0), rng.normal(0.5, 0.7)
    return speed * np.cos(heading), speed * np.sin(heading)


def _wet(
    rng: np.random.Generator,
    place: Place,
    minute: np.ndarray,
    move: tuple[float, float],
    range_km: float,
    wet_share: float,
) -> np.ndarray:
    """Return a drifting field of mean 1 where it rains and 0 beside it, with grain of a few kilometres [-]."""
    if not len(minute):
        return np.zeros((0, len(place.x_km)))
    wide = _field(rng, place, minute, move, range_km)
    grain = _field(rng, place, minute, move, 5.0)
    cut = _normal_quantile(1.0 - wet_share)
    normal = np.linspace(cut, 6.0, 400)
    above = np.expm1(0.9 * (normal - cut)) * np.exp(-0.5 * normal**2)
    mean = above.sum() / np.exp(-0.5 * normal**2).sum()
    return np.where(wide > cut, np.expm1(0.9 * (wide - cut)) / mean * np.exp(0.3 * grain - 0.045), 0.0)


def _field(
    rng: np.random.Generator, place: Place, minute: np.ndarray, move: tuple[float, float], range_km: float
) -> np.ndarray:
    """Return a Gaussian field of exponential correlation that drifts and slowly changes [minute x station].

    A sum of waves whose numbers follow the spectrum of that correlation in two dimensions.
    """
    number = np.sqrt((1.0 - rng.uniform(0.0, 1.0, MODES)) ** -2 - 1.0) / range_km
    turn, phase = rng.uniform(0.0, 2.0 * np.pi, (2, MODES))
    along_x, along_y = number * np.cos(turn), number * np.sin(turn)
    own = rng.normal(0.0, 0.4, MODES) * range_km / 25.0
    # cos(a - b) = cos a cos b + sin a sin b: stations and minutes apart, then one matrix product.
    where = np.outer(along_x, place.x_km) + np.outer(along_y, place.y_km) + phase[:, None]
    drift = np.outer((minute - minute[0]) / 60.0, along_x * move[0] + along_y * move[1] + own)
    return np.asarray(np.sqrt(2.0 / MODES) * (np.cos(drift) @ np.cos(where) + np.sin(drift) @ np.sin(where)))


def _normal_quantile(share: float) -> float:
    """Return the normal quantile (Winitzki's inverse error function, from memory, good to 0.2 %)."""
    value = 2.0 * share - 1.0
    log = np.log1p(-value * value)
    half = 2.0 / (np.pi * 0.147) + log / 2.0
    return float(np.sqrt(2.0) * np.sign(value) * np.sqrt(np.sqrt(half * half - log / 0.147) - half))
