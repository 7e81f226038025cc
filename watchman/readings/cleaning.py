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
DAY_S = 86400
OLDEST_S = 400 * DAY_S
"""Stamps older than the daily memory are a wrong clock [s]."""
GAUGE_SPAN = {BATTERY: (0.0, 60.0), TEMPERATURE: (-60.0, 70.0), HUMIDITY: (0.0, 105.0), SIGNAL: (-150.0, 0.0)}
"""What each sensor can say at all: outside is bad (gross range, QARTOD test 4); spans are common practice, no
source.
"""
COUNTED_TO = 2**32 - 1
"""No rain counter comes this far; the largest whole and broken numbers of a machine stand for "nothing" [units]."""
FILLINGS = (2**15 - 1, 2**16 - 1, 2**31 - 1)
"""What fills a field that nothing was measured for: the largest whole numbers of 16 and 32 bits. A running total that
comes by one of them loses nothing when it is left out."""
FELL_UM = 5000
"""Rain from which on a count that fell and is back at once counts as one wrong reading [um] (decided here)."""
BITS_16, BITS_32 = 2**16, 2**32
NEAR_WRAP = 512
"""How near to the end of its counts a total stands before a wrap that nobody wrote, and how near to 0 after it [counts]
(judgement: a tenth of a metre of rain at 0.2 mm a tip, and a hundredth of all a counter of 16 bits can show)."""
SETTLES_S = 900
"""How far from its set hour a daily total may go back to 0 [s] (judgement, no source)."""
AT_ONCE_S = 3600
"""A count that fell by less than half within this time has not restarted: a restart begins at 0 [s] (judgement)."""
ALIKE = 0.1
"""Pauses that differ by less than this share are alike; three alike in a row are an interval (judgement)."""
SHORTER = 0.75
"""A pause shorter than this share of the interval is a reading of its own length (judgement)."""
LOOK_BACK = 5
"""For how many readings an interval holds after the last three pauses that were alike (judgement)."""
LOOK_BACK_S = 2 * DAY_S
"""How far back in time the readings around a reading are looked at [s]; no judgement here needs more."""
LONGEST_S, SHORTEST_S = 8 * 3600, 60
"""Intervals that are learned from three pauses [s]; shorter ones are not snapped."""
UNLEARNED_S, UNSTEADY_S = 3600, 7200
"""Without an interval a reading is no longer than this [s], unless two pauses are alike, as daily ones are,
which may be so much late [s] (judgement)."""
INTERVALS_S = np.array(
    [60 * minutes for minutes in (1, 2, 3, 4, 5, 6, 10, 12, 15, 20, 30, 60, 120, 180, 240, 360, 480)], np.int64
)
"""Intervals that loggers are set to [s] (common practice, no source)."""
SNAPS = 0.08
"""So far from one of them a pause is taken for it."""
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
    "the counter wrapped: it fell from just under 65,536 counts to just above 0",
    "the counter wrapped: it fell from just under 4,294,967,296 counts to just above 0",
    "the counter went back a little: rain not known",
    "the counter stood higher for this reading alone",
    "the daily total began again at its set hour",
)
(
    FINE, FUTURE, LONG_AGO, OUTSIDE, NEGATIVE, IMPOSSIBLE, CONTRADICTED, RESTARTED, WRAPPED, FIRST, HELD, FELL,
    WRAPPED_16, WRAPPED_32, WENT_BACK, ROSE, BEGAN_AGAIN,
) = range(len(REASONS))  # fmt: skip


