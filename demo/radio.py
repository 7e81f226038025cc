"""From a station's logger to the data service: delay, loss, late batches and repeats."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

NEVER = np.iinfo(np.int64).max


Stretch = tuple[int, int]
"""From, to [s since 1970]."""


@dataclass(frozen=True, slots=True)
class Silence:
    """A stretch in which a station is not heard [s since 1970]. kept: its logger sends it all afterwards."""

    begins: int
    ends: int
    kept: bool


def journey(
    rng: np.random.Generator, observed_s: np.ndarray, every_s: int, silences: tuple[Silence, ...]
) -> np.ndarray:
    """Return when each report of one station arrives [s since 1970], NEVER if it is lost.

    Delay lognormal with a median of half a minute and a tail of more than ten; 0.5 to 3 % are not heard at first, and
    four in five of those come with a later report (ranges of small cellular stations, from memory).
    """
    size = len(observed_s)
    delay = rng.lognormal(np.log(rng.uniform(20.0, 60.0)), 0.8, size)
    delay += np.where(rng.uniform(size=size) < 0.01, 600.0 + rng.exponential(600.0, size), 0.0)
    unheard = rng.uniform(size=size) < rng.uniform(0.005, 0.03)
    delay += np.where(unheard, every_s * rng.geometric(0.7, size), 0)
    arrived = observed_s + np.ceil(delay).astype(np.int64)
    arrived[unheard & (rng.uniform(size=size) < 0.2)] = NEVER
    for silence in silences:
        # A report made before the silence but still under way is caught by it too.
        caught = (arrived > silence.begins) & (observed_s < silence.ends)
        arrived[caught] = silence.ends + rng.integers(30, 600, int(caught.sum())) if silence.kept else NEVER
    return arrived


def repeats(
    rng: np.random.Generator, arrived_s: np.ndarray, twice: tuple[Stretch, ...]
) -> tuple[np.ndarray, np.ndarray]:
    """Return which reports the service files again, and when [positions; s since 1970].

    twice: the stretches in which it files all of them again.
    """
    share = rng.uniform(0.001, 0.01)
    again = rng.uniform(size=len(arrived_s)) < share
    for begins, ends in twice:
        again |= (arrived_s > begins) & (arrived_s <= ends)
    chosen = np.flatnonzero(again & (arrived_s != NEVER))
    return chosen, arrived_s[chosen] + rng.integers(20, 1200, len(chosen))


def at_the_door(arrived_s: np.ndarray, outages: tuple[Stretch, ...]) -> np.ndarray:
    """Return the arrivals with those inside an outage of the service moved to its end [s since 1970]."""
    moved = arrived_s.copy()
    for begins, ends in outages:
        moved[(moved >= begins) & (moved < ends)] = ends
    return moved
