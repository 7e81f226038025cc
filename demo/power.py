"""Sun, panel and cell: the battery voltage of small solar stations, every quarter of an hour."""

from __future__ import annotations

import numpy as np

from demo.sites import ORIGIN_LATITUDE, ORIGIN_LONGITUDE, Site

STEP_S = 900
SOLAR_VOLTS = 3.9
"""Mean voltage at which the panel's power goes into the cell [V]."""
CHARGER = 0.7
"""Share of the panel's power that arrives [-] (from memory)."""
NOISE_V = 0.006
CUTOFF_V = 3.3
"""Below this the logger switches itself off [V]."""
SENDING_A = 0.35
"""The logger measures its cell while the modem sends [A] (from memory)."""

# Open-circuit voltage of a lithium cobalt/nickel cell against charge, from memory of common data sheets.
CHARGE = np.array([0.0, 0.03, 0.06, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0])
OPEN_VOLTS = np.array([3.00, 3.26, 3.42, 3.52, 3.62, 3.68, 3.73, 3.79, 3.86, 3.94, 4.02, 4.10, 4.19])


def sun_height(moment_s: np.ndarray) -> np.ndarray:
    """Return the cosine of the sun's angle from overhead at the network, 0 by night [-].

    Declination and equation of time by Spencer's short series of 1971, from memory; good to half a degree.
    """
    day = moment_s / 86400.0
    year_angle = 2.0 * np.pi * ((day - 10957.0) % 365.2425) / 365.2425  # 10957 days from 1970 to 2000
    declination = (
        0.006918 - 0.399912 * np.cos(year_angle) + 0.070257 * np.sin(year_angle)
        - 0.006758 * np.cos(2 * year_angle) + 0.000907 * np.sin(2 * year_angle)
    )  # fmt: skip
    minutes = 229.18 * (
        0.000075 + 0.001868 * np.cos(year_angle) - 0.032077 * np.sin(year_angle)
        - 0.014615 * np.cos(2 * year_angle) - 0.040849 * np.sin(2 * year_angle)
    )  # fmt: skip
    hour_angle = 2.0 * np.pi * ((day % 1.0) + minutes / 1440.0 + ORIGIN_LONGITUDE / 360.0 - 0.5)
    latitude = np.radians(ORIGIN_LATITUDE)
    height = np.sin(latitude) * np.sin(declination) + np.cos(latitude) * np.cos(declination) * np.cos(hour_angle)
    return np.asarray(np.maximum(0.0, height))


def clear_sky(moment_s: np.ndarray) -> np.ndarray:
    """Return the sunlight on the level ground under a clear sky [W/m2] (Haurwitz 1945, coefficients from memory)."""
    height = sun_height(moment_s)
    return np.asarray(1098.0 * height * np.exp(-0.059 / np.maximum(height, 1e-3)))


def clearness(rng: np.random.Generator, wet_days: np.ndarray) -> np.ndarray:
    """Return the share of the clear-sky light that comes through, one value a day [-]; a wet day is overcast."""
    cloudy = False
    share = np.empty(len(wet_days))
    for day, wet in enumerate(wet_days):
        cloudy = bool(wet) or bool(rng.uniform() < (0.55 if cloudy else 0.3))
        share[day] = rng.uniform(0.10, 0.40) if cloudy else rng.beta(8.0, 2.0)
    return share


def _capacity_share(temperature_c: np.ndarray) -> np.ndarray:
    """Return how much of its capacity a cell gives at a temperature [-]: 0.8 % a degree below 20, at least 0.6."""
    return np.asarray(np.clip(1.0 - 0.008 * (20.0 - temperature_c), 0.6, 1.05))


def battery(
    rng: np.random.Generator, stations: tuple[Site, ...], light_w_m2: np.ndarray, temperature_c: np.ndarray
) -> np.ndarray:
    """Return the cells' voltage as the loggers measure it [V, quarter hour x station].

    light_w_m2: on level ground before each station's own sky; temperature_c: of the air [both step x station]. A cell
    takes no charge below about -2 degC; its resistance grows and its capacity shrinks in the cold.
    """
    panel_w, sky, load_ma, capacity = (
        np.array([getattr(site, name) for site in stations]) for name in ("panel_w", "sky", "load_ma", "capacity_ah")
    )
    sun_a = np.where(temperature_c < -2.0, 0.0, light_w_m2 / 1000.0 * sky * panel_w * CHARGER / SOLAR_VOLTS)
    load_a = load_ma / 1000.0
    full_ah = capacity * _capacity_share(temperature_c)
    charge = np.empty_like(temperature_c)
    held = rng.uniform(0.90, 0.99, len(stations))
    for step in range(len(charge)):
        gained_ah = (0.97 * sun_a[step] - load_a) * STEP_S / 3600.0
        held = np.clip(held + gained_ah / full_ah[step], 0.0, 1.0)
        charge[step] = held
    fed_a = np.where(charge < 1.0, sun_a, load_a)  # a full cell is held, not fed
    resistance = 0.12 * (1.0 + 0.05 * np.maximum(0.0, 20.0 - temperature_c))
    volts = np.interp(charge, CHARGE, OPEN_VOLTS) + (fed_a - load_a - SENDING_A) * resistance
    return np.asarray(np.minimum(volts, 4.20) + rng.normal(0.0, NOISE_V, volts.shape))
