"""How often honest gauges of this network are dry beside wet neighbours, learned once a day from its own past.

Every wet day of a station (a believable witness within 30 km had 1 mm or more, both delivered the whole day, no frost)
is counted by how near and wet its best witness was and by how many of the gauges about were wet too, and so is whether
it was as good as dry itself. A gauge with frost on that day or the two before is no witness: its tips may be melt. A
gauge's own past is compared with the network's: behind a ridge it is dry more often.

    share = (dry days + 50 * what was expected) / (days + 50)       never under a third of the cautious table's

What is expected: the cautious table, raised or lowered for each kind of spread by how all its days turned out. A dead
gauge mustn't teach. So each dry day counts with the chance that the gauge was honest then, 1 / (1 + odds / 200), where
the odds are those of its whole dry run: one run in 200 is a fault (half a clog a year in a hundred dry runs).

Only days that ended at least two days ago teach, since late rows still change later ones, and only from the 30th day on
which anything was heard. It is the same whenever and however often it is computed from the same record.

Where the numbers come from: half a clog a year is an assumption until a network has its own log; 50 days, a third, two
and 30 days: judgement, no source.
"""

from __future__ import annotations

import numpy as np

from watchman.judging.checks.dry_among_wet import BELIEVED, DRY_SHARE, LONE_TIP_UM, THAW_DAYS, WET_UM, WHOLE_DAY_S
from watchman.judging.frost import frost_days
from watchman.judging.science import neighbours as table
from watchman.judging.view import View

OLD_ENOUGH = 3
"""Days back from the running one: its end is then two days ago at least."""
DAYS_NEEDED = 30
PRIOR_DAYS = 50.0
LEAST_OF_CAUTIOUS = 1.0 / 3.0
FAULTY_RUNS = 1.0 / 200.0
ROUNDS = 2
AT_ONCE = 500_000
"""How many numbers are held at once; bounds the memory, not the result."""
NO_EVIDENCE = 255


def learn(view: View) -> table.HonestZeros:
    """Return what the record teaches of honest zeros."""
    daily = view.record.daily
    last = daily.head - OLD_ENOUGH
    known = np.flatnonzero(daily.known[: max(last + 1, 0)].any(axis=1))
    if len(known) < DAYS_NEEDED:
        return table.NOTHING_LEARNED
    first = int(known[0])
    kind, dry, ended = _days(view, first, last)
    dry &= kind != NO_EVIDENCE
    wet = ~dry & (kind != NO_EVIDENCE)
    closed = np.maximum.accumulate(ended[::-1], axis=0)[::-1]
    share = table.CAUTIOUS
    for _round in range(ROUNDS):
        chance = np.append(share.ravel(), 1.0)[np.minimum(kind, share.size)]
        honest = 1.0 / (1.0 + np.exp(_run_odds(dry, ended, chance)) * FAULTY_RUNS)
        counted = np.where(dry, honest, wet)
        share = _table(kind, counted, dry)
    counted = np.where(closed, counted, 0.0)
    chance = np.append(share.ravel(), 1.0)[np.minimum(kind, share.size)]
    return table.HonestZeros(
        until=daily.end_of(last),
        days=round(float(counted.sum())),
        share=share,
        dry=np.where(dry, counted, 0.0).sum(axis=0),
        expected=(counted * chance).sum(axis=0),
    )


def _table(kind: np.ndarray, counted: np.ndarray, dry: np.ndarray) -> np.ndarray:
    """Return the share of honest zeros [spread, cell] that days counted so leave."""
    size = table.CAUTIOUS.size
    taught = kind < size
    shape = table.CAUTIOUS.shape
    days = np.bincount(kind[taught], counted[taught], size).reshape(shape)
    zeros = np.bincount(kind[taught], np.where(dry, counted, 0.0)[taught], size).reshape(shape)
    found, expected = zeros.sum(axis=1), (days * table.CAUTIOUS).sum(axis=1)
    few = PRIOR_DAYS * table.CAUTIOUS.mean(axis=1)
    level = (found + few) / (expected + few)
    prior = np.minimum(table.CAUTIOUS * level[:, None], 0.9)
    share = (zeros + PRIOR_DAYS * prior) / (days + PRIOR_DAYS)
    return np.asarray(np.maximum(share, np.maximum(LEAST_OF_CAUTIOUS * table.CAUTIOUS, table.LEAST)))


