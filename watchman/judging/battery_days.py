"""What the hourly record says of each battery's days, by the sun at its place: volts at dawn, noon and in the evening.

Same hours are compared with same hours: at dawn a battery is at its lowest and has rested all night, some hours after
sunset it shows what the day brought. Clock time would not do: in a network that spans a country, or keeps a neighbour's
time zone, the sun rises hours apart.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from watchman.judging.frost import LAPSE_K_PER_M
from watchman.judging.science import battery, sun
from watchman.judging.science.trend import median
from watchman.judging.view import View
from watchman.model import BATTERY, TEMPERATURE
from watchman.readings.record import DAY, HOUR

DAYS = 28
"""As many days are looked at: what the record keeps by the hour, less a few."""
DAWN, NOON, EVENING = (-3, -2, -1), (-1, 0, 1), (1, 2, 3)
"""Which hours are averaged, counted from the hour of sunrise, noon and sunset: two or three even out the meter's noise;
from an hour after sunset on the volts are those of rest (common practice, no source)."""
EVENING_TO_DAWN_H = 4.0
"""The night is longer by this than the time between the middles of EVENING and DAWN [h]."""
SHORTEST_HALF_DAY_H, LONGEST_HALF_DAY_H = 1.0, 8.5
"""Where the sun hardly rises, or hardly sets, noon and midnight still lie apart [h] (judgement, no source)."""
LOCK_OUT_C = 1.0
"""Below this at noon a lithium cell may take no charge: ordinary ones must not be charged below 0 degC, and the sun
warms the air sooner than the cell (0 to 5 degC: reduced current; from memory)."""
THERMOMETERS_LOOKED_AT = 6
COLD_MONTHS, COLD_FROM_LATITUDE = (11, 12, 1, 2, 3), 30.0
"""When, and from where on [deg, poleward], it may freeze by day; half a year later in the south (as for gauges)."""


@dataclass(frozen=True, slots=True)
class BatteryDays:
    """The last DAYS days of each station, the last one that whose dawn has passed; NaN where nothing is known.

    dawn_at [s since 1970 UTC], dawn_v, noon_v, evening_v [V], noon_c [degC, its own or the nearest thermometer's,
    corrected for height], clear_kwh: what a cloudless day brings on level ground [kWh/m2], all [day, n]; dark_h,
    light_h: from the evening's hours to the next dawn's, and from dawn's to the evening's [h, n].
    """

    dawn_at: np.ndarray
    dawn_v: np.ndarray
    noon_v: np.ndarray
    evening_v: np.ndarray
    noon_c: np.ndarray
    clear_kwh: np.ndarray
    dark_h: np.ndarray
    light_h: np.ndarray

    def perhaps_locked_out(self, view: View) -> np.ndarray:
        """Say where it may be too cold to charge and nobody near has measured it this week [n]."""
        month = datetime.fromtimestamp(view.now, UTC).month
        latitude = view.stations.latitude
        north = (latitude >= COLD_FROM_LATITUDE) & (month in COLD_MONTHS)
        south = (latitude <= -COLD_FROM_LATITUDE) & ((month + 5) % 12 + 1 in COLD_MONTHS)
        return np.asarray((north | south) & np.isnan(self.noon_c[-7:]).all(axis=0))

    def locked_out(self, kind: np.ndarray) -> np.ndarray:
        """Say on which days a battery could take no charge for the cold [day, n]; false where nobody measured it."""
        return np.asarray((self.noon_c < LOCK_OUT_C) & (kind != battery.LEAD_ACID))


def battery_days(view: View) -> BatteryDays:
    """Return the days of all batteries.

    A station that sends its volts once a day has no dawns: its day's lowest hour stands in for them.
    """
    stations, grid = view.stations, view.record.hourly
    today = np.floor(view.now / DAY + stations.longitude / 360.0)
    half = _by_latitude(sun.half_day_hours, today, stations.latitude)
    half = np.clip(half, SHORTEST_HALF_DAY_H, LONGEST_HALF_DAY_H)
    risen = sun.noon(today, stations.longitude) - half * HOUR <= view.now
    days = np.where(risen, today, today - 1) + np.arange(1 - DAYS, 1)[:, None]
    noon = sun.noon(days, stations.longitude)

    first = max(grid.head + 1 - (DAYS + 2) * 24, 0)
    volts, warmth = (grid.mean(variable, first, grid.head) for variable in (BATTERY, TEMPERATURE))
    sunrise, midday, sunset = (
        grid.cells(moment.astype(np.int64)) - first for moment in (noon - half * HOUR, noon, noon + half * HOUR)
    )
    dawn_v = _mean(volts, sunrise, DAWN)
    once_a_day = np.isnan(dawn_v).all(axis=0) & ~np.isnan(volts).all(axis=0)
    dawn_v[:, once_a_day] = _lowest_of_days(volts[:, once_a_day])
    return BatteryDays(
        dawn_at=noon - half * HOUR,
        dawn_v=dawn_v,
        noon_v=_mean(volts, midday, NOON),
        evening_v=_mean(volts, sunset, EVENING),
        noon_c=_with_neighbours(_mean(warmth, midday, NOON), view),
        clear_kwh=_by_latitude(sun.clear_sky_kwh, days, stations.latitude),
        dark_h=24.0 - 2.0 * half - EVENING_TO_DAWN_H,
        light_h=2.0 * half + EVENING_TO_DAWN_H,
    )


def kinds(view: View, days: BatteryDays) -> np.ndarray:
    """Return each station's chemistry, written or guessed from its dawn volts [object, n]."""
    return battery.guess(view.stations.chemistry, median(days.dawn_v))


