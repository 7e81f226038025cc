"""Does it go on tipping evenly after the neighbours are dry?

A funnel that is half blocked holds the rain back and lets it out at a steady rate, whatever falls. Totals look right,
but bursts are hidden: at 4 mm/h no quarter of an hour shows more than 1 mm. A wet spell *drained* when

    after it    half an hour or more after the last rain at the nearest five gauges (within 30 km) it still tipped, 4
                times or more, none of them more than a quarter as much, and without a pause: all in all at 70 % or more
                of the rate below. Of four or five gauges one may be wet meanwhile: it may be ill itself
    evenly      no tip is further than 1.2 tips from a straight line of rain against time, which is drawn back into the
                rain as far as it holds (12 hours at most) and holds 12 tips or more
    no faster   in the 12 hours before, never more than 1.3 times that rate (and one tip) in any half hour, while the
                middle one of the neighbours had at least as much in its heaviest hour as the gauge

A drained spell is a *clear* one when, besides,

    even        its line holds 16 tips or more to within 0.55 of a tip, which is as even as counting allows: rain rises,
                fades and comes in waves; or
    held back   the middle one of the neighbours had twice as much in an hour as the gauge in any: water that runs out
                here must have been missing before

Told after one clear spell, or after two of either kind half a day apart. A spell of half as many tips, or hardly longer
than the rain, counts as well where rain was held back on another day too and let out at the same rate, to within 10 %.

About frost (its days and the three after them, judging/frost.py) only such spells count, held back on two days and let
out at one rate: melting snow drains evenly too, but it follows the warmth, and adds to rain rather than hold it back.
What the watch took for melt and left out of totals (judging/holding.py) is looked at here all the same.

    absent again    after two later wet spells (3 mm or more) that ended with the neighbours' rain, in each of which it
                    counted an hour of 1.5 times the rate it was held to: a blocked funnel can't

It looks at the 31 days that are kept hour by hour, and counts only from the latest visit on, and since the gauge came
to this place. Counts of 5 and 15 minutes are looked at as long as they are kept (some 4 days), hours after that; a
reading of an hour must begin after the rain.

Where the numbers come from: the starting rule was ours (8 even tips after 3 neighbours had been dry for an hour: 0.25
to 0.28 false calls a season in our own simulation). A count is up to half a tip off an even flow, hence 0.55; 1.2
leaves room for an uneven one. That flow through a small hole is steady is physics. In our own simulation of six
climates 980 honest station-months had 14 spells that were even enough, one of them long enough, and none clear; about
frost 72 in 770 drained, of which three seemed held back, none twice at one rate. Nor was one of 28 gauges called in the
rain of a Flemish September. The other numbers are judgement, no source.

What it cannot see: a hole that lets through more than it rains; rain that always ends too gently to leave a tail;
anything without two gauges within 30 km; a total block (`dry-among-wet`); rates under about 0.3 mm/h, where the tips
are hours apart; an outflow that slows down to a third.
"""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from watchman.judging.frost import frost_days
from watchman.judging.holding import MELT
from watchman.judging.view import Findings, View, rfc3339
from watchman.model import Verdict
from watchman.readings.record import DAY, HOUR, Grid
from watchman.written import Written

NAME = "slow-drain"
EVERY_S = 6 * HOUR

NEAR_KM = 30.0
NEIGHBOURS = 5
NEIGHBOURS_NEEDED, ONE_MAY_BE_ILL = 2, 4
LOOK_BACK_H = 31 * 24
BEFORE_H, AFTER_H = 12, 24
HEARD_DAYS = 7
KNOWN_SHARE = 0.9
LONE_TIP_UM = 300
USUAL_TIP_UM = 200
BREAK_H = 2
TAIL_S = HOUR // 2
TAIL_TIPS, AT_PACE, OTHERS_TAIL = 4, 0.7, 0.25
LIKE_TIPS, LINE_TIPS, CLEAR_TIPS = 6, 12, 16
OFF_TIPS, CLEAR_OFF_TIPS = 1.2, 0.55
LINE_CELLS = 4
FASTEST = 1.3
HIDES = 0.6
SPELLS_NEEDED = 2
WET_UM = 3000
FASTER = 1.5
FROST_BEFORE_DAYS, HELD_BACK, SAME_RATE = 3, 2.0, 0.1
STARTS_H = (0, 1, 2, 3, 4, 6, 8, 10, 12)


