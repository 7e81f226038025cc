"""On which days can an unheated gauge be frozen, snowed in or thawing, so that its rain says nothing?

A day of frost is one whose mean temperature at the gauge is under 4 degC: then the night may well have been under 0,
and rain and snow are equally likely at 1.0 degC on average, from -0.4 to 2.4 degC at 95 % of stations (Jennings et al.
2018, Nat. Commun.); the rest up to 4 degC is for the swing of a day (judgement, no source). The temperature is the
gauge's own or, corrected by 6.5 K/km of height (the standard atmosphere), that of the nearest station that has one.
Where none is known, the months decide: November to March from 30 degrees of latitude poleward, half a year later in
the south, when a university network switches its unheated gauges off.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np

from watchman.judging.view import View
from watchman.model import TEMPERATURE

FROST_MEAN_C = 4.0
LAPSE_K_PER_M = 0.0065
FROST_MONTHS = (11, 12, 1, 2, 3)
FROST_FROM_LATITUDE = 30.0
HEARD_DAYS = 7
"""A thermometer that was not heard for so long is no longer asked [d] (judgement, no source)."""


def frost_days(view: View, first: int, positions: np.ndarray) -> np.ndarray:
    """Say on which days, from a cell of the daily table to now, these gauges can't be trusted for frost [day, k]."""
    cold, measured = measured_cold(view, first, positions)
    return np.asarray(np.where(measured, cold, frost_months(view, first, positions)))


def measured_cold(view: View, first: int, positions: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Say on which days, from a cell of the daily table to now, it was too cold for a gauge by what was measured there
    or near, and on which days anything was [day, k].
    """
    daily = view.record.daily
    days = slice(first, daily.head + 1)
    source, warmer = thermometers(view, positions)
    count = daily.count[TEMPERATURE, days][:, source]
    mean = daily.total[TEMPERATURE, days][:, source] / np.maximum(count, 1) + warmer
    measured = (source >= 0) & (count > 0)
    return measured & (mean < FROST_MEAN_C), measured


def thermometers(view: View, positions: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return whose temperature each gauge uses, -1 for nobody's, and how much warmer it is here by height [K]."""
    daily = view.record.daily
    has: np.ndarray = np.any(daily.count[TEMPERATURE, max(daily.head - HEARD_DAYS, 0) : daily.head + 1] > 0, axis=0)
    places = np.concatenate([positions[:, None], view.stations.neighbours[positions]], axis=1)
    able = (places >= 0) & has[places]
    source = np.where(able.any(axis=1), places[np.arange(len(places)), np.argmax(able, axis=1)], -1)
    height = view.stations.elevation_m
    return source, np.nan_to_num(LAPSE_K_PER_M * (height[source] - height[positions]))


def frost_months(view: View, first: int, positions: np.ndarray, months: tuple[int, ...] | None = None) -> np.ndarray:
    """Say which days, from a cell of the daily table to now, lie in the cold months of these gauges [day, k].

    months: those of the year in place of the usual ones by latitude.
    """
    daily = view.record.daily
    begins = datetime.fromtimestamp(daily.end_of(first - 1) + view.stations.utc_offset_s, UTC)
    month = np.array([(begins + timedelta(days=day)).month for day in range(daily.head + 1 - first)])
    if months is not None:
        return np.repeat(np.isin(month, months)[:, None], len(positions), axis=1)
    latitude = view.stations.latitude[positions]
    north = np.isin(month, FROST_MONTHS)[:, None] & (latitude >= FROST_FROM_LATITUDE)
    south = np.isin((month + 5) % 12 + 1, FROST_MONTHS)[:, None] & (latitude <= -FROST_FROM_LATITUDE)
    return np.asarray(north | south)
