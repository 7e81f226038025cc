"""Has its ratio to its neighbours drifted, against its own usual ratio?

A funnel that tilts, a bucket that wears or sticks now and then, a switch that misses tips: the gauge goes on counting,
but less (or more) than it used to beside the same neighbours. Its rain is held against a pattern, the mean of up to 8
neighbours within 60 km (the near ones weigh more), each in units of its own usual rain. The season is cut into pieces
of 10 mm, and of each the logarithm of own rain over the pattern is taken: a single heavy shower is one piece, however
much it brought. A piece in which the neighbours were far apart counts for little: its weight is 1 / (0.2 squared + the
square of their spread over their mean). Two levels are fitted to these pieces (double-mass analysis,
science/double_mass.py):

    ratio = exp(mean of the pieces after the break) / exp(mean of those before)
    t     = difference of the two levels / its standard error, from the scatter of the pieces about them

It is told when all of these hold:

    large enough     the ratio has changed by 15 % or more, over 100 mm or more before and after the break
    beyond chance    t >= 5. One climate's showers scatter far more than another's rain: there it takes more rain
    never before     no 100 mm before the break had such a ratio, and the latest 100 mm still have it
    its own          beside three quarters of its neighbours, one by one, the change is at least half as large; and
                     the neighbours themselves have changed by less than a third of it, at the middle

Days count on which the gauge and 3 of its neighbours delivered 99 % of the readings, with nothing held back, since the
gauge came to this place, and without frost (judging/frost.py).

Where the numbers come from: 15 % and 100 mm are our own study of what is worth a visit. That a gauge with less than 90
% of a check gauge is likely clogged, and 5 to 10 % of drift are usual after 2 or 3 years: Cornell University, extension
note, 2015. t >= 5 where a single test needs 3: the break's place is searched among some 50, every day anew, and showers
scatter wildly. In 187 station-years of quality-controlled daily rain in the Thames valley, 5 calls nobody without the
frost months, 5 times with them (4.5: 14 times). Inverse squares of the distance are common practice, no source. Pieces
of 10 mm, 60 km, the 2 km beside the distance, 0.2, three quarters, a half and a third: judgement, no source.

What it cannot see: a fault older than the 400 days that are kept, or that was there from the start; a change of all
neighbours alike; loss in wind, snow or heavy rain alone; a slow drift until it amounts to 15 % between its two halves.
Readings are never corrected for what it finds.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any

import numpy as np
from pydantic import Field

from watchman.judging.frost import frost_days
from watchman.judging.science.double_mass import Break, best_break, pieces, slopes, summed
from watchman.judging.view import Findings, View, rfc3339
from watchman.model import Verdict
from watchman.readings.record import DAILY_DAYS, DAY
from watchman.written import Written

NAME = "undercatch"
EVERY_S = DAY

NEAR_KM = 60.0
NEIGHBOURS = 8
NEIGHBOURS_NEEDED = 3
NEARER_KM = 2.0
WHOLE_DAY = 0.99
PIECE_MM, PIECES = 10.0, 200
LEAST_PIECES = 10
LEAST_SCATTER = 0.2
FLOOR_MM = 0.5
T_LIMIT = 5.0
AGREE, AGREE_SHARE = 0.5, 0.75
STEADY = 3.0
Z_95 = 1.96
"""The normal distribution's quantile that leaves 2.5 % on either side."""
TOGETHER = 2000
"""Stations whose pattern is made in one go, so that memory stays small."""


class Settings(Written):
    """How undercatch is set."""

    limit_percent: Annotated[float, Field(ge=5, le=80)] = 15.0
    """Tell when the ratio to the neighbours has changed by this much or more [%]."""


@dataclass(frozen=True, slots=True)
class _Days:
    """The days of the long memory [day, n]: good: those that count; rain [mm], 0 where they don't."""

    first: int
    good: np.ndarray
    rain: np.ndarray


@dataclass(frozen=True, slots=True)
class _Part:
    """Some stations weighed [k]: own rain of each piece [mm], the logarithm of its ratio [piece, k], into which piece
    each day falls [day, k], the best break.
    """

    some: np.ndarray
    sums: np.ndarray
    values: np.ndarray
    piece: np.ndarray
    found: Break


