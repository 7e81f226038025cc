"""Whose counts doubled? Rain beside the neighbours rose at once, and even counts became common at the same time.

A switch that bounces counts a tip twice, always or now and then: with a share p of the tips counted twice the rain is
1 + p times what it was, and n tips show as n + binomial(n, p) counts. Two things speak for it, and their odds multiply:

    the ratio   a step of 1.4 to 2 times in the days beside the neighbours (judging/beside.py, science/double_mass.py),
                how much likelier than none
    the counts  within each pair of counts, 1 or 2, 3 or 4, ... 23 or 24, the larger is common where tips count twice:
                of 1 or 2 it is 0.26 to 0.33 at an honest gauge and near 1 where all do. The newest four days are looked
                at reading by reading, the month before by the hour

It is told when the odds, averaged over where the step may lie (after five days that count) and over seven shares from
0.43 to 1, are 100 to 1 or more. One pair in ten may break the rule, since dew tips once whatever the switch does.

How an honest gauge's counts are spread: as 1 / n in hours, since rates of rain are spread about evenly over their
logarithm, and as n to the -1.5 in shorter readings, which cut less even rain. In our own simulation of six climates the
larger of 1 or 2 is 0.31 to 0.37 of hours, 0.14 to 0.33 of quarters and 0.06 to 0.22 of five minutes; of 3 or 4 it is
0.35 to 0.46, 0.32 to 0.39 and 0.26 to 0.41, so that these laws seldom make an honest gauge look doubled. Besides, the
counts must speak for it themselves, days before must have had odd counts too, and the ratio must be 1.25 to 4 times
what it was: more is a clog that came free. All else: judgement, no source.

What it cannot see: which of several causes makes a gauge count nearly twice as much, where rain is so even that one or
two tips a reading are its rule.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import comb

import numpy as np

from watchman.judging import steps
from watchman.judging.beside import Beside, Usual, beside, counted, near, neighbourhood, shaken
from watchman.judging.science.double_mass import LEVEL_STEP, Step, likeliest_step
from watchman.judging.view import View
from watchman.readings.record import DAY, Grid

ODDS = 100.0
LEAST_OF_COUNTS = 1.5
"""So much must the counts alone speak for it, as a logarithm of odds: a ratio alone is no doubling (judgement)."""
LEAST_MM = 15.0
"""So much must have fallen beside it since [mm] (judgement, no source)."""
LEAST = (5, 3)
"""So many days that count lie before and after (judgement, no source)."""
AT_LEAST, AT_MOST = 1.25, 4.0
"""So many times what it was the ratio must be: what rose less needs no visit, a clog that came free is more (judgement,
no source).
"""
ODD_DAYS, ODD_SHARE = 5, 0.2
LOOK_BACK = 183
"""Days looked back on: a season."""
MONTH_DAYS, NEWEST_DAYS = 31, 4
CHANGES = LEVEL_STEP * np.arange(6, 13)
SHARES = np.minimum(np.exp(CHANGES) - 1.0, 1.0)
"""The share of tips that count twice, by the change of the ratio that goes with it."""
LARGEST_COUNT, LARGEST_PAIRED = 60, 24
HOURS_LAW, READINGS_LAW = 1.0, 1.5
SHORT_S = 900
EXCEPTIONS = 0.1
ALONE, WITH_RISE = 2.5, -0.5
"""Logarithms of odds from the counts alone, and beside rain that rose, that make a gauge worth weighing: what decides
is a hundred to one from both (judgement)."""
WORTH_A_LOOK = 5.0
"""The logarithm of odds that a quick look must allow: a hundred to one and something for where the step may lie."""
SINCE_DAYS = (4, 8, 16, 31)
RISEN = 1.2


@dataclass(frozen=True, slots=True)
class Doubling:
    """Counts that doubled: their ratio to the neighbours now and before, over how much of the neighbours' rain, the
    odds that it is so, wet hours with even counts of all since, and since when [s].
    """

    ratio: float
    before: float
    over_mm: float
    odds: float
    even_hours: int
    wet_hours: int
    since: int


def doubled(view: View, positions: np.ndarray | None = None) -> dict[int, Doubling]:
    """Return the gauges, of some or all, whose counts doubled."""
    chosen = np.flatnonzero(view.in_service) if positions is None else positions
    counts = _by_counts(view, chosen)
    chosen, counts = chosen[counts > -np.inf], counts[counts > -np.inf]
    if not len(chosen):
        return {}
    about = np.unique(np.concatenate([neighbourhood(view, int(one)) for one in chosen]))
    table = beside(view, about, LOOK_BACK)
    _fell, rose = shaken(table)
    likely = counts + rose[np.searchsorted(about, chosen)] ** 2 / 2 >= WORTH_A_LOOK
    usual = Usual(view, table)
    found = ((int(one), _doubling(view, table, usual, int(one))) for one in chosen[likely])
    return {one: doubling for one, doubling in found if doubling is not None}


def _by_counts(view: View, positions: np.ndarray) -> np.ndarray:
    """Return how much each gauge's counts speak for doubling over some recent days, as logarithms of odds: -inf where
    they are against it, or say little while its rain didn't rise beside its neighbours' [k].
    """
    best = np.full(len(positions), -np.inf)
    for days, counts in zip(SINCE_DAYS, _by_days(view, positions), strict=True):
        worth = (counts >= ALONE) | ((counts >= WITH_RISE) & _risen(view, positions, days))
        best = np.where(worth, np.maximum(best, counts), best)
    return best


def _risen(view: View, positions: np.ndarray, days: int) -> np.ndarray:
    """Say which gauges had 1.2 times more of their neighbours' rain over the latest days than before them."""
    daily = view.record.daily
    first = max(daily.head - LOOK_BACK, 0)
    begin = max(daily.head - days, first)
    others = near(view, positions)
    there, others = others >= 0, np.maximum(others, 0)
    now, past = daily.running[daily.head + 1] - daily.running[begin], daily.running[begin] - daily.running[first]
    theirs_now, theirs = (np.where(there, um[others], 0).sum(axis=1).astype(float) for um in (now, past))
    return np.asarray(now[positions] * theirs > RISEN * past[positions] * theirs_now)


