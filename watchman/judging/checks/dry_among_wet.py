"""How unlikely is an honest zero beside what the neighbours measured?

A gauge that reads nothing while others are wet may be clogged or cut off, or it may just not have rained there. Each
day since the gauge's own last rain is held against its best witness, the nearest and wettest of its wet neighbours:

    p = share of days on which an honest gauge is as good as dry beside such a witness on such a day
    odds = 1 / (p of the first wet spell * p of the second * ...)      present when odds >= 1000 and spells >= 2

p hangs on the witness's distance, on its rain, and on how many of the gauges within 30 km were wet too: a lone shower
misses many gauges, rain everywhere misses none. It is learned from the network's own past, once a day
(judging/learned.py); a cautious table stands until then (science/neighbours.py). Only the best witness of a day counts,
since neighbours are not independent. Days joined by rain that runs over midnight at the witness (within 3 hours on
either side) are one spell and count once, by the least p; older than the hourly memory (31 days), or where readings are
long, all days in a row are joined.

Some places are drier than others, and a gauge that was just missed is missed again more easily. So each p is raised:

    p * (20 + times it was dry) / (20 + times it should have been)      never lowered; before, and in this very run

As good as dry is up to a tenth of the witness's rain: a few tips come through a clog, and a nearly dead gauge is as
useless as a dead one. But the edge of a shower gives a little, and a clog mostly nothing: where the gauge had more than
0.3 mm of its own, p is three times as much, and no evidence from 1 on. A day counts only

    where both delivered    On days with gaps at either, and on the day still running, those hours are added up in
                            which both delivered; rain is weighed 6 hours after it fell, when a passing storm has had
                            time to reach both.
    beside a believable     Its rain is held to be at most 5 times the most at any other gauge within 30 km of it, and
    witness                 that must be 1 mm or more: a lone wet gauge (poured water, spikes) is no witness.
    where it isn't frozen   Its own temperature or, corrected by 6.5 K/km of height, that of the nearest station that
                            has one was never under 2 degC in the hours in which the witness was wet. Without any
                            thermometer nothing is judged in the frost months.
    beside a witness that   The tips of a thaw are no rain. Off a neighbour's rain is taken, hour by hour, what may be
    isn't thawing           snow melting in its funnel (science/snow.py): all of it under 2 degC, else up to 5 mm a
                            degree and day while any may lie there. No snow fell in an hour in which three gauges over 2
                            degC within 30 km of it (one may be the one in question) had nothing and none had any. Where
                            hours are no longer held all rain is taken off on a day under 4 degC in the mean and the two
                            after it; so it is in the frost months without any thermometer. Its temperature is found as
                            the gauge's own is. Nothing else wet: the gauge can't be judged.

The gauge's own rain ends the evidence, and it starts again from nothing; so do tips made by a visitor, since then
nobody knows how the gauge was left; and so does somebody's word that it is not a fault, on the day after. These tips
are not rain, neither end the evidence nor count:

    a lone tip              at most 0.3 mm in the day, unless the wettest gauge about had no more than 10 times as much:
                            dew and frost make such tips
    a drain's slow tips     in hours in which no gauge within 30 km had any, nor in the 3 hours before: single tips, and
                            up to 1 mm an hour that goes on for more than one
    what seeps through      up to a tenth of the most at any gauge about on that day

A gauge whose own odds are past the limit doesn't say that it was dry about.

Where the numbers come from: 1000 to 1: our own simulation of six climates, at most one false call in twenty-five
seasons of a gauge (showers only, gauges 5 to 10 km apart), none in 400 of long rain or desert. The table and 30 km:
science/neighbours.py. 2 degC: rain and snow are equally likely at 1.0 degC on average, from -0.4 to 2.4 degC at 95 % of
stations (Jennings et al. 2018, Nat. Commun.). 4 degC: judging/frost.py. 6.5 K/km: the standard atmosphere. Frost
months, November to March from 30 degrees of latitude poleward and half a year later in the south: when a university
network switches its unheated gauges off. 6 hours: the usual least dry time between storms. 20, a tenth, 5 times, 0.3
mm, three times as much, 1 mm, 3 hours, three mild gauges, two days: judgement, no source; the tenth was chosen over a
twentieth with a record of nearly dead gauges in sight (tests/outside/test_flanders.py).

What it cannot see: anything at a gauge without a believable neighbour within 30 km, and it says so; a clog that lets
more than a tenth through on wet days (`undercatch`, `slow-drain`); the rest of the day on which it last rained; a gauge
that sends only when it rains; clogs in the mountains while nights are frosty all around.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Annotated, Any

import numpy as np
from pydantic import Field

from watchman.judging.frost import FROST_MEAN_C, frost_months, thermometers
from watchman.judging.science import neighbours as table
from watchman.judging.science import snow
from watchman.judging.science.neighbours import DEPTH_MM, NO_WITNESS_KM
from watchman.judging.view import Findings, View, rfc3339
from watchman.model import BATTERY, TEMPERATURE, Verdict
from watchman.readings.record import DAY, HOUR, Grid
from watchman.written import Written

NAME = "dry-among-wet"
EVERY_S = HOUR

LOOK_BACK = 183
"""Days looked back at most: a season."""
MOST_UNLIKELY = 690.0
"""The logarithm of the highest odds: larger numbers can't be written down."""
SHORT = 14
LATELY = 31
SPELLS_NEEDED = 2
WET_UM = round(DEPTH_MM[0] * 1000)
LONE_TIP_UM = 300
DRY_SHARE = 0.1
LITTLE_TIMES = 3.0
CLEAR_SHARE = 4
DRIP_UM = 1000
DRIES_H = 3
OWN_PRIOR = 20.0
BELIEVED = 5
WEIGHED_AFTER_S = 6 * HOUR
OVER_MIDNIGHT_H = 3
WHOLE_DAY_S = round(0.99 * DAY)
WHOLE_HOUR_S = round(0.9 * HOUR)
FROZEN_C = 2.0
THAW_DAYS = 2
MILD_MEAN_C = 15.0
"""In a month without a colder day no hour was cold enough for snow [degC] (judgement, no source)."""
AT_A_TIME = 1024
"""Gauges whose snow is accounted for at once; bounds the memory, not the result."""
DRY_ABOUT = 3
"""So many gauges in mild air, all dry, say that no snow fell about them."""
HEARD_DAYS = 7
SHOWN_WITNESSES = 6


