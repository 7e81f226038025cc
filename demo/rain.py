"""Correlated rain: convective cells and stratiform fields over a plane, minute by minute.

Shape after disc-cell cluster models (Cowpertwait; Northrop & Stone) and truncated Gaussian fields; the ranges of the
parameters are those of small mid-latitude networks, from memory, judged by tests/demo/test_rain.py against published
correlation figures.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from math import ceil, floor

import numpy as np

DAY_MINUTES = 1440
EDGE = 2.2
"""A cell ends, with a hard edge, this many sizes from its centre [-]."""
MODES = 150
"""Waves that make up one stratiform field."""


@dataclass(frozen=True, slots=True)
class Cell:
    """One rain cell: it swells and fades over its life, and drifts.

    begins: minute of birth; minutes: its life; peak_mm_h: at its centre, at its height; size_km: of its Gaussian
    profile; east_km_h, north_km_h: its drift.
    """

    begins: float
    minutes: float
    peak_mm_h: float
    x_km: float
    y_km: float
    size_km: float
    east_km_h: float = 0.0
    north_km_h: float = 0.0


@dataclass(frozen=True, slots=True)
class Steady:
    """One stretch of stratiform rain: from minute, for minutes, at a mean rate, over a share of the area, drifting."""

    begins: int
    minutes: int
    mean_mm_h: float
    wet_share: float
    range_km: float
    east_km_h: float
    north_km_h: float


@dataclass(frozen=True, slots=True)
class Plane:
    """Where stations stand: east [km], north [km], height [m]; arrays of equal length."""

    x_km: np.ndarray
    y_km: np.ndarray
    elevation_m: np.ndarray


Fall = tuple[slice, np.ndarray]
"""Minutes of the world, and the rain in them [mm/h, minute x station]."""


def cell_fall(cell: Cell, plane: Plane, length: int) -> Fall:
    """Return what one cell rains on the stations, within the world's `length` minutes."""
    first, last = max(0, floor(cell.begins)), min(length, ceil(cell.begins + cell.minutes))
    age = np.arange(first, max(first, last)) + 0.5 - cell.begins
    swell = np.sin(np.pi * np.clip(age / cell.minutes, 0.0, 1.0)) ** 2
    east = plane.x_km - cell.x_km - cell.east_km_h * age[:, None] / 60.0
    north = plane.y_km - cell.y_km - cell.north_km_h * age[:, None] / 60.0
    apart = np.hypot(east, north) / cell.size_km
    profile = np.where(apart < EDGE, np.exp(-0.5 * apart**2), 0.0)
    return slice(first, max(first, last)), cell.peak_mm_h * swell[:, None] * profile


def steady_fall(rng: np.random.Generator, steady: Steady, plane: Plane, length: int) -> Fall:
    """Return what one stratiform stretch rains on the stations: a Gaussian field drifting over them, cut off below.

    The field is a sum of waves whose numbers follow the spectrum of a two-dimensional exponential correlation.
    """
    first, last = max(0, steady.begins), min(length, steady.begins + steady.minutes)
    minute = np.arange(first, max(first, last))
    number = np.sqrt((1.0 - rng.uniform(0.0, 1.0, MODES)) ** -2 - 1.0) / steady.range_km
    heading, phase = rng.uniform(0.0, 2.0 * np.pi, (2, MODES))
    along_x, along_y = number * np.cos(heading), number * np.sin(heading)
    # cos(a - b) = cos a cos b + sin a sin b: stations and minutes apart, then one matrix product.
    place = np.outer(along_x, plane.x_km) + np.outer(along_y, plane.y_km) + phase[:, None]
    drift = np.outer(minute / 60.0, along_x * steady.east_km_h + along_y * steady.north_km_h)
    field = np.sqrt(2.0 / MODES) * (np.cos(drift) @ np.cos(place) + np.sin(drift) @ np.sin(place))
    cut = np.sqrt(2.0) * _inverse_erf(1.0 - 2.0 * steady.wet_share)
    wet = np.where(field > cut, 1.2 * np.expm1(0.9 * (field - cut)), 0.0)
    envelope = np.sin(np.pi * np.clip((minute + 0.5 - steady.begins) / steady.minutes, 0.0, 1.0)) ** 0.5
    return slice(first, max(first, last)), steady.mean_mm_h * envelope[:, None] * wet


def _inverse_erf(value: float) -> float:
    """Return the inverse error function, to about 0.2 % (Winitzki's approximation, from memory)."""
    shape = 0.147
    log = np.log1p(-value * value)
    half = 2.0 / (np.pi * shape) + log / 2.0
    return float(np.sign(value) * np.sqrt(np.sqrt(half * half - log / shape) - half))