def judge(view: View, settings: Settings) -> Findings:
    """Return whose ratio to the neighbours has changed.

    numbers: ratio (after over before), low, high (its 95 % interval), t, before_mm, after_mm (own rain), agree and
    neighbours (how many of them show it), broke_at [s since 1970 UTC, 0 where no break can be told], pieces.
    """
    size = len(view.stations)
    days, near = _days(view), _near(view)
    known = {name: np.full(size, np.nan) for name in ("ratio", "low", "high", "t")}
    known |= {name: np.zeros(size) for name in ("before_mm", "after_mm", "agree", "neighbours", "broke_at", "pieces")}
    present = np.zeros(size, bool)
    for begin in range(0, size, TOGETHER):
        part = _weighed(view, days, near, np.arange(begin, min(begin + TOGETHER, size)))
        found, change = part.found, part.found.after - part.found.before
        for name, column in _numbers(view, days, part).items():
            known[name][part.some] = column
        loud = (found.t >= T_LIMIT) & (np.abs(change) >= _limit(settings, change))
        for row in np.flatnonzero(loud):
            position = int(part.some[row])
            ended = int(_ended(part)[row])
            agree, neighbours, drift = _neighbours(view, days, near, position, ended + 1, change[row])
            known["agree"][position], known["neighbours"][position] = agree, neighbours
            its_own = agree >= AGREE_SHARE * neighbours and STEADY * drift <= abs(change[row])
            present[position] = its_own and _unlike_before(part.values[:, row], found, int(row))
    return _findings(view, near, present, known)


def evidence(view: View, settings: Settings, findings: Findings, position: int) -> dict[str, Any]:
    """Return what people are shown of one gauge: the ratio before and after, the break's date, who agrees."""
    numbers = {name: float(column[position]) for name, column in findings.numbers.items()}
    told = numbers["broke_at"] > 0

    def share(name: str) -> float | None:
        return round(100.0 * numbers[name], 0) if told else None

    return {
        "percent_of_usual": share("ratio"),
        "percent_low": share("low"),
        "percent_high": share("high"),
        "too_little": bool(told and numbers["ratio"] < 1),
        "broke_at": rfc3339(numbers["broke_at"]) if told else None,
        "before_mm": round(numbers["before_mm"], 0),
        "after_mm": round(numbers["after_mm"], 0),
        "t": round(numbers["t"], 1) if told else None,
        "limit_t": T_LIMIT,
        "limit_percent": settings.limit_percent,
        "agree": int(numbers["agree"]),
        "neighbours": int(numbers["neighbours"]),
        "weighed_mm": round(PIECE_MM * numbers["pieces"], 0),
        "needed_mm": round(2 * LEAST_PIECES * PIECE_MM, 0),
    }


def _limit(settings: Settings, change: np.ndarray) -> np.ndarray:
    """Return how large a change of the logarithm must be: 15 % less or 15 % more."""
    share = settings.limit_percent / 100.0
    limit: np.ndarray = np.where(change < 0, -np.log(1.0 - share), np.log(1.0 + share))
    return limit


def _days(view: View) -> _Days:
    daily = view.record.daily
    first = max(daily.head - DAILY_DAYS, 0)
    days = slice(first, daily.head)
    good = (daily.known[days] >= WHOLE_DAY * DAY) & (daily.held[days] == 0)
    good &= daily.start + np.arange(first, daily.head)[:, None] * DAY >= view.stations.from_s
    good &= ~frost_days(view, first, np.arange(len(view.stations)))[:-1]
    return _Days(first, good, np.where(good, daily.rain[days] / np.float32(1000.0), np.float32(0.0)))


def _near(view: View) -> np.ndarray:
    """Return up to 8 neighbours within 60 km, nearest first, -1 where there are fewer [n, k]."""
    neighbours, km = view.stations.neighbours[:, :NEIGHBOURS], view.stations.neighbours_km[:, :NEIGHBOURS]
    return np.asarray(np.where((neighbours >= 0) & (km <= NEAR_KM), neighbours, -1))