class Settings(Written):
    """How slow-drain is set: there is nothing to set."""


@dataclass(frozen=True, slots=True)
class _Spells:
    """Wet spells, one entry each [k]: position of the station; ended_at: when the neighbours' rain ended, tail_until:
    the last own tip after it [s since 1970 UTC]; rate: of the straight line [mm/h]; tips on the line; off: the furthest
    from it [tips]; own_peak, peak: the heaviest hour here and at the middle neighbour [mm]; drained, clear, stopped.
    """

    position: np.ndarray
    ended_at: np.ndarray
    tail_until: np.ndarray
    rate: np.ndarray
    tips: np.ndarray
    off: np.ndarray
    own_peak: np.ndarray
    peak: np.ndarray
    like: np.ndarray
    drained: np.ndarray
    clear: np.ndarray
    cold: np.ndarray
    stopped: np.ndarray

    def take(self, chosen: np.ndarray) -> _Spells:
        """Return some of them."""
        return _Spells(*(getattr(self, name)[chosen] for name in self.__dataclass_fields__))


def judge(view: View, settings: Settings) -> Findings:
    """Return which gauges drain slowly.

    numbers: spells (drained ones that count, half a day apart), clear, stopped (spells since that ended in time), wet
    (spells weighed); rate_mm_h, minutes_a_tip, tips, off_tips, hours_after, ended_at [s since 1970 UTC] of the latest
    drained spell;
    neighbours.
    """
    view, size = _with_melt(view), len(view.stations)
    near = _nearest(view)
    return _verdict(view, near, _spells(view, near, np.arange(size)))


def evidence(view: View, settings: Settings, findings: Findings, position: int) -> dict[str, Any]:
    """Return what people are shown of one gauge: the latest spell that drained, each such spell, and the limits."""
    numbers = {name: float(column[position]) for name, column in findings.numbers.items()}
    view = _with_melt(view)
    spells = _spells(view, _nearest(view), np.array([position]))
    spells = spells.take(spells.drained & (spells.ended_at > _counts_from(view)[position]))
    drained = numbers["spells"] > 0
    return {
        "spells": int(numbers["spells"]),
        "clear_spells": int(numbers["clear"]),
        "spells_needed": SPELLS_NEEDED,
        "wet_spells": int(numbers["wet"]),
        "stopped_since": int(numbers["stopped"]),
        "rate_mm_h": round(numbers["rate_mm_h"], 1) if drained else None,
        "minutes_a_tip": round(numbers["minutes_a_tip"], 1) if drained else None,
        "hours_after": round(numbers["hours_after"], 1) if drained else None,
        "tips": int(numbers["tips"]),
        "off_tips": round(numbers["off_tips"], 1) if drained else None,
        "limit_off_tips": OFF_TIPS,
        "neighbours": int(numbers["neighbours"]),
        "rain_ended": rfc3339(numbers["ended_at"]) if drained else None,
        "each": [
            {
                "rain_ended": rfc3339(spells.ended_at[row]),
                "tipped_until": rfc3339(spells.tail_until[row]),
                "rate_mm_h": round(float(spells.rate[row]), 1),
                "tips": int(spells.tips[row]),
                "most_mm": _mm(spells.own_peak[row]),
                "neighbour_mm": _mm(spells.peak[row]),
            }
            for row in range(len(spells.position))
        ],
        "relied_on": bool(view.stations.relied_on_by[position]),
        "relied_on_by": view.stations.relied_on_by[position],
    }


def _with_melt(view: View) -> View:
    """Return a view in which even tips that were held back as melt count: they may be what drains."""
    melt: dict[int, list[tuple[int, int]]] = {}
    for span in view.held_back:
        if span.reason == MELT and span.station in view.stations.positions:
            stretch = (int(span.begins_at.timestamp()), int(span.ends_at.timestamp()))
            melt.setdefault(view.stations.positions[span.station], []).append(stretch)
    if not melt:
        return view
    others: list[tuple[int, int, int]] = []
    for position, stretches in melt.items():
        ends = [0, *(end for _begin, end in sorted(stretches))]
        begins = [*(begin for begin, _end in sorted(stretches)), view.now + DAY]
        others += [(position, end, begin) for end, begin in zip(ends, begins, strict=True) if end < begin]
    record, stations = copy(view.record), np.array(list(melt))
    record.fine = record.fine.with_held(stations, others)
    record.hourly = record.hourly.with_held(stations, others)
    return replace(view, record=record)