def _by_days(view: View, positions: np.ndarray) -> Iterator[np.ndarray]:
    """Yield for each of some numbers of days what the counts since then speak for doubling, for the share that they
    speak for most, as logarithms of odds [k].
    """
    hourly, fine = view.record.hourly, view.record.fine
    short = _short(view, positions)
    newest = max(view.now - NEWEST_DAYS * DAY, fine.start)
    old = _wet_cells(hourly, positions, view.now - MONTH_DAYS * DAY, np.where(short, newest, view.now))
    new = _wet_cells(fine, positions, newest, np.where(short, view.now, newest))
    tip_um = steps.tip_or(view, 200)[positions]
    sums = np.zeros((len(SINCE_DAYS), len(SHARES), len(positions)))
    for (column, end, um), law in ((old, _LAWS[HOURS_LAW]), (new, _LAWS[READINGS_LAW])):
        count = np.minimum(np.rint(um / tip_um[column]).astype(np.int64), LARGEST_PAIRED + 1)
        for place, days in enumerate(SINCE_DAYS):
            late = end > view.now - days * DAY
            table = np.bincount(
                column[late] * (LARGEST_PAIRED + 2) + count[late], minlength=len(positions) * (LARGEST_PAIRED + 2)
            )
            sums[place] += law @ table.reshape(len(positions), -1).T
    yield from sums.max(axis=1)


def _short(view: View, positions: np.ndarray) -> np.ndarray:
    """Say whose readings are short enough to say more than hours."""
    covers_s = view.record.covers_s[positions]
    return np.asarray((covers_s > 0) & (covers_s <= SHORT_S))