def _pattern(view: View, days: _Days, near: np.ndarray, some: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return own rain, the pattern's in units of the gauge's usual rain, and how far the neighbours are from each other
    (variance), on the days that count [mm, mm, mm2; day, k].
    """
    usual = days.rain.sum(axis=0) / np.maximum(days.good.sum(axis=0), 1)
    scaled = np.where(usual > 0, days.rain / np.where(usual > 0, usual, 1.0), 0.0).astype(np.float32)
    weights = np.zeros((len(days.rain), len(some)), np.float32)
    total, squares, number = np.zeros_like(weights), np.zeros_like(weights), np.zeros(weights.shape, np.int8)
    for place in range(near.shape[1]):
        column, there = near[some, place], near[some, place] >= 0
        weight = np.where(there, (NEARER_KM + view.stations.neighbours_km[some, place]) ** -2.0, 0.0).astype(np.float32)
        good = days.good[:, column] & there
        rain = np.where(there, scaled[:, column], np.float32(0.0))
        total += weight * rain
        squares += weight * rain**2
        weights += weight * good
        number += good
    both = days.good[:, some] & (number >= NEIGHBOURS_NEEDED)
    weights = np.where(weights > 0, weights, np.float32(1.0))
    mean = total / weights
    spread = np.maximum(squares / weights - mean**2, 0.0)
    own = np.where(both, days.rain[:, some], 0.0)
    return own, np.where(both, mean, 0.0) * usual[some], np.where(both, spread, 0.0) * usual[some] ** 2


def _weighed(view: View, days: _Days, near: np.ndarray, some: np.ndarray) -> _Part:
    own, pattern, spread = _pattern(view, days, near, some)
    piece = pieces(own, pattern, PIECE_MM, PIECES)
    sums, beside, squares = (summed(column, piece, PIECES) for column in (own, pattern, spread))
    values = np.where(sums + beside > 0, np.log((sums + FLOOR_MM) / (beside + FLOOR_MM)), np.nan)
    weight = 1.0 / (LEAST_SCATTER**2 + squares / np.maximum(beside, FLOOR_MM) ** 2)
    return _Part(some, sums, values, piece, best_break(values, weight, LEAST_PIECES))


def _ended(part: _Part) -> np.ndarray:
    """Return the last day before each break, counted from the first of the memory [k]."""
    before = (part.piece >= 0) & (part.piece < part.found.at)
    return np.asarray(len(before) - 1 - np.argmax(before[::-1], axis=0))


def _unlike_before(values: np.ndarray, found: Break, row: int) -> bool:
    """Say whether no 100 mm before the break reached the level after it, and the latest 100 mm still show it."""
    sign = 1.0 if found.after[row] > found.before[row] else -1.0
    before = values[: found.at[row]]
    before = before[~np.isnan(before)]
    latest = np.median(values[~np.isnan(values)][-LEAST_PIECES:])
    sums = np.cumsum(np.concatenate(([0.0], before)))
    means = sign * (sums[LEAST_PIECES:] - sums[:-LEAST_PIECES]) / LEAST_PIECES
    halfway = (found.before[row] + found.after[row]) / 2.0
    return bool(means.max() < sign * found.after[row] and sign * latest > sign * halfway)


def _numbers(view: View, days: _Days, part: _Part) -> dict[str, np.ndarray]:
    """Return the numbers of each gauge's best break."""
    found, told = part.found, part.found.at > 0
    before = np.arange(len(part.sums))[:, None] < found.at
    change, error = found.after - found.before, found.error
    broke_at = view.record.daily.start + (days.first + _ended(part) + 1) * DAY
    return {
        "ratio": np.exp(change),
        "low": np.exp(change - Z_95 * error),
        "high": np.exp(change + Z_95 * error),
        "t": found.t,
        "before_mm": np.where(before & told, part.sums, 0.0).sum(axis=0),
        "after_mm": np.where(~before & told, part.sums, 0.0).sum(axis=0),
        "broke_at": np.where(told, broke_at, 0).astype(float),
        "pieces": np.count_nonzero(~np.isnan(part.values), axis=0),
    }


def _neighbours(
    view: View, days: _Days, near: np.ndarray, position: int, at: int, change: float
) -> tuple[int, int, float]:
    """Return how many neighbours show the change one by one, how many could, and by how much they themselves changed
    at the middle.
    """
    others = near[position][near[position] >= 0]
    both = days.good[:, [position]] & days.good[:, others]
    own = np.where(both, days.rain[:, [position]], 0.0)
    theirs = np.where(both, days.rain[:, others], 0.0)
    before, after = slopes(own, theirs, at)
    with np.errstate(invalid="ignore", divide="ignore"):
        each = np.log(after / before)
    able = np.isfinite(each)
    agree = int(np.count_nonzero(able & (np.sign(change) * each >= AGREE * abs(change))))
    # The gauge in question must not drag its neighbours' own patterns along.
    their_own, pattern, _ = _pattern(view, days, np.where(near == position, -1, near), others)
    without = days.good[:, [position]] & (their_own + pattern > 0)
    before, after = slopes(np.where(without, their_own, 0.0), np.where(without, pattern, 0.0), at)
    with np.errstate(invalid="ignore", divide="ignore"):
        drifts = np.abs(np.log(after / before))
    drifts = drifts[np.isfinite(drifts)]
    return agree, int(np.count_nonzero(able)), float(np.median(drifts)) if len(drifts) else 0.0


def _findings(view: View, near: np.ndarray, present: np.ndarray, known: dict[str, np.ndarray]) -> Findings:
    reason = np.full(len(present), "", object)
    too_little = known["broke_at"] == 0
    reason[too_little] = f"less than {2 * LEAST_PIECES * PIECE_MM:.0f} mm of rain to compare yet"
    reason[np.count_nonzero(near >= 0, axis=1) < NEIGHBOURS_NEEDED] = "fewer than 3 gauges within 60 km"
    reason[~view.in_service] = "out of service"
    verdict = np.where(reason != "", Verdict.UNDETERMINED, np.where(present, Verdict.PRESENT, Verdict.ABSENT))
    since = np.where(verdict == Verdict.PRESENT, known["broke_at"], 0).astype(np.int64)
    return Findings.of(verdict, since=since, numbers=known, reason=reason)
