"""What was told, set beside what was true. Pure: lists in, counts out.

A thread is everything told under one alarm number. It is a hit on the first episode whose kind it may rightly name, at
a right station, while the episode lasts or within its grace. One thread a hit; further ones are duplicates, and so is a
thread that names only a consequence of an episode already told. A thread on an episode that could not be known is
neutral; an episode inside another one that was told by the same check is covered and not counted. Whatever fits
nothing is false.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from tests.skill.oracle import NEVER, Crossing, Episode

DAY = 86400
HOUR = 3600
CYCLE_S = 900

NAMES: Mapping[str, frozenset[str]] = {
    kind: frozenset(checks.split())
    for kind, checks in {
        "stop": "overdue",
        "modem": "overdue",
        "theft": "overdue",
        "mast outage": "overdue",
        "plan end": "overdue",
        "source outage": "source-outage",
        "clog": "dry-among-wet",
        "jam": "dry-among-wet",
        "wire cut": "dry-among-wet",
        "wet cable": "dry-among-wet undercatch",
        "slow drain": "slow-drain",
        "doubled": "doubtful-rain undercatch",
        "spurious": "doubtful-rain",
        "undercatch": "undercatch",
        "drift": "undercatch",
        "ageing": "battery-decline not-charging",
        "shading": "battery-decline not-charging",
        "panel cut": "battery-decline not-charging",
        "weak signal": "limit gaps",
        "clock hour": "clock",
        "clock day": "clock",
        "clock years": "clock",
        "unit": "doubtful-rain undercatch",
        "exchanged": "exchanged-ids",
        "stuck": "stuck-value",
        "damp": "limit",
        "spike": "doubtful-rain",
        "unbooked test": "doubtful-rain",
        "poured": "doubtful-rain",
        "sprinkler": "doubtful-rain",
    }.items()
}
"""By kind of fault: the checks that rightly name it."""

FOLLOWS: Mapping[str, frozenset[str]] = {
    kind: frozenset(checks.split())
    for kind, checks in {
        "stop": "gaps",
        "modem": "gaps",
        "theft": "gaps",
        "mast outage": "gaps source-outage",
        "plan end": "gaps source-outage",
        "source outage": "overdue gaps",
        "clog": "undercatch",
        "jam": "undercatch",
        "wire cut": "undercatch doubtful-rain",
        "wet cable": "doubtful-rain",
        "slow drain": "undercatch dry-among-wet doubtful-rain",
        "doubled": "slow-drain",
        "spurious": "undercatch slow-drain heavy-rain",
        "undercatch": "dry-among-wet",
        "ageing": "overdue gaps",
        "shading": "overdue gaps",
        "panel cut": "overdue gaps",
        "weak signal": "overdue battery-decline not-charging",
        "clock hour": "overdue gaps",
        "clock day": "overdue gaps dry-among-wet",
        "clock years": "overdue gaps dry-among-wet",
        "unit": "dry-among-wet heavy-rain",
        "exchanged": "heavy-rain undercatch battery-decline not-charging clock dry-among-wet doubtful-rain limit",
        "stuck": "dry-among-wet undercatch battery-decline not-charging heavy-rain limit",
        "spike": "heavy-rain undercatch",
        "unbooked test": "heavy-rain",
        "poured": "heavy-rain undercatch",
        "sprinkler": "undercatch heavy-rain slow-drain",
    }.items()
}
"""By kind of fault: the checks that may honestly see a consequence of it."""

GRACE_S = {"mast outage": 3 * HOUR, "source outage": 3 * HOUR, "stop": 3 * HOUR, "modem": 3 * HOUR}
"""How long after its end an episode may still be told; a day for the others [s]."""
LINGERS_S = 3 * DAY
"""A consequence may show so much later: what is judged over days (gaps) looks back on it [s] (judgement)."""
STORM = "heavy-rain"
CALENDAR = ("digest", "due-dates")
"""What is told by the calendar, and is neither right nor wrong of a fault."""
STORM_BEFORE_S, STORM_AFTER_S = 90 * 60, 20 * 60
"""A storm thread may open so long after a crossing, or before by the grain of a cycle [s] (judgement)."""


@dataclass(frozen=True, slots=True)
class Thread:
    """What was told under one alarm number. opened, lines' times [s since 1970 UTC]; weekly: told in the digest only;
    levels: (time, rank of severity) of what was raised or updated; ended: NEVER while it stands.
    """

    number: int
    rule: str
    check: str
    stations: frozenset[str]
    opened: int
    weekly: bool
    levels: tuple[tuple[int, int], ...]
    ended: int
    lines: int
    text: str


@dataclass(slots=True)
class Tally:
    """What came out for one kind of fault. latency_s: from the moment of knowing; lead_s: before the cut-off, and what
    the data allowed.
    """

    episodes: int = 0
    detected: int = 0
    in_time: int = 0
    duplicates: int = 0
    neutral: int = 0
    covered: int = 0
    latency_s: list[float] = field(default_factory=list)
    lead_s: list[float] = field(default_factory=list)
    allowed_s: list[float] = field(default_factory=list)


@dataclass(slots=True)
class Result:
    """One world's score. notices: lines told that are not for the digest only."""

    world: str
    station_days: float
    kinds: dict[str, Tally] = field(default_factory=dict)
    false: list[Thread] = field(default_factory=list)
    missed: list[Episode] = field(default_factory=list)
    notices: int = 0
    weekly_lines: int = 0
    crossings: int = 0
    crossings_told: int = 0
    crossings_in_cycle: int = 0
    storms: int = 0
    storms_false: int = 0
    storms_doubtful: int = 0
    storms_repeated: int = 0