def _run_odds(dry: np.ndarray, ended: np.ndarray, chance: np.ndarray) -> np.ndarray:
    """Return the logarithm of the odds of each day's whole dry run [day, n]; days in a row are one spell."""
    unlikely = np.where(dry, -np.log(chance), 0.0)
    odds = np.zeros_like(unlikely)
    run, spell = np.zeros(dry.shape[1]), np.zeros(dry.shape[1])
    for day in range(len(dry)):
        run[ended[day]] = 0.0
        run = run + np.maximum(unlikely[day] - spell, 0.0)
        spell = np.where(dry[day], np.maximum(spell, unlikely[day]), 0.0)
        odds[day] = run
    for day in range(len(dry) - 2, -1, -1):
        odds[day] = np.where(ended[day + 1], odds[day], odds[day + 1])
    return odds


def _days(view: View, first: int, last: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return each day's kind of evidence, whether the gauge was as good as dry, and whether rain of its own or a
    visitor's tips ended its dry run [day, n].
    """
    stations = view.stations
    near = (stations.neighbours >= 0) & (stations.neighbours_km <= table.NO_WITNESS_KM)
    some = max(AT_ONCE // max(len(near), 1), 1)
    frost = frost_days(view, first, np.arange(len(stations)))
    thaw = frost.copy()
    for days in range(1, THAW_DAYS + 1):
        thaw[days:] |= frost[:-days]
    parts = []
    for begin in range(first, last + 1, some):
        end = min(begin + some, last + 1)
        parts.append(
            _some_days(view, begin, end, near, frost[begin - first : end - first], thaw[begin - first : end - first])
        )
    kind, dry, ended = (np.concatenate(columns) for columns in zip(*parts, strict=True))
    return kind, dry, ended


def _some_days(
    view: View, begin: int, end: int, near: np.ndarray, frost: np.ndarray, thaw: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    daily, stations = view.record.daily, view.stations
    # Gathering rows is several times faster than columns: stations first, days second.
    own, held = (np.ascontiguousarray(table[begin:end].T) for table in (daily.rain, daily.held))
    whole = np.ascontiguousarray((daily.known[begin:end] >= WHOLE_DAY_S).T)
    rain = np.where(whole & ~thaw.T, own, 0)
    most, second, most_at = _wettest(rain, near, stations.neighbours)
    row = table.rows(stations.neighbours_km)
    best = np.full(own.shape, table.NOBODY, np.uint8)
    witness, most_um = np.zeros_like(own), np.zeros_like(own)
    wet, present = np.zeros(own.shape, np.int16), np.zeros(own.shape, np.int16)
    for place, there in enumerate(near.T):
        theirs = stations.neighbours[:, place]
        # The gauge in question doesn't confirm its own witness, wet or dry.
        itself = most_at[theirs] == np.arange(len(own))[:, None]
        confirmed = np.where(itself, second[theirs], most[theirs])
        um = np.where(there[:, None] & (confirmed >= WET_UM), np.minimum(rain[theirs], BELIEVED * confirmed), 0)
        rank = table.rank(row[:, place, None], table.columns(um))
        witness = np.where((rank < best) | (place == 0), um, witness)
        best, most_um = np.minimum(best, rank), np.maximum(most_um, um)
        wet += um >= WET_UM
        present += whole[theirs] & there[:, None]
    speaks = (best != table.NOBODY) & whole & ~frost.T
    cell = table.spread(wet, present) * np.uint8(table.CELLS) + table.cell_of(best)
    kind = np.where(speaks, cell, NO_EVIDENCE).astype(np.uint8)
    dry = own <= DRY_SHARE * witness
    rained = (own > DRY_SHARE * most_um) & ((own > LONE_TIP_UM) | (most_um >= WET_UM))
    ended = rained | (held > 0)
    return np.ascontiguousarray(kind.T), np.ascontiguousarray(dry.T), np.ascontiguousarray(ended.T)


def _wettest(rain: np.ndarray, near: np.ndarray, neighbours: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the most and the second most rain at any near gauge about, and which one had the most [n, day]."""
    most, second = np.zeros_like(rain), np.zeros_like(rain)
    most_at = np.repeat(neighbours[:, :1], rain.shape[1], axis=1)
    for place, there in enumerate(near.T):
        theirs = np.where(there[:, None], rain[neighbours[:, place]], 0)
        second = np.maximum(second, np.minimum(most, theirs))
        most_at = np.where(theirs > most, neighbours[:, place, None], most_at)
        most = np.maximum(most, theirs)
    return most, second, most_at
