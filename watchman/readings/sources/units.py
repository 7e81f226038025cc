"""Units as sources write them, and the way from each to the base unit of its kind: mm or tips, degC, V, % and dBm."""

from __future__ import annotations

import numpy as np

MM_PER_INCH = 25.4
"""Exact by definition (international inch, 1959)."""

BASE = (0.0, 1.0, 1.0)
WAYS = {
    # 1 kg or litre of water on 1 m2 stands 1 mm high (WMO-No. 8)
    **dict.fromkeys(("mm", "millimetre", "millimeter", "kg/m2", "kg.m-2", "l/m2"), BASE),
    **dict.fromkeys(("cm", "centimetre", "centimeter"), (0.0, 10.0, 1.0)),
    **dict.fromkeys(("m", "metre", "meter"), (0.0, 1000.0, 1.0)),
    **dict.fromkeys(("in", "inch", "inches", "[in_i]"), (0.0, MM_PER_INCH, 1.0)),
    **dict.fromkeys(("tips", "tip", "1", "{tips}", "{count}", "count", "counts"), BASE),
    **dict.fromkeys(("degC", "Cel", "C", "°C", "celsius", "degree celsius"), BASE),
    **dict.fromkeys(("degF", "[degF]", "F", "°F", "fahrenheit", "degree fahrenheit"), (-32.0, 5.0, 9.0)),
    **dict.fromkeys(("K", "kelvin"), (-273.15, 1.0, 1.0)),
    **dict.fromkeys(("V", "volt", "volts"), BASE),
    **dict.fromkeys(("mV", "millivolt"), (0.0, 1.0, 1000.0)),
    **dict.fromkeys(("%", "percent", "dBm", "dB[mW]"), BASE),
}
"""unit -> (a, b, c): base = (value + a) * b / c. Words in square brackets are UCUM's codes (ucum.org, from memory)."""


def to_base(value: np.ndarray, unit: str) -> np.ndarray:
    """Return values in the base unit of their kind. Raises KeyError for a unit that `known` denies."""
    way = WAYS[_named(unit)]
    added, times, parts = way
    return value if way == BASE else (value + added) * times / parts


def known(unit: str) -> bool:
    """Say whether values in this unit can be read."""
    return _named(unit) in WAYS


def _named(unit: str) -> str:
    unit = unit.strip()
    return unit if unit in WAYS else unit.lower()