def threads_of(lines: Iterable[Mapping[str, object]], seconds: Mapping[int, int]) -> tuple[Thread, ...]:
    """Return the threads of a replay's lines, in order. seconds: each line's time by its place [s since 1970 UTC].

    A line of the digest that names no station (cold or cloud over all batteries) speaks of the weather, not of a fault.
    """
    groups: dict[int, list[tuple[int, Mapping[str, object]]]] = {}
    for place, line in enumerate(lines):
        if line["alarm"] is not None and line["check"] not in CALENDAR:
            groups.setdefault(int(str(line["alarm"])), []).append((seconds[place], line))
    found = []
    for number, told in groups.items():
        opened, first = told[0]
        if first["event"] not in ("raised", "updated"):
            continue  # the end of something that began before the first day
        names = [str(name) for _, line in told for name in _list(line["stations"])]
        if not names and first["when"] == "weekly":
            continue
        levels = [(at, rank_of(str(line["severity"]))) for at, line in told if line["event"] in ("raised", "updated")]
        over = [at for at, line in told if line["event"] in ("ended", "returned")]
        found.append(
            Thread(
                number=number,
                rule=str(first["rule"]),
                check=str(first["check"]),
                stations=frozenset(names),
                opened=opened,
                weekly=all(line["when"] == "weekly" for _, line in told),
                levels=tuple(levels),
                ended=over[-1] if over else NEVER,
                lines=len(told),
                text=str(first["text"]),
            )
        )
    return tuple(sorted(found, key=lambda thread: thread.opened))


def _list(value: object) -> list[object]:
    return list(value) if isinstance(value, list | tuple) else []


def rank_of(severity: str) -> int:
    """Return 0 for minor up to 3 for extreme."""
    return ("minor", "moderate", "severe", "extreme").index(severity)


