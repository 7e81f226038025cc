"""How much of what a gauge tips may be snow that melts in its funnel?

An account by the hour, of the most that can lie there and the most that can melt [mm of water]:

    lying   grows by 3 mm in each hour under 2 degC in which snow may have fallen, to 30 mm at most, and shrinks by
            2 mm / 24 for each degree above 0
    melts   up to 5 mm / 24 for each degree above 0, and no more than lies

At the beginning as much lies as can.

Where the numbers come from: 2 to 5 mm a degree and day are the usual degree-day factors (from memory); 2 degC: rain
and snow are equally likely at 1.0 degC on average, from -0.4 to 2.4 degC at 95 % of stations (Jennings et al. 2018,
Nat. Commun.). 30 mm: a funnel full of settled snow, 20 cm at 150 kg/m3; 3 mm in an hour is heavy snow: judgement, no
source.
"""

from __future__ import annotations

import numpy as np

SNOW_C = 2.0
FALLS_MM_H, HOLDS_MM = 3.0, 30.0
MELTS_LEAST, MELTS_MOST = 2.0 / 24.0, 5.0 / 24.0
"""A degree-hour melts at least and at most so much [mm]."""


def may_melt_mm(degrees: np.ndarray, may_snow: np.ndarray) -> np.ndarray:
    """Return the most that can have melted in each hour [mm; hour, k].

    degrees: of the air [degC; hour, k], NaN as in the hour before; may_snow: not known to be without snowfall.
    """
    melted = np.zeros(degrees.shape, np.float32)
    lying = np.full(degrees.shape[1], HOLDS_MM, np.float32)
    last = np.full(degrees.shape[1], np.float32(0.0))
    for hour, now in enumerate(degrees):
        last = np.where(np.isnan(now), last, now)
        lying += np.where((last < SNOW_C) & may_snow[hour], np.float32(FALLS_MM_H), np.float32(0.0))
        np.minimum(lying, np.float32(HOLDS_MM), out=lying)
        warmth = np.maximum(last, np.float32(0.0))
        melted[hour] = np.minimum(lying, np.float32(MELTS_MOST) * warmth)
        lying = np.maximum(lying - np.float32(MELTS_LEAST) * warmth, np.float32(0.0))
    return melted
