"""Are its stamps ahead, behind, shifted by whole hours, frozen?

A reading carries two times: the logger's stamp, and when it arrived. What can be seen between them is judged at once:

    ahead     the last 3 messages are stamped more than 10 min later than they arrived. Such readings can't be used
    dates     ... or by 20 h and more; or the last 3 are older than 400 days (a clock that fell back to 1970 or
              2000); or they are behind, as below, by 20 h and more
    frozen    the last 6 messages and more, over 3 h, came with one and the same stamp
    hours     the last 4 messages and more, over 3 h, came later than the station's usual delay by whole or half hours
              (at least 1 h; each to 5 min), all by the same amount

Late is not behind: after a pause, stored readings come late too. So what came late by no more than the pause before it
counts as stored; only if the same delay stands through 128 messages is it the clock.

Where arrival tells nothing (nobody knows it, or the source moves the stamps), whole hours show in the readings
themselves, over the last 31 days:

    rain      wet and dry hours are held against how many of the (up to 6) gauges within 20 km were wet in the same
              hour, and in those up to 12 h before and after. Each hour has a likelihood ratio, with the chances of a
              wet hour from all gauges of the network together; those of 24 hours count as 100 to 1 at most, since one
              storm is one piece of news:  odds = product of the daily ratios since the change. A whole day is not
              looked for: showers come at one hour day after day, and stamps show a day off
    rhythm    temperature and battery volts rise and fall with the sun. The hour of their daily course (first
              harmonic) is held against its neighbours' (the median of 3 and more); a step is the median since the
              change minus that before

    hours     odds of a million (`limit_odds`) on 3 days and more, while the weeks before fit the right hour (100 to 1)
              or the odds are a million millions; or odds of 1000 and a step of temperature or battery by the same hour;
              or temperature and battery stepped by the same whole hour, each within 0.35 h, since the same day. Not
              where a day of the last 31 had a mean under 2 degC, here or at half of the neighbours: snow on ground, box
              or panel gives both another course

No step of temperature or battery since then may differ from the hour that rain shows by 0.75 h.

Storms move: a gauge beside all its neighbours sees rain before or after them every time. So rain speaks of a shift of L
hours only where the middle of its neighbours lies within 5 km x L, the way of a storm at 10 km/h in half that time; and
the shifted hours must fit nearly as well (0.8) as gauges of this network usually fit their neighbours.

When three stations and more, half of their source, show the same shift, it is one matter: the source or its conversion.

Where the numbers come from: 10 min and 400 days are those of readings/cleaning.py. A million to one: with 24 lags and
some ten wet days a month, less than one honest gauge in 1000 months (Wald's bound for likelihood ratios). Half hours:
the steps of the world's time zones. 3, 4, 6 and 128 messages, 3 h, 5 min, 20 h, 100 to 1, 20 km, 10 km/h, 0.8, 0.35 h,
0.75 h: judgement, no source. 2 degC: up to there snow falls (from memory).

What it cannot see: a clock that drifts by minutes, or was wrong by less than 20 h and constant since before the watch
began, unless rain tells; a shift in a place without rain, temperature and battery readings, or in frost without rain;
half hours and whole days where arrival tells nothing; readings that repeat stamp and values alike, which look as
delivered twice (the station then is `overdue`). What the rhythm alone has shown is undetermined again after three
weeks, when no days before are left.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import Field

from watchman.judging.checks.overdue import source_of
from watchman.judging.science import patterns
from watchman.judging.science.trend import median
from watchman.judging.view import Findings, View, rfc3339
from watchman.model import BATTERY, TEMPERATURE, Verdict
from watchman.readings.cleaning import EARLIEST_S, FUTURE_S, OLDEST_S
from watchman.readings.record import ARRIVALS_KEPT, DAY, HOUR
from watchman.written import Written

NAME = "clock"
EVERY_S = 3 * HOUR

KINDS = ("", "ahead", "dates", "frozen", "hours")
AHEAD, DATES, FROZEN, HOURS = 1, 2, 3, 4
MESSAGES = 3
MESSAGES_BEHIND = 4
MESSAGES_FROZEN = 6
LONG_ENOUGH_S = 3 * HOUR
HALF_HOUR_S = 1800
TOLERANCE_S = 300
DATES_FROM_S = 20 * HOUR
STORED_SHARE = 0.8
"""Readings late by less than the pause before them over this were stored meanwhile."""

DAYS = 31
LAGS = (*range(-12, 0), *range(1, 13))
KNOWN_S = 0.9 * HOUR
DAY_CAP = math.log(100.0)
SUPPORTED = math.log(1000.0)
WET_DAYS = 3
FITS_AGAIN = 0.8
MIDDLE_KM_PER_H = 5.0
KM_PER_DEGREE = 111.195

PEERS = 3
LEAST_COURSE = {TEMPERATURE: 1.5, BATTERY: 0.02}
"""Daily courses smaller than this [degC, V; half the range] have no hour."""
DAYS_SINCE = (3, 4, 5, 7, 10, 14, 18)
DAYS_BEFORE = 5
STEADY_H = 0.75
SAME_STEP_H = 0.35
OTHER_STEP_H = 0.75
SNOW_C = 2.0
RECENT_DAYS = 14

Kind = Literal["ahead", "dates", "frozen", "hours"]


class Settings(Written):
    """How clock is set."""

    kinds: Annotated[tuple[Kind, ...], Field(strict=False, min_length=1)] = ("ahead", "dates", "frozen", "hours")
    """Which wrong clocks this rule tells of: "ahead", "dates" (a day or more off), "frozen", "hours"."""
    limit_odds: Annotated[float, Field(ge=1000, le=1e12)] = 1e6
    """Tell of whole hours, where only rain shows them, when the right hour is as unlikely as 1 in this many."""


@dataclass(frozen=True, slots=True)
class _Shifts:
    """What one way of looking says. kind: position in KINDS; shift_s: stamp minus true time [s]; since [s since 1970
    UTC]; unsure: neither well nor proven wrong. All [n].
    """

    kind: np.ndarray
    shift_s: np.ndarray
    since: np.ndarray
    unsure: np.ndarray

    @staticmethod
    def none(size: int) -> _Shifts:
        """Return that nothing is shifted."""
        return _Shifts(
            np.zeros(size, np.int8), np.zeros(size, np.int64), np.zeros(size, np.int64), np.zeros(size, bool)
        )


@dataclass(frozen=True, slots=True)
class _Rain:
    """The lag that fits each gauge's rain best: lag_h [h], odds since then and before [ln], days that speak for it, the
    first of them (days back from now), how much of its rain its neighbours share at its own hours and at the lag, and
    whether the last days had rain to compare. All [n].
    """

    lag_h: np.ndarray
    odds: np.ndarray
    before: np.ndarray
    days: np.ndarray
    days_back: np.ndarray
    shared: np.ndarray
    shared_at_lag: np.ndarray
    usual_share: float
    heard: np.ndarray


def judge(view: View, settings: Settings) -> Findings:
    """Return whose stamps are wrong.

    numbers: kind [position in KINDS], shift_s [s, above 0 ahead], messages, delay_s, usual_delay_s [s], rain_odds [ln],
    rain_days, rain_lag_h [h], shared, shared_at_lag [share], temperature_h, battery_h [h, NaN without a step], told_at
    [position of the station under which a shared shift is told, -1 for its own].
    """
    record, size = view.record, len(view.stations)
    shifts, messages = _stamps(view)
    rain = courses = None
    if "hours" in settings.kinds:
        rain, courses = _rain(view), (_course(view, TEMPERATURE), _course(view, BATTERY))
        shifts = _with_hours(view, settings, shifts, rain, courses)
    asked = np.isin(shifts.kind, [KINDS.index(kind) for kind in settings.kinds])
    told_at = _told_at(view, shifts, asked)
    own = told_at == np.arange(size)
    verdict = np.where(asked & own, Verdict.PRESENT, Verdict.ABSENT)
    reason = np.full(size, "", object)
    for rows, why in (
        (shifts.unsure & (shifts.kind == 0), "its hours don't fit quite, and not clearly enough to say more"),
        (record.arrivals[-1] == 0, "never heard"),
        (asked & ~own, "most stations of its source show the same: told as one"),
    ):
        verdict[rows], reason[rows] = Verdict.UNDETERMINED, why
    nothing = np.full(size, np.nan)
    return Findings.of(
        verdict,
        since=np.where(verdict == Verdict.PRESENT, shifts.since, 0),
        numbers={
            "kind": shifts.kind,
            "shift_s": shifts.shift_s,
            "messages": messages,
            "delay_s": record.arrivals[-1] - record.stamps[-1],
            "usual_delay_s": record.usual_delay_s.copy(),
            "rain_odds": nothing if rain is None else rain.odds,
            "rain_days": nothing if rain is None else rain.days,
            "rain_lag_h": nothing if rain is None else rain.lag_h,
            "shared": nothing if rain is None else rain.shared,
            "shared_at_lag": nothing if rain is None else rain.shared_at_lag,
            "temperature_h": nothing if courses is None else courses[0].step,
            "battery_h": nothing if courses is None else courses[1].step,
            "told_at": np.where(asked, told_at, -1),
        },
        reason=reason,
    )


def evidence(view: View, settings: Settings, findings: Findings, position: int) -> dict[str, Any]:
    """Return what people are shown of one clock; what was not looked at, or can't be told, is null."""
    numbers = {name: float(column[position]) for name, column in findings.numbers.items()}
    arrived, stamp = int(view.record.arrivals[-1, position]), int(view.record.stamps[-1, position])
    told_at = findings.numbers["told_at"]
    together = np.flatnonzero((told_at == told_at[position]) & (told_at >= 0))
    others = [view.stations.ids[other] for other in together if other != position]
    odds = numbers["rain_odds"]
    return {
        "kind": KINDS[int(numbers["kind"])],
        "shift_hours": round(numbers["shift_s"] / HOUR, 2),
        "last_stamp": rfc3339(stamp) if arrived and abs(stamp) < 4e9 else None,
        "last_arrived": rfc3339(arrived) if arrived else None,
        "messages": int(numbers["messages"]),
        "delay_minutes": round(numbers["delay_s"] / 60, 1),
        "usual_delay_minutes": round(numbers["usual_delay_s"] / 60, 1) if numbers["usual_delay_s"] else None,
        "limit_ahead_minutes": FUTURE_S // 60,
        "rain_odds": None if np.isnan(odds) else float(f"{math.exp(min(max(odds, 0.0), 60.0)):.2g}"),
        "limit_odds": settings.limit_odds,
        "rain_days": _number(numbers["rain_days"], 0),
        "rain_lag_hours": _number(numbers["rain_lag_h"], 0),
        "shared_percent": _number(100 * numbers["shared"], 0),
        "shared_at_lag_percent": _number(100 * numbers["shared_at_lag"], 0),
        "temperature_hours": _number(numbers["temperature_h"], 1),
        "battery_hours": _number(numbers["battery_h"], 1),
        **({"cause": "source", "source": str(source_of(view)[position]), "shared_with": others} if others else {}),
    }


