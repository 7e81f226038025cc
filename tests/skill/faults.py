"""Every fault as an episode: what, where, from when to when, how bad; drawn at random, some of them overlapping."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

DAY = 86400
HOUR = 3600


@dataclass(frozen=True, slots=True)
class Fault:
    """One episode of the truth. size: how bad, in the kind's own measure; booked: people booked the visit at its end.

    begins, ends [s since 1970 UTC].
    """

    kind: str
    stations: tuple[int, ...]
    begins: int
    ends: int
    size: float
    booked: bool = False


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of fault. group: two of one group never overlap at a station; weight: how often, beside the others; days:
    how long it lasts; size: its range, drawn evenly.
    """

    group: str
    weight: float
    days: tuple[float, float]
    size: tuple[float, float] = (0.0, 1.0)


KINDS: Mapping[str, Kind] = {
    # How often is chosen for the statistics, not after any network.
    "stop": Kind("silence", 6.0, (0.3, 4.0)),
    "modem": Kind("silence", 5.0, (0.25, 2.0)),  # the logger keeps its readings and sends them all afterwards
    "theft": Kind("silence", 0.7, (6.0, 12.0)),
    "clog": Kind("rain", 3.0, (30.0, 55.0)),
    "jam": Kind("rain", 1.5, (30.0, 55.0)),
    "wire cut": Kind("rain", 1.5, (30.0, 55.0)),
    "wet cable": Kind("rain", 0.7, (30.0, 60.0)),
    "slow drain": Kind("rain", 2.0, (30.0, 60.0), (np.log(0.3), np.log(8.0))),  # what passes [log mm/h]
    "doubled": Kind("rain", 1.0, (35.0, 70.0), (0.4, 1.0)),  # share of tips that count twice
    "spurious": Kind("rain", 1.0, (8.0, 25.0), (4.0, 25.0)),  # tips a day
    "undercatch": Kind("rain", 1.5, (80.0, 130.0), (0.65, 0.75)),  # share that is caught
    "drift": Kind("rain", 0.5, (90.0, 150.0), (0.04, 0.08)),  # lost more every month
    "ageing": Kind("power", 1.5, (40.0, 90.0), (0.01, 0.05)),  # of the capacity left in the end
    "shading": Kind("power", 2.0, (40.0, 90.0), (0.0, 0.08)),  # of the light left in the end
    "panel cut": Kind("power", 2.0, (25.0, 80.0)),
    "weak signal": Kind("data", 1.5, (10.0, 30.0), (14.0, 26.0)),  # dB lost
    "clock hour": Kind("data", 1.0, (2.0, 8.0), (-1.0, 1.0)),  # behind or ahead
    "clock day": Kind("data", 0.7, (1.0, 4.0), (-1.0, 1.0)),
    "clock years": Kind("data", 0.7, (1.0, 4.0)),
    "unit": Kind("data", 1.0, (8.0, 25.0)),
    "stuck": Kind("data", 1.5, (5.0, 12.0)),
    "damp": Kind("data", 1.5, (10.0, 30.0), (88.0, 99.0)),  # % in the box
    "spike": Kind("data", 1.0, (0.0, 0.0), (120.0, 900.0)),  # mm in one reading
    "unbooked test": Kind("data", 1.5, (0.0, 0.0), (20.0, 100.0)),  # tips
    "poured": Kind("data", 1.0, (0.0, 0.0), (25.0, 90.0)),  # tips
    "sprinkler": Kind("data", 0.6, (5.0, 9.0), (10.0, 30.0)),  # tips a day
}
GROUP_KINDS = ("mast outage", "source outage", "plan end", "exchanged")
ALL_KINDS = (*KINDS, *GROUP_KINDS)
OVERLAPS = 0.3
"""Share of faults with a second one of another group at the same station."""


@dataclass(frozen=True, slots=True)
class Shared:
    """What stations share: masts, plans and sources by station [n]; alike: a number two stations have in common whose
    loggers could be exchanged [n]; plan_ends [s since 1970 UTC, by plan].
    """

    mast: np.ndarray
    plan: np.ndarray
    source: np.ndarray
    alike: np.ndarray
    plan_ends: Mapping[int, int]


def drawn(
    rng: np.random.Generator, shared: Shared, begin: int, end: int, gap_days: float, only: Sequence[str] = ()
) -> tuple[Fault, ...]:
    """Return the faults of a world from `begin` to `end`; each station is well for about `gap_days` between two.

    only: the kinds wanted, all when empty.
    """
    wanted = set(only) or set(ALL_KINDS)
    found: list[Fault] = []
    for station in range(len(shared.mast)):
        found += _of_station(rng, station, begin, end, gap_days, wanted)
    found += _of_groups(rng, shared, begin, end, wanted)
    if "exchanged" in wanted:
        found += _exchanges(rng, shared, found, begin, end)
    return tuple(sorted(found, key=lambda fault: fault.begins))


