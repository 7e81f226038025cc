"""From a station's logger to the data service: delay, loss, late batches and repeats."""

from __future__ import annotations

import numpy as np

NEVER = np.iinfo(np.int64).max


def journey(rng: np.random.Generator, observed_s: np.ndarray, every_s: int) -> np.ndarray:
    """Return when each report of one healthy station arrives [s since 1970 UTC], NEVER if it is lost.

    Delay lognormal, median 20 to 60 s, a tail of more than ten minutes; 0.5 to 3 % are not heard at first, and four in
    five of those come with a later report. A few batches are held for one or two intervals and come at once.
    """
    size = len(observed_s)
    delay = rng.lognormal(np.log(rng.uniform(20.0, 60.0)), 0.8, size)
    delay += np.where(rng.uniform(size=size) < 0.01, 600.0 + rng.exponential(600.0, size), 0.0)
    unheard = rng.uniform(size=size) < rng.uniform(0.005, 0.03)
    delay += np.where(unheard, every_s * rng.geometric(0.7, size), 0)
    arrived = observed_s + np.ceil(delay).astype(np.int64)
    arrived[unheard & (rng.uniform(size=size) < 0.2)] = NEVER
    for first in np.flatnonzero(rng.uniform(size=size) < 0.3 * every_s / 86400.0):
        held = slice(first, first + rng.integers(2, 4))
        released = observed_s[held][-1] + rng.integers(30, 300, len(observed_s[held]))  # and out of order
        arrived[held] = np.where(arrived[held] == NEVER, NEVER, np.maximum(arrived[held], released))
    return arrived


def repeats(rng: np.random.Generator, arrived_s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return which reports are filed again, and when [positions; s since 1970 UTC].

    A few at any time, and now and then all of some hours.
    """
    again = rng.uniform(size=len(arrived_s)) < rng.uniform(0.001, 0.02)
    if rng.uniform() < 0.3 and len(arrived_s):
        first = rng.integers(len(arrived_s))
        again[first : first + 40] = True
    chosen = np.flatnonzero(again & (arrived_s != NEVER))
    return chosen, arrived_s[chosen] + rng.integers(20, 7200, len(chosen))
