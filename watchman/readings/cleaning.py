"""From delivered values to comparable ones: units, counters, duplicates, absurd values; every reading kept, each with
a flag.

A pure function of what was delivered, run again over any stretch that a late reading or a decided span touches, so that
totals and flags are the same after the last delivery whatever the order and repetition.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from watchman.judging.science.rain import impossible_depth_mm
from watchman.model import BATTERY, HUMIDITY, RAIN, SIGNAL, TEMPERATURE, Flag, Readings

FUTURE_S = 600
"""A stamp may be this far ahead of its arrival [s] before the clock is disbelieved (common practice, no source)."""
EARLIEST_S = 31_536_000
"""A stamp of 1970 is a clock that was never set [s since 1970 UTC]."""
OLDEST_S = 400 * 86400
"""Stamps older than the daily memory are a wrong clock [s]."""
GAUGE_SPAN = {BATTERY: (0.0, 60.0), TEMPERATURE: (-60.0, 70.0), HUMIDITY: (0.0, 105.0), SIGNAL: (-150.0, 0.0)}
"""What each sensor can say at all: outside is bad (gross range, QARTOD test 4); spans are common practice, no
source.
"""
COUNTED_TO = 2**31 - 1
"""No rain counter comes this far; the largest whole and broken numbers of a machine stand for "nothing" [units]."""
FELL_UM = 5000
"""Rain from which on a count that fell and is back at once counts as one wrong reading [um] (decided here)."""
REASONS = (
    "",
    "stamped in the future",
    "stamped long ago",
    "outside what the sensor can measure",
    "negative rain",
    "more rain than was ever measured in that time",
    "another value was delivered for the same time",
    "the counter restarted",
    "the counter wrapped",
    "first count, nothing to compare it with",
    "does not count: out of service or held",
    "the counter fell for this reading alone",
)
(FINE, FUTURE, LONG_AGO, OUTSIDE, NEGATIVE, IMPOSSIBLE, CONTRADICTED, RESTARTED, WRAPPED, FIRST, HELD, FELL) = range(
    len(REASONS)
)


@dataclass(frozen=True, slots=True)
class Terms:
    """How each source's rain is to be read.

    By source: in_tips, running [bool], wraps_at [units, 0 = never]. By station: tip_um [um per tip], covers_s [s; 0 =
    not known, -1 = since the previous reading].
    """

    in_tips: np.ndarray
    running: np.ndarray
    wraps_at: np.ndarray
    tip_um: np.ndarray
    covers_s: np.ndarray


@dataclass(frozen=True, slots=True)
class Held:
    """Stretches that do not count, as columns: station position, begin and end [s since 1970 UTC]."""

    station: np.ndarray
    begin: np.ndarray
    end: np.ndarray

    @staticmethod
    def of(stretches: Sequence[tuple[int, int, int]]) -> Held:
        """Return the columns of (station position, begin, end) triples."""
        table = np.array(stretches, np.int64).reshape(-1, 3)
        return Held(table[:, 0], table[:, 1], table[:, 2])


@dataclass(frozen=True, slots=True)
class Clean:
    """Readings made comparable, as columns of equal length, sorted by station, variable and time.

    rain_um: rain of the interval [um], 0 for other variables; covers_s: how long it took [s]; value: the other
    variables in base units; counts: enters totals; usable: not bad, and the one that holds among contradicting ones.
    """

    station: np.ndarray
    variable: np.ndarray
    observed_at: np.ndarray
    delivery: np.ndarray
    rain_um: np.ndarray
    covers_s: np.ndarray
    value: np.ndarray
    flag: np.ndarray
    reason: np.ndarray
    counts: np.ndarray
    usable: np.ndarray

    def take(self, rows: np.ndarray) -> Clean:
        """Return the chosen rows (positions or a mask)."""
        return Clean(*(getattr(self, name)[rows] for name in self.__slots__))

    @staticmethod
    def join(parts: Sequence[Clean]) -> Clean:
        """Return the parts one after another."""
        columns = ([getattr(part, name) for part in parts] for name in Clean.__slots__)
        return Clean(*(np.concatenate(column) if parts else np.empty(0) for column in columns))


def clean(readings: Readings, terms: Terms, held: Held) -> Clean:
    """Return the readings with increments, flags and reasons; the first count of each station serves as context
    only.
    """
    order = np.lexsort(
        (
            readings.delivery,
            readings.value,
            readings.revision,
            readings.observed_at,
            readings.variable,
            readings.station,
        )
    )
    rows = readings.take(order)
    flag = np.full(len(rows), Flag.GOOD, np.int8)
    reason = np.zeros(len(rows), np.int8)
    _flag_stamps(rows, flag, reason)
    _flag_spans_of_sensors(rows, flag, reason)
    holds = _settle_duplicates(rows, flag, reason)
    rain_um, covers_s = _increments(rows, holds, terms, flag, reason)
    _flag_impossible(rows, rain_um, covers_s, flag, reason)
    counts = ~_touches(rows, covers_s, held) & (flag != Flag.BAD)
    reason[~counts & (reason == FINE)] = HELD
    return Clean(
        station=rows.station,
        variable=rows.variable,
        observed_at=rows.observed_at,
        delivery=rows.delivery,
        rain_um=rain_um,
        covers_s=covers_s,
        value=rows.value,
        flag=flag,
        reason=reason,
        counts=counts,
        usable=holds & (flag != Flag.BAD),
    )


def stamped_long_ago(rows: Readings) -> np.ndarray:
    """Say which readings bear a time so old that the clock must be wrong."""
    age = rows.received_at - rows.observed_at
    return np.asarray((age > OLDEST_S) | (rows.observed_at < EARLIEST_S))


def believable(rows: Readings) -> np.ndarray:
    """Say which readings are not bad by themselves: what a running count may be compared with."""
    flag, reason = np.full(len(rows), Flag.GOOD, np.int8), np.zeros(len(rows), np.int8)
    _flag_stamps(rows, flag, reason)
    _flag_spans_of_sensors(rows, flag, reason)
    return np.asarray(flag != Flag.BAD)


def _mark(flag: np.ndarray, reason: np.ndarray, rows: np.ndarray, worse: Flag, why: int) -> None:
    rows = rows & (flag < worse)
    flag[rows] = worse
    reason[rows] = why


def _flag_stamps(rows: Readings, flag: np.ndarray, reason: np.ndarray) -> None:
    age = rows.received_at - rows.observed_at
    _mark(flag, reason, age < -FUTURE_S, Flag.BAD, FUTURE)
    _mark(flag, reason, stamped_long_ago(rows), Flag.BAD, LONG_AGO)


def _flag_spans_of_sensors(rows: Readings, flag: np.ndarray, reason: np.ndarray) -> None:
    for variable, (least, most) in GAUGE_SPAN.items():
        outside = (rows.variable == variable) & ~((rows.value >= least) & (rows.value <= most))
        _mark(flag, reason, outside, Flag.BAD, OUTSIDE)
    rain = rows.variable == RAIN
    _mark(flag, reason, rain & (rows.value < 0), Flag.BAD, NEGATIVE)
    _mark(flag, reason, rain & ~(rows.value < COUNTED_TO), Flag.BAD, OUTSIDE)


def _settle_duplicates(rows: Readings, flag: np.ndarray, reason: np.ndarray) -> np.ndarray:
    """Choose among rows for the same time: the newest revision, then the larger value; return which rows hold."""
    if len(rows) < 2:
        return np.ones(len(rows), bool)
    same = (
        (rows.station[1:] == rows.station[:-1])
        & (rows.variable[1:] == rows.variable[:-1])
        & (rows.observed_at[1:] == rows.observed_at[:-1])
    )
    if not same.any():
        return np.ones(len(rows), bool)
    group = np.concatenate(([0], np.cumsum(~same)))
    # A bad value must not win over a good one that came for the same time.
    rank = np.lexsort((np.arange(len(rows)), flag != Flag.BAD, group))
    last = np.concatenate((group[rank][1:] != group[rank][:-1], [True]))
    holds = np.zeros(len(rows), bool)
    holds[rank[last]] = True
    disagree = same & (rows.value[1:] != rows.value[:-1]) & (rows.revision[1:] == rows.revision[:-1])
    in_dispute = np.isin(group, group[1:][disagree])
    _mark(flag, reason, in_dispute, Flag.SUSPECT, CONTRADICTED)
    return holds


def _increments(
    rows: Readings, holds: np.ndarray, terms: Terms, flag: np.ndarray, reason: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return rain of each interval [um] and how long the interval was [s]; zero and zero where it can't be known."""
    rain_um = np.zeros(len(rows), np.int64)
    covers_s = np.zeros(len(rows), np.int64)
    chain = np.flatnonzero((rows.variable == RAIN) & holds & (flag != Flag.BAD))
    if not len(chain):
        return rain_um, covers_s
    station, value, source = rows.station[chain], rows.value[chain], rows.source[chain]
    follows = np.concatenate(([False], station[1:] == station[:-1]))
    elapsed = np.where(follows, np.diff(rows.observed_at[chain], prepend=0), 0)
    written = terms.covers_s[station]
    running = terms.running[source]
    um_per_unit = np.where(terms.in_tips[source], terms.tip_um[station], 1000.0)

    before = np.where(follows, np.concatenate(([0.0], value[:-1])), 0.0)
    step = value - before
    wraps_at = terms.wraps_at[source]
    wrapped = running & follows & (step < 0) & (wraps_at > 0) & (before > 0.9 * wraps_at) & (value < 0.1 * wraps_at)
    restarted = running & follows & (step < 0) & ~wrapped
    step = np.where(wrapped, step + wraps_at, np.where(restarted, value, step))
    # A count that is back where it was at the very next reading has not restarted: one reading was wrong. Little rain
    # after the reset of a daily total looks alike, and stays rain.
    fell = np.zeros(len(chain), bool)
    much = (value[1:] - value[:-1]) * um_per_unit[1:] > FELL_UM
    fell[:-1] = restarted[:-1] & follows[1:] & much & (value[1:] >= before[:-1])
    after = np.flatnonzero(fell) + 1
    step[after] = value[after] - before[after - 1]
    elapsed[after] += elapsed[after - 1]
    step[fell] = 0.0
    restarted &= ~fell
    first = running & ~follows
    units = np.where(running, np.where(first, 0.0, step), value)

    rain_um[chain] = np.rint(units * um_per_unit).astype(np.int64)
    since_previous = running | (written < 0)
    covers_s[chain] = np.where(since_previous, elapsed, np.where(written > 0, written, 0))
    reason[chain[first]] = FIRST
    reason[chain[restarted]] = RESTARTED
    reason[chain[wrapped]] = WRAPPED
    flag[chain[fell]] = Flag.BAD
    reason[chain[fell]] = FELL
    return rain_um, covers_s


def _flag_impossible(
    rows: Readings, rain_um: np.ndarray, covers_s: np.ndarray, flag: np.ndarray, reason: np.ndarray
) -> None:
    wet = np.flatnonzero(rain_um > 0)
    if not len(wet):
        return
    cap_um = 1000.0 * impossible_depth_mm(np.maximum(covers_s[wet], 60) / 60.0)
    _mark(flag, reason, _at(len(rows), wet[rain_um[wet] > cap_um]), Flag.BAD, IMPOSSIBLE)


def _at(size: int, positions: np.ndarray) -> np.ndarray:
    mask = np.zeros(size, bool)
    mask[positions] = True
    return mask


def _touches(rows: Readings, covers_s: np.ndarray, held: Held) -> np.ndarray:
    """Say which rain readings share any time with a held stretch: their tips can't be told apart from rain."""
    touches = np.zeros(len(rows), bool)
    begins = rows.observed_at - np.maximum(covers_s, 1)
    for station, begin, end in zip(held.station, held.begin, held.end, strict=True):
        overlaps = (rows.observed_at > begin) & (begins < end)
        touches |= (rows.station == station) & (rows.variable == RAIN) & overlaps
    return touches
