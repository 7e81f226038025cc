"""Dry among wet beside published rules and figures.

de Vos, Leijnse, Overeem & Uijlenhoet 2019 (Geophys. Res. Lett. 46, 8820): faulty zeros. 5-minute readings; a station
that reads 0 while the median of its neighbours within 10 km is above 0 for more than 6 intervals on end is flagged from
the 7th on until it reports rain; -1 (can't be judged) with fewer than 5 neighbours. Written anew from that description.

Spatial Interpolation Comparison 1997 (Dubois 1998, J. Geogr. Inf. Decis. Anal. 2(2), 1): Swiss daily rain of 8 May 1986
at 467 gauges, five of them dry. The figures below are those of the dry gauges' neighbours.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.helpers import moment, stations_at, view_of
from watchman.judging.checks import dry_among_wet
from watchman.model import RAIN, Verdict

BEGIN, HOUR, DAY = moment("2025-06-01T00:00Z"), 3600, 86400
TIMES = BEGIN + 300 * np.arange(1, 10 * 288 + 1)
NEAR = ((0.0, 0.0), (3.0, 0.0), (0.0, 4.0), (-5.0, 0.0), (0.0, -6.0), (5.0, 5.0), (-4.0, 5.0))
FAR = ((0.0, 0.0), *((east + 45.0, north) for east, north in NEAR[1:]))


def faulty_zeros(places: tuple[tuple[float, float], ...], rain: np.ndarray) -> np.ndarray:
    """Return the published flag of the first gauge for each interval: 1 faulty, 0 not, -1 can't be judged."""
    near = [place for place in range(1, len(places)) if 0 < np.hypot(*places[place]) <= 10]
    if len(near) < 5:
        return np.full(len(rain), -1)
    median = np.median(rain[:, near], axis=1)
    flags, run = np.zeros(len(rain), int), 0
    for at, own in enumerate(rain[:, 0]):
        run = run + 1 if own == 0 and median[at] > 0 else 0
        flags[at] = run > 6 or (own == 0 and at > 0 and flags[at - 1] == 1)
    return flags


def storms(days: tuple[int, ...], gauges: int, mm: float = 9.0) -> np.ndarray:
    """Return rain [mm] of storms of an hour and a half on all gauges, 18 intervals each."""
    rain = np.zeros((len(TIMES), gauges))
    rain[288 + 100 : 288 + 106] = 0.4
    for day in days:
        rain[day * 288 + 180 : day * 288 + 198] = mm / 18
    return rain


@pytest.mark.parametrize(
    ("places", "dead", "theirs", "ours"),
    [
        (NEAR, True, 1, Verdict.PRESENT),
        (NEAR, False, 0, Verdict.ABSENT),
        (FAR, True, -1, Verdict.UNDETERMINED),
    ],
)
def test_it_agrees_with_the_published_rule(
    places: tuple[tuple[float, float], ...], dead: bool, theirs: int, ours: Verdict
) -> None:
    """Both tell a dead gauge in a dense network, neither a healthy one, and neither can judge a lonely one."""
    rain = storms((3, 6, 8), len(places))
    if dead:
        rain[2 * 288 :, 0] = 0.0
    view = view_of(stations_at(places), BEGIN + 9 * DAY + 12 * HOUR, TIMES, {RAIN: rain})
    assert dry_among_wet.judge(view, dry_among_wet.Settings()).verdict[0] == ours
    assert faulty_zeros(places, rain)[8 * 288 + 197] == theirs


def test_one_storm_flags_a_reading_there_and_accuses_nobody_here() -> None:
    """The published rule flags readings from the seventh interval of the first storm; a drive needs a second storm."""
    rain = storms((3,), len(NEAR))
    rain[2 * 288 :, 0] = 0.0
    assert faulty_zeros(NEAR, rain)[3 * 288 + 180 : 3 * 288 + 188].tolist() == [0] * 6 + [1] * 2
    view = view_of(stations_at(NEAR), BEGIN + 9 * DAY + 12 * HOUR, TIMES, {RAIN: rain})
    assert dry_among_wet.judge(view, dry_among_wet.Settings()).verdict[0] == Verdict.ABSENT


DRY_IN_1986 = {
    "S182": ((5.4, 1.3), (11.1, 1.7), (14.5, 5.8), (16.9, 9.8), (17.6, 3.0), (17.8, 6.5), (20.1, 10.8), (20.1, 4.3)),
    "S475": ((16.7, 2.9), (16.9, 0.8), (17.3, 0.5), (18.9, 0.6), (24.7, 1.5)),
    "S367": ((4.4, 0.0), (6.8, 0.1), (8.7, 0.0), (10.7, 1.6), (10.8, 7.4), (20.8, 9.0), (28.9, 20.8)),
    "S366": ((2.7, 0.1), (4.4, 0.0), (5.1, 0.0), (14.7, 7.4), (15.0, 1.6), (24.7, 9.0)),
    "S356": ((2.6, 0.1), (5.1, 0.0), (8.7, 0.0), (16.8, 7.4), (17.8, 1.6), (26.5, 9.0)),
}


@pytest.mark.parametrize("name", DRY_IN_1986)
def test_the_honest_zeros_of_a_real_day_are_not_damning(name: str) -> None:
    """None of the five dry gauges of 8 May 1986 comes near the limit by that day, though S182 lies among wet ones."""
    around = DRY_IN_1986[name]
    angles = np.linspace(0.0, 2 * np.pi, len(around), endpoint=False)
    places = [(0.0, 0.0)] + [
        (km * np.cos(angle), km * np.sin(angle)) for (km, _mm), angle in zip(around, angles, strict=True)
    ]
    rain = np.zeros((len(TIMES), len(places)))
    rain[3 * 288 + 150, 1:] = [mm for _km, mm in around]
    view = view_of(stations_at(places), BEGIN + 9 * DAY + 12 * HOUR, TIMES, {RAIN: rain})
    findings = dry_among_wet.judge(view, dry_among_wet.Settings())
    assert findings.verdict[0] == Verdict.ABSENT
    assert findings.numbers["odds"][0] < 30
