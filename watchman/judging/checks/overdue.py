"""Has the station missed reports, beyond what it usually misses?

Each station is held to its own habit, learned from its arrivals. It is overdue when the time since its last message is
longer than both of

    3 x sends_every + 5 min                             three reports missed, with the poll and the delay
    longest + ln(3000 / days) / -ln(r) x sends_every    the longest pause of its ordinary days, and as many reports more
                                                        as are missed once in 3000 days

Once in 3000 days is one wrong notice in a hundred station-months. Of the last 60 days the daily longest pauses are
taken in order; from the median on, the first that is longer than the one before by more than 2.25 sends_every and by
more than a quarter, and all after it, are days on which the station really stood still. The others are ordinary: there
are `days` of them, and the longest comes once in so many. r is the chance that a pause so long goes on by one report
more: the larger of the share of its latest pauses in which a report was missing, and of the share, among the longest
eighth of its ordinary days (six at least, or half of all), of those longer than the shortest of them by more than 1.25
sends_every; to both, half a case is added. It needs 20 arrivals and 7 days; until then at least four reports must be
missed, more where so many are missed in a row once in 3000 days, half a report in ten being taken as missed beforehand.

Where the numbers come from: that the tail of the longest of many falls off exponentially is textbook statistics (the
Gumbel distribution); once in 3000 days is the project's own aim; 60 days, the eighth and the quarter were chosen on
invented radios with lone and with clustered losses (judgement); three reports are common practice, no source.

It is back when it was heard twice: a modem that wakes for one message a day is undetermined in between. A station whose
peers (source, mast, plan or area) fell silent with it and are back has its own limit once more, from the first return.

What it cannot see: the time during which the source itself could not be fetched does not count, and after it came back
a station has one and a half of its intervals to be heard. A station that was never heard is undetermined, not overdue.
Whether many stations share one cause is asked in judging/causes.py.
"""

from __future__ import annotations

from datetime import timedelta
from typing import Annotated, Any

import numpy as np
from pydantic import Field

from watchman.judging.science.season import EPOCH
from watchman.judging.view import Findings, View, rfc3339
from watchman.model import BATTERY, SIGNAL, Verdict
from watchman.readings.record import DAY, HOUR
from watchman.written import Written

NAME = "overdue"
SLACK_S = 300
DAYS_BETWEEN_ERRORS = 3000.0
LONGEST_GRACE_S = 6 * HOUR
"""A silence longer than its limit by this is not explained by a source that was out in between (decided here)."""
LONGEST_LIMIT_S = 3 * DAY
MOST_CHANCE = 0.9
MOST = 0.6
"""The share of those that share something that must be silent together (decided here, no source)."""
PAUSES_AMONG = 64
"""Among so many of its latest messages a station's last long pause is looked for (decided here)."""
HABIT_DAYS = 60
MISSING = 1.75
"""In a pause longer than so many intervals a report is missing; shorter ones were late (judgement)."""
BEFOREHAND = 10.0
"""A station not known yet is taken to have lost half a report in so many (judgement, no source)."""
AT_ONCE = 0.25
"""Messages closer than so much of an interval were sent together (judgement)."""
STOOD_STILL = 2.25, 0.25
"""A day's longest pause is no habit if it is longer than the next shorter by so many intervals and so much of it."""
LONGER_BY = 1.25
"""A pause that is longer by so many intervals goes on: one report more is what delays alone may make (judgement)."""
LONGEST_SHARE, LONGEST_DAYS = 0.125, 6
"""The share of ordinary days, those with the longest pauses, that show how pauses go on; so many at least, where that
is no more than half of them (judgement)."""
WET_UM = 1000
NEAR_KM = 30.0


class Settings(Written):
    """How overdue is set."""

    missed_reports: Annotated[int, Field(ge=2, le=48)] = 3
    """At least this many reports in a row must be missing; more where the station's own habit asks for it."""


