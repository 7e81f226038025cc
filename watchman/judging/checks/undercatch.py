"""Has its ratio to its neighbours drifted, against its own usual ratio?

A funnel that tilts, a bucket that wears or sticks now and then, a switch that misses tips: the gauge goes on counting,
but less (or more) than it used to beside the same neighbours. Each day its rain is held against up to 8 neighbours
within 60 km, as the logarithm of a ratio with its own expected error (judging/beside.py): a day on which the neighbours
agree weighs a hundred times as much as one of scattered showers. A step in these days is looked for (double-mass
analysis, science/double_mass.py): how much likelier are they with a step of the limit or more at some day than without?

It is told when all of these hold:

    likely           the odds are 8 to 1 or more for too little, 20 to 1 for too much
    large enough     the ratio changed by 15 % or more between the two levels that fit best
    never before     no stretch before half as long as that after it had such a ratio, and the latest days still have it
    its own          each neighbour left out in turn, the odds are still even or better; and half of the neighbours or
                     more, one by one, show half the change or more

What a gauge counted before is known from its own days, and from what the neighbourhood leads to expect: gauges side by
side differ by some 10 %, and higher ones have more. So a month before the change is enough. What is left out, and which
days count, stands in judging/beside.py.

Where the numbers come from: 15 % is our own study of what is worth a visit. That a gauge with less than 90 % of a check
gauge is likely clogged, and 5 to 10 % of drift are usual after 2 or 3 years: Cornell University, extension note, 2015.
In our own simulation, where a third of all gauges ailed, 30 % less was told after 100 mm of five gauges in eight whose
days could show it (expected to differ by 4.5 standard errors: even rain, gauges 5 km apart), and of two in 14 others:
where showers scatter the neighbours, or these stand 15 to 25 km away, or in frost, it takes a season. An honest gauge
was called about once in ten years.
A half: judgement, no source.

What it cannot see: a fault older than the 400 days that are kept, or that was there from the start; a change of all
neighbours alike; loss in wind, snow or heavy rain alone; 1 % a month until it amounts to 15 % between its two halves.
Readings are never corrected for what it finds.
"""

from __future__ import annotations

from typing import Annotated, Any

import numpy as np
from pydantic import Field

from watchman.judging.beside import EDGE_MM, NEEDED, Beside, Usual, beside, counted, near, shaken, sound_days
from watchman.judging.science.double_mass import (
    LEAST_AFTER,
    LEAST_BEFORE,
    LEVEL_STEP,
    best_break,
    likeliest_step,
    slopes,
)
from watchman.judging.view import Findings, View, rfc3339
from watchman.model import Verdict
from watchman.readings.record import DAILY_DAYS, DAY
from watchman.written import Written

NAME = "undercatch"
EVERY_S = DAY

ODDS = {-1: 8.0, 1: 20.0}
"""By the sign of the change: too much is rarer than too little (judgement, tuned on our own simulation)."""
ODDS_WITHOUT = 1.0
WORTH_A_LOOK = 2.8
"""Standard errors by a quick look below which eight to one is out of reach (our own simulation)."""
SIZES = (1, 2, 3, 4, 5, 6, 8, 10, 14)
"""Changes looked for, in steps of 6 %."""
LATEST = 10
ALIKE = 0.9
"""A stretch before that went so far of the way had the ratio after (judgement, no source)."""
AGREE, AGREE_SHARE = 0.5, 0.5
LEAST_DAYS = 15
Z_95 = 1.96
"""The normal distribution's quantile that leaves 2.5 % on either side."""


class Settings(Written):
    """How undercatch is set."""

    limit_percent: Annotated[float, Field(ge=5, le=80)] = 15.0
    """Tell when the ratio to the neighbours has changed by this much or more [%]."""


def judge(view: View, settings: Settings) -> Findings:
    """Return whose ratio to the neighbours has changed.

    numbers: ratio (after over before), low, high (its 95 % interval), t (the change over its chance error), odds (for a
    change, 0 where they were not worth working out), before_mm, after_mm (own rain), agree and neighbours (how many of
    them show it), broke_at [s since 1970 UTC, 0 where no change can be told], days (that count).
    """
    size = len(view.stations)
    table = beside(view, np.arange(size), DAILY_DAYS)
    numbers = {name: np.full(size, np.nan) for name in ("ratio", "low", "high", "t")}
    numbers |= {name: np.zeros(size) for name in ("odds", "before_mm", "after_mm", "agree", "neighbours", "broke_at")}
    numbers["days"] = np.count_nonzero(table.mm, axis=1).astype(float)
    present = np.zeros(size, bool)
    enough = (numbers["days"] >= LEAST_DAYS) & view.in_service
    fell, rose = shaken(table)
    usual = Usual(view, table)
    for position in np.flatnonzero(enough & (np.maximum(fell, rose) >= WORTH_A_LOOK)).tolist():
        sign = -1 if fell[position] >= rose[position] else 1
        shown, present[position] = _weighed(view, table, usual, position, sign, settings)
        for name, value in shown.items():
            numbers[name][position] = value
    return _findings(view, present, enough, numbers)


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
        "odds": round(min(numbers["odds"], 1e6), 1),
        "limit_odds": ODDS[-1 if not told or numbers["ratio"] < 1 else 1],
        "limit_percent": settings.limit_percent,
        "agree": int(numbers["agree"]),
        "neighbours": int(numbers["neighbours"]),
        "days": int(numbers["days"]),
        "needed_days": LEAST_DAYS,
    }


