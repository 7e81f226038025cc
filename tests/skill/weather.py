"""Air temperature and clouds over the stations."""

from __future__ import annotations

import numpy as np

from tests.skill.climate import Climate

STEP_S = 900
STEPS_A_DAY = 96
LAPSE_DEGC_PER_KM = 6.5


def clearness(rng: np.random.Generator, climate: Climate, wet_share: np.ndarray) -> np.ndarray:
    """Return the share of the clear sky's light that comes through, one value a day [-].

    wet_share: how much of the day it rained somewhere [day]. A two-state chain; a day of long rain is overcast.
    """
    cloudy, share = False, np.empty(len(wet_share))
    for day, wet in enumerate(wet_share):
        cloudy = bool(rng.uniform() < climate.clouding[int(cloudy)]) or wet > 0.25
        share[day] = rng.uniform(0.08, 0.4) if cloudy else rng.beta(8.0, 2.0)
    return share


def air(
    rng: np.random.Generator, climate: Climate, moment_s: np.ndarray, through: np.ndarray, elevation_m: np.ndarray
) -> np.ndarray:
    """Return the air's temperature [degC, quarter hour x station]: season, spells, time of day, height.

    moment_s: quarter hours [s since 1970 UTC]; through: clearness of each [-].
    """
    year = 2.0 * np.pi * ((moment_s / 86400.0 - 200.0) % 365.25) / 365.25  # warmest about 20 July
    hour = (moment_s % 86400) / 3600.0
    spell, keep = np.empty(len(moment_s)), np.exp(-STEP_S / (3.0 * 86400.0))
    state, shocks = 0.0, rng.normal(0.0, climate.spells_c * np.sqrt(1.0 - keep**2), len(moment_s))
    for step, shock in enumerate(shocks):
        state = keep * state + shock
        spell[step] = state
    swing = climate.daily_c * (0.3 + 0.7 * through) * np.cos(2.0 * np.pi * (hour - 14.0) / 24.0)
    level = climate.mean_c + climate.season_c * np.cos(year) + spell + swing
    above_km = (elevation_m - climate.base_m) / 1000.0
    own = rng.normal(0.0, 0.5, len(elevation_m)) + rng.normal(0.0, 0.15, (len(moment_s), len(elevation_m)))
    return np.asarray((level[:, None] - LAPSE_DEGC_PER_KM * above_km + own).astype(np.float32))