def judge(view: View, settings: Settings) -> Findings:
    """Return which stations are overdue; numbers: silent_s, limit_s."""
    record = view.record
    silent_s = _silence(view)
    every = record.sends_every_s
    limit = settings.missed_reports * every + SLACK_S
    suspected = np.flatnonzero((silent_s > limit) & (every > 0))
    limit[suspected] = np.maximum(limit[suspected], habit_limit(view, suspected))

    verdict = np.where(silent_s > limit, Verdict.PRESENT, Verdict.ABSENT).astype(np.int8)
    reason = np.full(len(view.stations), "", object)
    # A modem that wakes for one message a day is not back.
    alone = (silent_s <= limit) & (record.arrivals[-2] > 0) & (record.arrivals[-1] - record.arrivals[-2] > limit)
    verdict[alone] = Verdict.UNDETERMINED
    reason[alone] = "heard only once since a long silence"
    unheard = record.last_received == 0
    for rows, why in (
        (unheard, "never heard"),
        (~unheard & (every == 0), "not heard often enough yet to know how often it sends"),
        (_source_out(view), "its source can't be fetched"),
    ):
        verdict[rows] = Verdict.UNDETERMINED
        reason[rows] = why
    waiting = (verdict == Verdict.PRESENT) & (_since_back(view) < 1.5 * every + SLACK_S)
    waiting &= silent_s <= limit + LONGEST_GRACE_S
    verdict[waiting] = Verdict.UNDETERMINED
    reason[waiting] = "its source has only just come back"
    waiting = _peers_just_back(view, np.flatnonzero(verdict == Verdict.PRESENT), limit)
    verdict[waiting] = Verdict.UNDETERMINED
    reason[waiting] = "those that fell silent with it have only just come back"
    return Findings.of(
        verdict,
        since=record.last_observed,
        numbers={"silent_s": silent_s, "limit_s": limit},
        reason=reason,
    )


def habit_limit(view: View, stations: np.ndarray) -> np.ndarray:
    """Return how long a silence [s] each of these stations must keep before chance is ruled out."""
    record = view.record
    every = record.sends_every_s[stations].astype(np.float64)
    pauses = np.diff(record.arrivals[:, stations], axis=0).astype(np.float64)
    # What was kept and comes in one go is one report.
    pauses[(record.arrivals[:-1, stations] == 0) | (pauses < AT_ONCE * every)] = np.nan
    number = (~np.isnan(pauses)).sum(axis=0)
    missed = np.nansum(pauses > MISSING * every, axis=0) + 0.5
    missing, at_first = missed / (number + 1.0), missed / (number + BEFOREHAND)
    reports_a_day = DAY / np.maximum(every, 1.0)
    in_a_row = np.log(DAYS_BETWEEN_ERRORS * reports_a_day) / -np.log(np.minimum(at_first, MOST_CHANCE))
    by_chance = np.maximum(np.ceil(in_a_row), 4.0) * every + SLACK_S
    longest, goes_on, days = _ordinary_days(view, stations)
    more = np.log(DAYS_BETWEEN_ERRORS / np.maximum(days, 1)) / -np.log(
        np.minimum(np.maximum(missing, goes_on), MOST_CHANCE)
    )
    known = (number >= 20) & (days >= 7)
    limit = np.where(known, longest + more * every, by_chance)
    return np.asarray(np.minimum(limit, np.maximum(LONGEST_LIMIT_S, 4 * every)), np.int64)


