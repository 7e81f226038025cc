"""Has the station missed reports, beyond what it usually misses?

Each station is held to its own habit, learned from its arrivals. It is overdue when the time since its last message is
longer than the longest of

    3 x sends_every                                     three reports missed
    k x sends_every,   k >= ln(3000 N) / -ln(p)         as many in a row as chance would lose once in 3000 days, whole:
                                                        N reports a day, each lost with probability p
    q50 + 7.64 (q75 - q25) / 1.57                       the longest pause of a day that comes once in 3000 days, from
                                                        the quartiles of its daily longest pauses (Gumbel distribution);
                                                        not asked where on nine days in ten no two reports in a row are
                                                        missing, since then chance says it all

plus 5 minutes for the poll and the delay. Once in 3000 days is one wrong notice in a hundred station-months. p is the
share of pauses longer than 1.5 x sends_every among the latest arrivals, never taken as less than half of one; quartiles
are used because they shrug off days on which the station really stood still. The second and third limit need 20
arrivals and 7 days; until then four reports must be missed.

Where the numbers come from: the Gumbel distribution for the largest of many is textbook statistics (quantile of p:
mode - scale ln(-ln p)); once in 3000 days is the project's own aim; three reports are common practice, no source.

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
MOST = 0.6
"""The share of those that share something that must be silent together (decided here, no source)."""
PAUSES_AMONG = 64
"""Among so many of its latest messages a station's last long pause is looked for (decided here)."""
GUMBEL_QUARTILES = 1.5725
"""(q75 - q25) / scale of a Gumbel distribution: -ln(-ln 0.75) + ln(-ln 0.25)."""
GUMBEL_RARE = 7.64
"""(quantile of 1 - 1/3000 - q50) / scale of a Gumbel distribution."""
BY_CHANCE = 2.25
"""Pauses up to so many intervals have one report missing; a quarter of one for its delay (decided here)."""
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
    pauses[record.arrivals[:-1, stations] == 0] = np.nan
    number = (~np.isnan(pauses)).sum(axis=0)
    lost = (np.nansum(pauses > 1.5 * every, axis=0) + 0.5) / (number + 1.0)
    reports_a_day = DAY / np.maximum(every, 1.0)
    in_a_row = np.log(DAYS_BETWEEN_ERRORS * reports_a_day) / -np.log(np.minimum(lost, 0.9))
    chance = np.where(number >= 20, np.ceil(in_a_row), 4.0) * every
    limit = np.maximum(chance, _rare_pause(view, stations)) + SLACK_S
    longest = np.maximum(LONGEST_LIMIT_S, 4 * every)
    return np.asarray(np.minimum(limit, longest), np.int64)


def _rare_pause(view: View, stations: np.ndarray) -> np.ndarray:
    """Return the daily longest pause [s] that comes once in 3000 days, 0 where fewer than 7 days are known."""
    today = view.record.daily.head
    pauses = view.record.longest_gap[max(today - 30, 0) : today, stations].astype(np.float64)
    pauses[pauses == 0] = np.nan
    days = (~np.isnan(pauses)).sum(axis=0)
    rare = np.zeros(len(stations))
    enough = days >= 7
    if enough.any():
        q25, q50, q75, q90 = _quantiles(pauses[:, enough], days[enough], (0.25, 0.5, 0.75, 0.9))
        by_chance = q90 <= BY_CHANCE * view.record.sends_every_s[stations[enough]]
        rare[enough] = np.where(by_chance, 0.0, q50 + GUMBEL_RARE * (q75 - q25) / GUMBEL_QUARTILES)
    return rare


def _quantiles(values: np.ndarray, number: np.ndarray, shares: tuple[float, ...]) -> list[np.ndarray]:
    """Return quantiles of each column, of which `number` are not NaN: numpy's, many times faster."""
    ordered = np.sort(values, axis=0)
    column = np.arange(len(number))
    found = []
    for share in shares:
        place = (number - 1) * share
        low = place.astype(int)
        below, above = ordered[low, column], ordered[np.minimum(low + 1, number - 1), column]
        found.append(below + (place - low) * (above - below))
    return found


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
            heard = members[(last[members] > 0) & view.in_service[members]]
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
    """Return the longest pause of a usual day of the last month [min], None where no day is known."""
    today = view.record.daily.head
    pauses = view.record.longest_gap[max(today - 30, 0) : today, position]
    return round(float(np.median(pauses[pauses > 0])) / 60) if (pauses > 0).any() else None


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
