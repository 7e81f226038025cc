"""Return periods beside published tables and distributions, landslide lines beside their published figures."""

from __future__ import annotations

import math

import numpy as np
import pytest

from watchman.frequency_table import read_frequency_table
from watchman.judging.checks.heavy_rain import IntensityLine, Limit, RainBefore
from watchman.judging.science.frequency import FrequencyTable, ReturnPeriod, depth_of, return_period, years_between

GRAZ = """\
minutes,1,2,3,5,10,20,25,30,50,75,100
15,18.04,22.02,24.35,27.28,31.26,35.24,36.52,37.57,40.50,42.83,44.48
60,30.60,37.20,41.06,45.93,52.53,59.13,61.25,62.99,67.85,71.72,74.46
120,34.61,43.12,48.09,54.35,62.86,71.36,74.09,76.33,82.59,87.57,91.10
180,36.20,46.06,51.82,59.09,68.94,78.80,81.97,84.57,91.83,97.60,101.69
360,41.58,51.61,57.48,64.87,74.90,84.93,88.15,90.79,98.18,104.05,108.21
1440,54.86,65.24,71.32,78.97,89.35,99.74,103.08,105.81,113.46,119.54,123.85
"""
"""Graz, station 112086, partial series, depths [mm]: published with the repository
MarkusPic/intensity_duration_frequency_analysis, commit fb8b25d, examples/ehyd_112086_idf_data (MIT).
"""

IRVING = """\
Point precipitation frequency estimates (inches)
Data type: Precipitation depth
Time series type: Partial duration
Latitude: 32.8687 Degree


PRECIPITATION FREQUENCY ESTIMATES
by duration for ARI (years):, 1,2,5,10,25,50,100
5-min:, 0.421,0.489,0.601,0.693,0.818,0.912,1.01
60-min:, 1.52,1.76,2.17,2.50,2.95,3.29,3.63
24-hr:, 3.29,3.95,5.00,5.89,7.17,8.19,9.27
2-day:, 3.82,4.59,5.80,6.84,8.32,9.49,10.7

Date/time (GMT):  Wed Jun 10 16:58:01 2026
"""
"""Irving, Texas: NOAA Atlas 14 volume 11 version 2 (a work of the United States government), some of its rows."""


def table(text: str) -> FrequencyTable:
    """Return a table that has no mistakes."""
    mistakes: list[object] = []
    found = read_frequency_table("frequency.csv", text, mistakes)  # type: ignore[arg-type]
    assert found is not None, mistakes
    return found


def test_forty_millimetres_in_an_hour_at_graz() -> None:
    """Between the published 37.20 mm of 2 years and 45.93 mm of 5 years; h = u + w ln T puts it at 2.68 years."""
    found = return_period(table(GRAZ), 40.0, 60)
    assert found is not None
    u = 30.60
    w = (52.53 - 30.60) / math.log(10)
    assert 2 < found.years < 5
    assert found.years == pytest.approx(math.exp((40.0 - u) / w), rel=0.01)


@pytest.mark.parametrize(("depth_mm", "years"), [(37.20, 2.0), (52.53, 10.0), (74.46, 100.0)])
def test_a_published_depth_has_its_published_return_period(depth_mm: float, years: float) -> None:
    """At the table's own cells nothing is interpolated."""
    assert return_period(table(GRAZ), depth_mm, 60) == ReturnPeriod(pytest.approx(years))


def test_nothing_is_said_beyond_the_table() -> None:
    """74.47 mm is more than 100 years, 30.59 mm less than 1; six days and a minute are no durations of it."""
    assert return_period(table(GRAZ), 74.47, 60) == ReturnPeriod(100.0, "more")
    assert return_period(table(GRAZ), 30.59, 60) == ReturnPeriod(1.0, "less")
    assert return_period(table(GRAZ), 40.0, 6 * 1440) is None
    assert return_period(table(GRAZ), 40.0, 1) is None
    assert depth_of(table(GRAZ), 200.0, 60) is None


def test_between_two_rows_the_published_ones_between_are_met() -> None:
    """Left out here, the published 90 min (58.59 mm) and 4 h (71.32 mm) of 10 years come back within 1 %."""
    assert depth_of(table(GRAZ), 10, 90) == pytest.approx(58.59, rel=0.01)
    assert depth_of(table(GRAZ), 10, 240) == pytest.approx(71.32, rel=0.01)


def test_the_published_form_by_duration_in_inches() -> None:
    """60 min of 100 years: 3.63 in = 92.2 mm; 24 h of 2 years: 3.95 in = 100.3 mm; 2 days are 2880 min."""
    irving = table(IRVING)
    assert depth_of(irving, 100, 60) == pytest.approx(92.2, abs=0.01)
    assert depth_of(irving, 2, 1440) == pytest.approx(100.33, abs=0.01)
    assert irving.minutes == (5, 60, 1440, 2880)


