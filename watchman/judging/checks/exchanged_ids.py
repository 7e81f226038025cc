"""Do two stations' patterns, voltages and signal change places?

After a service two loggers may go back under each other's id. Then everything that is peculiar to a place or a battery
changes places between two messages. For two stations A and B, D is the difference of their daily means; weather common
to both cancels in it. A variable has changed places when

    it was distinct      |D before| >= 3 spreads of D from day to day (at least 4.5 dBm, 1.2 % of the volts, 1.2 degC,
                         9 % humidity)
    it is turned round   D now = -D before, within 0.3 |D before|, and still so in the last 24 hours
    each took its part   A has moved by -D beside the median move of its neighbours, within 0.4 |D| (and so B by +D)
    at once              the 6 hours before the change go with D as it was at those hours of the day in the two weeks
                         before (slope 0.5 and more), the 6 hours after it go against it (-0.5 and less)

before: the median of 28 days and more, 5 at least; now: the last 24 hours, or that of the last 1, 2, 3 ... 141 days, so
that it is still seen when nobody sets it right for months. What else is distinct and stayed where it was speaks against
it. Rain is asked too: since the change, are the hours in which A was wet those of the gauges around B, and the other
way round (ln of likelihood ratios, as in `clock`)?

    exchanged   two variables of signal, battery, temperature and humidity have changed places, and rain doesn't speak
                against it by 20 to 1; or signal or battery alone have, were distinct by 5 spreads and are exact: D now,
                and each one's part in it, within 2 spreads; or one has, and rain speaks for it by a million to one, by
                100 to 1 where it was distinct by 5 spreads

Up to 60 stations every pair is looked at, in larger networks the neighbours (12 nearest within 60 km). If places change
back, that is the end of it and no second exchange: the oldest days known say who is who. A change older than the hourly
memory (31 days) can't be asked whether it came at once; then 5 spreads are needed for each, and what stands alone must
have turned round from one day to the next but one.

Where the numbers come from: all are judgement, no source. "At once" is what tells an exchange from weather: fog that
lies in a valley below a warm, sunny ridge turns temperature and battery round too, but not from one hour to the next.
Why signal or battery alone are enough: they belong to the station, not to the weather. That two change by themselves in
the same hour, if each does so once a year, comes once in 8760 years of a pair; that each takes the other's level within
a tenth of what they may be, a hundred times more seldom.

What it cannot see: two stations that are alike in everything; an exchange in the first 5 days, or before the watch
began (setting that right would look like one); three ids in a ring.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from watchman.judging.science import patterns
from watchman.judging.science.trend import median
from watchman.judging.view import Findings, View
from watchman.model import BATTERY, HUMIDITY, SIGNAL, TEMPERATURE, VARIABLES, Verdict
from watchman.readings.record import HOUR, Grid
from watchman.written import Written

NAME = "exchanged-ids"
EVERY_S = 6 * HOUR

ASKED = (SIGNAL, BATTERY, TEMPERATURE, HUMIDITY)
LEAST_SPREAD = {SIGNAL: 1.5, TEMPERATURE: 0.4, HUMIDITY: 3.0}
"""Days differ by at least so much [dBm, degC, %]."""
LEAST_SPREAD_OF_VOLTS = 0.004
DISTINCT = 3.0
VERY_DISTINCT = 5.0
EXACT = 2.0
PECULIAR = np.array([variable in (SIGNAL, BATTERY) for variable in ASKED])
"""What belongs to the station, not to the weather."""
AT_ONCE = 0.5
HOURS_BESIDE = 6
PROFILE_DAYS = 14
TURNED = 0.3
TOOK_PART = 0.4
EVERY_PAIR_UP_TO = 60
DAYS_NOW = (0, 1, 2, 3, 4, 6, 9, 13, 19, 28, 42, 63, 94, 141)
"""How many days back "now" may reach; 0 stands for the last 24 hours."""
DAYS_BEFORE = 28
BEFORE_NEEDS = 5
HOURS_NEEDED = 12
LOOK_BACK = 400
RAIN_DAYS = 31
DAY_CAP = math.log(100.0)
RAIN_FOR = math.log(100.0)
RAIN_ALONE = math.log(1e6)
RAIN_AGAINST = -math.log(20.0)
KNOWN_S = 0.9 * HOUR


class Settings(Written):
    """How exchanged-ids is set: it has nothing to set."""


@dataclass(frozen=True, slots=True)
class _Levels:
    """Daily means by ASKED [variable, day, n], and the mean of the last 24 hours [variable, n]; NaN where unknown."""

    daily: np.ndarray
    latest: np.ndarray
    first_day: int


@dataclass(frozen=True, slots=True)
class _Exchange:
    """Two stations whose places are exchanged: since [s since 1970 UTC], what changed places, before and now [variable,
    2], and what rain says [ln].
    """

    pair: tuple[int, int]
    since: int
    changed: np.ndarray
    before: np.ndarray
    now: np.ndarray
    rain: float

    def clearness(self) -> tuple[int, float]:
        """Return what makes one exchange clearer than another: how many variables, then rain."""
        return int(self.changed.sum()), self.rain


@dataclass(frozen=True, slots=True)
class _Turned:
    """The pairs [pair, 2] in which something may have turned round: what has, the difference before, whether that was
    far apart even for a change long ago, whether it alone shows an exchange if it came at once [variable, pair]; was,
    now_is: levels before and now [variable, n].
    """

    pairs: np.ndarray
    changed: np.ndarray
    difference: np.ndarray
    far: np.ndarray
    alone: np.ndarray
    was: np.ndarray
    now_is: np.ndarray

    def signs(self, place: int) -> bytes:
        """Return which variables of one pair have turned round, how far apart they were and which was the higher."""
        changed = self.changed[:, place]
        clear = 1 + self.far[:, place] + self.alone[:, place]
        return bytes((changed * clear * np.sign(self.difference[:, place])).tobytes())


def judge(view: View, settings: Settings) -> Findings:
    """Return which stations are exchanged, told at the earlier of the two.

    numbers: other [position, -1 none], changed (how many variables), rain_odds [ln], compared (how many others it was
    held against), and for each variable <name>_before, <name>_now [its unit, NaN where it did not change places].
    """
    size = len(view.stations)
    levels = _levels(view)
    pairs = _pairs(view)
    exchanges = _exchanges(view, levels, pairs)
    verdict, since = np.full(size, Verdict.ABSENT), np.zeros(size, np.int64)
    reason = np.full(size, "", object)
    unknown = np.count_nonzero(~np.isnan(levels.daily).all(axis=0), axis=0) < BEFORE_NEEDS
    verdict[unknown] = Verdict.UNDETERMINED
    reason[unknown] = f"fewer than {BEFORE_NEEDS} days of signal, battery, temperature or humidity"
    other, changed = np.full(size, -1), np.zeros(size, np.int64)
    rain = np.full(size, np.nan)
    values = np.full((len(ASKED), 2, size), np.nan)
    for exchange in exchanges:
        for place, position in enumerate(exchange.pair):
            other[position] = exchange.pair[1 - place]
            changed[position], rain[position] = exchange.changed.sum(), exchange.rain
            values[:, 0, position] = np.where(exchange.changed, exchange.before[:, place], np.nan)
            values[:, 1, position] = np.where(exchange.changed, exchange.now[:, place], np.nan)
        one, two = exchange.pair
        verdict[one], since[one] = Verdict.PRESENT, exchange.since
        verdict[two], reason[two] = Verdict.UNDETERMINED, f"exchanged with {view.stations.ids[one]}: told there"
    named = {
        f"{VARIABLES[variable]}_{when}": values[row, column]
        for row, variable in enumerate(ASKED)
        for column, when in enumerate(("before", "now"))
    }
    compared = np.bincount(pairs.ravel(), minlength=size)
    return Findings.of(
        verdict,
        since=since,
        numbers={"other": other, "changed": changed, "rain_odds": rain, "compared": compared, **named},
        reason=reason,
    )


def evidence(view: View, settings: Settings, findings: Findings, position: int) -> dict[str, Any]:
    """Return what people are shown of one station and the one it is exchanged with, if any."""
    numbers = findings.numbers
    other = int(numbers["other"][position])
    shown: dict[str, Any] = {"compared": int(numbers["compared"][position]), "changed": []}
    if other < 0:
        return shown
    odds = float(numbers["rain_odds"][position])
    for variable in ASKED:
        before, now = (numbers[f"{VARIABLES[variable]}_{when}"] for when in ("before", "now"))
        if not np.isnan(before[position]):
            digits = 2 if variable == BATTERY else 1
            shown["changed"].append(
                {
                    "variable": VARIABLES[variable],
                    "before": round(float(before[position]), digits),
                    "now": round(float(now[position]), digits),
                    "other_before": round(float(before[other]), digits),
                    "other_now": round(float(now[other]), digits),
                }
            )
    return shown | {
        "other": view.stations.ids[other],
        "shared_with": [view.stations.ids[other]],
        "rain_odds": None if np.isnan(odds) or odds <= 0 else float(f"{math.exp(min(odds, 60.0)):.2g}"),
    }


def _levels(view: View) -> _Levels:
    daily, hourly = view.record.daily, view.record.hourly
    first = max(daily.head - LOOK_BACK, 0)
    days = np.stack([daily.mean(variable, first, daily.head - 1) for variable in ASKED])
    hours = slice(max(hourly.head - 24, 0), hourly.head)
    latest = []
    for variable in ASKED:
        by_hour = hourly.mean(variable, hours.start, hours.stop - 1)
        known = np.count_nonzero(~np.isnan(by_hour), axis=0)
        total = np.nansum(by_hour, axis=0)
        latest.append(np.where(known >= HOURS_NEEDED, total / np.maximum(known, 1), np.nan))
    return _Levels(days, np.stack(latest), first)


def _pairs(view: View) -> np.ndarray:
    """Return the pairs of stations that are compared, the earlier first [pair, 2]."""
    size = len(view.stations)
    if size <= EVERY_PAIR_UP_TO:
        return np.stack(np.triu_indices(size, 1), axis=1)
    neighbours = view.stations.neighbours
    one, two = np.repeat(np.arange(size), neighbours.shape[1]), neighbours.ravel()
    one, two = np.minimum(one, two)[two >= 0], np.maximum(one, two)[two >= 0]
    return np.stack(np.divmod(np.unique(one * size + two), size), axis=1)


def _exchanges(view: View, levels: _Levels, pairs: np.ndarray) -> list[_Exchange]:
    """Return the exchanges, the clearest first, no station in two of them."""
    found: dict[tuple[int, int], _Exchange] = {}
    asked: set[tuple[int, int, bytes]] = set()
    around: _Around | None = None
    for back in DAYS_NOW:
        then = _turned(view, levels, pairs, back)
        if then is None:
            continue
        for place in np.flatnonzero(then.changed.any(axis=0)).tolist():
            # What is asked again a few days further back is the same change.
            case = (*then.pairs[place].tolist(), then.signs(place))
            if case in asked:
                continue
            asked.add(case)
            around = around or _Around.of(view)
            exchange = _exchange(view, levels, around, then, place)
            if exchange is not None:
                found[exchange.pair] = max(found.get(exchange.pair, exchange), exchange, key=_Exchange.clearness)
    chosen: list[_Exchange] = []
    taken: set[int] = set()
    for exchange in sorted(found.values(), key=_Exchange.clearness, reverse=True):
        if not taken & set(exchange.pair):
            chosen.append(exchange)
            taken |= set(exchange.pair)
    return chosen


def _rows(levels: _Levels, back: int) -> tuple[slice, slice]:
    """Return the days of "before" and of "now" for so many days back, the day between left out."""
    days = levels.daily.shape[1]
    end = max(days - back - 1, 0)
    return slice(max(end - max(DAYS_BEFORE, 3 * back // 2), 0), end), slice(days - back, days)


def _turned(view: View, levels: _Levels, pairs: np.ndarray, back: int) -> _Turned | None:
    """Return which variables of which pairs have turned round, so many days back; None with too few days before."""
    before, now = _rows(levels, back)
    if before.stop - before.start < BEFORE_NEEDS:
        return None
    was = median(levels.daily[:, before], axis=1)
    now_is = median(levels.daily[:, now], axis=1) if back else levels.latest
    pairs = pairs[_likely(was, now_is, pairs)]
    one, two = pairs.T
    move = _beside_neighbours(view, now_is - was, one)
    apart = levels.daily[:, before, one] - levels.daily[:, before, two]
    difference = median(apart, axis=1)
    spread = 1.4826 * median(np.abs(apart - difference[:, None]), axis=1)
    spread = np.maximum(spread, _least_spread(was[:, one]))
    known = np.count_nonzero(~np.isnan(apart), axis=1) >= BEFORE_NEEDS
    size = np.abs(difference)
    distinct = known & (size >= DISTINCT * spread)
    turned = now_is[:, one] - now_is[:, two] + difference
    latest = levels.latest[:, one] - levels.latest[:, two]
    changed = (
        distinct
        & (np.abs(turned) <= TURNED * size)
        & ~(latest * difference > 0)
        & (np.abs(move + difference) <= TOOK_PART * size)
    )
    stayed = distinct & (np.abs(turned - 2 * difference) <= TURNED * size)
    changed &= ~stayed.any(axis=0)
    far = size >= VERY_DISTINCT * spread
    exact = np.maximum(np.abs(turned), np.abs(move + difference)) <= EXACT * spread
    return _Turned(pairs, changed, difference, far, far & exact & PECULIAR[:, None], was, now_is)


def _likely(was: np.ndarray, now_is: np.ndarray, pairs: np.ndarray) -> np.ndarray:
    """Return the pairs in which something is turned round and far enough apart at all: a cheap look."""
    one, two = pairs.T
    likely = np.zeros(len(pairs), bool)
    for before, now, least in zip(was, now_is, _least_spread(was), strict=True):
        apart = before[one] - before[two]
        far = np.abs(apart) >= DISTINCT * least[one]
        likely |= far & (np.abs(now[one] - now[two] + apart) <= TURNED * np.abs(apart))
    return np.flatnonzero(likely)


def _beside_neighbours(view: View, move: np.ndarray, stations: np.ndarray) -> np.ndarray:
    """Return how far some stations have moved beside the median of their neighbours, or of all where one has few
    [variable, k]; move: of all [variable, n].
    """
    neighbours = view.stations.neighbours[stations]
    theirs = np.where(neighbours >= 0, move[:, neighbours], np.nan)
    enough = np.count_nonzero(~np.isnan(theirs), axis=2) >= patterns.NEAR_LEAST
    return np.asarray(move[:, stations] - np.where(enough, median(theirs, axis=2), median(move, axis=1)[:, None]))


def _least_spread(level: np.ndarray) -> np.ndarray:
    """Return by how much days differ at least [variable, ...], for levels of the same shape."""
    rows = [np.full(level.shape[1:], LEAST_SPREAD.get(variable, 0.0)) for variable in ASKED]
    rows[ASKED.index(BATTERY)] = LEAST_SPREAD_OF_VOLTS * np.abs(level[ASKED.index(BATTERY)])
    return np.stack(rows)


def _exchange(view: View, levels: _Levels, around: _Around, then: _Turned, place: int) -> _Exchange | None:
    """Return the exchange of one pair in which something has turned round, None where it is none."""
    one, two = pair = tuple(then.pairs[place].tolist())
    changed, difference = then.changed[:, place], then.difference[:, place]
    far, alone = then.far[:, place], then.alone[:, place]
    daily = levels.daily[:, :, one] - levels.daily[:, :, two]
    if _changed_back(daily[changed], difference[changed]):
        return None
    since = _since(view, levels, pair, changed, difference)
    recent = view.record.hourly.cell(since) >= PROFILE_DAYS * 24
    if not recent:
        changed = changed & far
        alone = alone & _from_day_to_day(daily / difference[:, None], view.record.daily.cell(since) - levels.first_day)
    # Rain is asked before the hours of the change: it takes less time, and seldom speaks for two that are no exchange.
    rain = around.evidence(pair, since)
    if not _enough(rain, changed, far, alone):
        return None
    if recent:
        changed = changed & _at_once(view, pair, since)
        if not _enough(rain, changed, far, alone):
            return None
    return _Exchange(pair, since, changed, then.was[:, [one, two]], then.now_is[:, [one, two]], rain)


def _enough(rain: float, changed: np.ndarray, far: np.ndarray, alone: np.ndarray) -> bool:
    """Say whether what has changed places [variable] is enough for an exchange, with what rain says [ln]."""
    if np.count_nonzero(changed) >= 2 or (changed & alone).any():
        return rain > RAIN_AGAINST
    return bool(changed.any()) and rain >= (RAIN_FOR if far[changed].any() else RAIN_ALONE)


def _from_day_to_day(relative: np.ndarray, day: int) -> np.ndarray:
    """Say which differences [variable, day], 1 as before, were still so on the last day known before a day, and the
    other way round on the first one after it [variable].
    """
    turned = np.zeros(len(relative), bool)
    for row, values in enumerate(relative):
        before, after = values[max(day - 3, 0) : max(day, 0)], values[day + 1 : day + 4]
        before, after = before[~np.isnan(before)], after[~np.isnan(after)]
        turned[row] = bool(len(before) and len(after) and before[-1] >= AT_ONCE and after[0] <= -AT_ONCE)
    return turned


def _changed_back(daily: np.ndarray, difference: np.ndarray) -> bool:
    """Say whether the oldest days known show the stations as they are now, so that an exchange has been set right."""
    as_before = np.abs(daily - difference[:, None]) < np.abs(daily + difference[:, None])
    known = ~np.isnan(daily)
    oldest = known & (np.cumsum(known, axis=1) <= BEFORE_NEEDS)
    return bool(2 * np.count_nonzero(as_before & oldest) < np.count_nonzero(oldest))


def _at_once(view: View, pair: tuple[int, int], since: int) -> np.ndarray:
    """Say which variables turned round from one hour to the next, beside their usual daily course [variable]."""
    grid = view.record.hourly
    cell = grid.cell(since)
    first, last = cell + 1 - PROFILE_DAYS * 24, min(cell + 24, grid.head)
    turned = np.zeros(len(ASKED), bool)
    for row, variable in enumerate(ASKED):
        apart = _apart(grid, variable, first, last, pair)
        # The hour of the change itself may hold messages of both kinds.
        earlier, later = apart[: PROFILE_DAYS * 24 - 1], apart[PROFILE_DAYS * 24 + 1 :]
        usual = median(apart[: (PROFILE_DAYS - 1) * 24].reshape(PROFILE_DAYS - 1, 24))
        beside = []
        for part, at in ((earlier[::-1], -2 - np.arange(len(earlier))), (later, 1 + np.arange(len(later)))):
            known = np.flatnonzero(~np.isnan(part[:24]) & ~np.isnan(usual[at[:24] % 24]))[:HOURS_BESIDE]
            course = usual[at[known] % 24]
            beside.append(float(part[known] @ course) / max(float(course @ course), 1e-9) if len(known) else 0.0)
        turned[row] = beside[0] >= AT_ONCE and beside[1] <= -AT_ONCE
    return turned


def _since(view: View, levels: _Levels, pair: tuple[int, int], changed: np.ndarray, difference: np.ndarray) -> int:
    """Return the moment that best parts the days, then the hours, before and after the change [s since 1970 UTC]."""
    daily, hourly = view.record.daily, view.record.hourly
    by_day = (levels.daily[:, :, pair[0]] - levels.daily[:, :, pair[1]])[changed] / difference[changed, None]
    day = levels.first_day + _parting(by_day)
    # A day on which it changed may lie on either side of the parting.
    begin, end = daily.end_of(day - 3), min(daily.end_of(day + 1), view.now)
    first, last = hourly.cell(begin + 1), min(hourly.cell(end), hourly.head)
    if first < 0:
        return daily.end_of(day - 1)
    asked = [variable for variable, chosen in zip(ASKED, changed, strict=True) if chosen]
    by_hour = np.stack([_apart(hourly, variable, first, last, pair) for variable in asked])
    by_hour /= difference[changed, None]
    return hourly.end_of(first + _parting(by_hour) - 1)


def _apart(grid: Grid, variable: int, first: int, last: int, pair: tuple[int, int]) -> np.ndarray:
    """Return the difference of two stations in cells first..last, NaN where one of them is missing."""
    count = grid.count[variable, first : last + 1][:, pair]
    mean = np.where(count > 0, grid.total[variable, first : last + 1][:, pair] / np.maximum(count, 1), np.nan)
    return np.asarray(mean[:, 0] - mean[:, 1], np.float64)


def _parting(relative: np.ndarray) -> int:
    """Return from which column on differences are nearer to -1 than to 1 [variable, column]; NaN says nothing."""
    cost = np.nan_to_num(np.abs(relative - 1.0) - np.abs(relative + 1.0)).sum(axis=0)
    after = np.concatenate([np.cumsum(cost[::-1])[::-1], [0.0]])
    return int(np.argmax(after))


@dataclass(frozen=True, slots=True)
class _Around:
    """The wet hours of all gauges, and their near ones, to ask whose place a gauge's rain belongs to."""

    wet: np.ndarray
    near: np.ndarray
    chance: np.ndarray
    ends_at: int

    @staticmethod
    def of(view: View) -> _Around:
        """Return the wet hours of the hourly memory."""
        grid = view.record.hourly
        hours = slice(grid.head - min(RAIN_DAYS, grid.head // 24) * 24, grid.head)
        wet = np.where(grid.known[hours] >= KNOWN_S, grid.rain[hours] > 0, patterns.UNKNOWN).astype(np.int8).T
        wet = np.ascontiguousarray(wet)
        wet[view.record.covers_s > HOUR] = patterns.UNKNOWN
        near = patterns.near(view.stations.neighbours, view.stations.neighbours_km)
        chance = patterns.chances(wet, patterns.wet_around(wet, near))
        return _Around(wet, near, chance, grid.end_of(grid.head - 1))

    def evidence(self, pair: tuple[int, int], since: int) -> float:
        """Return how much better the rain of two gauges fits each other's place since a moment [ln]."""
        places = self.near[list(pair)]
        places = np.where(np.isin(places, pair), -1, places)
        hours = self.wet.shape[1]
        first = min(max(hours - (self.ends_at - since) // HOUR, 0), hours)
        wet = self.wet[:, first // 24 * 24 :]
        around = patterns.wet_around(wet, places)
        ratios = patterns.evidence(wet[list(pair)], around, around[::-1], self.chance)
        ratios[:, : first % 24] = 0.0
        daily = patterns.by_day(ratios.sum(axis=0, keepdims=True))
        return float(np.clip(daily, -DAY_CAP, DAY_CAP).sum())