@dataclass(frozen=True, slots=True)
class Terms:
    """How each source's rain is to be read.

    By source: in_tips, running [bool]; each_tip: it sends when it tips, and nothing of rain while it is dry [bool];
    wraps_at [units as delivered, 0 = not known]; zeroed_at_s: when its totals go back to 0 each day [s after midnight
    UTC, -1 = never]. By station: tip_um [um per tip], covers_s [s; 0 = not known, -1 = since the previous reading].
    """

    in_tips: np.ndarray
    running: np.ndarray
    each_tip: np.ndarray
    wraps_at: np.ndarray
    zeroed_at_s: np.ndarray
    tip_um: np.ndarray
    covers_s: np.ndarray

    def alone(self) -> np.ndarray:
        """Say at which stations what a reading means hangs on no other reading [bool, n]."""
        return np.asarray((self.covers_s > 0) & ~(self.running.any() | self.each_tip.any()))


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

    rain_um: rain of the interval [um], 0 for other variables; covers_s: how long it took [s]; known_s: for how long
    before it all rain is known by it [s], longer than the reading where a message says that nothing tipped before;
    usual_s: how long the readings around it are [s, 0 = not known]; value: the other variables in base units; counts:
    enters totals; usable: not bad, and the one that holds among contradicting ones.
    """

    station: np.ndarray
    variable: np.ndarray
    observed_at: np.ndarray
    source: np.ndarray
    delivery: np.ndarray
    rain_um: np.ndarray
    covers_s: np.ndarray
    known_s: np.ndarray
    usual_s: np.ndarray
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
    """Return the readings with increments, flags and reasons, sorted.

    What hangs on the readings around one is right from `LOOK_BACK_S` after the first reading (of a running total: from
    the second on) to a day before the last.
    """
    rows = readings.take(_in_order(readings))
    flag = np.full(len(rows), Flag.GOOD, np.int8)
    reason = np.zeros(len(rows), np.int8)
    _flag_stamps(rows, flag, reason)
    _flag_spans_of_sensors(rows, flag, reason)
    holds = _settle_duplicates(rows, flag, reason)
    rain_um, covers_s, usual_s = (np.zeros(len(rows), np.int64) for _ in range(3))
    chain = np.flatnonzero((rows.variable == RAIN) & holds & (flag != Flag.BAD))
    running, each_tip = terms.running[rows.source[chain]], terms.each_tip[rows.source[chain]]
    rain_um[chain] = np.rint(rows.value[chain] * _um_per_unit(rows, chain, terms)).astype(np.int64)
    totals = chain[running]
    if len(totals):
        rain_um[totals], covers_s[totals] = _of_totals(rows, totals, terms, flag, reason)
    some = chain[~each_tip & (terms.covers_s[rows.station[chain]] <= 0)]
    if len(some):
        learned, usual_s[some] = _lengths(rows.station[some], rows.observed_at[some])
        pauses = chain[~each_tip & ~running & (terms.covers_s[rows.station[chain]] < 0)]
        covers_s[some] = np.where(terms.running[rows.source[some]], covers_s[some], learned)
        covers_s[pauses] = _pauses(rows.station[pauses], rows.observed_at[pauses])
    written = chain[~each_tip & ~running & (terms.covers_s[rows.station[chain]] > 0)]
    covers_s[written] = terms.covers_s[rows.station[written]]
    known_s = _until_messages(rows, flag, terms, covers_s) if each_tip.any() else covers_s
    _flag_impossible(rows, rain_um, covers_s, flag, reason)
    counts = ~_touches(rows, covers_s, held) & (flag != Flag.BAD)
    reason[~counts & (reason == FINE)] = HELD
    return Clean(
        station=rows.station,
        variable=rows.variable,
        observed_at=rows.observed_at,
        source=rows.source,
        delivery=rows.delivery,
        rain_um=rain_um,
        covers_s=covers_s,
        known_s=known_s,
        usual_s=usual_s,
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
    filling = ~(rows.value < COUNTED_TO)
    for value in FILLINGS:
        filling |= rows.value == value
    _mark(flag, reason, rain & filling, Flag.BAD, OUTSIDE)


def _in_order(readings: Readings) -> np.ndarray:
    """Return the order by station, variable, time, revision, value and delivery."""
    keys = (readings.value, readings.revision, readings.observed_at, readings.variable, readings.station)
    return np.lexsort((readings.delivery, *keys))


def _settle_duplicates(rows: Readings, flag: np.ndarray, reason: np.ndarray) -> np.ndarray:
    """Choose among rows for the same time: the newest revision, then the larger value; return which rows hold.

    A bad value neither wins over a good one that came for the same time nor makes it doubtful.
    """
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
    rank = np.lexsort((np.arange(len(rows)), flag != Flag.BAD, group))
    last = np.concatenate((group[rank][1:] != group[rank][:-1], [True]))
    holds = np.zeros(len(rows), bool)
    holds[rank[last]] = True
    good = np.flatnonzero(flag != Flag.BAD)
    one, other = good[:-1], good[1:]
    disagree = (group[one] == group[other]) & (rows.revision[one] == rows.revision[other])
    disagree &= rows.value[one] != rows.value[other]
    in_dispute = np.isin(group, group[other[disagree]])
    _mark(flag, reason, in_dispute, Flag.SUSPECT, CONTRADICTED)
    return holds


def _um_per_unit(rows: Readings, chain: np.ndarray, terms: Terms) -> np.ndarray:
    return np.where(terms.in_tips[rows.source[chain]], terms.tip_um[rows.station[chain]], 1000.0)


def _pauses(station: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Return how long after the station's reading before each reading came [s], 0 for its first; both are sorted."""
    pause = np.zeros(len(at), np.int64)
    pause[1:] = np.where(station[1:] == station[:-1], np.diff(at), 0)
    return pause