def test_gumbel_by_hand() -> None:
    """Yearly maxima of mean 2.5 in and deviation 0.7 in have 4.315 in in 50 years (Cornell, CEE 304, 2006).

    A table made of that law gives it back between its columns within 0.04 of the scale, and past 10 years 0.01.
    """
    scale = 0.7 * math.sqrt(6) / math.pi
    mode = 2.5 - 0.5772 * scale

    def depth(years: float) -> float:
        return mode - scale * math.log(-math.log(1 - 1 / years))

    assert depth(50) == pytest.approx(4.315, abs=0.001)
    columns = (2.0, 5.0, 10.0, 25.0, 100.0)
    made = FrequencyTable((60.0, 120.0), columns, (tuple(map(depth, columns)), tuple(2 * depth(t) for t in columns)))
    assert depth_of(made, 50, 60) == pytest.approx(4.315, abs=0.01 * scale)
    for years in np.linspace(2, 100, 300):
        found = depth_of(made, float(years), 60)
        assert found is not None
        assert abs(found - depth(years)) <= (0.04 if years < 10 else 0.01) * scale


@pytest.mark.parametrize(("years", "factor"), [(2, -0.164), (5, 0.719), (10, 1.305), (25, 2.044), (100, 3.137)])
def test_gumbel_frequency_factors(years: float, factor: float) -> None:
    """The return period of mean + K deviations is that of the published K (Chow's factors)."""
    columns = (1.5, 2.0, 5.0, 10.0, 25.0, 50.0, 100.0, 200.0)
    factors = [-math.sqrt(6) / math.pi * (0.5772 + math.log(-math.log(1 - 1 / t))) for t in columns]
    made = FrequencyTable((60.0,), columns, (tuple(100 + 20 * k for k in factors),))
    found = return_period(made, 100 + 20 * factor, 60)
    assert found is not None
    assert found.years == pytest.approx(years, rel=0.005)


def test_levels_of_port_pirie_and_of_the_south_west() -> None:
    """GEV (Coles 2001, ch. 3): 4.296, 4.577, 4.688 in 10, 50, 100 years; GPD daily rain: 106.3 mm in 100 years.

    Tables made of these laws give the levels back between columns a factor of two apart within 0.1 % and 0.5 %.
    """
    mu, sigma, xi = 3.87475, 0.19804, -0.05011
    columns = tuple(float(2**power) for power in range(1, 9))
    levels = tuple(mu + sigma / xi * ((-math.log(1 - 1 / t)) ** -xi - 1) for t in columns)
    pirie = FrequencyTable((60.0,), columns, (levels,))
    for years, level in ((10, 4.296), (50, 4.577), (100, 4.688)):
        assert depth_of(pirie, years, 60) == pytest.approx(level, rel=0.001)
    scale, shape, rate = 7.4403, 0.1845, 365.25 * 152 / 17531
    rain = FrequencyTable((1440.0,), columns, (tuple(30 + scale / shape * ((t * rate) ** shape - 1) for t in columns),))
    assert depth_of(rain, 100, 1440) == pytest.approx(106.3, rel=0.005)


def test_ten_years_at_one_place_is_two_years_somewhere_among_six() -> None:
    """P = 1 - (1 - 1/T)^n: 0.47 for n = 6, T = 10."""
    assert years_between(10, 6) == pytest.approx(1 / 0.468559)
    assert years_between(10, 1) == pytest.approx(10)


def test_caine_s_line() -> None:
    """I = 14.82 D^-0.39 (Caine 1980): 14.8 mm/h in 1 h, 7.37 in 6 h, 4.29 in 24 h, which is 103 mm."""
    caine = IntensityLine(a=14.82, b=0.39, from_hours=0.25, to_hours=72)
    assert caine.depth_mm(1) == pytest.approx(14.82)
    assert caine.depth_mm(6) / 6 == pytest.approx(7.37, abs=0.005)
    assert caine.depth_mm(24) / 24 == pytest.approx(4.29, abs=0.005)


def test_the_line_of_seattle() -> None:
    """P3 = 3.5 - 0.67 P15 inches (USGS OFR 2006-1064): 88.9 mm; after 50 mm in 15 days 55.4 mm are left."""
    seattle = Limit(depth_inches=3.5, rain_before=RainBefore(days=3, before_days=15, factor=0.67))
    assert seattle.depth_um == 88_900
    assert (seattle.depth_um - 0.67 * 50_000) / 1000 == pytest.approx(55.4)
