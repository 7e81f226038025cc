"""Is a value that should move the same to the last digit?

Outdoors nothing but rain stands still: volts follow the sun, temperature and humidity the day. Asked of the hourly
means of battery, temperature, humidity and signal, of whole hours only; an hour without readings neither moves nor
rests. Two signs:

    frozen packet   everything it sends, rain too, has been the same for 3 hours and more than 6 reports, and for twice
                    as long, and an hour, as ever before in the last month: the logger repeats one packet. Treat it as
                    stopped. Asked of stations that send two or more of the four
    stuck value     one value has been the same for 48 hours (two days and two nights; signal 72), and for twice as long
                    as ever before in the last month

Its own past answers for its resolution: a full battery rests at its float voltage all day, and does so every week. What
rests in half of all hours, such as a battery told to 0.1 V, is told too coarsely to be judged by itself: a dark week
makes it rest for days. There must be 3 days of past before the standstill (until there are 14, once more its longest is
asked), and it must have moved in them: what never moved is no sensor. Two kinds of standstill are weather: humidity of
99 % and more, and whatever half of its neighbours do too (at least 2 of the nearest 5, each for half as long).

Where the numbers come from: more than 6 identical packets is common practice, no source; 3, 48 and 72 hours, twice its
own past and 3 days are judgement, no source: were the lengths of its standstills those of a coin that is thrown each
hour, twice the longest of a month would come once in several hundred months. It is QARTOD's flat line test (test 8)
with each station's own time in the place of a fixed one.

What it cannot see: zeros of rain (`dry-among-wet` asks those), a value told too coarsely, a sensor that sticks
and wavers by its last digit, and the first 3 days.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from watchman.judging.view import Findings, View, rfc3339
from watchman.model import BATTERY, HUMIDITY, RAIN, SIGNAL, TEMPERATURE, VARIABLES, Verdict
from watchman.readings.record import HOUR, Grid
from watchman.written import Written

NAME = "stuck-value"
EVERY_S = HOUR

ASKED = (BATTERY, TEMPERATURE, HUMIDITY, SIGNAL)
LEAST_HOURS = {BATTERY: 48, TEMPERATURE: 48, HUMIDITY: 48, SIGNAL: 72}
FROZEN_HOURS, FROZEN_REPORTS = 3, 6
TIMES = 2
PAST_HOURS, SURE_HOURS, MONTH_HOURS = 72, 336, 744
SATURATED_PERCENT = 99.0
PEERS = 5
SAME = 5e-4
"""Means of equal values differ by less than this through float32 sums of an hour's readings [units]."""
SAME_UM_PER_S = 0.005
"""The same for rain: 0.02 mm/h."""
SAMPLES_H = 41
"""The month is sampled every so many hours, which comes round to all times of day, to find what moves at all [h]."""


class Settings(Written):
    """How stuck-value is set: nothing to choose."""


@dataclass(frozen=True, slots=True)
class Rest:
    """How long values have stood still: hours now and reports in them, the longest in the month before, and how many
    hours are known of that, and in how many of them it moved; since when [s since 1970 UTC]. All [n].
    """

    hours: np.ndarray
    reports: np.ndarray
    longest_before: np.ndarray
    known_before: np.ndarray
    moves_before: np.ndarray
    since: np.ndarray