def _ordinary_days(view: View, stations: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the longest pause of each station's ordinary days [s], the chance that one so long goes on by a report
    more, and how many such days are known.
    """
    today, every = view.record.daily.head, view.record.sends_every_s[stations]
    pauses = view.record.longest_gap[max(today - HABIT_DAYS, 0) : today, stations].astype(np.float64)
    pauses[pauses == 0] = np.nan
    pauses = np.sort(np.concatenate([pauses, np.full((1, len(stations)), np.nan)]), axis=0)
    number = (~np.isnan(pauses)).sum(axis=0)
    row, column = np.arange(len(pauses))[:, None], np.arange(len(stations))
    intervals, share = STOOD_STILL
    jump = np.diff(pauses, axis=0) > np.maximum(intervals * every, share * pauses[:-1])
    jump &= row[:-1] >= number // 2 - 1
    days = np.where(jump.any(axis=0), np.argmax(jump, axis=0) + 1, number)
    some = np.maximum(np.ceil(LONGEST_SHARE * days).astype(int), np.minimum(LONGEST_DAYS, (days + 1) // 2))
    longest, shortest = pauses[days - 1, column], pauses[days - some, column]
    longer = np.count_nonzero((pauses > shortest + LONGER_BY * every) & (row < days), axis=0)
    return longest, (longer + 0.5) / (some + 1.0), days


def _peers_just_back(view: View, silent: np.ndarray, limit: np.ndarray) -> np.ndarray:
    """Say which silent stations fell silent together with most of their source, mast, plan or area, of whom the first
    came back less than their own limit [s] ago [bool, n].
    """
    last, every = view.record.last_received, view.record.sends_every_s
    waits = np.zeros(len(last), bool)
    if not len(silent):
        return waits
    began, ended = _last_pause(view)
    just_back = (ended > 0) & (view.now - ended < limit[silent].max())
    stations = view.stations
    is_silent = np.isin(np.arange(len(last)), silent)
    for names in (source_of(view), *(np.array(one, object) for one in (stations.mast, stations.plan, stations.area))):
        for name in sorted({*names[silent]} & {*names[just_back]} - {""}):
            members = np.flatnonzero(names == name)
            own, back = members[is_silent[members]], members[just_back[members]]
            at = np.median(began[back])
            back = back[np.abs(began[back] - at) <= 1.5 * every[back] + 2 * SLACK_S]
            # Its last report before the outage may have been lost besides.
            own = own[np.abs(last[own] - at) <= 2.5 * every[own] + 2 * SLACK_S]
            # Those that were silent long before have a trouble of their own.
            of_before = is_silent[members] & (last[members] < at - 2.5 * every[members] - 2 * SLACK_S)
            heard = members[(last[members] > 0) & view.in_service[members] & ~of_before]
            if len(back) and len(own) + len(back) >= MOST * len(heard):
                waits[own] |= view.now - ended[back].min() < limit[own]
    return waits


def _last_pause(view: View) -> tuple[np.ndarray, np.ndarray]:
    """Return when the last pause of two intervals or more among latest arrivals began and ended, 0 for none [s]."""
    arrivals = view.record.arrivals[-PAUSES_AMONG:]
    long = (np.diff(arrivals, axis=0) > 2 * view.record.sends_every_s + SLACK_S) & (arrivals[:-1] > 0)
    row = len(long) - 1 - np.argmax(long[::-1], axis=0)
    column = np.arange(long.shape[1])
    there = long.any(axis=0)
    return np.where(there, arrivals[row, column], 0), np.where(there, arrivals[row + 1, column], 0)


def evidence(view: View, settings: Settings, findings: Findings, position: int) -> dict[str, Any]:
    """Return what people are told of one silent station, and of its neighbours."""
    record, stations = view.record, view.stations
    near = stations.neighbours[position]
    near = near[(near >= 0) & (stations.neighbours_km[position] <= NEAR_KM)]
    fine = findings.verdict[near] == Verdict.ABSENT
    wet_um = rain_of_last_hour(view)[near]
    battery = record.last_value[BATTERY, position]
    signal = record.last_value[SIGNAL, position]
    cutoff = stations.cutoff_v[position]
    return {
        "silent_since": rfc3339(record.last_observed[position]),
        "silent_minutes": int(findings.numbers["silent_s"][position]) // 60,
        "limit_minutes": int(findings.numbers["limit_s"][position]) // 60,
        "sends_every_minutes": round(int(record.sends_every_s[position]) / 60),
        "usual_pause_minutes": _usual_pause(view, position),
        "plan_ended": _day(stations.plan_end[position]) if plan_ended(view, np.array([position]))[0] else None,
        "neighbours_reporting": int(fine.sum()),
        "neighbours_total": len(near),
        "battery_v": None if np.isnan(battery) else round(float(battery), 2),
        "battery_low": bool(battery < cutoff * 1.03),
        "signal_dbm": None if np.isnan(signal) else round(float(signal)),
        "neighbours_wet": bool((wet_um >= WET_UM).any()),
        "wet_mm": round(float(wet_um.max(initial=0)) / 1000, 1),
    }


def _usual_pause(view: View, position: int) -> int | None:
    """Return the longest pause of the ordinary days of the last two months [min], None where no day is known."""
    longest, _, days = _ordinary_days(view, np.array([position]))
    return round(float(longest[0]) / 60) if days[0] else None


def plan_ended(view: View, stations: np.ndarray) -> np.ndarray:
    """Say which stations were last heard about when their data plan ended, a day before to two after, in local days:
    providers end a plan by their own clock (judgement, no source).
    """
    offset = view.stations.utc_offset_s
    ends = view.stations.plan_end[stations]
    heard = (view.record.last_observed[stations] + offset) // DAY
    ended = (ends > 0) & ((view.now + offset) // DAY >= ends)
    return np.asarray(ended & (heard >= ends - 1) & (heard <= ends + 2))


def _day(days: int) -> str:
    return (EPOCH + timedelta(days=int(days))).isoformat()


def rain_of_last_hour(view: View) -> np.ndarray:
    """Return the rain of the last hour by station [um]."""
    grid = view.record.fine
    return grid.sum(max(grid.head - HOUR // grid.step + 1, 0), grid.head)


def late(view: View) -> np.ndarray:
    """Say which stations have missed at least one report: fewer than make one overdue, enough to look for a shared
    cause.
    """
    every = view.record.sends_every_s
    return np.asarray((every > 0) & (_silence(view) > 2 * every + SLACK_S))


def fell_silent_together(view: View, silent: np.ndarray) -> np.ndarray:
    """Say which of some silent stations in service fell silent together with the latest of them, within an interval.

    silent: mask [n]; returns a mask.
    """
    last, every = view.record.last_received, view.record.sends_every_s
    silent = silent & view.in_service & (last > 0)
    latest = last[silent].max(initial=0)
    return np.asarray(silent & (last >= latest - 1.5 * every - 2 * SLACK_S))


def last_sent(view: View) -> np.ndarray:
    """Return when each station was last known to be well: the newest reading's end, or its arrival where its clock is
    ahead [s since 1970 UTC, n].
    """
    return np.minimum(view.record.last_observed, view.record.last_received)


def at_one_moment(view: View, silent: np.ndarray) -> bool:
    """Say whether these stations can have fallen silent at one moment, none having missed a report before another's
    last.
    """
    last = last_sent(view)[silent]
    return bool(last.max() <= (last + view.record.sends_every_s[silent]).min() + SLACK_S)


def source_of(view: View) -> np.ndarray:
    """Return the name of each station's source: as written, else the one that last brought its rain [object, n]."""
    written = np.array(view.stations.source, object)
    names = np.array([health.source for health in view.health] or [""], object)
    brought = names[np.minimum(view.record.last_rain_source, len(names) - 1)]
    return np.where((written == "") & (view.record.last_rain_at > 0), brought, written)


def _silence(view: View) -> np.ndarray:
    """Return the time since the last message [s], not counting the time when the source could not be fetched."""
    until = np.full(len(view.stations), view.now, np.int64)
    for health in view.health:
        if health.failing_since is not None:
            of_source = source_of(view) == health.source
            until[of_source] = int(health.last_success_at.timestamp()) if health.last_success_at else 0
    return np.asarray(np.maximum(until - view.record.last_received, 0), np.int64)


def _source_out(view: View) -> np.ndarray:
    failing = [health.source for health in view.health if health.failing_since is not None]
    return np.isin(source_of(view), failing) if failing else np.zeros(len(view.stations), bool)


def _since_back(view: View) -> np.ndarray:
    back = {health.source: int(health.back_at.timestamp()) for health in view.health if health.back_at}
    return np.array([view.now - back.get(name, 0) for name in source_of(view)], np.int64)
