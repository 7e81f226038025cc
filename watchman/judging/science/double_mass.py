"""Double-mass analysis: has a gauge's ratio to the pattern of its neighbours changed, and when?

A gauge's cumulative rain against that of its neighbours is a straight line as long as nothing changes; a bend is a
change at the gauge (Searcy and Hardison 1960, USGS Water-Supply Paper 1541-B). The slope is the ratio.

How sure a bend is comes from Bayes' rule: how much likelier the days are with a step of some size at some day than
without one, averaged over the days and the sizes it may have had (Chernoff and Zacks 1964, from memory). The level
before is not known either: it is averaged over, near what the network leads to expect of this place.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from watchman.judging.science.trend import median

NORMAL_MAD = 1.4826
"""Standard deviation over median absolute deviation of the normal distribution: 1 / its 75 % quantile."""
LEVEL_STEP = 0.06
LEVELS = LEVEL_STEP * np.arange(-20, 21)
"""Logarithms of a ratio that are tried [-]: from 0.3 to 3.3."""
FREEDOM = 4.0
"""Degrees of freedom of Student's t, which the days of our own simulation follow (judging/beside.py)."""
ODD_PLACES, ODD_SPREAD = 0.2, 0.3
"""One place in five is as sheltered or exposed as a spread of 30 % says (judgement, no source)."""
FEW, USUAL_SCATTER = 10.0, 0.85
"""A gauge's own scatter counts as much as ten days of 0.85 times the error expected (our simulation: 0.8 to 1.1)."""
SCATTER = (0.6, 3.0)
LEAST_BEFORE, LEAST_AFTER = 6, 3
"""So many days lie on either side of a step (judgement, no source)."""
PLACES = 40
"""So many places of a step are tried, evenly; one or two days more or less hardly matter."""
SLOPE_A_KM, SLOPE_SPREAD = 0.35, 0.3
"""Rain grows by about so much a kilometre of height, give or take (order of magnitude, from memory)."""
WITHIN = (0.08, 0.25)
ENOUGH = 10
"""So many gauges say what is usual of a network (judgement, no source)."""
WILD = 3.0
"""Values further from the middle than this many standard deviations are drawn in to it (judgement, no source)."""


@dataclass(frozen=True, slots=True)
class Break:
    """The best bend of each series [n]: before which piece it lies (0 where none can be told); the mean before and
    after it; its t, the difference in units of its standard error; scatter: standard deviation of a single piece.
    """

    at: np.ndarray
    before: np.ndarray
    after: np.ndarray
    t: np.ndarray
    error: np.ndarray


def best_break(values: np.ndarray, weight: np.ndarray, least: int) -> Break:
    """Return where two levels fit each series [piece, n] best; NaN is no value; each level rests on `least` at least.

    weight: 1 over the variance to be expected of each piece, up to a factor. It lies where t = |after - before| /
    (scatter sqrt(1/weight_before + 1/weight_after)) is largest, which is also where the squares about two levels are
    least: t squared is the F of the analysis of covariance with one degree of freedom. scatter: standard deviation
    about the two levels of a piece of weight 1. Wild values are drawn in first.
    """
    known = ~np.isnan(values)
    heavy = np.where(known, weight, 0.0)
    middle = median(values)
    away = (values - middle) * np.sqrt(weight)
    widest = WILD * NORMAL_MAD * median(np.abs(away)) / np.sqrt(weight)
    drawn = np.where(known, np.clip(values, middle - widest, middle + widest), 0.0)
    count, mass = np.cumsum(known, axis=0), np.cumsum(heavy, axis=0)
    total, square = np.cumsum(heavy * drawn, axis=0), np.cumsum(heavy * drawn**2, axis=0)
    later, rest = mass[-1] - mass, total[-1] - total
    enough = known & (count >= least) & (count[-1] - count >= least)
    with np.errstate(invalid="ignore", divide="ignore"):
        difference = rest / later - total / mass
        about = square[-1] - total**2 / mass - rest**2 / later
        scatter = np.sqrt(np.maximum(about, 0.0) / (count[-1] - 2))
        error = scatter * np.sqrt(1.0 / mass + 1.0 / later)
        t = np.nan_to_num(np.where(enough, np.abs(difference) / error, 0.0), posinf=0.0)
        at, columns = np.argmax(t, axis=0), np.arange(values.shape[1])
        before, after = (total / mass)[at, columns], (rest / later)[at, columns]
    best = t[at, columns]
    found = best > 0
    before, after, at_best = (np.where(found, column, np.nan) for column in (before, after, error[at, columns]))
    return Break(np.where(found, at + 1, 0), before, after, best, at_best)


