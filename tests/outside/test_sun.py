"""The sun against two independent libraries, figures computed once and quoted.

Heights and noons: astral 3.2 (Apache-2.0; NOAA's solar calculator, without refraction). Clear-sky days: pvlib 0.16.1
(BSD-3-Clause), `clearsky.haurwitz` with `Location.get_solarposition`, summed by the minute. The longest and shortest
day at 40 degrees north, 15 h 1 min and 9 h 20 min with refraction and the sun's disk: any almanac, from memory.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.helpers import moment
from watchman.judging.science import sun

DAY = 86400

HEIGHTS = [
    (40.69, -74.17, "2024-06-20T13:00Z", 37.69, "2024-06-20T16:58:16Z"),
    (40.69, -74.17, "2023-12-16T13:00Z", 6.34, "2023-12-16T16:51:55Z"),
    (40.69, -74.17, "2025-02-11T13:00Z", 10.46, "2025-02-11T17:10:54Z"),
    (51.05, 3.7, "2024-06-20T13:00Z", 58.98, "2024-06-20T11:46:47Z"),
    (51.05, 3.7, "2025-11-03T13:00Z", 20.77, "2025-11-03T11:28:42Z"),
    (64.1, -21.9, "2023-12-16T13:00Z", 2.47, "2023-12-16T13:22:51Z"),
    (-33.9, 18.4, "2024-06-20T13:00Z", 24.65, "2024-06-20T10:47:59Z"),
    (-33.9, 18.4, "2025-02-11T13:00Z", 56.35, "2025-02-11T11:00:37Z"),
]

CLEAR_DAYS_KWH = [
    (40.0, "2023-12-16", 2.433),
    (40.0, "2023-06-21", 8.787),
    (55.0, "2024-11-01", 1.766),
    (64.0, "2024-12-21", 0.023),
    (18.0, "2024-07-15", 8.205),
    (-34.0, "2024-01-10", 8.617),
]


def day_of(text: str) -> np.ndarray:
    return np.array([moment(f"{text}T00:00Z") // DAY], float)


@pytest.mark.parametrize(("latitude", "longitude", "when", "degrees", "noon"), HEIGHTS)
def test_height_and_noon_are_the_reference_s(
    latitude: float, longitude: float, when: str, degrees: float, noon: str
) -> None:
    """Within a quarter of a degree and a minute: leap years move the year's angle by up to a day."""
    noon_at = sun.noon(day_of(when[:10]), np.array([longitude]))
    turned = 2.0 * np.pi * (moment(when) - noon_at) / DAY
    up = sun.cos_zenith(sun.declination(np.array([moment(when) / DAY])), np.radians(np.array([latitude])), turned)
    assert np.degrees(np.arcsin(up))[0] == pytest.approx(degrees, abs=0.25)
    assert noon_at[0] == pytest.approx(moment(noon), abs=60)


@pytest.mark.parametrize(("latitude", "day", "kwh"), CLEAR_DAYS_KWH)
def test_a_cloudless_day_brings_what_the_reference_says(latitude: float, day: str, kwh: float) -> None:
    """Within 1.5 % or 10 Wh/m2."""
    assert sun.clear_sky_kwh(day_of(day), np.array([latitude]))[0] == pytest.approx(kwh, rel=0.015, abs=0.01)


@pytest.mark.parametrize(("day", "hours"), [("2024-06-20", 15 + 1 / 60), ("2024-12-21", 9 + 20 / 60)])
def test_the_longest_and_the_shortest_day(day: str, hours: float) -> None:
    """An almanac's day is some 8 minutes longer: refraction, and the sun's upper edge."""
    assert 2 * sun.half_day_hours(day_of(day), np.array([40.0]))[0] == pytest.approx(hours - 8 / 60, abs=0.05)


def test_polar_night_and_polar_day() -> None:
    """At 75 degrees north the sun doesn't rise at Christmas, nor set at midsummer."""
    place = np.array([75.0])
    assert sun.half_day_hours(day_of("2024-12-21"), place)[0] == 0
    assert sun.clear_sky_kwh(day_of("2024-12-21"), place)[0] == 0
    assert sun.half_day_hours(day_of("2024-06-20"), place)[0] == 12


def test_the_sun_straight_overhead_is_at_ninety_degrees() -> None:
    """At noon under the sun, on every day of a year."""
    tilt = sun.declination(np.arange(20000.0, 20365.0))
    np.testing.assert_allclose(sun.cos_zenith(tilt, tilt, np.zeros(365)), 1.0, atol=1e-12)