def _number(value: float, digits: int) -> float | None:
    return None if np.isnan(value) else round(value, digits)


# --- the stamps beside their arrival ---


def _stamps(view: View) -> tuple[_Shifts, np.ndarray]:
    """Return what stamps and arrivals say, and how many messages in a row say so."""
    record = view.record
    shifts, messages = _Shifts.none(record.stations), np.zeros(record.stations, np.int64)
    delay = record.arrivals[-1] - record.stamps[-1]
    later = delay - record.usual_delay_s
    looked_at = np.flatnonzero(
        (record.arrivals[-1] > 0)
        & (
            (delay < -FUTURE_S)
            | (delay > DATES_FROM_S)
            | ((later >= HOUR - TOLERANCE_S) & (record.usual_delay_s != 0))
            | _same_stamp(view, 2)
        )
    )
    if len(looked_at):
        _judge_stamps(view, looked_at, shifts, messages)
    # After a start the latest messages may be known only by when they came, not by their stamps.
    shifts.unsure[record.arrivals[-1] < record.last_received] = True
    return shifts, messages


def _same_stamp(view: View, messages: int) -> np.ndarray:
    """Say whose stamp has stood still for an hour and so many messages."""
    record = view.record
    same = (record.stamps[-1] == record.stamps[-messages]) & (record.arrivals[-messages] > 0)
    return np.asarray(same & (record.arrivals[-1] - record.arrivals[-messages] >= HOUR))