class Settings(Written):
    """How dry-among-wet is set."""

    limit_odds: Annotated[float, Field(ge=20, le=1e9)] = 1000.0
    """Tell when an honest zero is as unlikely as 1 in this many."""
    frost_months: Annotated[tuple[Annotated[int, Field(ge=1, le=12)], ...], Field(strict=False)] | None = None
    """Months (1 to 12) in which a gauge without any thermometer near is not judged; left out, November to March from 30
    degrees of latitude poleward (May to September in the south); empty, it is judged all year."""


@dataclass(frozen=True, slots=True)
class _Weighed:
    """The days of some stations, weighed: [day] and [day, station], stations in the order asked for.

    first: daily cell of the first day. own_um, witness_um: rain. witness: its place among the neighbours. wet: how
    many of how many gauges were wet. chance: p, 1 where the day is no evidence. wet_um [day, station, neighbour]: what
    each believably had while both delivered. since: the day of the last own rain, -1 before the first. odds, spells,
    blind: where it all leads [station].
    """

    first: int
    positions: np.ndarray
    own_um: np.ndarray
    wet_um: np.ndarray
    witness: np.ndarray
    witness_um: np.ndarray
    wet: np.ndarray
    gauges: np.ndarray
    chance: np.ndarray
    since: np.ndarray
    odds: np.ndarray
    spells: np.ndarray
    blind: np.ndarray


def judge(view: View, settings: Settings) -> Findings:
    """Return which gauges are too dry to be honest; numbers: odds, spells, first_day [its end, s since 1970 UTC]."""
    size = len(view.stations)
    odds, spells, since = np.ones(size), np.zeros(size, np.int64), np.zeros(size, np.int64)
    blind = np.zeros(size, bool)
    first, candidates = _candidates(view)
    suspects, melt = np.zeros(size, bool), _Melt(view)
    for _round in range(2):
        for begin, some in _by_length(view, first, candidates):
            weighed = _weigh(view, settings, begin, some, suspects, melt)
            odds[some], spells[some], blind[some] = weighed.odds, weighed.spells, weighed.blind
            told = weighed.odds >= settings.limit_odds
            if told.any():
                since[some[told]] = _dry_since(view, weighed)[told]
        suspects = odds >= settings.limit_odds
        # A suspect doesn't say that it was dry about: whoever is beside one is weighed again.
        beside = (suspects[view.stations.neighbours] & _near(view)).any(axis=1)
        candidates = candidates[beside[candidates]]
    present = (odds >= settings.limit_odds) & (spells >= SPELLS_NEEDED)
    reason = _reasons(view, present, blind)
    verdict = np.where(reason != "", Verdict.UNDETERMINED, np.where(present, Verdict.PRESENT, Verdict.ABSENT))
    return Findings.of(
        verdict,
        since=np.where(verdict == Verdict.PRESENT, since, 0),
        numbers={
            "odds": odds,
            "spells": spells,
            "suspect": suspects,
            "first_day": view.record.daily.start + (first + 1) * DAY,
        },
        reason=reason,
    )