def score(
    world: str,
    station_days: float,
    threads: Sequence[Thread],
    episodes: Sequence[Episode],
    crossings: Sequence[Crossing] = (),
) -> Result:
    """Return what one world's threads are worth."""
    result = Result(world, station_days)
    for episode in episodes:
        tally = result.kinds.setdefault(episode.kind, Tally())
        tally.episodes += episode.knowable != NEVER
    faults = [thread for thread in threads if thread.check != STORM]
    hits: dict[int, Thread] = {}
    rest = []
    for thread in faults:
        place = _best(thread, episodes, hits, NAMES)
        if place is None:
            rest.append(thread)
        elif place in hits:
            result.kinds[episodes[place].kind].duplicates += not thread.weekly
        else:
            hits[place] = thread
    for thread in rest:
        place = _best(thread, episodes, hits, FOLLOWS, LINGERS_S)
        if place is None:
            result.false.append(thread)
        else:
            tally = result.kinds[episodes[place].kind]
            if place in hits and not thread.weekly and not hits[place].weekly:
                tally.duplicates += 1
            else:
                tally.neutral += 1
    for place, episode in enumerate(episodes):
        again = None if place in hits else _again(episode, faults)
        if again is not None:
            hits[place] = again
    for place, episode in enumerate(episodes):
        _count(result, episode, hits.get(place), covered=_covered(episode, episodes, hits))
    _storms(result, [thread for thread in threads if thread.check == STORM], episodes, crossings)
    result.notices = sum(thread.lines for thread in threads if not thread.weekly)
    result.weekly_lines = sum(thread.lines for thread in threads if thread.weekly)
    return result


def _best(
    thread: Thread,
    episodes: Sequence[Episode],
    hits: Mapping[int, Thread],
    may: Mapping[str, frozenset[str]],
    longer_s: int = 0,
) -> int | None:
    """Return the episode that a thread fits: rather one not told yet, rather one that could be known, then the latest
    begun.
    """
    fits = [
        place
        for place, episode in enumerate(episodes)
        if thread.check in may.get(episode.kind, ())
        and episode.begins <= thread.opened <= episode.ends + GRACE_S.get(episode.kind, DAY) + longer_s
        and _right_stations(thread, episode)
    ]
    if not fits:
        return None
    return max(fits, key=lambda place: (place not in hits, episodes[place].knowable != NEVER, episodes[place].begins))


def _again(episode: Episode, threads: Sequence[Thread]) -> Thread | None:
    """Return the thread of an earlier fault that was told again at an episode's stations, as opened then: what is back
    within a day of its return, and nobody answered, is the same alarm.
    """
    for thread in threads:
        told = [at for at, _ in thread.levels if episode.begins <= at <= episode.ends]
        before = thread.opened < episode.begins
        if told and before and thread.check in NAMES[episode.kind] and _right_stations(thread, episode):
            return replace(thread, opened=told[0])
    return None


def _right_stations(thread: Thread, episode: Episode) -> bool:
    """Say whether a thread speaks of the episode's stations: at least half of those it names are right ones.

    A source's thread names no station, or all.
    """
    if thread.check == "source-outage":
        return True
    common = thread.stations & set(episode.stations)
    return bool(common) and 2 * len(common) >= len(thread.stations)


def _covered(episode: Episode, episodes: Sequence[Episode], hits: Mapping[int, Thread]) -> bool:
    """Say whether an episode fell into another one at its station that was told by a check which would name it too."""
    return any(
        thread.check in NAMES[episode.kind]
        and set(episode.stations) <= set(episodes[place].stations)
        and thread.opened <= episode.due
        and episode.begins <= episodes[place].ends + DAY
        and episode.knowable >= episodes[place].begins
        for place, thread in hits.items()
    )


def _count(result: Result, episode: Episode, hit: Thread | None, *, covered: bool) -> None:
    tally = result.kinds[episode.kind]
    if hit is None and covered and episode.knowable != NEVER:
        tally.episodes -= 1
        tally.covered += 1
        return
    if episode.knowable == NEVER:
        tally.neutral += hit is not None
        return
    powerless = episode.cut != NEVER
    if hit is None or (powerless and hit.opened >= episode.cut):
        result.missed.append(episode)
        return
    tally.detected += 1
    tally.in_time += hit.opened <= episode.due + CYCLE_S
    tally.latency_s.append(float(max(0, hit.opened - episode.knowable)))
    if powerless:
        tally.lead_s.append(float(episode.cut - hit.opened))
        tally.allowed_s.append(float(episode.cut - episode.seen))