def judge(view: View, settings: Settings) -> Findings:
    """Return which stations send what stands still.

    numbers: hours and limit_hours of the standstill [h], variable [position in VARIABLES, RAIN for the whole packet].
    """
    size = len(view.stations)
    hours, limits, variable = np.zeros(size), np.full(size, np.nan), np.full(size, -1, np.int8)
    since = np.zeros(size, np.int64)
    asked = _sent(view.record.hourly)
    for kind in (*ASKED, RAIN):  # the whole packet last: it says more
        suspects = np.flatnonzero(_suspected(view.record.hourly, kind, asked))
        if not len(suspects):
            continue
        rest, limit, stuck = _stuck(view, kind, suspects, asked)
        for place in np.flatnonzero(stuck):
            stuck[place] = not _peers_rest(view, kind, int(suspects[place]), int(rest.hours[place]), asked)
        places = suspects[stuck]
        hours[places], limits[places], since[places] = rest.hours[stuck], limit[stuck], rest.since[stuck]
        variable[places] = kind
    sends = asked.any(axis=0)
    verdict = np.where(variable >= 0, Verdict.PRESENT, np.where(sends, Verdict.ABSENT, Verdict.UNDETERMINED))
    reason = np.where(sends, "", "sends nothing but rain, or nothing since yesterday").astype(object)
    return Findings.of(
        verdict,
        since=since,
        numbers={"hours": hours, "limit_hours": limits, "variable": variable},
        reason=reason,
    )


def evidence(view: View, settings: Settings, findings: Findings, position: int) -> dict[str, Any]:
    """Return what people are shown of one station: what stands still, and how long everything it sends has rested."""
    asked = _sent(view.record.hourly)
    here = np.array([position])
    told = int(findings.numbers["variable"][position])
    values = []
    for kind in (*ASKED, RAIN):
        if not (asked[:, position].sum() >= 2 if kind == RAIN else asked[kind, position]):
            continue
        rest, limit, _ = _stuck(view, kind, here, asked)
        last = view.record.last_value[kind, position]
        values.append(
            {
                "what": "all" if kind == RAIN else VARIABLES[kind],
                "value": None if kind == RAIN or np.isnan(last) else round(float(last), 3),
                "hours": int(rest.hours[0]),
                "limit_hours": int(limit[0]),
                "longest_before_hours": int(rest.longest_before[0]),
                "reports": int(rest.reports[0]),
            }
        )
    since = int(findings.since[position])
    return {
        "frozen": told == RAIN,
        "variable": VARIABLES[told] if told > RAIN else None,
        "same_since": rfc3339(since) if since else None,
        "values": values,
    }


def _sent(grid: Grid) -> np.ndarray:
    """Say which variables each station has sent in the last day, whole hours only [variable, n]; never rain."""
    sent = np.array(grid.count[:, max(grid.head - 24, 0) : grid.head].any(axis=1))
    sent[RAIN] = False
    return sent


def _suspected(grid: Grid, kind: int, asked: np.ndarray) -> np.ndarray:
    """Say by a few samples for which stations it is worth looking closely: still now, and moving in the month."""
    span = LEAST_HOURS.get(kind, FROZEN_HOURS)
    recent = np.unique(np.linspace(max(grid.head - span, 0), max(grid.head - 1, 0), 6).astype(int))
    month = np.arange(max(grid.head - 1, 0), max(grid.head - MONTH_HOURS, -1), -SAMPLES_H)
    kinds = ASKED if kind == RAIN else (kind,)
    still, moves = np.ones(grid.stations, bool), np.zeros(grid.stations, bool)
    for one in kinds:
        still &= ~asked[one] | (_range(grid, one, recent) <= SAME)
        moves |= _range(grid, one, month) > SAME
    enough = asked.sum(axis=0) >= 2 if kind == RAIN else asked[kind]
    return np.asarray(enough & still & moves)


def _range(grid: Grid, kind: int, rows: np.ndarray) -> np.ndarray:
    """Return the greatest difference between the means of some hours, 0 where none is known [n]."""
    count = grid.count[kind][rows]
    mean = grid.total[kind][rows] / np.maximum(count, 1)
    most = np.where(count > 0, mean, -np.inf).max(axis=0, initial=-np.inf)
    least = np.where(count > 0, mean, np.inf).min(axis=0, initial=np.inf)
    return np.asarray(np.where(most >= least, most - least, 0.0))