def evidence(view: View, settings: Settings, findings: Findings, position: int) -> dict[str, Any]:
    """Return what people are shown of one gauge: the table of days with their witnesses, and how unlikely it all is."""
    first = max(view.record.daily.cell(int(findings.numbers["first_day"][position])), 0)
    weighed = _weigh(view, settings, first, np.array([position]), findings.numbers["suspect"], _Melt(view))
    days = np.flatnonzero(weighed.chance[:, 0] < 1)
    most_um = weighed.wet_um[days, 0].max(axis=0, initial=0)
    wet = np.flatnonzero(most_um >= WET_UM)[:SHOWN_WITNESSES]
    battery_v = float(view.record.last_value[BATTERY, position])
    dry, expected = view.honest_zeros.own(np.array([position]))
    return {
        "wet_days": len(days),
        "spells": int(weighed.spells[0]),
        "spells_needed": SPELLS_NEEDED,
        "odds": float(f"{weighed.odds[0]:.2g}"),
        "limit_odds": settings.limit_odds,
        "dry_since": rfc3339(_dry_since(view, weighed)[0]),
        "rained_before": bool(weighed.since[0] >= 0),
        "witnesses": [_witness(view, position, place, most_um[place]) for place in wet],
        "least_mm": _mm(most_um[wet].min(initial=most_um.max(initial=0))),
        "most_mm": _mm(most_um.max(initial=0)),
        "own_mm": _mm(weighed.own_um[days, 0].sum()),
        "days": [
            {
                "day": _date(view, weighed.first + int(day)),
                "own_mm": _mm(weighed.own_um[day, 0]),
                "chance": round(float(weighed.chance[day, 0]), 3),
                "wet": int(weighed.wet[day, 0]),
                "gauges": int(weighed.gauges[day, 0]),
                **_witness(view, position, int(weighed.witness[day, 0]), weighed.witness_um[day, 0], "witness"),
            }
            for day in days
        ],
        "learned_days": view.honest_zeros.days,
        "own_dry_days": round(float(dry[0]), 1),
        "own_dry_days_expected": round(float(expected[0]), 1),
        "battery_v": None if np.isnan(battery_v) else round(battery_v, 2),
    }


def _witness(view: View, position: int, place: int, um: Any, called: str = "name") -> dict[str, Any]:
    neighbour = view.stations.neighbours[position, place]
    km = float(view.stations.neighbours_km[position, place])
    return {called: view.stations.names[neighbour], "km": round(km, 1), "mm": _mm(um)}


def _mm(um: Any) -> float:
    """Return a depth in words: rounded down to 0.1 mm."""
    return int(um) // 100 / 10


def _date(view: View, day: int) -> str:
    begins = view.record.daily.end_of(day - 1) + view.stations.utc_offset_s
    return datetime.fromtimestamp(begins, UTC).date().isoformat()


def _near(view: View, positions: np.ndarray | slice = slice(None)) -> np.ndarray:
    """Say which neighbours of some stations are there and near enough to witness [station, neighbour]."""
    neighbours, km = view.stations.neighbours[positions], view.stations.neighbours_km[positions]
    return np.asarray((neighbours >= 0) & (km <= NO_WITNESS_KM))


def _candidates(view: View) -> tuple[np.ndarray, np.ndarray]:
    """Return from which day on each station is worth weighing (its own last clear rain), and those that are worth it.

    A station whose neighbours had too little since then has nothing to explain; most stations are done with here.
    """
    daily = view.record.daily
    delivered = np.flatnonzero(daily.known[: daily.head + 1].any(axis=1))
    begin = max(daily.head + 1 - LOOK_BACK, int(delivered[0]) if len(delivered) else daily.head)
    clear = (daily.rain[begin : daily.head + 1] > LONE_TIP_UM) | (daily.held[begin : daily.head + 1] > 0)
    lately = max(begin, daily.head + 1 - LATELY)
    clear[lately - begin :] &= ~_little(view, lately)
    first = np.where(clear.any(axis=0), daily.head - np.argmax(clear[::-1], axis=0), begin)
    neighbours = view.stations.neighbours
    after = first + clear.any(axis=0)
    since = daily.running[daily.head + 1][neighbours] - daily.running[after[:, None], neighbours]
    wet = (_near(view) & (since >= WET_UM)).any(axis=1)
    return first, np.flatnonzero(wet & (first <= daily.head - SPELLS_NEEDED))