def _judge_stamps(view: View, stations: np.ndarray, shifts: _Shifts, messages: np.ndarray) -> None:
    """Write what the last messages of some stations say into `shifts` and `messages`."""
    record = view.record
    arrivals, stamps, usual = record.arrivals[:, stations], record.stamps[:, stations], record.usual_delay_s[stations]
    heard = arrivals > 0
    delays = arrivals - stamps
    latest = delays[-MESSAGES:]
    middle = np.sort(latest, axis=0)[MESSAGES // 2]
    enough = heard[-MESSAGES]
    later = middle - usual

    ahead = (delays < -FUTURE_S) & heard
    too_old = ((delays > OLDEST_S) | (stamps < EARLIEST_S)) & heard
    late_alike = (np.abs(delays - middle) <= TOLERANCE_S) & heard
    still = (stamps == stamps[-1]) & heard
    runs = [_run(rows) for rows in (ahead, too_old, late_alike, still)]
    since = [arrivals[-np.maximum(run, 1), np.arange(len(stations))] for run in runs]
    halves = np.rint(later / HALF_HOUR_S).astype(np.int64) * HALF_HOUR_S
    stepped = ((np.abs(later - halves) <= TOLERANCE_S) & (halves >= HOUR) & (usual != 0)) | (later >= DATES_FROM_S)
    behind = (
        stepped
        & (runs[2] >= MESSAGES_BEHIND)
        & (arrivals[-1] - since[2] >= LONG_ENOUGH_S)
        & ((_pause_before(arrivals, runs[2]) < STORED_SHARE * later) | (runs[2] == ARRIVALS_KEPT))
    )
    frozen = (runs[3] >= MESSAGES_FROZEN) & (arrivals[-1] - since[3] >= LONG_ENOUGH_S)
    is_ahead, is_old = enough & (runs[0] >= MESSAGES), enough & (runs[1] >= MESSAGES)

    order = [is_ahead, is_old, frozen, behind]
    shifts.kind[stations] = np.select(
        order,
        [
            np.where(-later >= DATES_FROM_S, DATES, AHEAD),
            np.full(len(stations), DATES),
            np.full(len(stations), FROZEN),
            np.where(later >= DATES_FROM_S, DATES, HOURS),
        ],
        0,
    )
    place = [0, 1, 3, 2]
    shifts.shift_s[stations] = np.select(
        order, [_to_half_hours(-later), -middle, 0 * middle, _to_half_hours(-later)], 0
    )
    shifts.since[stations] = np.select(order, [since[one] for one in place], 0)
    messages[stations] = np.select(order, [runs[one] for one in place], 0)
    shifts.unsure[stations] = True


def _to_half_hours(shift_s: np.ndarray) -> np.ndarray:
    """Return shifts moved to the half hour where they are near one, else as they are [s]."""
    halves = np.rint(shift_s / HALF_HOUR_S).astype(np.int64) * HALF_HOUR_S
    return np.asarray(np.where((np.abs(shift_s - halves) <= TOLERANCE_S) & (halves != 0), halves, shift_s))


def _run(rows: np.ndarray) -> np.ndarray:
    """Return how many of the latest messages in a row are such [k, n]."""
    broken = ~rows[::-1]
    return np.asarray(np.where(broken.any(axis=0), np.argmax(broken, axis=0), len(rows)))


def _pause_before(arrivals: np.ndarray, run: np.ndarray) -> np.ndarray:
    """Return the pause before the first message of a run [s]; very long where nothing is known before it."""
    columns = np.arange(arrivals.shape[1])
    first = len(arrivals) - np.maximum(run, 1)
    before = arrivals[np.maximum(first - 1, 0), columns]
    return np.asarray(np.where((first > 0) & (before > 0), arrivals[first, columns] - before, np.iinfo(np.int64).max))


# --- the hours in the readings themselves ---


def _with_hours(
    view: View, settings: Settings, shifts: _Shifts, rain: _Rain, courses: tuple[_Course, _Course]
) -> _Shifts:
    """Return the shifts with the whole hours that rain and the daily rhythm show where stamps show nothing."""
    free = (shifts.kind == 0) & view.in_service
    limit = math.log(settings.limit_odds)
    fits = (
        (rain.days >= WET_DAYS)
        & (rain.shared_at_lag >= FITS_AGAIN * rain.usual_share)
        & (rain.shared_at_lag > rain.shared)
        & (_middle_km(view) <= MIDDLE_KM_PER_H * np.abs(rain.lag_h))
    )
    by_rain = fits & (((rain.odds >= limit) & (rain.before <= -DAY_CAP)) | (rain.odds >= 2 * limit))
    rhythm_h = np.zeros(len(free))
    against = np.zeros(len(free), bool)
    for days, temperature, battery in zip(DAYS_SINCE, *(course.steps for course in courses), strict=True):
        hour = np.nan_to_num(np.rint(temperature))
        both = (np.abs(temperature - hour) <= SAME_STEP_H) & (np.abs(battery - hour) <= SAME_STEP_H)
        rhythm_h = np.where(both & (hour != 0), hour, rhythm_h)
        for step in (temperature, battery):
            by_rain |= fits & (rain.odds >= SUPPORTED) & (np.abs(step - rain.lag_h) <= SAME_STEP_H)
            against |= (days <= rain.days_back) & (np.abs(step - rain.lag_h) >= OTHER_STEP_H)
    by_rain &= ~against
    snow = _snow(view)
    lag_h = np.where(free, np.where(by_rain, rain.lag_h, np.where(snow, 0, rhythm_h)), 0)
    days_back = rain.days_back.copy()
    for position in np.flatnonzero((lag_h != 0) & ~by_rain):
        days_back[position] = _days_of_step(courses[0].later[position], lag_h[position])
    found = lag_h != 0
    comparable = rain.heard | (courses[0].comparable & courses[1].comparable)
    suspected = (fits & (rain.odds >= SUPPORTED)) | (snow & (rhythm_h != 0))
    return _Shifts(
        np.where(found, HOURS, shifts.kind).astype(np.int8),
        np.where(found, (lag_h * HOUR).astype(np.int64), shifts.shift_s),
        np.where(found, view.now // HOUR * HOUR - days_back * DAY, shifts.since),
        shifts.unsure | (free & (suspected | ~comparable)),
    )


def _hours(view: View) -> slice:
    """Return the cells of the whole days up to the last full hour, at most DAYS of them."""
    head = view.record.hourly.head
    return slice(head - min(DAYS, head // 24) * 24, head)


def _rain(view: View) -> _Rain:
    """Return at which lag each gauge's wet hours fit its neighbours' best, and since which day."""
    grid, hours = view.record.hourly, _hours(view)
    wet = np.where(grid.known[hours] >= KNOWN_S, grid.rain[hours] > 0, patterns.UNKNOWN).astype(np.int8).T
    wet = np.ascontiguousarray(wet)
    wet[(view.record.covers_s > HOUR) | ~view.in_service] = patterns.UNKNOWN
    around = patterns.wet_around(wet, patterns.near(view.stations.neighbours, view.stations.neighbours_km))
    chance = patterns.chances(wet, around)
    size, days = len(wet), wet.shape[1] // 24
    lag_h, fits, odds, before = (np.zeros(size) for _ in range(4))
    speak, back = np.zeros(size, np.int64), np.zeros(size, np.int64)
    candidates = np.flatnonzero(((wet > 0) & (around >= 0)).any(axis=1))
    own, theirs = wet[candidates], around[candidates]
    for lag, daily in patterns.at_lags(own, theirs, chance, LAGS):
        # Which hour fits best shows in all of the rain; how sure that is, in days of which none counts for too much.
        fit = np.cumsum(daily[:, ::-1], axis=1)
        better = np.flatnonzero(fit.max(axis=1) > fits[candidates])
        chosen, rows = candidates[better], np.arange(len(better))
        best = np.argmax(fit[better], axis=1)
        ratios = np.clip(daily[better], -DAY_CAP, DAY_CAP)
        since = np.cumsum(ratios[:, ::-1], axis=1)
        total = since[rows, best]
        fits[chosen] = fit[better, best]
        lag_h[chosen], odds[chosen], back[chosen] = lag, total, best + 1
        before[chosen] = since[:, -1] - total
        inside = np.arange(days)[None, :] >= days - 1 - best[:, None]
        speak[chosen] = np.count_nonzero((ratios >= 1.0) & inside, axis=1)
    shared = [_shared(wet, around, back)]
    at_lag = np.full(size, np.nan)
    for lag in np.unique(lag_h[lag_h != 0]).astype(int):
        some = lag_h == lag
        at_lag[some] = _shared(wet[some], patterns.shifted(around[some], lag), back[some])
    both = (wet > 0) & (around >= 0)
    usual = float(np.count_nonzero(both & (around > 0))) / max(int(np.count_nonzero(both)), 1)
    heard = both[:, -RECENT_DAYS * 24 :].sum(axis=1) >= 2
    return _Rain(lag_h, odds, before, speak, back, shared[0], at_lag, usual, heard)


def _shared(wet: np.ndarray, around: np.ndarray, back: np.ndarray) -> np.ndarray:
    """Return the share of a gauge's wet hours of the last so many days [n] that its neighbours had too, NaN if none."""
    recent = np.arange(wet.shape[1])[None, :] >= wet.shape[1] - 24 * back[:, None]
    compared = (wet > 0) & (around >= 0) & recent
    number = compared.sum(axis=1)
    return np.where(number > 0, (compared & (around > 0)).sum(axis=1) / np.maximum(number, 1), np.nan)


def _middle_km(view: View) -> np.ndarray:
    """Return how far the middle of each gauge's near neighbours lies from it [km]."""
    places = patterns.near(view.stations.neighbours, view.stations.neighbours_km)
    there = places >= 0
    latitude, longitude = view.stations.latitude, view.stations.longitude
    north = latitude[places] - latitude[:, None]
    east = (longitude[places] - longitude[:, None]) * np.cos(np.radians(latitude))[:, None]
    count = np.maximum(there.sum(axis=1), 1)
    middle = [np.where(there, part, 0.0).sum(axis=1) / count for part in (north, east)]
    return np.asarray(np.hypot(*middle) * KM_PER_DEGREE)


@dataclass(frozen=True, slots=True)
class _Course:
    """The daily course of a variable beside the neighbours': later [h; n, day], NaN where it can't be compared; steps:
    by DAYS_SINCE, how far it has stepped since [h, NaN where there is none; each n].
    """

    later: np.ndarray
    steps: list[np.ndarray]

    @property
    def comparable(self) -> np.ndarray:
        """Say whose course could be compared on three of the last days."""
        return np.asarray(np.count_nonzero(~np.isnan(self.later[:, -RECENT_DAYS:]), axis=1) >= PEERS)

    @property
    def step(self) -> np.ndarray:
        """Return the largest step, NaN where there is none [h, n]."""
        table = np.stack(self.steps)
        size = np.where(np.isnan(table), -1.0, np.abs(table))
        return np.asarray(table[np.argmax(size, axis=0), np.arange(table.shape[1])])


def _course(view: View, variable: int) -> _Course:
    """Return by how many hours the daily course of a variable comes later than the neighbours'."""
    grid, hours = view.record.hourly, _hours(view)
    if not grid.count[variable, hours].any():
        later = np.full((len(view.stations), (hours.stop - hours.start) // 24), np.nan)
        return _Course(later, [later[:, -1]] * len(DAYS_SINCE))
    values = np.ascontiguousarray(grid.mean(variable, hours.start, hours.stop - 1).T)
    hour = patterns.daily_hour(values, LEAST_COURSE[variable])
    neighbours = view.stations.neighbours.T
    beside = np.where((neighbours >= 0)[:, :, None], patterns.later_by(hour, hour[neighbours]), np.nan)
    # The median, since one neighbour's own clock may be wrong.
    enough = np.count_nonzero(~np.isnan(beside), axis=0) >= PEERS
    later = np.where(enough, median(beside), np.nan)
    return _Course(later, [_step(later, days) for days in DAYS_SINCE])


def _snow(view: View) -> np.ndarray:
    """Say where a day was so cold that snow may lie, here or at half of the neighbours [n]."""
    daily = view.record.daily
    means = daily.mean(TEMPERATURE, max(daily.head - DAYS, 0), daily.head - 1)
    snow = np.asarray((means < SNOW_C).any(axis=0))
    neighbours = view.stations.neighbours
    there = neighbours >= 0
    around = np.count_nonzero(snow[neighbours] & there, axis=1)
    return np.asarray(snow | ((around > 0) & (2 * around >= np.count_nonzero(there, axis=1))))


def _step(later: np.ndarray, days: int) -> np.ndarray:
    """Return the median of the last days minus that before the day on which they began, NaN unless both are steady."""
    if later.shape[1] < days + 1 + DAYS_BEFORE:
        return np.full(len(later), np.nan)
    usual = median(later[:, : -days - 1], axis=1)
    beside = (later - usual[:, None] + 12.0) % 24.0 - 12.0
    steady = np.ones(len(later), bool)
    middles = []
    for part, least in ((beside[:, : -days - 1], DAYS_BEFORE), (beside[:, -days:], (days + 3) // 2)):
        middle = median(part, axis=1)
        spread = 1.4826 * median(np.abs(part - middle[:, None]), axis=1)
        steady &= (np.count_nonzero(~np.isnan(part), axis=1) >= least) & (spread <= STEADY_H)
        middles.append(middle)
    return np.where(steady, middles[1] - middles[0], np.nan)


def _days_of_step(later: np.ndarray, step_h: float) -> int:
    """Return for how many days a course [h, day] has been nearer to its step than to what was usual before."""
    usual = float(median(later[: -DAYS_SINCE[0], None])[0])
    beside = (later - usual + 12.0) % 24.0 - 12.0
    cost = np.nan_to_num(np.abs(beside - step_h) - np.abs(beside))
    return int(np.argmin(np.cumsum(cost[::-1]))) + 1


# --- one cause for many ---


def _told_at(view: View, shifts: _Shifts, asked: np.ndarray) -> np.ndarray:
    """Return under which station each wrong clock is told: its own, or the first of those of its source that share the
    shift, where they are three and more and half of the source.
    """
    told_at = np.arange(len(asked))
    wrong = np.flatnonzero(asked)
    if len(wrong) < PEERS:
        return told_at
    source = source_of(view)
    heard = view.record.arrivals[-1] >= view.now - DAY
    for name in {source[position] for position in wrong}:
        members = wrong[source[wrong] == name]
        alike = np.stack([shifts.kind[members], shifts.shift_s[members] // HALF_HOUR_S], axis=1)
        for one in np.unique(alike, axis=0):
            together = members[(alike == one).all(axis=1)]
            if len(together) >= PEERS and 2 * len(together) >= np.count_nonzero(heard & (source == name)):
                told_at[together] = together[0]
    return told_at
