"""The climates of the simulated years. All figures are orders of magnitude of such places, from memory."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date


@dataclass(frozen=True, slots=True)
class Climate:
    """One kind of weather.

    latitude [deg]; zone: the clock people read, near Greenwich's, by which sun, dew, storms and people of these worlds
    go; begins: the first days a season may begin on. By the day: storms (a cluster of convective cells near the
    network), bands (a front with its rain), steady (wide stratiform rain); cell_mm_h, steady_mm_h: ranges of the mean
    peak and the mean rate. mean_c, season_c, daily_c, spells_c: the air's yearly mean, half of what July and January,
    and day and night, lie apart, and the spread of warm and cold spells [degC]; base_m, relief_m: heights [m]; uphill:
    how rain grows with height [1/km]; clouding: chance that a clear day is followed by a cloudy one, and a cloudy one
    too; dew: chance of a lone tip in a clear night without rain.
    """

    name: str
    latitude: float
    zone: str
    begins: tuple[date, ...]
    storms: float
    bands: float
    steady: float
    cell_mm_h: tuple[float, float]
    steady_mm_h: tuple[float, float]
    mean_c: float
    season_c: float
    daily_c: float
    spells_c: float
    base_m: float
    relief_m: float
    uphill: float
    clouding: tuple[float, float]
    dew: float


CLIMATES: Mapping[str, Climate] = {
    climate.name: climate
    for climate in (
        Climate(
            "convective", 47.0, "Europe/Vienna", (date(2024, 4, 20), date(2025, 4, 10)),
            storms=0.9, bands=0.07, steady=0.08, cell_mm_h=(20.0, 40.0), steady_mm_h=(0.9, 2.4),
            mean_c=10.0, season_c=11.0, daily_c=5.0, spells_c=3.0, base_m=350.0, relief_m=250.0, uphill=0.35,
            clouding=(0.3, 0.5), dew=0.05,
        ),
        Climate(
            "temperate", 52.0, "Europe/London", (date(2024, 2, 25), date(2024, 9, 1), date(2025, 3, 5)),
            storms=0.06, bands=0.22, steady=0.25, cell_mm_h=(12.0, 25.0), steady_mm_h=(0.7, 2.2),
            mean_c=10.0, season_c=7.0, daily_c=3.5, spells_c=2.5, base_m=120.0, relief_m=110.0, uphill=0.5,
            clouding=(0.45, 0.65), dew=0.06,
        ),
        Climate(
            "alpine", 46.6, "Europe/Zurich", (date(2024, 9, 10), date(2025, 2, 1)),
            storms=0.30, bands=0.14, steady=0.16, cell_mm_h=(15.0, 30.0), steady_mm_h=(1.0, 2.8),
            mean_c=8.0, season_c=9.5, daily_c=4.5, spells_c=3.5, base_m=900.0, relief_m=550.0, uphill=0.6,
            clouding=(0.3, 0.5), dew=0.04,
        ),
        Climate(
            "desert", 34.0, "Africa/Tunis", (date(2024, 6, 1), date(2024, 12, 1)),
            storms=0.10, bands=0.02, steady=0.01, cell_mm_h=(20.0, 45.0), steady_mm_h=(0.6, 1.5),
            mean_c=20.0, season_c=11.0, daily_c=8.0, spells_c=2.5, base_m=600.0, relief_m=350.0, uphill=0.4,
            clouding=(0.12, 0.35), dew=0.01,
        ),
        Climate(
            "tropical", 9.0, "Africa/Lagos", (date(2024, 5, 1), date(2025, 1, 5)),
            storms=2.4, bands=0.04, steady=0.06, cell_mm_h=(30.0, 55.0), steady_mm_h=(1.0, 3.0),
            mean_c=26.0, season_c=1.0, daily_c=4.5, spells_c=0.8, base_m=300.0, relief_m=250.0, uphill=0.25,
            clouding=(0.4, 0.5), dew=0.10,
        ),
        Climate(
            "winter", 50.0, "Europe/Prague", (date(2024, 10, 15), date(2023, 10, 25)),
            storms=0.01, bands=0.16, steady=0.20, cell_mm_h=(10.0, 20.0), steady_mm_h=(0.6, 1.8),
            mean_c=8.5, season_c=10.0, daily_c=2.5, spells_c=4.0, base_m=250.0, relief_m=150.0, uphill=0.4,
            clouding=(0.5, 0.7), dew=0.04,
        ),
    )
}  # fmt: skip
