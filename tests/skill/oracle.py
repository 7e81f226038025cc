"""When what had arrived first allowed each conclusion: the moment from which a notice's delay counts.

It knows the truth of the healthy gauges and cells, and how often an honest gauge is dry beside a wet one; what it may
use of a fault is only what arrived. A fault that could not be known before it was over is not counted at all.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from tests.skill import power, weather
from tests.skill.faults import DAY, HOUR, Fault
from tests.skill.world import World

NEVER = np.iinfo(np.int64).max
ODDS = 1000.0
"""A gauge is known to be dead when an honest zero is as unlikely as 1 in this (the owner's target)."""
WITNESS_KM, WITNESSES = 30.0, 3
KM_EDGES = (5.0, 8.0, 12.0, 16.0, 20.0)
MM_EDGES = (2.0, 5.0, 10.0, 20.0)
"""Classes of a witness's distance and rain (job study, section 5)."""
WET_MM = 1.0
DEAD = ("clog", "jam", "wire cut", "wet cable")
"""Faults that are seen as rain that is not counted."""
SILENT = ("stop", "modem", "theft", "mast outage", "plan end")
POWER = ("ageing", "shading", "panel cut")
FRESH_S = 3600
"""Rain that arrives later than this is history (job study, section 2, situation 7) [s]."""


@dataclass(frozen=True, slots=True)
class Episode:
    """One fault as the scorer sees it; times [s since 1970 UTC].

    knowable: NEVER when it could not be known. due: by when it should be told. cut: when the station switched itself
    off for want of power, NEVER when it didn't; seen: when the account of its charge first differed from a healthy
    one's, for the lead that the data allowed.
    """

    kind: str
    stations: tuple[str, ...]
    begins: int
    ends: int
    knowable: int
    due: int
    cut: int = NEVER
    seen: int = NEVER


@dataclass(frozen=True, slots=True)
class Limit:
    """A limit for heavy rain: depth [mm] in minutes, and how much it matters (0 to 3)."""

    mm: float
    minutes: float
    rank: int


@dataclass(frozen=True, slots=True)
class Crossing:
    """A depth reached at a station: when the reading that reached it arrived, and until when the depth stood [s];
    doubtful: a fault or hand is in it.
    """

    station: str
    arrived: int
    rank: int
    doubtful: bool
    until: int


def episodes(world: World) -> tuple[Episode, ...]:
    """Return all faults of a world with the moment at which each could be known."""
    daily = _Daily(world)
    return tuple(_episode(world, fault, daily) for fault in world.faults)


class _Daily:
    """What the oracle looks up by the day."""

    def __init__(self, world: World) -> None:
        stations, days = len(world.sites), len(world.tips) // 1440
        by_day = (days, 1440, stations)
        self.sound_mm = world.sound_tips.reshape(by_day).sum(axis=1, dtype=np.int64) * world.tip_mm()
        self.own_mm = world.tips.reshape(by_day).sum(axis=1, dtype=np.int64) * world.tip_mm()
        coldest = world.temperature_c.reshape(days, weather.STEPS_A_DAY, stations).min(axis=1)
        self.warm = coldest > 3.0
        self.km = world.place.apart_km()
        self.witness = np.ones((days, stations), bool)
        for fault in world.faults:
            if fault.kind in (*DEAD, *SILENT, "stuck", "unit", "undercatch", "doubled", "exchanged", "source outage"):
                first, last = ((moment - world.begins) // DAY for moment in (fault.begins, fault.ends))
                self.witness[first : last + 1, list(fault.stations)] = False
        self.chance = _honest_zeros(self.sound_mm, self.km, self.warm)

    def chances(self, day: int, station: int) -> float:
        """Return the chance that an honest gauge has nothing on this day, beside its best witness [-]."""
        if not self.warm[day, station]:
            return 1.0
        near = (self.km[station] <= WITNESS_KM) & self.witness[day] & (np.arange(len(self.km)) != station)
        mm = self.sound_mm[day]
        use = np.flatnonzero(near & (mm >= WET_MM))
        if not len(use):
            return 1.0
        table = self.chance[np.digitize(self.km[station, use], KM_EDGES), np.digitize(mm[use], MM_EDGES)]
        return float(table.min())

    def beside_mm(self, day: int, station: int) -> float:
        """Return the rain of the three nearest gauges, in the mean [mm]."""
        order = [other for other in np.argsort(self.km[station])[1:] if self.km[station, other] <= WITNESS_KM][:3]
        return float(self.sound_mm[day, order].mean()) if order else 0.0


def _honest_zeros(mm: np.ndarray, km: np.ndarray, warm: np.ndarray) -> np.ndarray:
    """Return how often a healthy gauge is dry on a day, by the distance and rain of a wet one [distance, rain].

    Counted over all pairs of this world; half a case is added, so that never is not impossible.
    """
    apart = np.where(np.eye(len(km), dtype=bool), np.inf, km)
    zeros, cases = (np.zeros((len(KM_EDGES) + 1, len(MM_EDGES) + 1)) for _ in range(2))
    rank = np.digitize(apart, KM_EDGES)
    for day in range(len(mm)):
        here, wet = np.flatnonzero(warm[day]), np.flatnonzero(warm[day] & (mm[day] >= WET_MM))
        if not len(wet):
            continue
        pair = np.ix_(here, wet)
        inside = apart[pair] <= WITNESS_KM
        at = (rank[pair][inside], np.broadcast_to(np.digitize(mm[day, wet], MM_EDGES), inside.shape)[inside])
        np.add.at(cases, at, 1.0)
        np.add.at(zeros, at, np.broadcast_to((mm[day, here] == 0)[:, None], inside.shape)[inside])
    return np.asarray((zeros + 0.5) / (cases + 1.0))


def _episode(world: World, fault: Fault, daily: _Daily) -> Episode:
    names = tuple(world.sites[position].id for position in fault.stations)
    cut = seen = NEVER
    if fault.kind in DEAD:
        knowable, due = _dead(world, fault, daily)
    elif fault.kind in (*SILENT, "source outage"):
        knowable = _silent(world, fault)
        due = knowable + HOUR if knowable != NEVER else NEVER  # the learned limit may be later
    elif fault.kind in POWER:
        knowable, cut, seen = _power(world, fault)
        due = cut
    else:
        knowable, due = _other(world, fault, daily)
    at_once = fault.kind in ("spike", "unbooked test", "poured")
    if knowable >= fault.ends and not at_once:
        knowable = due = NEVER
    elif (
        due > (world.ends if at_once or fault.kind in (*SILENT, "source outage") else fault.ends)
        and fault.kind not in POWER
    ):
        knowable = due = NEVER  # over before its time to be told was
    return Episode(fault.kind, names, fault.begins, fault.ends, knowable, due, cut, seen)


def _dead(world: World, fault: Fault, daily: _Daily) -> tuple[int, int]:
    """Return when the odds have reached 1 in 1000, and by when to tell: 24 h later, after 15 mm and two wet spells."""
    station = fault.stations[0]
    odds, mm, spells, before = 1.0, 0.0, 0, False
    spell_chance, known, enough = 1.0, NEVER, NEVER
    for day in range((fault.begins - world.begins) // DAY + 1, (fault.ends - world.begins) // DAY):
        if daily.own_mm[day, station] > 0 and fault.kind != "wet cable":
            odds, spell_chance, mm, spells = 1.0, 1.0, 0.0, 0
            continue
        chance = daily.chances(day, station)
        wet = chance < 1.0
        if wet and not before:
            odds, spell_chance, spells = odds * spell_chance, 1.0, spells + 1
        spell_chance, before = min(spell_chance, chance), wet
        mm += daily.beside_mm(day, station) if wet else 0.0
        over = world.begins + (day + 1) * DAY + HOUR
        if known == NEVER and odds * spell_chance <= 1.0 / ODDS:
            known = over
        if known != NEVER and mm >= 15.0 and spells >= 2:
            enough = over
            break
    if enough == NEVER:
        return NEVER, NEVER
    return max(known, enough), max(known + DAY, enough)


def _silent(world: World, fault: Fault) -> int:
    """Return when three transmissions, or the longest pause of a month if longer, had been missed by most of them."""
    reports, moments = world.reports, []
    for station in fault.stations:
        arrived = np.unique(reports.arrived_at[reports.station == station])
        before = arrived[(arrived <= fault.begins + HOUR) & (arrived > fault.begins - 30 * DAY)]
        last = before[before <= _last_before(arrived, fault)]
        if len(last) < 20 or last[-1] < fault.begins - 6 * HOUR:
            continue  # silent already, of something else
        pauses = np.diff(last)
        pauses = pauses[pauses < 6 * HOUR]
        limit = max(3 * 60 * world.sites[station].every_minutes + 300, int(pauses.max(initial=0)))
        after = arrived[np.searchsorted(arrived, last[-1], side="right") :]
        if not len(after) or after[0] > last[-1] + limit:
            moments.append(int(last[-1]) + limit)
    if len(moments) <= 0.6 * len(fault.stations) - 0.5:
        return NEVER
    return sorted(moments)[int(0.6 * (len(moments) - 1))]


def _last_before(arrived: np.ndarray, fault: Fault) -> int:
    """Return the last arrival before the longest pause that the fault made."""
    inside = arrived[(arrived > fault.begins - HOUR) & (arrived <= fault.ends + HOUR)]
    edges = np.concatenate(([fault.begins - HOUR], inside, [fault.ends + HOUR]))
    return int(edges[np.argmax(np.diff(edges))])


def _power(world: World, fault: Fault) -> tuple[int, int, int]:
    """Return when the charge was seen to fall behind, when it cut off, and when it was first seen at all."""
    station = fault.stations[0]
    first, last = ((moment - world.begins) // DAY for moment in (fault.begins, fault.ends))
    behind = power.dawn(world.sound_charge)[first:last, station] - power.dawn(world.charge)[first:last, station]
    days = np.flatnonzero(behind > 0.10)
    off = np.flatnonzero(~world.running[first * weather.STEPS_A_DAY : last * weather.STEPS_A_DAY, station])
    seen = world.begins + (first + int(days[0]) + 1) * DAY if len(days) else NEVER
    cut = world.begins + first * DAY + int(off[0]) * weather.STEP_S if len(off) else NEVER
    if cut <= fault.begins:
        cut = NEVER
    return (seen if cut != NEVER else NEVER), cut, seen


def _other(world: World, fault: Fault, daily: _Daily) -> tuple[int, int]:
    """Return when the rest could be known, and by when they should be told (the owner's targets)."""
    station, kind = fault.stations[0], fault.kind
    first, last = ((moment - world.begins) // DAY for moment in (fault.begins, fault.ends))
    inside = range(first + 1, min(last + 1, len(daily.sound_mm)))
    if kind in ("clock hour", "clock day", "clock years", "spike", "unbooked test", "poured"):
        arrived = _arrivals(world, fault)
        by_hand = kind in ("unbooked test", "poured")
        # In an hour's sum a hand and a shower look alike, and so they do in any rain.
        if not len(arrived) or (by_hand and (world.sites[station].every_minutes > 15 or not _dry_around(world, fault))):
            return NEVER, NEVER
        at = int(arrived[-1] if by_hand else arrived[0])
        return at, at + DAY
    if kind in ("damp", "weak signal") and np.isnan(_of_sensor(world, fault)).all():
        return NEVER, NEVER
    if kind in ("stuck", "damp", "weak signal"):
        at = fault.begins + {"stuck": DAY // 4, "damp": 2 * DAY, "weak signal": 3 * DAY}[kind]
        return at, fault.begins + 4 * DAY
    if kind == "sprinkler":
        return _watered(world, fault)
    if kind == "unit":
        wet = [day for day in inside if daily.own_mm[day, station] >= 2.0]
        at = world.begins + (wet[0] + 1) * DAY if wet else NEVER
        return (at, at + DAY) if wet else (NEVER, NEVER)
    if kind == "spurious":
        return fault.begins + 3 * DAY, fault.begins + 10 * DAY
    if kind == "slow drain":
        at = _drains(world, fault)
        return at, (at + 10 * DAY if at != NEVER else NEVER)
    needed = {"doubled": 40.0, "undercatch": 100.0, "drift": 250.0, "exchanged": 30.0}[kind]
    fallen, wet_days = 0.0, 0
    for day in inside:
        beside = daily.beside_mm(day, station) if daily.warm[day, station] else 0.0
        fallen, wet_days = fallen + beside, wet_days + (beside >= 1.0)
        enough = wet_days >= (10 if kind in ("undercatch", "drift") else 3)
        if kind == "drift" and fault.size * (day - first) / 30.0 < 0.15:
            enough = False
        if fallen >= needed and enough:
            at = world.begins + (day + 1) * DAY
            return at, fault.ends if kind in ("undercatch", "drift") else at + 10 * DAY
    return NEVER, NEVER


def _dry_around(world: World, fault: Fault) -> bool:
    """Say whether at least three gauges within 30 km should have been dry from an hour before to an hour after, a tip
    of dew at one of them aside.
    """
    near = world.place.apart_km()[fault.stations[0]] <= WITNESS_KM
    near[fault.stations[0]] = False
    first, last = world.minute(fault.begins - HOUR), world.minute(fault.ends + HOUR)
    tips = world.sound_tips[first:last, near].sum(axis=0)
    return bool(near.sum() >= WITNESSES and (tips <= 1).all() and np.count_nonzero(tips) <= 1)


def _of_sensor(world: World, fault: Fault) -> np.ndarray:
    values = world.reports.humidity if fault.kind == "damp" else world.reports.signal_dbm
    return np.asarray(values[world.reports.station == fault.stations[0]])


def _arrivals(world: World, fault: Fault) -> np.ndarray:
    reports, before = world.reports, 60 * world.sites[fault.stations[0]].every_minutes
    mine = (reports.station == fault.stations[0]) & (reports.ended_at > fault.begins)
    mine &= reports.ended_at <= max(fault.ends, fault.begins + before)
    return np.sort(reports.arrived_at[mine])


def _watered(world: World, fault: Fault) -> tuple[int, int]:
    """Return when the third watering beside dry gauges was over, and two days later."""
    seen = 0
    for begins in range(fault.begins, fault.ends, DAY):
        once = replace(fault, begins=begins, ends=begins + HOUR)
        first = world.minute(begins)
        seen += bool(world.tips[first : first + 60, fault.stations[0]].sum() >= 5) and _dry_around(world, once)
        if seen == 3:
            return begins + 2 * HOUR, begins + 2 * DAY
    return NEVER, NEVER


def _drains(world: World, fault: Fault) -> int:
    """Return when the gauge was first seen to tip on for an hour and eight tips after its own and all near rain."""
    station, first, last = fault.stations[0], world.minute(fault.begins), world.minute(fault.ends)
    near = np.argsort(world.place.apart_km()[station])[:4]
    rain = (world.fall[first:last, near] > 0.05).any(axis=1)
    recent = np.convolve(rain, np.ones(60), "full")[: last - first] > 0
    late = np.where(recent, 0, world.tips[first:last, station])
    group = np.cumsum(recent)
    sums = np.bincount(group, weights=late)
    enough = np.flatnonzero(sums >= 8)
    if not len(enough):
        return NEVER
    inside = np.flatnonzero((group == enough[0]) & (late > 0))
    return world.begins + 60 * (first + int(inside[7 if len(inside) > 7 else -1])) + 2 * HOUR


def crossings(world: World, limits: Iterable[Limit]) -> tuple[Crossing, ...]:
    """Return every depth reached by readings that arrived within the hour, once per station, limit and storm."""
    found: list[Crossing] = []
    limits = tuple(limits)
    for position, site in enumerate(world.sites):
        rows = np.flatnonzero((world.reports.station == position) & (world.reports.ended_at > world.scored))
        rows = rows[np.argsort(world.reports.arrived_at[rows], kind="stable")]
        every = 60 * site.every_minutes
        slot = (world.reports.ended_at[rows] - world.begins) // every
        slot, first = np.unique(slot, return_index=True)
        rows = rows[first]
        size = (world.ends - world.begins) // every + 1
        mm, arrived, doubt = np.zeros(size), np.zeros(size, np.int64), np.zeros(size, bool)
        mm[slot], arrived[slot] = world.reports.mm[rows], world.reports.arrived_at[rows]
        doubt[slot] = world.reports.doubtful[rows]
        for limit in limits:
            found += _crossed(world, site.id, limit, every, mm, arrived, doubt)
    return tuple(sorted(found, key=lambda crossing: crossing.arrived))


def _crossed(
    world: World, name: str, limit: Limit, every: int, mm: np.ndarray, arrived: np.ndarray, doubt: np.ndarray
) -> list[Crossing]:
    cells = max(1, int(limit.minutes * 60) // every)
    needed = limit.mm * max(1.0, every / (limit.minutes * 60))
    running = np.concatenate(([0.0], np.cumsum(mm)))
    sums = running[cells:] - running[:-cells]
    over = np.flatnonzero(sums >= needed - 1e-6) + cells - 1  # the window's last cell
    found = []
    for storm in np.split(over, np.flatnonzero(np.diff(over) * every > 2 * HOUR) + 1) if len(over) else ():
        first, until = int(storm[0]), world.begins + int(storm[-1]) * every
        window = slice(first - cells + 1, first + 1)
        order = np.argsort(arrived[window])
        reached = np.flatnonzero(np.cumsum(mm[window][order]) >= needed - 1e-6)
        came = int(arrived[window][order][reached[0]])
        if came - world.begins - first * every <= FRESH_S and came > world.scored:
            found.append(Crossing(name, came, limit.rank, bool(doubt[window].any()), max(came, until)))
    return found