def _mm(value: float) -> float:
    """Return a depth in words: rounded down to 0.1 mm."""
    return int(value * 10 + 1e-6) / 10


def _nearest(view: View) -> np.ndarray:
    """Return the nearest five stations within 30 km that were heard of late, -1 where there are fewer [n, 5]."""
    daily, stations = view.record.daily, view.stations
    heard = daily.running_known[daily.head + 1] > daily.running_known[max(daily.head - HEARD_DAYS, 0)]
    fit = (stations.neighbours >= 0) & (stations.neighbours_km <= NEAR_KM) & heard[stations.neighbours]
    order = np.argsort(~fit, axis=1, kind="stable")[:, :NEIGHBOURS]
    return np.asarray(
        np.where(np.take_along_axis(fit, order, 1), np.take_along_axis(stations.neighbours, order, 1), -1)
    )


def _left_out(view: View, near: np.ndarray) -> np.ndarray:
    """Return how many of the neighbours may be wet while the others are believed [k]: one of four that had rain this
    month may be ill itself; one that had none may be dead.
    """
    hourly = view.record.hourly
    rained = hourly.running[hourly.head + 1] > hourly.running[max(hourly.head + 1 - LOOK_BACK_H, 0)]
    return np.asarray((np.count_nonzero((near >= 0) & rained[near], axis=1) >= ONE_MAY_BE_ILL).astype(int))


def _counts_from(view: View) -> np.ndarray:
    counts_from: np.ndarray = np.maximum(view.last_visit, view.stations.from_s)
    return counts_from


def _tip_um(view: View) -> np.ndarray:
    tip_um: np.ndarray = np.where(view.stations.tip_um > 0, view.stations.tip_um, USUAL_TIP_UM)
    return tip_um


def _spells(view: View, near: np.ndarray, positions: np.ndarray) -> _Spells:
    """Return the wet spells of some stations that ended in the hourly memory, weighed, in the order of time."""
    hour, place, dry_h = _ends(view, near, positions)
    position = positions[place]
    fine, hourly = view.record.fine, view.record.hourly
    begins = hourly.start + hour * HOUR
    # Most spells end here with the neighbours' rain, and hours say so.
    tail = hourly.running[np.minimum(hour + 2, hourly.head + 1), position] > hourly.running[hour, position]
    in_fine = tail & (begins - BEFORE_H * HOUR >= fine.start)
    parts = [
        _weighed(view, near, grid, position[some], begins[some], dry_h[some])
        for grid, some in ((hourly, ~in_fine), (fine, in_fine))
    ]
    together = (np.concatenate(columns) for columns in zip(*(_columns(part) for part in parts), strict=True))
    spells = _Spells(*together)
    return _told_apart(spells.take(np.lexsort((spells.ended_at, spells.position))))


