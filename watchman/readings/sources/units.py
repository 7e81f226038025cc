"""Units as sources write them, and the way from each to the base unit of its kind: mm or tips, degC, V, % and dBm."""

from __future__ import annotations

import numpy as np

MM_PER_INCH = 25.4
"""Exact by definition (international inch, 1959)."""

BASE = (0.0, 1.0, 1.0)
COUNTS = ("tips", "tip", "1", "{tips}", "{tip}", "{count}", "count", "counts")
"""Units of a number of tips."""
WAYS_OF = {
    "rain": {
        **dict.fromkeys(COUNTS, BASE),
        # 1 kg or litre of water on 1 m2 stands 1 mm high (WMO-No. 8)
        **dict.fromkeys(("mm", "millimetre", "millimeter", "millimetres", "millimeters"), BASE),
        **dict.fromkeys(("kg/m2", "kg.m-2", "kg m-2", "kg/m^2", "l/m2", "l/m^2"), BASE),
        **dict.fromkeys(("cm", "centimetre", "centimeter"), (0.0, 10.0, 1.0)),
        **dict.fromkeys(("m", "metre", "meter"), (0.0, 1000.0, 1.0)),
        **dict.fromkeys(("in", "inch", "inches", "[in_i]"), (0.0, MM_PER_INCH, 1.0)),
    },
    "temperature": {
        **dict.fromkeys(("degC", "Cel", "C", "°C", "\N{DEGREE CELSIUS}", "degc", "deg c"), BASE),
        **dict.fromkeys(("celsius", "degree celsius", "degrees celsius", "degree_celsius"), BASE),
        **dict.fromkeys(("degF", "[degF]", "F", "°F", "degf", "deg f"), (-32.0, 5.0, 9.0)),
        **dict.fromkeys(("fahrenheit", "degree fahrenheit", "degrees fahrenheit"), (-32.0, 5.0, 9.0)),
        **dict.fromkeys(("K", "kelvin"), (-273.15, 1.0, 1.0)),
    },
    "battery": {
        **dict.fromkeys(("V", "volt", "volts"), BASE),
        **dict.fromkeys(("mV", "millivolt", "millivolts"), (0.0, 1.0, 1000.0)),
    },
    "humidity": dict.fromkeys(("%", "percent", "%rh"), BASE),
    "signal": dict.fromkeys(("dBm", "dbm", "dB[mW]"), BASE),
}
"""variable -> unit -> (a, b, c): base = (value + a) * b / c. Words in brackets are UCUM's codes (ucum.org, from
memory).
"""
EXAMPLES = {
    "rain": "mm, cm, in, kg/m2 or tips",
    "temperature": "degC, degF or K",
    "battery": "V or mV",
    "humidity": "%",
    "signal": "dBm",
}
"""What a person is told of the units that can be read."""
WAYS = {unit: way for ways in WAYS_OF.values() for unit, way in ways.items()}


def to_base(value: np.ndarray, unit: str) -> np.ndarray:
    """Return values in the base unit of their kind. Raises KeyError for a unit that fits no variable."""
    way = WAYS[_named(unit)]
    added, times, parts = way
    return value if way == BASE else (value + added) * times / parts


def fits(unit: str, variable: str) -> bool:
    """Say whether values of the variable can be read in this unit."""
    return _named(unit) in WAYS_OF[variable]


def counts_tips(unit: str) -> bool:
    """Say whether it is a number of tips rather than a depth."""
    return _named(unit) in COUNTS


def _named(unit: str) -> str:
    unit = unit.strip()
    return unit if unit in WAYS else unit.lower()