def _little(view: View, first: int) -> np.ndarray:
    """Say on which days a station's rain was little beside the most about, or slow with less about [day, station]:
    not clearly rain, so worth a closer look.
    """
    daily, near = view.record.daily, _near(view)
    by_station = np.ascontiguousarray(daily.rain[first : daily.head + 1].T)
    most = np.zeros_like(by_station)
    for place in range(near.shape[1]):
        theirs = by_station[view.stations.neighbours[:, place]]
        np.maximum(most, np.where(near[:, place, None], theirs, 0), out=most)
    own_um, most_um = by_station.T, most.T
    little = own_um * CLEAR_SHARE < most_um
    day, station = np.nonzero((own_um > LONE_TIP_UM) & (own_um > most_um))
    cells, held = _hours(view, first + day)
    hours = np.where(held, view.record.hourly.rain[cells, station[:, None]], DRIP_UM + 1)
    little[day, station] = hours.max(axis=1, initial=0) <= DRIP_UM
    return np.asarray(little & (daily.held[first : daily.head + 1] == 0))


def _by_length(view: View, first: np.ndarray, stations: np.ndarray) -> list[tuple[int, np.ndarray]]:
    """Return (first day, stations) in two groups, so that one long-dead gauge doesn't make all others' tables long."""
    long = first[stations] < view.record.daily.head - SHORT
    groups = (stations[long], stations[~long])
    return [(int(first[some].min()), some) for some in groups if len(some)]


def _weigh(
    view: View, settings: Settings, first: int, positions: np.ndarray, suspects: np.ndarray, melt: _Melt
) -> _Weighed:
    """Weigh the days from a daily cell to now for some stations; suspects [n] don't say where it was dry."""
    daily = view.record.daily
    days = slice(first, daily.head + 1)
    neighbours = view.stations.neighbours[positions]
    thaw_um = _thaw_um(view, settings, first, neighbours, melt)
    believed_um = _believable_um(view, positions, daily.rain[days] - thaw_um)
    wet_um, gauges = _witnesses_um(view, first, positions, believed_um, suspects)
    km = view.stations.neighbours_km[positions]
    witness, cell = table.best_witness(table.rows(km)[None], table.columns(wet_um))
    witness_um = np.take_along_axis(wet_um, witness[:, :, None], axis=2)[:, :, 0]
    wet = (wet_um >= WET_UM).sum(axis=2)
    own_um = daily.rain[days, positions] - _drips_um(view, first, positions)
    chance = view.honest_zeros.chance(table.spread(wet, gauges), cell)
    chance = np.where(own_um > LONE_TIP_UM, np.minimum(LITTLE_TIMES * chance, 1.0), chance)
    chance = np.where(own_um <= DRY_SHARE * witness_um, chance, 1.0)
    frozen = _frozen(view, settings, first, positions, chance < 1, witness)
    most_thaw_um = np.where(_near(view, positions), thaw_um[:, neighbours], 0).max(axis=2, initial=0)
    frozen |= (chance == 1) & (most_thaw_um >= WET_UM) & (own_um <= DRY_SHARE * most_thaw_um)
    joined = _over_midnight(view, first, positions, chance < 1, witness)
    handled = daily.held[days, positions] > 0
    real = handled | _rain(own_um, believed_um.max(axis=2, initial=0), _over(view, first)[:, None])
    real |= np.arange(first, daily.head + 1)[:, None] <= daily.cells(view.cleared_s(NAME)[positions])
    dry, expected = view.honest_zeros.own(positions)
    since, odds, spells, blind = _walk(real, np.where(frozen, 1.0, chance), frozen, joined, dry, expected)
    later = np.arange(len(own_um))[:, None] > since
    counted = np.where(later & ~frozen, chance, 1.0)
    return _Weighed(
        first, positions, own_um, wet_um, witness, witness_um, wet, gauges, counted, since, odds, spells, blind
    )


def _rain(own_um: np.ndarray, most_um: np.ndarray, over: np.ndarray) -> np.ndarray:
    """Say on which days a gauge had rain of its own, not a lone tip or what seeps through a clog [day, station].

    most_um: the most rain at any gauge about. over: on the day still running a lone tip decides nothing yet, since the
    others' rain isn't all weighed.
    """
    small_but_real = (most_um >= WET_UM) & over
    return np.asarray((own_um > DRY_SHARE * most_um) & ((own_um > LONE_TIP_UM) | small_but_real))


