"""The tipping bucket: from rain in the air to tips a minute, what it loses, what frost holds back, what ails it."""

from __future__ import annotations

import numpy as np

TIP_SECONDS = 0.45
"""Rain is lost while the bucket moves [s]: 0.98 % at 19.9 mm/h, 8.6 % at 175 (Duchon, Fiebrich, Grimsley 2014)."""
DRY_AGAIN_MINUTES = 360
"""A funnel is dry again after this long without rain [min] (common practice, no source)."""
FUNNEL_HOLDS_MM = 60.0
"""A blocked funnel spills beyond this [mm] (judgement, no source)."""


def snow_share(temperature_c: np.ndarray) -> np.ndarray:
    """Return the share that falls as snow [-]: half at 1.0 degC (Jennings 2018); the slope from memory."""
    return np.asarray(1.0 / (1.0 + np.exp(np.clip(1.5 * (temperature_c - 1.0), -50.0, 50.0))))


def water(rng: np.random.Generator, fall: np.ndarray, temperature_c: np.ndarray, tip_mm: np.ndarray) -> np.ndarray:
    """Return the water that reaches each bucket [mm a minute, float32, minute x station].

    fall: in the air [mm/h, minute x station]; temperature_c: [hour x station]; tip_mm: [n]. Each gauge has its own
    small error, wind loss that differs from day to day, and wetting loss; snow lies in the funnel until it melts.
    """
    stations = fall.shape[1]
    days = len(fall) // 1440
    own = rng.lognormal(0.0, 0.04, stations) * (1.0 - rng.uniform(0.02, 0.10, stations))
    windy = np.clip(rng.lognormal(0.0, 0.05, (days, 1)) * rng.lognormal(0.0, 0.04, (days, stations)), 0.7, 1.2)
    caught = fall * np.repeat(own * windy, 1440, axis=0).astype(np.float32)
    caught = _thawed(rng, caught, temperature_c)
    caught *= 1.0 - np.minimum(0.5, TIP_SECONDS * caught / (3600.0 * tip_mm.astype(np.float32)))
    caught /= 60.0
    for station in range(stations):
        _wet(caught[:, station], rng.uniform(0.1, 0.3))
    return np.asarray(caught, np.float32)


def _thawed(rng: np.random.Generator, rate: np.ndarray, temperature_c: np.ndarray) -> np.ndarray:
    """Return rain and meltwater [mm/h]; snow lies, blows out by a third, and melts 2 to 5 mm a degree and day."""
    share = np.repeat(snow_share(temperature_c), 60, axis=0).astype(np.float32)
    if not (share[rate > 0] > 0.02).any():
        return rate
    frozen = rate * share
    fallen = frozen.reshape(-1, 60, rate.shape[1]).mean(axis=1) * 0.67
    warmth = np.maximum(0.0, temperature_c) * rng.uniform(2.0, 5.0, rate.shape[1]) / 24.0
    melt, lying = np.zeros_like(fallen), np.zeros(rate.shape[1])
    for hour in range(len(melt)):
        lying = np.minimum(lying + fallen[hour], 40.0)
        melt[hour] = np.minimum(lying, warmth[hour])
        lying = lying - melt[hour]
    return np.asarray(np.maximum(rate - frozen + np.repeat(melt, 60, axis=0).astype(np.float32), 0.0))


def _wet(water_mm: np.ndarray, wetting_mm: float) -> None:
    """Take from one station's water, in place, what wets the dry funnel at the beginning of each event."""
    wet = np.flatnonzero(water_mm > 0.0)
    if not len(wet):
        return
    begins = wet[np.diff(wet, prepend=wet[0] - DRY_AGAIN_MINUTES - 1) > DRY_AGAIN_MINUTES]
    for begin, end in zip(begins, [*begins[1:], len(water_mm)], strict=True):
        soaked = np.minimum(np.cumsum(water_mm[begin:end]), wetting_mm)
        water_mm[begin:end] -= np.diff(soaked, prepend=0.0)


def drained(water_mm: np.ndarray, mm_h: float) -> np.ndarray:
    """Return what leaves a funnel whose outlet passes so much at most [mm a minute]; the rest waits, or spills."""
    room = mm_h / 60.0
    out, held = np.empty_like(water_mm), 0.0
    for minute, came in enumerate(water_mm.tolist()):
        held = min(held + came, FUNNEL_HOLDS_MM)
        passed = min(held, room)
        held -= passed
        out[minute] = passed
    return out


def tips(rng: np.random.Generator, water_mm: np.ndarray, tip_mm: np.ndarray) -> np.ndarray:
    """Return the tips a minute [int16, minute x station]; the bucket keeps its remainder."""
    counts = np.empty(water_mm.shape, np.int16)
    for station in range(water_mm.shape[1]):
        stored = rng.uniform(0.0, 1.0) + np.cumsum(water_mm[:, station], dtype=np.float64) / tip_mm[station]
        counts[:, station] = np.diff(np.floor(stored + 1e-9), prepend=np.floor(stored[0]))
    return counts