def _by_latitude(
    what: Callable[[np.ndarray, np.ndarray], np.ndarray], days: np.ndarray, latitude: np.ndarray
) -> np.ndarray:
    """Return what depends on day and latitude alone, worked out once for each half degree and day."""
    places, place = np.unique(np.round(latitude * 2.0) / 2.0, return_inverse=True)
    first = days.min()
    table = what(np.arange(first, days.max() + 1.0)[:, None], places)
    return np.asarray(table[(days - first).astype(int), place])


def _mean(values: np.ndarray, cells: np.ndarray, around: tuple[int, ...]) -> np.ndarray:
    """Return the mean of the hours around each cell [day, n] that are there, NaN where none is."""
    columns = np.arange(values.shape[1])
    total, count = np.zeros(cells.shape), np.zeros(cells.shape)
    for step in around:
        rows = cells + step
        found = values[np.clip(rows, 0, len(values) - 1), columns]
        known = (rows >= 0) & (rows < len(values)) & ~np.isnan(found)
        total += np.where(known, found, 0.0)
        count += known
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _lowest_of_days(volts: np.ndarray) -> np.ndarray:
    """Return the lowest hour of each of the last DAYS times 24 hours, the last ones being the last [day, n]."""
    whole = volts[-DAYS * 24 :]
    missing = np.full((DAYS * 24 - len(whole), whole.shape[1]), np.nan, np.float32)
    by_days = np.concatenate([missing, whole]).reshape(DAYS, 24, whole.shape[1])
    return np.asarray(np.fmin.reduce(by_days, axis=1), float)


def _with_neighbours(own_c: np.ndarray, view: View) -> np.ndarray:
    """Return the temperatures, those that a station doesn't measure taken from the nearest that does."""
    stations = view.stations
    filled = own_c
    for near in stations.neighbours[:, :THERMOMETERS_LOOKED_AT].T:
        lost = np.isnan(filled)
        if not lost.any():
            break
        higher_m = np.nan_to_num(stations.elevation_m - stations.elevation_m[near])
        filled = np.where(lost & (near >= 0), own_c[:, near] - LAPSE_K_PER_M * higher_m, filled)
    return filled