def _changes(settings: Settings, sign: int) -> np.ndarray:
    """Return the logarithms of the changes looked for: the limit or more, down or up."""
    sizes = LEVEL_STEP * np.array(SIZES)
    return sign * sizes[sizes >= _limit(settings, sign) - LEVEL_STEP / 2]


def _limit(settings: Settings, sign: float) -> float:
    share = settings.limit_percent / 100.0
    return float(-np.log(1.0 - share) if sign < 0 else np.log(1.0 + share))


def _weighed(
    view: View, table: Beside, usual: Usual, position: int, sign: int, settings: Settings
) -> tuple[dict[str, float], bool]:
    """Return the numbers of one gauge, and whether its ratio has changed, down (-1) or up (1)."""
    ratio, error, days = counted(table, position)
    expected, within = usual.of(position)
    step = likeliest_step(ratio, error, expected, within, _changes(settings, sign))
    odds = float(np.exp(min(step.log_odds, 50.0)))
    found = best_break(ratio[:, None], error[:, None] ** -2.0, min(LEAST_BEFORE, LEAST_AFTER))
    at, before, after = int(found.at[0]), float(found.before[0]), float(found.after[0])
    change, chance = after - before, float(found.error[0])
    own_mm, began = table.own_mm[position], table.first + int(days[at])
    shown = {
        "ratio": np.exp(change),
        "low": np.exp(change - Z_95 * chance),
        "high": np.exp(change + Z_95 * chance),
        "t": float(found.t[0]),
        "odds": odds,
        "before_mm": float(own_mm[: days[at]].sum()),
        "after_mm": float(own_mm[days[at] :].sum()),
        "broke_at": float(view.record.daily.end_of(began - 1)),
    }
    loud = odds >= ODDS[sign] and sign * change >= _limit(settings, sign)
    if not (loud and _unlike_before(ratio, error, at, sign)):
        return shown, False
    agree, neighbours = _agreeing(view, table, position, int(days[at]), change)
    others = near(view, np.array([position]))[0]
    alone = (
        _odds_without(view, position, int(other), expected, within, _changes(settings, sign))
        for other in others[others >= 0]
    )
    its_own = agree >= AGREE_SHARE * neighbours and min(alone) >= np.log(ODDS_WITHOUT)
    return shown | {"agree": agree, "neighbours": neighbours}, bool(its_own)


def _odds_without(view: View, position: int, other: int, expected: float, within: float, changes: np.ndarray) -> float:
    """Return the logarithm of the odds with one neighbour left out: its own fault must accuse nobody else."""
    ratio, error, _days = counted(beside(view, np.array([position]), DAILY_DAYS, without=other), 0)
    return likeliest_step(ratio, error, expected, within, changes).log_odds


def _unlike_before(ratio: np.ndarray, error: np.ndarray, at: int, sign: int) -> bool:
    """Say whether no stretch before, half as long as that after, had its ratio, and the latest days still have it."""
    weight = error**-2.0
    before, after = np.average(ratio[:at], weights=weight[:at]), np.average(ratio[at:], weights=weight[at:])
    length = max((len(ratio) - at) // 2, LATEST)
    latest = slice(-max((len(ratio) - at) // 3, min(LATEST, len(ratio) - at)), None)
    still = sign * np.average(ratio[latest], weights=weight[latest]) > sign * (before + after) / 2.0
    if at <= length:
        return bool(still)
    mass, sums = (np.concatenate(([0.0], np.cumsum(one[:at]))) for one in (weight, weight * ratio))
    stretches = sign * (sums[length:] - sums[:-length]) / (mass[length:] - mass[:-length])
    return bool(still and stretches.max() < sign * (before + ALIKE * (after - before)))


def _agreeing(view: View, table: Beside, position: int, at: int, change: float) -> tuple[int, int]:
    """Return how many neighbours show half the change one by one, and how many could."""
    others = near(view, np.array([position]))[0]
    rows = np.append(position, others[others >= 0])
    order = np.argsort(rows)
    sound, logs = sound_days(view, table.first, rows[order])
    sound, rain = sound[np.argsort(order)].T, np.exp(logs[np.argsort(order)]).T - EDGE_MM
    both = (sound[:, :1] > 0) & (sound[:, 1:] > 0) & ~np.isnan(table.ratio[position])[:, None]
    before, after = slopes(np.where(both, rain[:, :1], 0.0), np.where(both, rain[:, 1:], 0.0), at)
    with np.errstate(invalid="ignore", divide="ignore"):
        each = np.log(after / before)
    able = np.isfinite(each)
    agree = np.count_nonzero(able & (np.sign(change) * each >= AGREE * abs(change)))
    return int(agree), int(np.count_nonzero(able))


def _findings(view: View, present: np.ndarray, enough: np.ndarray, numbers: dict[str, np.ndarray]) -> Findings:
    reason = np.full(len(present), "", object)
    reason[~enough] = f"fewer than {LEAST_DAYS} wet days to compare yet"
    others = near(view, np.arange(len(present)))
    reason[np.count_nonzero(others >= 0, axis=1) < NEEDED] = "fewer than 3 gauges within 60 km"
    reason[~view.in_service] = "out of service"
    verdict = np.where(reason != "", Verdict.UNDETERMINED, np.where(present, Verdict.PRESENT, Verdict.ABSENT))
    since = np.where(verdict == Verdict.PRESENT, numbers["broke_at"], 0).astype(np.int64)
    return Findings.of(verdict, since=since, numbers=numbers, reason=reason)
