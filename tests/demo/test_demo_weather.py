"""The invented weather, gauges and cells behave as published figures say real ones do."""

from datetime import UTC, datetime

import numpy as np
import pytest

from demo import gauge, power, rain
from demo.sites import sites

MINUTES_A_DAY = 1440


def _line(*east_km: float) -> rain.Plane:
    return rain.Plane(np.array(east_km), np.zeros(len(east_km)), np.zeros(len(east_km)))


def _hourly(climate: rain.Climate, plane: rain.Plane, days: int = 120) -> np.ndarray:
    rate = rain.season(np.random.default_rng(3), plane, days, climate)
    return np.asarray(rate.reshape(-1, 60, len(plane.x_km)).mean(axis=1))


def _range_km(climate: rain.Climate) -> float:
    """Return the distance at which hourly correlation has fallen to 1/e, by an exponential through 15 km."""
    together = np.corrcoef(_hourly(climate, _line(0.0, 15.0)).T)[0, 1]
    return float(-15.0 / np.log(together))


def test_neighbours_at_three_kilometres_agree() -> None:
    """Hourly rain 3 km apart correlates above 0.9, as in dense networks (job study 6.1)."""
    together = np.corrcoef(_hourly(rain.Climate(), _line(0.0, 3.0)).T)[0, 1]

    assert together > 0.9


def test_correlation_reaches_farther_in_stratiform_rain() -> None:
    """Range of hourly correlation brackets the published 75 km (cyclonic) and 26 km (thundery): Valeo & Tang 2001."""
    steady = _range_km(rain.Climate(storms_per_day=0.0, steady_per_day=0.3))
    mixed = _range_km(rain.Climate())
    showers = _range_km(rain.Climate(storms_per_day=0.5, steady_per_day=0.0))

    assert 40.0 < steady < 150.0
    assert 5.0 < showers < 26.0
    assert showers < mixed < steady


def test_a_cell_ends_with_a_hard_edge() -> None:
    """Beyond its edge a cell rains exactly nothing."""
    cell = rain.Cell(begins=0.0, minutes=45.0, peak_mm_h=60.0, x_km=0.0, y_km=0.0, size_km=3.0)

    _, fall = rain.cell_fall(cell, _line(0.0, 6.5, 6.7), 60)

    assert fall[:, 0].max() == pytest.approx(60.0, rel=0.01)
    assert fall[:, 1].sum() > 0.0
    assert fall[:, 2].sum() == 0.0


def test_storms_leave_honest_zeros() -> None:
    """In a season of showers some hours are wet at one gauge and exactly dry 10 km on."""
    hourly = _hourly(rain.Climate(storms_per_day=0.5, steady_per_day=0.0), _line(0.0, 10.0))

    assert np.any((hourly[:, 0] > 2.0) & (hourly[:, 1] == 0.0))


@pytest.mark.parametrize(("rate_mm_h", "measured_percent"), [(19.9, 0.98), (175.0, 8.78)])
def test_undercatch_is_as_measured(rate_mm_h: float, measured_percent: float) -> None:
    """The bucket's loss at two rates agrees with Duchon, Fiebrich and Grimsley, JTECH 31(6), 2014 (0.254 mm tips)."""
    assert 100.0 * float(gauge.undercatch(np.array(rate_mm_h), 0.254)) == pytest.approx(measured_percent, abs=0.2)


def test_a_bucket_keeps_what_it_has_not_tipped() -> None:
    """Tips times their size never differ from the water that came by more than losses and one tip."""
    rng = np.random.default_rng(5)
    water = np.where(rng.uniform(size=(3 * MINUTES_A_DAY, 1)) < 0.05, 6.0, 0.0)

    tips = gauge.tips(rng, water, np.array([300.0]), 0.2)

    came_mm = water.sum() / 60.0
    assert 0.85 * came_mm < 0.2 * tips.sum() < came_mm
    assert tips.min() == 0


def test_snow_waits_for_the_thaw() -> None:
    """Snow gives no tips in the frost and all its water once it is warm."""
    rate = np.zeros((6 * MINUTES_A_DAY, 1))
    rate[:600] = 1.0
    temperature = np.where(np.arange(len(rate)) < 2 * MINUTES_A_DAY, -4.0, 6.0)[:, None]

    water = gauge.thaw(rate, temperature)

    assert water[: 2 * MINUTES_A_DAY].sum() < 0.01 * rate.sum()
    assert water.sum() == pytest.approx(rate.sum(), rel=0.01)
    assert water[2 * MINUTES_A_DAY :].max() < 1.1


def test_the_sun_stands_where_the_almanac_has_it() -> None:
    """At the equinox the noon sun stands at 90 degrees less latitude; by night it is down."""
    noon = datetime(2025, 3, 20, 11, 15, tzinfo=UTC)  # the sun culminates at 13 deg east, 7.5 min behind mean time
    moments = np.array([noon.timestamp(), noon.timestamp() - 12 * 3600])

    height = np.degrees(np.arcsin(power.sun_height(moments)))

    assert height[0] == pytest.approx(43.0, abs=0.5)
    assert height[1] == 0.0


def test_a_cell_in_the_dark_gives_what_its_load_takes() -> None:
    """Without light a cell loses its load's ampere-hours: ten days of 18 mA from 12 Ah, less at 10 degC, is 39 %."""
    ridge = sites()[:1]
    dark = np.zeros((960, 1))

    volts = power.battery(np.random.default_rng(2), ridge, dark, np.full((960, 1), 10.0))

    at_rest = volts + (ridge[0].load_ma / 1000.0 + power.SENDING_A) * 0.18
    charge = np.interp(at_rest[:, 0], power.OPEN_VOLTS, power.CHARGE)
    assert charge[:8].mean() - charge[-8:].mean() == pytest.approx(0.018 * 240.0 / (12.0 * 0.92), abs=0.03)