def _of_station(
    rng: np.random.Generator, station: int, begin: int, end: int, gap_days: float, wanted: set[str]
) -> Iterator[Fault]:
    names = [name for name in KINDS if name in wanted]
    if not names:
        return
    weights = np.array([KINDS[name].weight for name in names])
    free = begin + int(rng.uniform(0.0, min(1.3 * gap_days, (end - begin) / DAY / 2.0)) * DAY)
    while free < end - DAY:
        first = _one(rng, str(rng.choice(names, p=weights / weights.sum())), station, free, end)
        yield first
        over = first.ends
        others = [name for name in names if KINDS[name].group != KINDS[first.kind].group]
        if others and rng.uniform() < OVERLAPS:
            within = first.begins + int(rng.uniform(0.1, 0.8) * (first.ends - first.begins))
            share = np.array([KINDS[name].weight for name in others])
            second = _one(rng, str(rng.choice(others, p=share / share.sum())), station, within, end)
            yield second
            over = max(over, second.ends)
        free = over + int((1.0 + rng.exponential(gap_days)) * DAY)


def _one(rng: np.random.Generator, name: str, station: int, begins: int, end: int) -> Fault:
    kind = KINDS[name]
    begins = begins // 60 * 60
    if name in ("unbooked test", "poured"):  # people come by day
        begins = begins // DAY * DAY + int(rng.uniform(9.0, 16.0) * 60) * 60
    ends = min(begins + int(rng.uniform(*kind.days) * DAY) // 60 * 60, end)
    size = float(rng.uniform(*kind.size))
    if name.startswith("clock"):
        size = 1.0 if size > 0 else -1.0
    booked = bool(kind.days[1] > 0 and ends < end and rng.uniform() < 0.7)
    return Fault(name, (station,), begins, max(ends, begins + 2 * HOUR), size, booked)


def _of_groups(rng: np.random.Generator, shared: Shared, begin: int, end: int, wanted: set[str]) -> Iterator[Fault]:
    days = (end - begin) / DAY
    if "mast outage" in wanted:
        for mast in np.unique(shared.mast):
            members = tuple(int(station) for station in np.flatnonzero(shared.mast == mast))
            for _ in range(rng.poisson(days / 60.0) if len(members) > 1 else 0):
                yield _group(rng, "mast outage", members, begin, end, (3.0, 30.0))
    if "source outage" in wanted:
        for source in np.unique(shared.source):
            members = tuple(int(station) for station in np.flatnonzero(shared.source == source))
            for _ in range(rng.poisson(days / 40.0)):
                yield _group(rng, "source outage", members, begin, end, (1.2, 9.0))
    if "plan end" in wanted:
        for plan, over in shared.plan_ends.items():
            members = tuple(int(station) for station in np.flatnonzero(shared.plan == plan))
            if begin < over < end:
                yield Fault("plan end", members, over, min(end, over + int(rng.uniform(0.4, 3.0) * DAY)), 0.0)


def _exchanges(
    rng: np.random.Generator, shared: Shared, others: Sequence[Fault], begin: int, end: int
) -> Iterator[Fault]:
    """Yield exchanges of two loggers that are well meanwhile, so that every other fault stays where it is known."""
    alone = [fault for fault in others if len(fault.stations) == 1]
    for _ in range(rng.poisson((end - begin) / DAY / 30.0)):
        one = int(rng.integers(len(shared.alike)))
        like = np.flatnonzero((shared.alike == shared.alike[one]) & (np.arange(len(shared.alike)) != one))
        if not len(like):
            continue
        pair = tuple(sorted((one, int(rng.choice(like)))))
        fault = _group(rng, "exchanged", pair, begin, end, (15.0 * 24, 35.0 * 24))
        if not any(
            other.begins < fault.ends and fault.begins < other.ends and set(other.stations) & set(pair)
            for other in alone
        ):
            alone.append(fault)
            yield fault


def _group(
    rng: np.random.Generator, kind: str, members: tuple[int, ...], begin: int, end: int, hours: tuple[float, float]
) -> Fault:
    begins = int(rng.uniform(begin + DAY, max(begin + 2 * DAY, end - 2 * DAY))) // 60 * 60
    return Fault(kind, members, begins, min(end, begins + int(rng.uniform(*hours) * HOUR)), float(rng.uniform()))