def _stuck(view: View, kind: int, stations: np.ndarray, asked: np.ndarray) -> tuple[Rest, np.ndarray, np.ndarray]:
    """Return how long some stations' value, or whole packet, has rested; the limit [h]; and whether it is beyond it."""
    rest = _rest(view.record.hourly, kind, stations, asked)
    times = np.where(rest.known_before >= SURE_HOURS, TIMES, TIMES + 1)
    if kind == RAIN:
        limit = np.maximum(FROZEN_HOURS, times * rest.longest_before + 1)
        possible = rest.reports > FROZEN_REPORTS
    else:
        limit = np.maximum(LEAST_HOURS[kind], times * rest.longest_before)
        possible = (kind != HUMIDITY) | ~(view.record.last_value[kind, stations] >= SATURATED_PERCENT)
        possible &= 2 * rest.moves_before > rest.known_before
    return rest, limit, np.asarray(possible & (rest.hours >= limit) & (rest.known_before >= PAST_HOURS))


def _rest(grid: Grid, kind: int, stations: np.ndarray, asked: np.ndarray) -> Rest:
    """Return how long a value (RAIN: everything that is sent) has been the same, and was before, by whole hours."""
    rows = slice(max(grid.head - MONTH_HOURS, 0), grid.head)
    kinds = ASKED if kind == RAIN else (kind,)
    known, moved = (np.zeros((rows.stop - rows.start, len(stations)), bool) for _ in range(2))
    reports = np.zeros(known.shape, np.int64)
    for one in kinds:
        count = grid.count[one][rows][:, stations] * asked[one, stations]
        moved |= _moved(grid.total[one][rows][:, stations], count, SAME)
        known |= count > 0
        reports = np.maximum(reports, count)
    if kind == RAIN:
        moved |= _moved(grid.rain[rows][:, stations], grid.known[rows][:, stations], SAME_UM_PER_S) & known
    return _rest_of(known, moved, reports, grid.start + rows.start * HOUR)


def _moved(total: np.ndarray, count: np.ndarray, same: float) -> np.ndarray:
    """Return in which hours the mean differs from the last known one before [hour, station]."""
    known = count > 0
    mean = total / np.maximum(count, 1)
    latest = np.maximum.accumulate(np.where(known, np.arange(len(known))[:, None], -1), axis=0)
    before = np.roll(latest, 1, axis=0)
    before[:1] = -1
    return np.asarray(known & (before >= 0) & (np.abs(mean - np.take_along_axis(mean, before, axis=0)) > same))


def _rest_of(known: np.ndarray, moved: np.ndarray, reports: np.ndarray, begins_at: int) -> Rest:
    """Return the standstill at the end and the longest one before it, from which hours are known and moved."""
    rows = np.arange(len(known))[:, None]
    last_move = np.where(moved, rows, -1).max(axis=0, initial=-1)
    now = rows >= last_move
    counted = np.cumsum(known, axis=0)
    at_move = np.maximum.accumulate(np.where(moved, counted, 1), axis=0)
    so_far = np.where(known, counted - at_move + 1, 0)
    first_known = np.argmax(known, axis=0)
    return Rest(
        hours=(known & now).sum(axis=0),
        reports=(reports * now).sum(axis=0),
        longest_before=np.where(now, 0, so_far).max(axis=0, initial=0),
        known_before=(known & ~now).sum(axis=0),
        moves_before=(moved & ~now).sum(axis=0),
        since=begins_at + np.maximum(last_move, first_known) * HOUR,
    )


def _peers_rest(view: View, kind: int, position: int, hours: int, asked: np.ndarray) -> bool:
    """Say whether half of the neighbours have stood still for half as long: then it is the weather, or the source."""
    near = view.stations.neighbours[position]
    near = near[near >= 0]
    near = near[(asked[:, near].sum(axis=0) >= 2) if kind == RAIN else asked[kind, near]][:PEERS]
    if len(near) < 2:
        return False
    rests = _rest(view.record.hourly, kind, near, asked).hours >= hours / 2
    return bool(2 * rests.sum() >= len(near))