def _storms(
    result: Result, storms: Sequence[Thread], episodes: Sequence[Episode], crossings: Sequence[Crossing]
) -> None:
    for crossing in (one for one in crossings if not one.doubtful):
        result.crossings += 1
        told = [
            max(0, at - crossing.arrived)
            for storm in storms
            for at, rank in storm.levels
            if rank >= crossing.rank
            and at < crossing.arrived + STORM_BEFORE_S
            and crossing.arrived - CYCLE_S <= storm.ended + HOUR
        ]
        result.crossings_told += bool(told)
        result.crossings_in_cycle += bool(told) and min(told) <= CYCLE_S
    for storm in storms:
        result.storms += 1
        near = [
            crossing
            for crossing in crossings
            if crossing.arrived - STORM_AFTER_S <= storm.opened <= crossing.until + STORM_BEFORE_S
        ]
        fresh = any(storm.opened <= crossing.arrived + STORM_BEFORE_S for crossing in near)
        result.storms_repeated += bool(near) and not fresh
        if not near and _best(storm, episodes, {}, FOLLOWS) is None:
            result.storms_false += 1
            result.false.append(storm)
        elif all(crossing.doubtful for crossing in near):
            result.storms_doubtful += 1


def at_least(detected: int, episodes: int, confidence: float = 0.95) -> float:
    """Return the exact one-sided lower bound of a share (Clopper and Pearson 1934) [-]."""
    if not detected:
        return 0.0
    low, high = 0.0, detected / episodes
    for _ in range(60):
        middle = (low + high) / 2.0
        if _tail(detected, episodes, middle) < 1.0 - confidence:
            low = middle
        else:
            high = middle
    return low


def _tail(detected: int, episodes: int, share: float) -> float:
    """Return the chance of so many detections or more of a share [-]."""
    if share <= 0.0:
        return 0.0
    logs = np.concatenate(([0.0], np.cumsum(np.log(np.arange(1, episodes + 1)))))
    k = np.arange(detected, episodes + 1)
    terms = logs[episodes] - logs[k] - logs[episodes - k] + k * np.log(share) + (episodes - k) * np.log1p(-share)
    return float(min(1.0, np.exp(terms).sum()))


def at_most(count: int, exposure: float, confidence: float = 0.95) -> float:
    """Return the exact one-sided upper bound of a rate: events per unit of exposure (Garwood 1936)."""
    low, high = 0.0, 10.0 + 3.0 * count
    for _ in range(60):
        middle = (low + high) / 2.0
        k = np.arange(count + 1)
        logs = np.concatenate(([0.0], np.cumsum(np.log(np.arange(1, count + 1)))))
        if np.exp(k * np.log(middle) - middle - logs).sum() > 1.0 - confidence:
            low = middle
        else:
            high = middle
    return high / exposure


def worst_tenth(values: Sequence[float], seed: int = 1, rounds: int = 1000) -> tuple[float, float, float]:
    """Return the mean of the largest tenth of worlds (at least one), with its 5 and 95 % bounds by drawing worlds
    again.
    """
    table = np.asarray(values, float)
    size = max(1, round(len(table) / 10))

    def worst(some: np.ndarray) -> np.ndarray:
        return np.asarray(np.sort(some, axis=-1)[..., -size:].mean(axis=-1))

    again = np.random.default_rng(seed).choice(table, (rounds, len(table)))
    low, high = np.quantile(worst(again), (0.05, 0.95))
    return float(worst(table)), float(low), float(high)


def together(results: Sequence[Result]) -> dict[str, Tally]:
    """Return the tallies of all worlds by kind."""
    sums: dict[str, Tally] = {}
    for result in results:
        for kind, tally in result.kinds.items():
            total = sums.setdefault(kind, Tally())
            for name in ("episodes", "detected", "in_time", "duplicates", "neutral", "covered"):
                setattr(total, name, getattr(total, name) + getattr(tally, name))
            for name in ("latency_s", "lead_s", "allowed_s"):
                getattr(total, name).extend(getattr(tally, name))
    return sums