def random_cells(
    rng: np.random.Generator, days: int, storms_per_day: float, centre_km: tuple[float, float]
) -> Iterator[Cell]:
    """Yield the cells of random afternoon storms around the centre of the network."""
    for _ in range(rng.poisson(storms_per_day * days)):
        opens = rng.integers(days) * DAY_MINUTES + rng.normal(14.0, 3.0) * 60.0
        lasts = rng.gamma(3.0, 1.2 * 60.0)
        radius = rng.uniform(20.0, 60.0)
        speed, heading = rng.gamma(6.0, 4.0), rng.normal(0.5, 0.7)
        for _ in range(rng.poisson(rng.uniform(0.004, 0.006) * np.pi * radius**2)):
            angle, away = rng.uniform(0.0, 2.0 * np.pi), radius * np.sqrt(rng.uniform())
            yield Cell(
                begins=opens + rng.uniform(0.0, lasts),
                minutes=45.0 * rng.lognormal(0.0, 0.45),
                peak_mm_h=rng.exponential(rng.uniform(20.0, 40.0)),
                x_km=centre_km[0] + away * np.cos(angle),
                y_km=centre_km[1] + away * np.sin(angle),
                size_km=3.0 * rng.lognormal(0.0, 0.4),
                east_km_h=speed * np.cos(heading),
                north_km_h=speed * np.sin(heading),
            )


def random_steady(rng: np.random.Generator, days: int, per_day: float) -> Iterator[Steady]:
    """Yield random stretches of stratiform rain."""
    for _ in range(rng.poisson(per_day * days)):
        speed, heading = rng.gamma(6.0, 4.0), rng.normal(0.5, 0.7)
        yield Steady(
            begins=int(rng.uniform(0.0, days * DAY_MINUTES)),
            minutes=max(60, int(rng.gamma(4.0, 3.0 * 60.0))),
            mean_mm_h=rng.uniform(0.8, 2.0),
            wet_share=rng.uniform(0.35, 0.85),
            range_km=rng.uniform(25.0, 45.0),
            east_km_h=speed * np.cos(heading),
            north_km_h=speed * np.sin(heading),
        )


@dataclass(frozen=True, slots=True)
class Climate:
    """How often it rains: convective storms and stratiform stretches a day, and how much more falls uphill [1/km]."""

    storms_per_day: float = 0.25
    steady_per_day: float = 0.20
    uphill_per_km: float = 0.35


def uphill(plane: Plane, climate: Climate) -> np.ndarray:
    """Return the factor by which a station's height strengthens its rain, 1 at the mean height [-]."""
    above_km = (plane.elevation_m - plane.elevation_m.mean()) / 1000.0
    return np.asarray(np.exp(climate.uphill_per_km * above_km))


def season(rng: np.random.Generator, plane: Plane, days: int, climate: Climate) -> np.ndarray:
    """Return random weather's rain on the stations [mm/h, minute x station]."""
    length = days * DAY_MINUTES
    rain = np.zeros((length, len(plane.x_km)))
    centre = (float(plane.x_km.mean()), float(plane.y_km.mean()))
    for cell in random_cells(rng, days, climate.storms_per_day, centre):
        minutes, fall = cell_fall(cell, plane, length)
        rain[minutes] += fall
    for steady in random_steady(rng, days, climate.steady_per_day):
        minutes, fall = steady_fall(rng, steady, plane, length)
        rain[minutes] += fall
    return np.asarray(rain * uphill(plane, climate))


def wide(rng: np.random.Generator, plane: Plane, span: tuple[int, int], median_mm: float, length: int) -> Fall:
    """Return a stratiform stretch that wets every station from minute to minute, of this median depth."""
    first, last = span
    drift = Steady(first, last - first, 1.0, wet_share=0.985, range_km=60.0, east_km_h=25.0, north_km_h=8.0)
    minutes, fall = steady_fall(rng, drift, plane, length)
    return minutes, fall * (median_mm / (float(np.median(fall.sum(axis=0))) / 60.0))


def of_depth(cells: tuple[Cell, ...], x_km: float, y_km: float, depth_mm: float) -> tuple[Cell, ...]:
    """Return the cells made stronger or weaker together, so that they rain the wanted depth on one place."""
    place = Plane(np.array([x_km]), np.array([y_km]), np.zeros(1))
    length = ceil(max(cell.begins + cell.minutes for cell in cells))
    here = sum(float(cell_fall(cell, place, length)[1].sum()) / 60.0 for cell in cells)
    return tuple(replace(cell, peak_mm_h=cell.peak_mm_h * depth_mm / here) for cell in cells)