def slopes(station: np.ndarray, pattern: np.ndarray, at: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the slopes of the double-mass line before and after a row: rain of the station over that of the pattern.

    station, pattern [mm; row, n]; NaN where the pattern had no rain.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        before = station[:at].sum(axis=0) / pattern[:at].sum(axis=0)
        after = station[at:].sum(axis=0) / pattern[at:].sum(axis=0)
    return before, after


@dataclass(frozen=True, slots=True)
class Step:
    """The likeliest step of one series: before which value it lies, its logarithm, and the logarithm of the odds that
    there is any of those looked for (-inf where there are too few values).
    """

    at: int
    change: float
    log_odds: float


NO_STEP = Step(0, 0.0, -np.inf)


def likeliest_step(
    ratio: np.ndarray,
    error: np.ndarray,
    usual: float,
    within: float,
    changes: np.ndarray,
    besides: np.ndarray | None = None,
    least: tuple[int, int] = (LEAST_BEFORE, LEAST_AFTER),
) -> Step:
    """Return the likeliest step of one gauge's logarithms of ratios [k], none of them NaN, and how likely any step is.

    error: what chance puts each off by [k]; usual, within: the level to be expected of this place and how far places
    lie from it; changes: the sizes looked for, whole numbers of LEVEL_STEP; besides: what else speaks for each size
    from each value on, as logarithms of odds [change, k]; least: how many values lie on either side of it.
    """
    if len(ratio) < sum(least) or not len(changes):
        return NO_STEP
    value, scale = ratio - usual, error * scatter(ratio, error)
    away = (value[:, None] - LEVELS) / scale[:, None]
    likely = np.zeros((len(value) + 1, len(LEVELS)))
    np.cumsum(-(FREEDOM + 1) / 2 * np.log1p(away**2 / FREEDOM), axis=0, out=likely[1:])
    place = (1 - ODD_PLACES) / within * np.exp(-0.5 * (LEVELS / within) ** 2)
    place = np.log(place + ODD_PLACES / ODD_SPREAD * np.exp(-0.5 * (LEVELS / ODD_SPREAD) ** 2))
    none = _log_sum(likely[-1] + place)
    at = np.arange(least[0], len(value) - least[1] + 1)
    at = at[np.unique(np.linspace(0, len(at) - 1, min(PLACES, len(at))).astype(int))]
    before, after = likely[at] + place, likely[-1] - likely[at]
    table = np.empty((len(changes), len(at)))
    for row, change in enumerate(changes):
        steps = round(float(change) / LEVEL_STEP)
        kept = slice(0, -steps) if steps > 0 else slice(-steps, None)
        moved = slice(steps, None) if steps > 0 else slice(0, steps)
        table[row] = _log_sum(before[:, kept] + after[:, moved]) - none
    if besides is not None:
        table += besides[:, at]
    best, place_of = np.unravel_index(int(np.argmax(table)), table.shape)
    return Step(int(at[place_of]), float(changes[best]), float(_log_sum(table.ravel()) - np.log(table.size)))


def scatter(ratio: np.ndarray, error: np.ndarray) -> float:
    """Return how many times the error expected a gauge's days scatter about their middle [-]."""
    weight = error**-2.0
    away = np.abs(ratio - weighted_median(ratio, weight)) / error
    own = (NORMAL_MAD * float(np.median(away)) * len(ratio) + USUAL_SCATTER * FEW) / (len(ratio) + FEW)
    return float(np.clip(own, *SCATTER))


def weighted_median(values: np.ndarray, weight: np.ndarray) -> float:
    """Return the value on either side of which half of the weight lies."""
    order = np.argsort(values)
    until = np.cumsum(weight[order])
    return float(values[order][np.searchsorted(until, until[-1] / 2)])


def expected_level(level: np.ndarray, error: np.ndarray, rise_km: np.ndarray) -> tuple[np.ndarray, float]:
    """Return the level to be expected of each gauge of a neighbourhood [n], and how far gauges lie from it.

    level, error: of each gauge's ratio to its neighbours; rise_km: by how much it stands above them. Higher places have
    more rain: the slope is fitted, held near what is usual. Few gauges are trusted less.
    """
    weight = 1.0 / (0.1**2 + error**2)
    middle = np.average(level, weights=weight)
    steep = (weight * rise_km * (level - middle)).sum() + SLOPE_A_KM / SLOPE_SPREAD**2
    slope = steep / ((weight * rise_km**2).sum() + SLOPE_SPREAD**-2)
    rest = level - slope * rise_km
    common = weighted_median(rest, weight) * min(1.0, len(level) / ENOUGH)
    # Wild gauges are the ones looked for: they mustn't widen what is usual.
    squares = np.average(np.minimum((rest - common) ** 2, ODD_SPREAD**2) - error**2, weights=weight)
    return common + slope * rise_km, float(np.clip(np.sqrt(max(squares, 0.0)), *WITHIN))


def _log_sum(values: np.ndarray) -> np.ndarray:
    """Return the logarithm of the sum of exponentials along the last axis."""
    most = values.max(axis=-1)
    return np.asarray(most + np.log(np.exp(values - most[..., None]).sum(axis=-1)))