def _told_apart(spells: _Spells) -> _Spells:
    """Return the spells with those that drained by their rate: rain was held back on two days, and let out at the same
    rate. Melt and fading rain have no rate of their own, a hole has; about frost nothing else counts.
    """
    again = np.zeros(len(spells.position), bool)
    doubt = spells.like & (spells.peak >= HELD_BACK * spells.own_peak)
    for row in np.flatnonzero(doubt & (spells.tips >= LINE_TIPS)).tolist():
        same = doubt & (spells.position == spells.position[row])
        same &= np.abs(spells.rate - spells.rate[row]) <= SAME_RATE * spells.rate[row]
        if (same & (np.abs(spells.ended_at - spells.ended_at[row]) >= DAY // 2)).any():
            again |= same
    sound = ~spells.cold | again
    return replace(spells, like=spells.like & sound, drained=spells.drained & sound | again, clear=spells.clear & sound)


def _columns(spells: _Spells) -> list[np.ndarray]:
    return [getattr(spells, name) for name in spells.__dataclass_fields__]


def _ends(view: View, near: np.ndarray, positions: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return after which hours the neighbours turned dry while it had rained here: hour, place among the positions, and
    how many hours they stayed dry [k].
    """
    hourly = view.record.hourly
    first = max(hourly.head + 1 - LOOK_BACK_H, BEFORE_H)
    hours = slice(first, hourly.head + 1)
    wet = np.zeros((hourly.head + 1 - first, len(positions)), np.int8)
    lone = np.maximum(LONE_TIP_UM, _tip_um(view))
    quiet = (hourly.rain[hours] <= lone) & (hourly.known[hours] >= KNOWN_SHARE * HOUR)
    # The hour still running counts as far as it has come.
    quiet[-1] = hourly.rain[hourly.head] <= lone
    for column in near[positions].T:
        wet += ~quiet[:, column] & (column >= 0)
    dry = wet <= _left_out(view, near[positions])
    onset = dry.copy()
    onset[1:] &= ~dry[:-1]
    onset[0] = False
    enough = np.count_nonzero(near[positions] >= 0, axis=1) >= NEIGHBOURS_NEEDED
    row, place = np.nonzero(onset & enough)
    hour = first + row
    before = hourly.running[hour, positions[place]] - hourly.running[hour - BEFORE_H, positions[place]]
    later = np.minimum(hour + AFTER_H, hourly.head + 1)
    after = hourly.running[later, positions[place]] - hourly.running[hour, positions[place]]
    worth = (before >= WET_UM) | ((before > 0) & (before + after >= LIKE_TIPS * _tip_um(view)[positions[place]]))
    row, place, hour = row[worth], place[worth], hour[worth]
    ahead = row[:, None] + np.arange(AFTER_H)
    wet_again = (ahead < len(dry)) & ~dry[np.minimum(ahead, len(dry) - 1), place[:, None]]
    return hour, place, np.where(wet_again.any(axis=1), np.argmax(wet_again, axis=1), AFTER_H)


def _weighed(
    view: View, near: np.ndarray, grid: Grid, position: np.ndarray, begins: np.ndarray, dry_h: np.ndarray
) -> _Spells:
    """Weigh spells on one grid: each from 12 hours before the neighbours turned dry to when they are wet again."""
    per_hour = HOUR // grid.step
    middle = BEFORE_H * per_hour
    width = middle + AFTER_H * per_hour
    at = np.arange(width)
    cells = grid.cells(begins + 1)[:, None] + at - middle
    inside = (cells <= grid.head) & (at < middle + dry_h[:, None] * per_hour)
    cells = np.minimum(cells, grid.head)
    own = np.where(inside, grid.rain[cells, position[:, None]], 0)
    others, left_out = near[position], _left_out(view, near[position])
    number, each = np.zeros(own.shape, np.int8), []
    peaks = np.full((len(position), NEIGHBOURS), np.nan)
    for place in range(NEIGHBOURS):
        there = others[:, place] >= 0
        rain = np.where(there[:, None] & inside, grid.rain[cells, others[:, place, None]], 0)
        number += rain > 0
        each.append(np.cumsum(rain, axis=1, dtype=np.int32))
        peaks[there, place] = _most(each[-1][there], per_hour)
    wet = number > left_out[:, None]
    ended = middle - np.argmax(wet[:, middle - per_hour : middle][:, ::-1], axis=1)
    ended = np.where(wet[:, middle - per_hour : middle].any(axis=1), ended, middle)

    tip = _tip_um(view)[position]
    last = _last_tip(own, ended, BREAK_H * per_hour)
    tail_s = (last + 1 - ended) * grid.step
    row = np.arange(len(own))
    total = np.cumsum(own, axis=1, dtype=np.int32)
    tail, *others_tail = (sums[row, last] - sums[row, ended - 1] for sums in (total, *each))
    alone = np.sort(others_tail, axis=0)[-1 - left_out, row] <= OTHERS_TAIL * tail
    # What a long reading holds may have fallen before the neighbours' rain ended.
    longer = np.maximum(view.record.covers_s[position], grid.step) - 300
    remembered = np.where(per_hour == 1, HOUR, TAIL_S + longer)
    # The hour in which it ran dry is only partly filled.
    goes_on = np.flatnonzero((last >= ended) & alone & (tail >= TAIL_TIPS * tip))
    slope, line_tips, off, line_cells = (np.zeros(len(own)) for _ in range(4))
    slope[goes_on], line_tips[goes_on], off[goes_on], line_cells[goes_on] = _line(
        own[goes_on], ended[goes_on], last[goes_on] - (per_hour == 1), per_hour, tip[goes_on]
    )
    half_hour = max(per_hour // 2, 1)
    long_reading = np.maximum(view.record.covers_s[position] // grid.step, half_hour)
    own_peak = _most(total, per_hour)
    most = np.where(long_reading > half_hour, own_peak, _most(total, half_hour))
    window = np.where(long_reading > half_hour, per_hour, half_hour)
    no_faster = most <= FASTEST * slope * window + tip
    peak = np.nanmedian(peaks, axis=1) if len(position) else np.zeros(0)
    at_pace = (tail >= TAIL_TIPS * tip) & (tail + tip >= AT_PACE * slope * (last + 1 - ended))
    like = alone & at_pace & (tail_s >= remembered) & (off <= OFF_TIPS) & no_faster & (line_tips >= LIKE_TIPS)
    drained = like & (tail_s >= TAIL_S + longer) & (line_tips >= LINE_TIPS) & (line_cells >= LINE_CELLS)
    drained &= peak >= own_peak
    clear = drained & (per_hour > 1) & (line_tips >= CLEAR_TIPS) & (off <= CLEAR_OFF_TIPS)
    clear |= drained & (peak >= HELD_BACK * own_peak)
    start = grid.start + (grid.cells(begins + 1) - middle) * grid.step
    return _Spells(
        position=position,
        ended_at=start + ended * grid.step,
        tail_until=start + (last + 1) * grid.step,
        rate=slope * per_hour / 1000.0,
        tips=line_tips,
        off=off,
        own_peak=own_peak / 1000.0,
        peak=peak / 1000.0,
        like=like,
        drained=drained,
        clear=clear,
        cold=_frost(view, position, begins),
        stopped=(own[:, :middle].sum(axis=1) >= WET_UM) & (tail_s <= TAIL_S + longer) & (dry_h >= 2),
    )


def _most(total: np.ndarray, cells: int) -> np.ndarray:
    """Return the most rain in so many cells in a row, from running sums [um, k]."""
    sums = total[:, cells:] - total[:, :-cells]
    return np.asarray(np.maximum(sums.max(axis=1, initial=0), total[:, cells - 1]))


def _last_tip(own: np.ndarray, ended: np.ndarray, longest_break: int) -> np.ndarray:
    """Return the cell of the last own tip that follows without a long break, the one before the end where none does."""
    at = np.arange(own.shape[1])
    last = np.maximum.accumulate(np.where(own > 0, at, -1), axis=1)
    since = at - np.maximum(last, ended[:, None] - 1)
    broken = (since > longest_break) & (at >= ended[:, None])
    first_break = np.where(broken.any(axis=1), np.argmax(broken, axis=1), own.shape[1] - 1)
    return np.asarray(np.maximum(np.take_along_axis(last, first_break[:, None], 1)[:, 0], ended - 1))


def _line(
    own: np.ndarray, ended: np.ndarray, last: np.ndarray, per_hour: int, tip: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return slope [um a cell], tips, furthest tip from it [tips] and number of cells with tips of the longest line
    that is straight to OFF_TIPS, or of the tail alone where none is.
    """
    at = np.arange(own.shape[1])
    total = np.cumsum(own, axis=1)
    best: list[np.ndarray] = [
        np.zeros(len(own)),
        np.zeros(len(own)),
        np.full(len(own), np.inf),
        np.zeros(len(own), int),
    ]
    for hours in STARTS_H:
        on = (own > 0) & (at >= ended[:, None] - hours * per_hour) & (at <= last[:, None])
        count = on.sum(axis=1)
        points = np.maximum(count, 1)
        mean_at = np.where(on, at, 0).sum(axis=1) / points
        mean_total = np.where(on, total, 0).sum(axis=1) / points
        away = np.where(on, at - mean_at[:, None], 0.0)
        height = np.where(on, total - mean_total[:, None], 0.0)
        slope = (away * height).sum(axis=1) / np.maximum((away**2).sum(axis=1), 1e-9)
        off = np.abs(height - slope[:, None] * away).max(axis=1, initial=0) / tip
        tips = np.where(on, own, 0).sum(axis=1) / tip
        better = (off <= OFF_TIPS) if hours else np.ones(len(own), bool)
        better &= count >= 2
        best = [np.where(better, new, old) for new, old in zip((slope, tips, off, count), best, strict=True)]
    return best[0], best[1], best[2], best[3]


def _frost(view: View, position: np.ndarray, begins: np.ndarray) -> np.ndarray:
    """Say which spells lie within a few days after frost."""
    if not len(position):
        return np.zeros(0, bool)
    daily = view.record.daily
    first = max(int(daily.cells(begins).min()) - FROST_BEFORE_DAYS, 0)
    stations, column = np.unique(position, return_inverse=True)
    frost = frost_days(view, first, stations)
    days = daily.cells(begins + 1)[:, None] - first - np.arange(FROST_BEFORE_DAYS + 1)
    return np.asarray(((days >= 0) & frost[np.maximum(days, 0), column[:, None]]).any(axis=1))


def _verdict(view: View, near: np.ndarray, spells: _Spells) -> Findings:
    size = len(view.stations)
    counts = spells.ended_at > _counts_from(view)[spells.position]
    drained = spells.take(counts & spells.drained)
    latest = np.full(size, -1)
    for some in (spells.like, spells.drained):
        rows = np.flatnonzero(counts & some)
        latest[spells.position[rows]] = rows
    known = latest >= 0

    def of_latest(column: np.ndarray) -> np.ndarray:
        return np.where(known, column[latest], 0.0) if len(column) else np.zeros(size)

    rate, ended_at = of_latest(spells.rate), of_latest(spells.ended_at)
    held_to = np.zeros(size)
    np.maximum.at(held_to, spells.position[counts & spells.like], spells.rate[counts & spells.like])
    after = spells.stopped & (spells.ended_at > ended_at[spells.position])
    stopped = _count(spells.position[after & (spells.own_peak > FASTER * held_to[spells.position])], size)
    # One rain is no two spells, however often the neighbours paused.
    apart = np.diff(drained.ended_at, prepend=0) >= DAY // 2
    apart |= np.diff(drained.position, prepend=-1) != 0
    number, clear = _count(drained.position[apart], size), _count(drained.position[drained.clear], size)
    wet = _count(spells.position, size)
    over = stopped >= SPELLS_NEEDED
    own_heaviest, heaviest = np.zeros(size), np.zeros(size)
    np.maximum.at(own_heaviest, spells.position[counts], spells.own_peak[counts])
    np.maximum.at(heaviest, spells.position[counts], np.nan_to_num(spells.peak[counts]))
    present = ((number >= SPELLS_NEEDED) | (clear > 0)) & ~over
    first = np.zeros(size, np.int64)
    first[drained.position[::-1]] = drained.ended_at[::-1]
    reason = np.full(size, "", object)
    reason[wet == 0] = "no wet spell in the last 31 days that ended at its neighbours"
    reason[(own_heaviest < HIDES * heaviest) & ~over] = "its heaviest hour of the month is far below its neighbours'"
    reason[known & ~present & ~over] = "one wet spell drained slowly: a second one will tell"
    reason[np.count_nonzero(near >= 0, axis=1) < NEIGHBOURS_NEEDED] = "fewer than 2 gauges within 30 km"
    reason[present] = ""
    reason[~view.in_service] = "out of service"
    verdict = np.where(reason != "", Verdict.UNDETERMINED, np.where(present, Verdict.PRESENT, Verdict.ABSENT))
    return Findings.of(
        verdict,
        since=np.where(verdict == Verdict.PRESENT, first, 0),
        numbers={
            "spells": number,
            "clear": clear,
            "stopped": np.where(known, stopped, 0),
            "wet": wet,
            "rate_mm_h": rate,
            "minutes_a_tip": np.where(known, 0.06 * _tip_um(view) / np.maximum(rate, 1e-3), 0.0),
            "hours_after": (of_latest(spells.tail_until) - ended_at) / HOUR,
            "tips": of_latest(spells.tips),
            "off_tips": of_latest(spells.off),
            "neighbours": np.count_nonzero(near >= 0, axis=1),
            "ended_at": ended_at,
        },
        reason=reason,
    )


def _count(positions: np.ndarray, size: int) -> np.ndarray:
    return np.bincount(positions, minlength=size)
