"""Units against pint, a general library of units (its registry follows CODATA and the international inch)."""

import numpy as np
import pint
import pytest

from watchman.readings.sources import units

PINT = {
    "degc": "degC",
    "deg c": "degC",
    "Cel": "degC",
    "C": "degC",
    "°C": "degC",
    "\N{DEGREE CELSIUS}": "degC",
    "celsius": "degC",
    "degree celsius": "degC",
    "degrees celsius": "degC",
    "degree_celsius": "degC",
    "[degF]": "degF",
    "degf": "degF",
    "deg f": "degF",
    "F": "degF",
    "°F": "degF",
    "fahrenheit": "degF",
    "degree fahrenheit": "degF",
    "degrees fahrenheit": "degF",
    "[in_i]": "inch",
    "in": "inch",
    "%": "percent",
    "%rh": "percent",
    "kg.m-2": "kg/m**2",
    "kg m-2": "kg/m**2",
    "kg/m2": "kg/m**2",
    "kg/m^2": "kg/m**2",
    "l/m2": "liter/m**2",
    "l/m^2": "liter/m**2",
    "dbm": "dBm",
    "dB[mW]": "dBm",
}
"""Our spelling -> pint's, where they differ."""
BASE = {"rain": "mm", "temperature": "degC", "battery": "V", "humidity": "percent", "signal": "dBm"}
VALUES = np.array([-40.0, 0.0, 0.2, 1.0, 12.7, 451.0])

registry = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)


@pytest.mark.parametrize(
    ("variable", "unit"),
    [(variable, unit) for variable, ways in units.WAYS_OF.items() for unit in ways if not units.counts_tips(unit)],
)
def test_every_unit_comes_to_what_pint_says(variable: str, unit: str) -> None:
    """A value in each unit is the same value in the base unit; a mass of water on an area is divided by 1000 kg/m3."""
    quantity = registry.Quantity(VALUES, PINT.get(unit, unit))
    if quantity.check("[mass]/[length]**2"):
        quantity = quantity / registry.Quantity(1000, "kg/m**3")

    assert units.to_base(VALUES, unit) == pytest.approx(quantity.to(BASE[variable]).magnitude, rel=1e-12, abs=1e-9)
    assert units.fits(unit, variable)


def test_an_inch_is_exact() -> None:
    """25.4 mm and not a rounding of it: 100 tips of 0.01 inch are 25.4 mm to the last digit."""
    assert units.to_base(np.array([1.0]), "inch")[0] == 25.4


def test_the_units_that_are_told_can_be_read() -> None:
    """Each of the examples fits its variable, and no other kind of quantity does."""
    for variable, examples in units.EXAMPLES.items():
        for unit in examples.replace(" or ", ", ").split(", "):
            assert [name for name in units.WAYS_OF if units.fits(unit, name)] == [variable]
