"""The sun by date and place: when it is highest, how high, for how long, and what a cloudless day brings.

Declination and equation of time are Spencer's short series (1971, "Fourier series representation of the position of
the sun", Search 2(5); coefficients from memory): good to some 0.05 degrees and half a minute, far finer than an hour's
mean of volts. Refraction is left out: at this latitude or that the day is a few minutes longer.

The light of a cloudless sky on level ground is Haurwitz's (1945/46; a reference library has the same coefficients):

    1098 cos z exp(-0.059 / cos z)   [W/m2],   z the sun's angle from overhead
"""

from __future__ import annotations

import numpy as np

DAY = 86400
HOURS_OF_NOON = 12.0
SPENCER_DECLINATION = (0.006918, -0.399912, 0.070257, -0.006758, 0.000907, -0.002697, 0.00148)
SPENCER_EQUATION_OF_TIME = (0.000075, 0.001868, -0.032077, -0.014615, -0.04089)
HAURWITZ_W_M2, HAURWITZ_EXTINCTION = 1098.0, 0.059
STEPS = 48
"""Over so many steps from noon to sunset the light of a day is summed: within 0.1 % (calculated)."""


def _year_angle(days: np.ndarray) -> np.ndarray:
    """Return how far the year is on its round [rad]; days since 1970, may be broken."""
    return np.asarray(2.0 * np.pi * (((days - 10957.0) % 365.2425) / 365.2425))  # 10957 days from 1970 to 2000


def declination(days: np.ndarray) -> np.ndarray:
    """Return the sun's declination [rad] on days since 1970 UTC."""
    angle = _year_angle(days)
    a0, a1, b1, a2, b2, a3, b3 = SPENCER_DECLINATION
    return np.asarray(
        a0
        + a1 * np.cos(angle)
        + b1 * np.sin(angle)
        + a2 * np.cos(2 * angle)
        + b2 * np.sin(2 * angle)
        + a3 * np.cos(3 * angle)
        + b3 * np.sin(3 * angle)
    )


def noon(days: np.ndarray, longitude: np.ndarray) -> np.ndarray:
    """Return when the sun is highest on days [since 1970] at a longitude [deg, east positive]: [s since 1970 UTC]."""
    angle = _year_angle(days + 0.5)
    a0, a1, b1, a2, b2 = SPENCER_EQUATION_OF_TIME
    ahead = a0 + a1 * np.cos(angle) + b1 * np.sin(angle) + a2 * np.cos(2 * angle) + b2 * np.sin(2 * angle)
    return np.asarray(DAY * (days + 0.5 - longitude / 360.0 - ahead / (2.0 * np.pi)))


def half_day_hours(days: np.ndarray, latitude: np.ndarray) -> np.ndarray:
    """Return the hours from sunrise to noon [h], 0 in the polar night and 12 where the sun doesn't set."""
    tangents = -np.tan(np.radians(latitude)) * np.tan(declination(days + 0.5))
    return np.asarray(np.arccos(np.clip(tangents, -1.0, 1.0)) * HOURS_OF_NOON / np.pi)


def clear_sky_kwh(days: np.ndarray, latitude: np.ndarray) -> np.ndarray:
    """Return what a cloudless day brings on level ground [kWh/m2]."""
    half = half_day_hours(days, latitude)
    tilt, place = declination(days + 0.5), np.radians(latitude)
    total = np.zeros(np.broadcast(days, latitude).shape)
    for step in range(STEPS):
        hour_angle = half * (step + 0.5) / STEPS * np.pi / HOURS_OF_NOON
        total += clear_sky_w_m2(cos_zenith(tilt, place, hour_angle))
    return np.asarray(2.0 * total * half / STEPS / 1000.0)


def clear_sky_w_m2(up: np.ndarray) -> np.ndarray:
    """Return the light of a cloudless sky on level ground [W/m2], 0 by night. up: the cosine from overhead."""
    least = np.maximum(up, 1e-3)
    return np.asarray(np.where(up > 0, HAURWITZ_W_M2 * least * np.exp(-HAURWITZ_EXTINCTION / least), 0.0))


def cos_zenith(tilt: np.ndarray, place: np.ndarray, hour_angle: np.ndarray) -> np.ndarray:
    """Return the cosine of the sun's angle from overhead, below 0 by night.

    tilt: the sun's declination; place: the latitude; hour_angle: how far the day has turned since noon. All [rad].
    """
    return np.asarray(np.sin(place) * np.sin(tilt) + np.cos(place) * np.cos(tilt) * np.cos(hour_angle))