def _wet_cells(
    grid: Grid, positions: np.ndarray, low: int, high: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the wet cells of some stations after a moment and up to one of each: place, end [s], rain [um]."""
    first = max(grid.cell(low) + 1, 0)
    columns = slice(None) if len(positions) == grid.stations else positions
    rain = grid.rain[first : grid.head + 1, columns]
    cell, column = np.nonzero(rain)
    end = grid.start + (first + cell + 1) * grid.step
    inside = end <= np.maximum(high[column], low)
    return column[inside], end[inside], rain[cell[inside], column[inside]]


def _doubling(view: View, table: Beside, usual: Usual, position: int) -> Doubling | None:
    """Weigh one gauge: the step of its ratio together with its counts."""
    row = int(np.searchsorted(table.positions, position))
    ratio, error, days = counted(table, row)
    tip_um = steps.tip_of(view, position)
    if not len(days) or not tip_um:
        return None
    expected, within = usual.of(position)
    since = view.record.daily.start + (table.first + np.append(days, days[-1] + 1)) * DAY
    besides = _of_counts(view, position, tip_um, since)
    found = likeliest_step(ratio, error, expected, within, CHANGES, besides, least=LEAST)
    over_mm = float(table.mm[row, days[found.at] :].sum())
    counts = float(besides[int(np.argmin(np.abs(CHANGES - found.change))), found.at])
    if found.log_odds < np.log(ODDS) or counts < LEAST_OF_COUNTS or over_mm < LEAST_MM:
        return None
    doubling = _shown(view, table, row, days, position, found, tip_um, over_mm)
    rose = AT_LEAST * doubling.before <= doubling.ratio <= AT_MOST * doubling.before
    return doubling if rose and _was_odd(view, position, tip_um, doubling.since) else None


def _was_odd(view: View, position: int, tip_um: int, since: int) -> bool:
    """Say whether the days before had odd counts now and then, as honest ones have."""
    daily = view.record.daily
    um = daily.rain[: max(daily.cell(since) + 1, 0), position]
    counts = np.rint(um[um > 0] / tip_um).astype(np.int64)
    return len(counts) >= ODD_DAYS and float((counts % 2).mean()) >= ODD_SHARE


def _shown(
    view: View, table: Beside, row: int, days: np.ndarray, position: int, found: Step, tip_um: int, over_mm: float
) -> Doubling:
    at = int(days[found.at])
    before, after = (float(table.mm[row, part].sum()) for part in (slice(0, at), slice(at, None)))
    own_before, own = (float(table.own_mm[row, part].sum()) for part in (slice(0, at), slice(at, None)))
    since = view.record.daily.end_of(table.first + at - 1)
    hourly = view.record.hourly
    um = hourly.rain[max(hourly.cell(since + 1), 0) : hourly.head + 1, position]
    counts = np.rint(um[um > 0] / tip_um).astype(np.int64)
    return Doubling(
        ratio=own / after,
        before=own_before / before,
        over_mm=over_mm,
        odds=float(np.exp(min(found.log_odds, 50.0))),
        even_hours=int(np.count_nonzero(counts % 2 == 0)),
        wet_hours=len(counts),
        since=since,
    )


def _of_counts(view: View, position: int, tip_um: int, since: np.ndarray) -> np.ndarray:
    """Return what the counts from each moment on [s] speak for each share, as logarithms of odds [share, moment]."""
    hourly, fine, one = view.record.hourly, view.record.fine, np.array([position])
    newest = max(view.now - NEWEST_DAYS * DAY, fine.start) if _short(view, one)[0] else view.now
    ends, logs = [], []
    for grid, low, high, law in (
        (hourly, view.now - MONTH_DAYS * DAY, newest, HOURS_LAW),
        (fine, newest, view.now, READINGS_LAW),
    ):
        _column, end, um = _wet_cells(grid, one, low, np.array([high]))
        ends.append(end)
        logs.append(_LAWS[law][:, np.minimum(np.rint(um / tip_um).astype(np.int64), LARGEST_PAIRED + 1)])
    total = np.cumsum(np.concatenate(logs, axis=1)[:, ::-1], axis=1)[:, ::-1]
    total = np.append(total, np.zeros((len(SHARES), 1)), axis=1)
    return np.asarray(total[:, np.searchsorted(np.concatenate(ends), since, side="right")])


def _law(power: float) -> np.ndarray:
    """Return for each share what each count speaks for it, as a logarithm of odds [share, count up to 25]."""
    number = np.arange(1, LARGEST_COUNT + 1)
    honest = np.zeros(2 * LARGEST_COUNT + 1)
    honest[number] = number**-power
    table = np.zeros((len(SHARES), LARGEST_PAIRED + 2))
    for row, share in enumerate(SHARES):
        counted = np.zeros_like(honest)
        for tips in number.tolist():
            ways = np.array(
                [comb(tips, twice) * share**twice * (1 - share) ** (tips - twice) for twice in range(tips + 1)]
            )
            counted[tips : 2 * tips + 1] += honest[tips] * ways
        for lower in range(1, LARGEST_PAIRED, 2):
            pair = slice(lower, lower + 2)
            usual = honest[pair] / honest[pair].sum()
            twice = (1 - EXCEPTIONS) * counted[pair] / counted[pair].sum() + EXCEPTIONS * usual
            table[row, pair] = np.log(twice / usual)
    return table


_LAWS = {power: _law(power) for power in (HOURS_LAW, READINGS_LAW)}
"""By how counts are spread: what each count speaks for each share."""
