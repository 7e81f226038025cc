"""Double-mass analysis: has a gauge's ratio to the pattern of its neighbours changed, and when?

A gauge's cumulative rain against that of its neighbours is a straight line as long as nothing changes; a bend is a
change at the gauge (Searcy and Hardison 1960, USGS Water-Supply Paper 1541-B). The slope is the ratio.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from watchman.judging.science.trend import median

NORMAL_MAD = 1.4826
"""Standard deviation over median absolute deviation of the normal distribution: 1 / its 75 % quantile."""
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


def pieces(station: np.ndarray, pattern: np.ndarray, mm: float, most: int) -> np.ndarray:
    """Return into which of `most` pieces of equal rain each row falls [row, n], the latest last, -1 for no piece.

    station, pattern [mm; row, n], 0 where a row doesn't count. A row belongs to the piece of the cumulative rain (the
    mean of both) in which it begins, however much it brings: a single heavy row is one piece. Dry rows, the last piece
    until it is full, and rows before the latest `most` pieces are in none.
    """
    mean = (station + pattern) / 2.0
    until = np.cumsum(mean, axis=0)
    # Counted back from the end, so that the latest pieces are the last of the table.
    place = np.floor((until - mean) / mm).astype(np.int64) - np.floor(until[-1] / mm).astype(np.int64) + most
    return np.where((place >= 0) & (place < most) & (mean > 0), place, -1)


def summed(values: np.ndarray, piece: np.ndarray, most: int) -> np.ndarray:
    """Return values [row, n] summed over their pieces [piece, n]."""
    row, column = np.nonzero(piece >= 0)
    at = piece[row, column] * values.shape[1] + column
    return np.bincount(at, values[row, column], most * values.shape[1]).reshape(most, -1)


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
