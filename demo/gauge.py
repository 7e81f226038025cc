"""The tipping bucket: from rain on the ground to tips a minute, with what it loses, and what frost holds back."""

from __future__ import annotations

import numpy as np

TIP_SECONDS = 0.45
"""Rain is lost while the bucket moves this long [s]: 0.98 % at 19.9 mm/h and 8.6 % at 175 mm/h for 0.254 mm tips;
measured 0.98 and 8.78 % (Duchon, Fiebrich, Grimsley, JTECH 31(6), 2014)."""
NEW_EVENT_MINUTES = 360
"""A funnel is dry again after this long without rain [min] (common practice, no source)."""
MELT_MM_PER_DAY_DEGC = 4.0
"""Snow in the funnel melts this fast (degree-day factor, 2-5, from memory)."""


def undercatch(rate_mm_h: np.ndarray, tip_mm: float) -> np.ndarray:
    """Return the share of the rain lost while the bucket moves [-]."""
    return np.asarray(np.minimum(0.5, TIP_SECONDS * rate_mm_h / (3600.0 * tip_mm)))


def snow_share(temperature_c: np.ndarray) -> np.ndarray:
    """Return the share that falls as snow [-].

    Half at 1.0 degC (Jennings et al., Nat. Commun. 2018); the slope from memory.
    """
    return np.asarray(1.0 / (1.0 + np.exp(np.clip(1.5 * (temperature_c - 1.0), -50.0, 50.0))))


def thaw(rate_mm_h: np.ndarray, temperature_c: np.ndarray) -> np.ndarray:
    """Return the water that reaches the bucket [mm/h, minute x station]: snow as it melts, hour by hour.

    Both arrays are [minute x station] and whole hours long.
    """
    by_hour = (len(rate_mm_h) // 60, 60, rate_mm_h.shape[1])
    frozen = rate_mm_h * snow_share(temperature_c)
    fallen_mm = frozen.reshape(by_hour).mean(axis=1)
    warmth = np.maximum(0.0, temperature_c.reshape(by_hour).mean(axis=1))
    melt = np.zeros_like(fallen_mm)
    lying = np.zeros(rate_mm_h.shape[1])
    for hour in range(len(melt)):
        lying = lying + fallen_mm[hour]
        melt[hour] = np.minimum(lying, warmth[hour] * MELT_MM_PER_DAY_DEGC / 24.0)
        lying = lying - melt[hour]
    return np.asarray(np.maximum(rate_mm_h - frozen + np.repeat(melt, 60, axis=0), 0.0))


def wetted(water_mm: np.ndarray, wetting_mm: float) -> np.ndarray:
    """Return one station's water [mm a minute] less what first wets the dry funnel in each event."""
    wet = np.flatnonzero(water_mm > 0.0)
    if len(wet) == 0:
        return water_mm
    left = water_mm.copy()
    begins = wet[np.diff(wet, prepend=wet[0] - NEW_EVENT_MINUTES - 1) > NEW_EVENT_MINUTES]
    for begin, end in zip(begins, [*begins[1:], len(water_mm)], strict=True):
        soaked = np.minimum(np.cumsum(water_mm[begin:end]), wetting_mm)
        left[begin:end] -= np.diff(soaked, prepend=0.0)
    return left


def tips(rng: np.random.Generator, water_mm_h: np.ndarray, elevation_m: np.ndarray, tip_mm: float) -> np.ndarray:
    """Return the tips of each station a minute [int, minute x station].

    Each gauge has its own small error, wind loss (more on the ridges) and wetting loss; the bucket keeps its remainder.
    """
    stations = water_mm_h.shape[1]
    own = rng.lognormal(0.0, 0.03, stations) * (1.0 - rng.uniform(0.02, 0.05, stations) - elevation_m / 25_000.0)
    caught = water_mm_h * own * (1.0 - undercatch(water_mm_h, tip_mm)) / 60.0
    left = np.column_stack([wetted(caught[:, station], rng.uniform(0.1, 0.3)) for station in range(stations)])
    stored = rng.uniform(0.0, tip_mm, stations) + np.cumsum(left, axis=0)
    return np.diff(np.floor(stored / tip_mm + 1e-9).astype(np.int64), axis=0, prepend=0)
