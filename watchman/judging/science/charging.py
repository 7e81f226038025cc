"""A battery's daily account: what the sun brought, what the night took, and how that compares with its peers.

With the charge S at dawn and in the evening as shares of the whole:

    use    = (S evening - S next dawn) / hours between          the station's own appetite [share/h]
    gain   = S evening - S dawn + use x hours between           what the panel brought that day [share/d]
    sun    = gain / what a cloudless day would have brought     [share per kWh/m2]

Cloud reaches neighbours alike; panel, tilt and size of a battery don't change from day to day. So

    sun [day, station] = strength [station] x clearness [day, around the station]

solved by medians in turns, which neither one bad panel nor one odd day can bend (the median polish of Tukey 1977, in
ratios). A battery that was full in the evening could not take more: its sun is "at least so much".
"""

from __future__ import annotations

import numpy as np

from watchman.judging.science.trend import median

TURNS = 2
DULL = 0.1
"""A day must be clearer than this share of a usual one to say something of a panel (judgement, no source)."""


def night_use(evening: np.ndarray, dawn: np.ndarray, dark_h: np.ndarray) -> np.ndarray:
    """Return what each night took [share/h; day, n]; day d's night ends with the dawn of d + 1, the last is unknown.

    evening, dawn: charge [share; day, n]; dark_h: the hours between [h, n].
    """
    use = np.full(evening.shape, np.nan)
    use[:-1] = (evening[:-1] - dawn[1:]) / dark_h
    return use


def clearness_and_strength(
    sun: np.ndarray, saturated: np.ndarray, before: slice, peers: np.ndarray, comparable: np.ndarray, needed: int
) -> tuple[np.ndarray, np.ndarray]:
    """Return how clear each day was around each station by its peers [day, n], and the strength of each panel [n].

    Clearness is 1 on a usual day, at least 0. Both are NaN where fewer than `needed` peers or days tell. sun [share per
    kWh/m2; day, n]; saturated: it was full in the evening [bool; day, n]; before: the days from which strengths are
    learned; peers, comparable: positions of the neighbours, and which of them count [n, k].
    """
    sun = sun.astype(np.float32)  # halves the sorting, and the meter knows no more
    open_sun = np.where(saturated, np.nan, sun)[before]
    strength = _median_of_enough(open_sun, needed)
    for _ in range(TURNS):
        shares = sun / np.where(strength > 0, strength, np.nan)
        shares = np.where(saturated & ~np.isnan(sun), np.fmax(shares, 1.0), shares)
        seen = np.moveaxis(np.where(comparable, shares[:, peers], np.nan), 2, 0)
        clearness = np.maximum(_median_of_enough(seen, needed), 0.0)
        told = np.where(clearness[before] > DULL, open_sun / np.fmax(clearness[before], DULL), np.nan)
        strength = _median_of_enough(told, needed)
    return clearness, strength


def _median_of_enough(values: np.ndarray, needed: int) -> np.ndarray:
    """Return the median along the first axis where at least `needed` values are there, else NaN."""
    enough = np.count_nonzero(~np.isnan(values), axis=0) >= needed
    return np.where(enough, median(values), np.nan)