def _shifted(column: np.ndarray, by: int) -> np.ndarray:
    """Return what stands `by` rows before (negative: after) each row, 0 where nothing does."""
    moved = np.zeros_like(column)
    if by > 0:
        moved[by:] = column[:-by]
    else:
        moved[:by] = column[-by:]
    return moved


def _of_totals(
    rows: Readings, chain: np.ndarray, terms: Terms, flag: np.ndarray, reason: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return the rain of running totals since the reading before [um], and since when [s]; flag what is odd.

    A total falls when its counter wraps, when it restarts (then what it shows is rain since), at its set hour, and when
    one reading is wrong: such a one is left out, and the next is compared with the one before it.
    """
    station, at, value = rows.station[chain], rows.observed_at[chain], rows.value[chain]
    um = _um_per_unit(rows, chain, terms)
    elapsed = _pauses(station, at)
    follows = elapsed > 0
    before = np.where(follows, np.roll(value, 1), 0.0)
    fall = follows & (value < before)
    begun_s, at_hour = _set_hours(at, elapsed, fall, terms.zeroed_at_s[rows.source[chain]])
    wrapped, why = _wraps(rows, chain, terms, before, elapsed, fall)
    began = begun_s > 0
    back = fall & (wrapped == 0) & ~began

    then = np.append(value[1:], 0.0)
    soon = np.append(follows[1:] & (elapsed[1:] <= DAY_S), False)
    recovers = soon & (then >= before) & ~at_hour
    slipped = back & ~at_hour & (2 * value > before) & (before * um > FELL_UM) & (elapsed <= AT_ONCE_S)
    # Little rain after the reset of a daily total at an hour that nobody wrote looks alike, and stays rain.
    fell = back & recovers & (slipped | ((then - value) * um > FELL_UM))
    falls_back = np.append((back & ~at_hour & ~fell)[1:], False)
    high = follows & ~began & ((value - before) * um > FELL_UM) & (then * um > FELL_UM)
    at_once = np.append(elapsed[1:] <= AT_ONCE_S, False) | ((value - before) * um > _most_um(elapsed))
    rose = high & at_once & recovers & falls_back & ~np.roll(fell, 1)
    wrong = fell | rose
    after = np.roll(wrong, 1)
    since = np.where(after, np.roll(before, 1), before)
    elapsed = elapsed + np.where(after, np.roll(elapsed, 1), 0)

    restarted, slipped = back & ~wrong & ~after & ~slipped, slipped & ~wrong & ~after
    units = np.where(restarted | began, value, value - since + wrapped)
    units[~follows | wrong | slipped] = 0.0
    for found, said in ((~follows, FIRST), (restarted, RESTARTED), (began, BEGAN_AGAIN)):
        _say(reason, chain[found], said)
    for place in np.flatnonzero(why):
        _say(reason, chain[place : place + 1], int(why[place]))
    size = len(flag)
    _mark(flag, reason, _at(size, chain[slipped]), Flag.SUSPECT, WENT_BACK)
    _mark(flag, reason, _at(size, chain[fell]), Flag.BAD, FELL)
    _mark(flag, reason, _at(size, chain[rose]), Flag.BAD, ROSE)
    return np.rint(units * um).astype(np.int64), np.where(began, begun_s, elapsed)


def _say(reason: np.ndarray, rows: np.ndarray, why: int) -> None:
    """Note what there is to know of readings that are not doubtful for another reason."""
    reason[rows] = np.where(reason[rows] == FINE, why, reason[rows])


def _set_hours(
    at: np.ndarray, elapsed: np.ndarray, fall: np.ndarray, zeroed_at_s: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return how long before each reading its total began again at the set hour, where that lies between it and the
    reading before [s, else 0], and which falls lie so near to the set hour that they are no mistake.
    """
    written = zeroed_at_s >= 0
    since_hour = (at - SETTLES_S - zeroed_at_s) % DAY_S + SETTLES_S
    between = written & (elapsed > 0) & (since_hour <= elapsed)
    # A clock that is a little fast may have begun again just before, which the fall has shown.
    early = np.roll(fall, 1) & (elapsed < since_hour + SETTLES_S)
    near = written & fall & ((at + SETTLES_S - zeroed_at_s) % DAY_S < elapsed + 2 * SETTLES_S)
    return np.where(between & ~early, since_hour, 0), near


def _wraps(
    rows: Readings, chain: np.ndarray, terms: Terms, before: np.ndarray, elapsed: np.ndarray, fall: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return what a counter had counted when it began again from 0 [units, 0 = it did not], and the reason [int8]."""
    value, source = rows.value[chain], rows.source[chain]
    um = _um_per_unit(rows, chain, terms)
    size, reason = terms.wraps_at[source].copy(), np.zeros(len(chain), np.int8)
    written = fall & (size > 0) & (before > 0.9 * size) & (before <= size) & (value < 0.1 * size)
    written &= (value - before + size) * um <= _most_um(elapsed)
    reason[written] = WRAPPED
    count = np.where(terms.in_tips[source], 1.0, terms.tip_um[rows.station[chain]] / 1000.0)
    for bits, why in ((BITS_16, WRAPPED_16), (BITS_32, WRAPPED_32)):
        # Totals in millimetres are rounded, so that one just under the end may be written as the end.
        near = (before > (bits - NEAR_WRAP) * count) & (before < (bits + 0.5) * count) & (value < NEAR_WRAP * count)
        guessed = fall & (terms.wraps_at[source] == 0) & near
        size[guessed] = bits * count[guessed]
        reason[guessed] = why
    return np.where(reason > 0, size, 0.0), reason


def _lengths(station: np.ndarray, at: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return how long readings are that nobody wrote the length of [s], and the usual length around them [s, 0 = none].

    Three pauses alike are an interval: it holds for the readings it lies between, and for some after it, where others
    are missing.
    """
    pause = _pauses(station, at)
    one = _shifted(pause, 1)
    # A pause of 0 begins a station, so that no three pauses mix two of them.
    found = interval(np.stack([_shifted(pause, 2), one, pause]))
    run = found > 0
    place = np.arange(len(at))
    last = np.maximum.accumulate(np.where(run, place, -1))
    near = (last >= 0) & (station[last] == station) & (place - last <= LOOK_BACK) & (at - at[last] <= DAY_S)
    whose = np.where(near, last, -1)
    for ahead in (3, 2, 1, 0):
        whose = np.where(_shifted(run, -ahead) if ahead else run, place + ahead, whose)
    usual = np.where(whose >= 0, found[whose], 0)
    learned = np.where((pause > 0) & (pause < SHORTER * usual), pause, usual)
    return np.where(usual > 0, learned, _not_learned(pause, one)), usual


def _not_learned(pause: np.ndarray, before: np.ndarray) -> np.ndarray:
    """Return how long readings are where there is no interval to be seen [s].

    pause, before: the time since the reading before, and that of the reading before [s, 0 = there was none].
    """
    one_day = pause <= DAY_S + UNSTEADY_S
    shorter = np.minimum(np.where(before > 0, np.minimum(pause, before), pause), UNLEARNED_S)
    twice = (before > 0) & (np.abs(pause - before) <= ALIKE * np.minimum(pause, before))
    return np.where(one_day, np.where(twice, pause, shorter), 0)


def interval(pauses: np.ndarray) -> np.ndarray:
    """Return the interval that three pauses one after another are [s], 0 where they are none; pauses: [3, n; s]."""
    shortest, middle, longest = np.sort(pauses, axis=0)
    alike = (shortest >= 1) & (longest - shortest <= ALIKE * shortest) & (longest <= LONGEST_S)
    return np.where(alike, _snapped(middle), 0)


def _snapped(pause: np.ndarray) -> np.ndarray:
    """Return pauses [s] as the intervals that loggers are set to, where they are near to one."""
    place = np.clip(np.searchsorted(INTERVALS_S, pause), 1, len(INTERVALS_S) - 1)
    lower, upper = INTERVALS_S[place - 1], INTERVALS_S[place]
    nearest = np.where(pause - lower < upper - pause, lower, upper)
    return np.where((np.abs(pause - nearest) <= SNAPS * nearest) & (pause >= SHORTEST_S // 2), nearest, pause)


def _until_messages(rows: Readings, flag: np.ndarray, terms: Terms, covers_s: np.ndarray) -> np.ndarray:
    """Return for how long before each reading all rain is known [s]: at stations that send each tip the time since
    the message before, if messages come regularly that are no tips (a zero, a voltage), and as far as one should have.
    """
    known_s = covers_s.copy()
    theirs = np.flatnonzero(terms.each_tip[rows.source] & (flag != Flag.BAD))
    theirs = theirs[np.lexsort((rows.variable[theirs], rows.observed_at[theirs], rows.station[theirs]))]
    station, at = rows.station[theirs], rows.observed_at[theirs]
    first = np.ones(len(theirs), bool)
    first[1:] = (station[1:] != station[:-1]) | (at[1:] != at[:-1])
    message = np.flatnonzero(first)
    no_tip = (rows.variable[theirs] != RAIN) | (rows.value[theirs] == 0)
    confirms = np.flatnonzero(np.logical_or.reduceat(no_tip, message))
    confirmed = message[confirms]
    usual = _lengths(station[confirmed], at[confirmed])[1]
    every = np.zeros(len(message), np.int64)
    every[confirms] = usual
    last = np.maximum.accumulate(np.where(np.isin(np.arange(len(message)), confirms), np.arange(len(message)), 0))
    near = (station[message[last]] == station[message]) & (at[message] - at[message[last]] <= DAY_S)
    known_s[theirs[message]] = np.minimum(_pauses(station[message], at[message]), np.where(near, every[last], 0))
    return known_s


def _most_um(seconds: np.ndarray) -> np.ndarray:
    """Return the rain that was never exceeded anywhere in some times [um]."""
    return np.asarray(1000.0 * impossible_depth_mm(np.maximum(seconds, 60) / 60.0))


def _flag_impossible(
    rows: Readings, rain_um: np.ndarray, covers_s: np.ndarray, flag: np.ndarray, reason: np.ndarray
) -> None:
    wet = np.flatnonzero(rain_um > 0)
    if not len(wet):
        return
    _mark(flag, reason, _at(len(rows), wet[rain_um[wet] > _most_um(covers_s[wet])]), Flag.BAD, IMPOSSIBLE)


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