def _walk(
    real: np.ndarray,
    chance: np.ndarray,
    frozen: np.ndarray,
    joined: np.ndarray,
    dry: np.ndarray,
    expected: np.ndarray,
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return the day of the last own rain, and the odds, wet spells and blindness since.

    dry, expected: how often the gauge was dry before, and should have been [station].
    """
    day = np.arange(len(real))[:, None]
    since = _last(real)
    wet = (chance < 1) & (day > since)
    yesterday = np.zeros_like(wet)
    yesterday[1:] = wet[:-1]
    spell = np.cumsum(wet & ~(yesterday & joined), axis=0)
    least = np.ones((int(spell[-1].max(initial=0)) + 1, real.shape[1]))  # the least chance of each spell
    rows, columns = np.nonzero(wet)
    np.minimum.at(least, (spell[rows, columns], columns), chance[rows, columns])
    counts = least < 1
    so_far: np.ndarray = np.cumsum(counts, axis=0) - counts
    expected_so_far = np.cumsum(np.where(counts, least, 0.0), axis=0) - np.where(counts, least, 0.0)
    own = np.maximum((OWN_PRIOR + dry + so_far) / (OWN_PRIOR + expected + expected_so_far), 1.0)
    unlikely = -np.log(np.minimum(least * np.where(counts, own, 1.0), 1.0)).sum(axis=0)
    odds = np.exp(np.minimum(unlikely, MOST_UNLIKELY))
    blind = _last(frozen & (day > since)) > _last(wet)
    return since, odds, spell[-1], blind


def _last(days: np.ndarray) -> np.ndarray:
    """Return each station's last such day, -1 where there is none."""
    return np.asarray(np.where(days.any(axis=0), len(days) - 1 - np.argmax(days[::-1], axis=0), -1))


def _over(view: View, first: int) -> np.ndarray:
    """Say which days are over for long enough to be weighed whole."""
    daily = view.record.daily
    return np.asarray(daily.start + (np.arange(first, daily.head + 1) + 1) * DAY <= view.now - WEIGHED_AFTER_S)


def _believable_um(view: View, positions: np.ndarray, rain_um: np.ndarray) -> np.ndarray:
    """Return what each neighbour near enough believably had [um; day, station, neighbour].

    rain_um: of all stations, but for what may be melt [day, n].
    """
    neighbours = view.stations.neighbours[positions]
    confirmed = _confirmed_um(view, neighbours, rain_um)
    return np.where(_near(view, positions), np.minimum(rain_um[:, neighbours], BELIEVED * confirmed), 0)


def _thaw_um(view: View, settings: Settings, first: int, neighbours: np.ndarray, melt: _Melt) -> np.ndarray:
    """Return how much of the daily rain of these neighbours, and of theirs, may be melt, from 1 mm on [um; day, n]."""
    hourly, daily = view.record.hourly, view.record.daily
    asked = np.unique(neighbours)
    asked = np.unique(np.append(view.stations.neighbours[asked], asked))
    asked = asked[asked >= 0]
    rain = daily.rain[first : daily.head + 1]
    thaw = np.zeros_like(rain)
    day, row = np.nonzero(rain[:, asked] >= WET_UM)
    if not len(day):
        return thaw
    station = asked[row]
    thermometer, warmer = thermometers(view, asked)
    days_before = np.maximum(first + day[:, None] - np.arange(THAW_DAYS + 1), 0)
    day_c = np.fmin.reduce(_mean_c(daily, days_before, thermometer[row][:, None]), axis=1) + warmer[row]
    cells, held = _hours(view, first + day)
    melting_um = np.where(day_c < FROST_MEAN_C, rain[day, station], 0)
    by_hour = held.all(axis=1) | (held.any(axis=1) & (first + day == daily.head))
    month_c = _mean_c(daily, np.arange(max(daily.head - LATELY, 0), daily.head + 1)[:, None], thermometer) + warmer
    mild = np.fmin.reduce(month_c, axis=0) >= MILD_MEAN_C
    melting_um[by_hour & mild[row]] = 0
    by_hour &= ~mild[row]
    some = np.flatnonzero(by_hour)
    if len(some):
        own_um = np.where(held[some], hourly.rain[cells[some], station[some, None]], 0)
        melting_um[some] = np.minimum(own_um, melt.um(station[some], cells[some])).sum(axis=1)
    unknown = np.isnan(day_c) | (thermometer[row] < 0)
    if unknown.any():
        frost = frost_months(view, first, asked, settings.frost_months)
        melting_um[unknown] = np.where(frost[day[unknown], row[unknown]], rain[day[unknown], station[unknown]], 0)
    thaw[day, station] = melting_um
    return thaw


class _Melt:
    """How much of a gauge's rain of an hour may be snow that melts, all of it under 2 degC; each gauge is accounted for
    once, when it is asked for.
    """

    def __init__(self, view: View) -> None:
        """Take a view; nothing is worked out yet."""
        self._view = view
        self._um = np.empty((0, 0), np.float32)
        self._row = np.full(len(view.stations), -1)

    def um(self, stations: np.ndarray, cells: np.ndarray) -> np.ndarray:
        """Return it for some hourly cells of each of some stations [um; k, hour]."""
        new = np.unique(stations[self._row[stations] < 0])
        parts = [_melt_um(self._view, new[begin : begin + AT_A_TIME]) for begin in range(0, len(new), AT_A_TIME)]
        if parts:
            self._row[new] = len(self._um) + np.arange(len(new))
            self._um = np.concatenate([self._um, *parts] if len(self._um) else parts)
        return np.asarray(self._um[self._row[stations][:, None], cells])


def _melt_um(view: View, stations: np.ndarray) -> np.ndarray:
    """Return how much of their rain of each hour may be snow that melts [um; k, hour]."""
    hourly = view.record.hourly
    near = _near(view, stations)
    about, place = np.unique(np.append(stations, view.stations.neighbours[stations][near]), return_inverse=True)
    others = np.full(near.shape, -1)
    others[near] = place[len(stations) :]
    degrees = _degrees(view, about)
    own = degrees[place[: len(stations)]]
    melt = np.zeros(own.shape, np.float32)
    cold = (own < snow.SNOW_C).any(axis=1)
    if cold.any():
        hours = slice(0, hourly.head + 1)
        rain, known = (np.asarray(np.take(table[hours], about, axis=1).T) for table in (hourly.rain, hourly.known))
        speaks = (degrees >= snow.SNOW_C) & (known >= WHOLE_HOUR_S)
        dry, wet = (_counted(of, others[cold]) for of in (speaks & (rain == 0), speaks & (rain > 0)))
        may_snow = (wet > 0) | (dry < DRY_ABOUT)
        melt[cold] = 1000 * snow.may_melt_mm(np.ascontiguousarray(own[cold].T), np.ascontiguousarray(may_snow.T)).T
    return np.where(own < snow.SNOW_C, np.float32(np.inf), melt)


def _degrees(view: View, stations: np.ndarray) -> np.ndarray:
    """Return the hourly temperature at some stations, by height where it is another's [degC; k, hour]."""
    hourly = view.record.hourly
    thermometer, warmer = thermometers(view, stations)
    source, column = np.unique(thermometer, return_inverse=True)
    hours = slice(0, hourly.head + 1)
    total, count = (
        np.asarray(np.take(table[TEMPERATURE, hours], source, axis=1).T, np.float32)
        for table in (hourly.total, hourly.count)
    )
    measured = np.where((count > 0) & (source >= 0)[:, None], total / np.maximum(count, 1), np.float32(np.nan))
    return np.asarray(measured[column] + warmer[:, None], np.float32)


def _counted(of: np.ndarray, places: np.ndarray) -> np.ndarray:
    """Return how many of the gauges at some places (-1: nobody) it is true of in each hour [k, hour]."""
    number = np.zeros((len(places), of.shape[1]), np.int8)
    for column in places.T:
        number += of[column] & (column >= 0)[:, None]
    return number


def _mean_c(grid: Grid, cells: np.ndarray, stations: np.ndarray) -> np.ndarray:
    """Return the mean temperature of some cells at some stations, NaN where nothing was delivered [degC]."""
    count = grid.count[TEMPERATURE, cells, stations]
    return np.where(count > 0, grid.total[TEMPERATURE, cells, stations] / np.maximum(count, 1), np.nan)


def _witnesses_um(
    view: View, first: int, positions: np.ndarray, believed_um: np.ndarray, suspects: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return what each neighbour believably had while it and the station delivered [um; day, station, neighbour], and
    how many gauges that delivered can be asked how widespread it was [day, station].
    """
    daily = view.record.daily
    days = slice(first, daily.head + 1)
    neighbours = view.stations.neighbours[positions]
    near = _near(view, positions)
    over = _over(view, first)[:, None]
    # A long reading that began the day before may hold that day's rain, unless the station's own are just as long.
    before = np.zeros_like(believed_um)
    before[max(1 - first, 0) :] = daily.straddle[max(first - 1, 0) : daily.head][:, neighbours]
    alike = daily.covers[days][:, positions][:, :, None] == daily.covers[days][:, neighbours]
    before = np.where(alike, 0, before)
    whole = ((daily.known[days][:, positions] >= WHOLE_DAY_S) & over)[:, :, None]
    whole = whole & (daily.known[days][:, neighbours] >= WHOLE_DAY_S)
    um = np.where(near & whole, np.minimum(believed_um, daily.rain[days][:, neighbours] - before), 0)
    day, row, place = np.nonzero(near & ~whole & (believed_um >= WET_UM))
    if len(day):
        hours_um = _hours_of_both(view, first + day, positions[row], neighbours[row, place])
        um[day, row, place] = np.minimum(hours_um, believed_um[day, row, place])
    asked = (near & (daily.known[days][:, neighbours] > 0) & ~suspects[neighbours]) | (um >= WET_UM)
    return um, asked.sum(axis=2)


def _confirmed_um(view: View, neighbours: np.ndarray, rain_um: np.ndarray) -> np.ndarray:
    """Return the most rain at any gauge within 30 km of each neighbour, 0 when that is under 1 mm [um; day, station,
    neighbour].

    The station in question never confirms its own accusers: on a day that counts it had nothing.
    """
    witnesses, of = np.unique(neighbours, return_inverse=True)
    near = _near(view, witnesses)
    others = view.stations.neighbours[witnesses]
    about, column = np.unique(others, return_inverse=True)
    by_station = np.ascontiguousarray(rain_um[:, about].T)  # gathering rows is several times faster than columns
    column = column.reshape(others.shape)
    most = np.zeros((len(witnesses), len(rain_um)), np.int32)
    for place in range(near.shape[1]):
        np.maximum(most, np.where(near[:, place, None], by_station[column[:, place]], 0), out=most)
    return np.asarray(np.where(most >= WET_UM, most, 0).T[:, of.reshape(neighbours.shape)])


def _hours(view: View, days: np.ndarray, before: int = 0) -> tuple[np.ndarray, np.ndarray]:
    """Return the hourly cells of these days [day, before + 24], and which of them the record still holds."""
    daily, hourly = view.record.daily, view.record.hourly
    cells = hourly.cells(daily.start + days * DAY + 1)[:, None] + np.arange(-before, 24)
    held = (cells >= 0) & (cells <= hourly.head)
    return np.where(held, cells, 0), held


def _drips_um(view: View, first: int, positions: np.ndarray) -> np.ndarray:
    """Return how much of a station's rain only drips out of it [um; day, station].

    Those are tips of hours in which, and in the DRIES_H before, no gauge near it had any: single ones, and up to
    DRIP_UM an hour in hours in a row.
    """
    hourly, daily = view.record.hourly, view.record.daily
    drips = np.zeros((daily.head + 1 - first, len(positions)), np.int64)
    day, row = np.nonzero(daily.rain[first : daily.head + 1, positions] > LONE_TIP_UM)
    if not len(day):
        return drips
    cells, held = _hours(view, first + day)
    station = positions[row]
    tips = np.where(held, hourly.rain[cells, station[:, None]], 0)
    goes_on = np.zeros(tips.shape, bool)
    goes_on[:, 1:] |= tips[:, :-1] > 0
    goes_on[:, :-1] |= tips[:, 1:] > 0
    small = (tips > 0) & (tips <= np.where(goes_on, DRIP_UM, LONE_TIP_UM))
    small &= hourly.covers[cells, station[:, None]] <= DRIES_H * HOUR
    which, hour = np.nonzero(small & (cells >= DRIES_H))
    cell = cells[which, hour]
    neighbours = view.stations.neighbours[station[which]]
    later, before = np.minimum(cell + 2, hourly.head + 1)[:, None], (cell - DRIES_H)[:, None]
    wet = hourly.running[later, neighbours] > hourly.running[before, neighbours]
    alone = ~(wet & _near(view, station[which])).any(axis=1)
    np.add.at(drips, (day[which], row[which]), np.where(alone, tips[which, hour], 0))
    return drips


def _hours_of_both(view: View, days: np.ndarray, stations: np.ndarray, witnesses: np.ndarray) -> np.ndarray:
    """Return the witness's rain of the hours of a day in which both delivered, old enough to be weighed [um]."""
    hourly = view.record.hourly
    cells, held = _hours(view, days, before=1)
    both = held & (hourly.known[cells, stations[:, None]] >= WHOLE_HOUR_S)
    both &= hourly.known[cells, witnesses[:, None]] >= WHOLE_HOUR_S
    both &= hourly.start + (cells + 1) * HOUR <= view.now - WEIGHED_AFTER_S
    rain, straddle = hourly.rain[cells, witnesses[:, None]], hourly.straddle[cells, witnesses[:, None]]
    # What straddles into an hour counts only if the hour before does.
    um = rain[:, 1:] - np.where(both[:, :-1], 0, straddle[:, :-1])
    return np.asarray(np.where(both[:, 1:], um, 0).sum(axis=1))


def _over_midnight(
    view: View, first: int, positions: np.ndarray, evidence: np.ndarray, witness: np.ndarray
) -> np.ndarray:
    """Say on which days the witness's rain came over from the day before [day, station]; true where it isn't known."""
    joined = np.ones(evidence.shape, bool)
    day, row = np.nonzero(evidence)
    hourly = view.record.hourly
    midnight = hourly.cells(view.record.daily.start + (first + day) * DAY + 1)
    known = midnight >= OVER_MIDNIGHT_H
    day, row, midnight = day[known], row[known], midnight[known]
    neighbour = view.stations.neighbours[positions[row], witness[day, row]]
    later = np.minimum(midnight + OVER_MIDNIGHT_H, hourly.head + 1)
    before = hourly.running[midnight, neighbour] > hourly.running[midnight - OVER_MIDNIGHT_H, neighbour]
    after = hourly.running[later, neighbour] > hourly.running[midnight, neighbour]
    long = view.record.daily.covers[first + day, neighbour] > OVER_MIDNIGHT_H * HOUR
    joined[day, row] = (before & after) | long
    return joined


def _frozen(
    view: View, settings: Settings, first: int, positions: np.ndarray, evidence: np.ndarray, witness: np.ndarray
) -> np.ndarray:
    """Say on which days the gauge could not see: too cold while the witness was wet, or not to be known [day, station].

    The coldest of the witness's wet hours decides; where hours are no longer held, the mean of the day.
    """
    frozen = np.zeros(evidence.shape, bool)
    day, row = np.nonzero(evidence)
    if not len(day):
        return frozen
    thermometer, warmer = thermometers(view, positions)
    hourly, daily = view.record.hourly, view.record.daily
    cells, held = _hours(view, first + day)
    neighbour = view.stations.neighbours[positions[row], witness[day, row]]
    column = thermometer[row]
    wet = held & (hourly.rain[cells, neighbour[:, None]] > 0)
    coldest = np.fmin.reduce(np.where(wet, _mean_c(hourly, cells, column[:, None]), np.nan), axis=1)
    day_c = _mean_c(daily, first + day, column)
    temperature = np.where(np.isnan(coldest), day_c, coldest) + warmer[row]
    unknown = np.isnan(temperature) | (column < 0)
    frozen[day, row] = temperature < FROZEN_C
    if unknown.any():
        frost = frost_months(view, first, positions, settings.frost_months)
        frozen[day[unknown], row[unknown]] = frost[day[unknown], row[unknown]]
    return frozen


def _dry_since(view: View, weighed: _Weighed) -> np.ndarray:
    """Return when each gauge's own last rain ended, to the hour where hours are held [s since 1970 UTC]."""
    daily, hourly = view.record.daily, view.record.hourly
    day = weighed.first + weighed.since
    cells, held = _hours(view, day)
    at = (cells, weighed.positions[:, None])
    tips = hourly.rain[at] + hourly.held[at]
    wet = held & (weighed.since >= 0)[:, None] & (tips > 0)
    last = 23 - np.argmax(wet[:, ::-1], axis=1)
    hour_end = hourly.start + (cells[np.arange(len(day)), last] + 1) * HOUR
    dry_since = np.where(wet.any(axis=1), hour_end, daily.start + (day + 1) * DAY)
    return np.asarray(np.maximum(dry_since, view.cleared_s(NAME)[weighed.positions]))


def _reasons(view: View, present: np.ndarray, blind: np.ndarray) -> np.ndarray:
    """Return why each gauge can't be judged, "" where it can."""
    daily, stations = view.record.daily, view.stations
    known = daily.running_known[daily.head + 1]
    heard = known > daily.running_known[max(daily.head - HEARD_DAYS, 0)]
    near = _near(view) & heard[stations.neighbours]
    # A witness needs another gauge near it besides the one in question.
    confirmed = near & (np.count_nonzero(near, axis=1) >= 2)[stations.neighbours]
    reason = np.full(len(stations), "", object)
    reason[~present & blind] = "frozen or thawing, here or about, or cold months without a thermometer: cannot see"
    reason[~present & ~confirmed.any(axis=1)] = "no gauge within 30 km that another one near it could confirm"
    reason[~present & ~near.any(axis=1)] = "no gauge within 30 km"
    reason[known == daily.running_known[max(daily.head - 1, 0)]] = "no rain readings, wet or dry, in the last day"
    reason[~view.in_service] = "out of service"
    return reason
