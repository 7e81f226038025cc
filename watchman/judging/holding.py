"""Which recent rain does not count, by the watch's own judgement: test tips nobody booked, melt, and a changed unit.

Such rain is held out of totals and out of heavy rain as a span beside the data; nothing is deleted, and somebody is
asked. A span once decided stays, and grows while its tips go on, until a person takes it back.

    test tips    20 to 200 tips within the working day (07 to 19 h standard time), at least three gauges within 30 km
                 heard and all dry from an hour before to an hour after, and either
                 even: three full readings in a row with the same number of tips, at least ten; once it is over, of at
                 least eight, or
                 short: over after at most two readings of 5 minutes, with nothing for half an hour on both sides, or
                 where rain at one gauge alone is very rare, the others dry for three hours before: two even readings
                 of at least eight, or three of 5 minutes with the middle one greatest
    melt         the gauge was under 0 degC for six of the last 36 hours, it is now over 0.5 degC and 3 K warmer than at
                 its coldest, between 9 and 18 h; smooth tips of at most 2 mm/h; at least two gauges within 30 km that
                 were not frozen are dry, and no such one is wet
    units        a reading that the gauge's own tips can't make, but can when a unit changed: see science/tips.py

How rare rain at one gauge alone is here, the last month says: how many gauges had an hour of ten tips or more while all
near them were dry from three hours before to an hour after, out of all that could be judged, with a prior of one in
five. Up to 0.15 of them somebody may be asked; up to 0.06 (none in a month at 12 gauges) tips may be held. Water that
people poured is among these hours, so for a question no more of them count than gauges had an hour of two to nine tips
alone: showers come small as often as large, poured water doesn't. (In three simulated seasons of showers with nobody
about, whenever 20 tips came to one gauge alone, 46 gauges in all had had a large one in the month before, and 66 a
small one.) For tips to be held all count.

A storm must never be held by mistake: rain that rises and falls is no test, what a running total shows after a gap is
no burst, and with neighbours wet nothing is held but a changed unit. In that simulation (5000 station-months of six
climates; their seeds judge nothing else) 128 honest showers of 20 tips came at one gauge alone in working hours, nearly
all where thunderstorms are common; eight of them had two even readings or three with the middle one greatest, none was
even for longer or over in two readings of 5 minutes. Of 15 minutes 30 were over in two, so that these are only asked
about. Real showers are rougher: of four bursts that 20 gauges side by side counted in nine months (Krueger et al.
2024), none was even, and one had its middle reading greatest in three at two gauges or more.

Where the numbers come from: 20 tips, working hours, six hours, 3 K, half an hour: judgement, no source. 2 mm/h: a
degree-day factor of 5 mm/degC/day at 10 degC (from memory). 30 km: as far as dry-among-wet believes a witness.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from watchman.judging import steps
from watchman.judging.science.bursts import even, groups, restlessness
from watchman.judging.view import View, aware
from watchman.model import TEMPERATURE, WATCH, Span
from watchman.readings.record import DAY, HOUR

TEST_TIPS, MELT, UNITS = "test tips", "melt", "units"
"""Why the watch holds rain back."""

LEAST_TIPS, MOST_TIPS = 20, 200
NEAR_KM = 30.0
WITNESSES = 3
STRAY_UM = 300
"""As much may a dry neighbour have had: a stray tip [um] (judgement, no source)."""
HEARD = 0.9
WORKING_HOURS = (7, 19)
AFTER_S, LONG_AFTER_S = HOUR, 3 * HOUR
PAUSE_S = HOUR // 2
RESTLESS, RESTLESS_MINUTES = 0.3, 60
"""Ups and downs, as a share of all tips, that rain rarely has within an hour. Of four real bursts of 20 tips and more
within an hour, at 20 gauges side by side, the highest medians were 0.26 and 0.17, and 10 of 70 counts reached 0.3."""
MONTH_H, ALONE_TIPS, FEW_TIPS = 31 * 24, 10, 2
ASKED_A_MONTH, HELD_A_MONTH, PRIOR_MONTHS = 0.15, 0.06, 5.0
"""Rain at one gauge alone is rare when so many gauges of all had an hour of it in a month, of half a test's tips and
more: to ask, and to hold (judgement, no source)."""
POURED_WITNESSES, MANY_WITNESSES = 4, 5
"""So many dry gauges near it are needed to say that water was poured, or that a long reading is a test (judgement, no
source)."""
LONGER = 1.5
"""A reading longer than usual by this covers a gap, its rain fell at any time of it (judgement, no source)."""
FINE_S, COARSE_S = 300, 900
LOOK_BACK_S = 4 * HOUR
USUAL_TIP_UM = 200
JOINS_S = HOUR
"""A span grows when its tips go on within this time (judgement, no source)."""

COLD_HOURS, COLD_WITHIN = 6, 36
WARMER_K, THAWING_C = 3.0, 0.5
MELTS_AT_MOST_UM = 2000
MELT_HOURS = (9, 18)
MELT_WITNESSES = 2


@dataclass(frozen=True, slots=True)
class Burst:
    """Tips at one gauge while all others near it were dry.

    begins, ends [s since 1970 UTC]; tips: by reading; reading_s: the readings' length; over: nothing followed for half
    an hour; sky_dry: the others were dry for three hours before; witnesses: how many of them were heard;
    witnesses_after: how many from three hours before to an hour after, 0 until that is over; rain_um: its rain [um];
    alone_a_month: how many gauges of all had such rain alone in a month [-], infinite when this one had; alone_at_most:
    the same when all of it was rain.
    """

    position: int
    begins: int
    ends: int
    tips: np.ndarray
    reading_s: int
    over: bool
    sky_dry: bool
    witnesses: int
    witnesses_after: int
    rain_um: int
    alone_a_month: float
    alone_at_most: float

    @property
    def minutes(self) -> float:
        """Return how long it has lasted [min]."""
        return (self.ends - self.begins) / 60

    @property
    def test(self) -> bool:
        """Say whether it is as even as a test's tips, or began and ended too abruptly for rain; readings over 15
        minutes, where rain comes to one gauge alone only rarely, can only be asked about.
        """
        if self.reading_s > COARSE_S:
            rare = self.alone_a_month <= ASKED_A_MONTH
            return len(self.tips) == 1 and self.tips.sum() <= MOST_TIPS and self.over and self.sky_dry and rare
        return self._made_by_hand(rare=self.alone_at_most <= HELD_A_MONTH)

    def _made_by_hand(self, *, rare: bool) -> bool:
        readings = len(self.tips)
        if self.tips.sum() > MOST_TIPS:
            return False
        alone = self.over and self.sky_dry and rare
        if even(self.tips, over=self.over) and (not self.over or readings > 4 or alone):
            return True
        if self.reading_s > FINE_S:
            return False
        return self.over and (readings <= 2 or (alone and readings == 3 and int(np.argmax(self.tips)) == 1))

    @property
    def unlike_rain(self) -> bool:
        """Say whether it went up and down as rain does not, or looks made by hand, as few honest showers do."""
        return restlessness(self.tips) >= RESTLESS or self._made_by_hand(rare=True)

    @property
    def poured(self) -> bool:
        """Say whether it came and went within an hour, out of a sky that was dry before and after, unlike rain, or
        where rain comes to one gauge alone only rarely.
        """
        if self.test or self.reading_s > COARSE_S or self.minutes > RESTLESS_MINUTES:
            return False
        if not (self.over and self.sky_dry):
            return False
        rare = self.alone_a_month <= ASKED_A_MONTH and self.witnesses_after >= WITNESSES
        return rare or (self.unlike_rain and self.witnesses_after >= POURED_WITNESSES)


def decided(view: View, taken_back: Sequence[Span]) -> list[Span]:
    """Return the spans that hold from now on: new ones, and grown ones with the number of the one they replace.

    taken_back: the watch's own that a person withdrew, or that were replaced; what they held is not held again.
    """
    found = [*_tests(view), *_melting(view), *_in_other_units(view)]
    spans = (_span(view, reason, *stretch, taken_back) for reason, stretch in found)
    return [span for span in spans if span is not None]


def _span(view: View, reason: str, position: int, begins: int, ends: int, taken_back: Sequence[Span]) -> Span | None:
    """Return a stretch as a span: grown from the one that holds there, new, or None when nothing changes."""
    station, now = view.stations.ids[position], aware(view.now)
    begins_at, ends_at = aware(begins), aware(ends)

    def meets(span: Span) -> bool:
        joins = (begins_at - span.ends_at).total_seconds() <= JOINS_S and span.begins_at < ends_at
        return span.station == station and span.reason == reason and joins

    standing = next((span for span in view.held_back if meets(span)), None)
    if standing is not None:
        return replace(standing, ends_at=ends_at, decided_at=now) if ends_at > standing.ends_at else None
    if any(meets(span) for span in taken_back):
        return None
    return Span(0, station, begins_at, ends_at, reason, WATCH, now)


def _tests(view: View) -> Iterator[tuple[str, tuple[int, int, int]]]:
    for burst in lone_bursts(view, LOOK_BACK_S):
        if burst.test and burst.reading_s <= COARSE_S:
            yield TEST_TIPS, (burst.position, burst.begins, burst.ends)


def lone_bursts(view: View, look_back_s: int, only: int | None = None) -> list[Burst]:
    """Return bursts of at least 20 tips in working hours, of gauges in service (or only one), beside dry neighbours,
    that ended within a time.
    """
    record = view.record
    hourly = record.hourly
    first = max(hourly.cell(view.now - look_back_s - HOUR), 1)
    tip_um = steps.tip_or(view, USUAL_TIP_UM)
    rain = hourly.rain[first : hourly.head + 1] + hourly.held[first : hourly.head + 1]
    much = np.flatnonzero((rain.sum(axis=0) >= LEAST_TIPS * tip_um) & view.in_service)
    if only is not None:
        much = much[much == only]
    if not len(much):
        return []
    hour, column = np.nonzero(2 * rain[:, much] >= (LEAST_TIPS // 2) * tip_um[much])
    position, hour = much[column], hour + first
    near = near_enough(view, position)
    around = hourly.running[np.minimum(hour + 2, hourly.head + 1)[:, None], view.stations.neighbours[position]]
    around = around - hourly.running[(hour - 1)[:, None], view.stations.neighbours[position]]
    quiet = ((around <= STRAY_UM) | ~near).all(axis=1) & (near.sum(axis=1) >= WITNESSES)
    if not quiet.any():
        return []
    alone = _Alone.lately(view)
    bursts = (_bursts_of(view, int(one), int(tip_um[one]), look_back_s, alone) for one in np.unique(position[quiet]))
    return [burst for several in bursts for burst in several]


@dataclass(frozen=True, slots=True)
class _Alone:
    """Hours of the last month in which a gauge had rain while all near it were dry: their ends [s since 1970 UTC] and
    gauges, those with a shower's rain (storms) and those with a few tips only (drops); months: over how many months of
    a gauge that could be seen [-].
    """

    storms: tuple[np.ndarray, np.ndarray]
    drops: tuple[np.ndarray, np.ndarray]
    months: float

    @staticmethod
    def lately(view: View) -> _Alone:
        """Return what the record's hours show; what is held is no rain."""
        hourly = view.record.hourly
        judged = view.in_service & (near_enough(view, np.arange(len(view.stations))).sum(axis=1) >= WITNESSES)
        begin = max(hourly.head - MONTH_H, 0)
        known_s = hourly.running_known[hourly.head + 1] - hourly.running_known[begin]
        tip_um = steps.tip_or(view, USUAL_TIP_UM)
        few_um, much_um = FEW_TIPS * tip_um, ALONE_TIPS * tip_um
        most_um = np.full_like(tip_um, np.iinfo(np.int64).max)
        hour, position, _um = lone_hours(view, np.flatnonzero(judged), few_um, most_um, MONTH_H, (3, 1))
        storm = hourly.rain[hour, position] >= much_um[position]
        # The first and the last hour of a storm, or of what was poured, may hold few tips of it.
        beside = np.maximum(hourly.rain[hour - 1, position], hourly.rain[hour + 1, position])
        drops = ~storm & (beside < few_um[position])
        ends = hourly.start + (hour + 1) * HOUR
        months = float(known_s[judged].sum()) / (MONTH_H * HOUR)
        return _Alone((ends[storm], position[storm]), (ends[drops], position[drops]), months)

    def a_month(self, position: int, before: int, *, certain: bool) -> float:
        """Return how many gauges of all had such rain in a month, as is known before a moment [s since 1970 UTC]: the
        mean of the rate's posterior, with a prior of one in five months; infinite when this gauge had.

        certain: people's water may be among it, and counts as rain all the same.
        """
        storms, drops = (np.unique(where[ends <= before]) for ends, where in (self.storms, self.drops))
        if position in storms and (certain or position in drops):
            return np.inf
        gauges = len(storms) if certain else min(len(storms), len(drops))
        return (gauges + 1) / (self.months + PRIOR_MONTHS)


def lone_hours(
    view: View, positions: np.ndarray, least_um: np.ndarray, most_um: np.ndarray, hours: int, dry_h: tuple[int, int]
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the latest hours with rain in a range at a gauge while those near it were dry for so many hours before and
    after, a tip at a quarter of them aside: cells, positions, rain [um].
    """
    hourly, (before_h, after_h) = view.record.hourly, dry_h
    begin = max(hourly.head - hours, before_h)
    rain = hourly.rain[begin : hourly.head - after_h][:, positions]
    hour, column = np.nonzero((rain >= least_um[positions]) & (rain <= most_um[positions]))
    um, hour, position = rain[hour, column], hour + begin, positions[column]
    # A look at the nearest gauge alone is done with most of them.
    nearest = view.stations.neighbours[position, 0]
    first, last = hour - before_h, hour + after_h + 1
    likely = (nearest >= 0) & (hourly.running[last, nearest] - hourly.running[first, nearest] <= STRAY_UM)
    hour, position, um, first, last = (one[likely] for one in (hour, position, um, first, last))
    near = near_enough(view, position)
    others = view.stations.neighbours[position]
    known = hourly.running_known[last[:, None], others] - hourly.running_known[first[:, None], others]
    near &= known >= HEARD * (before_h + after_h + 1) * HOUR
    beside = np.where(near, hourly.running[last[:, None], others] - hourly.running[first[:, None], others], 0)
    # Of many gauges some have dew, or stray tips of their own.
    heard, wet = near.sum(axis=1), np.count_nonzero(beside, axis=1)
    dry = (beside <= STRAY_UM).all(axis=1) & (wet <= np.maximum(1, heard // 4))
    lone = dry & (heard >= WITNESSES) & view.in_service[position]
    return hour[lone], position[lone], um[lone]


def near_enough(view: View, positions: np.ndarray) -> np.ndarray:
    """Say which neighbours of some stations are in service and within 30 km [station, neighbour]."""
    neighbours = view.stations.neighbours[positions]
    return np.asarray(
        (neighbours >= 0) & (view.stations.neighbours_km[positions] <= NEAR_KM) & view.in_service[neighbours]
    )


def readings_of(view: View, position: int, seconds: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, int]:
    """Return a gauge's latest readings: their ends [s], rain and what of it is held [um], and their length [s].

    Readings shorter than a cell are taken by the cell; a missing one is -1.
    """
    grid = view.record.fine
    width = max(round(int(view.record.covers_s[position]) / grid.step), 1)
    last = min(grid.cell(int(view.record.last_rain_at[position])), grid.head)
    count = min(seconds // (width * grid.step), (last + 1) // width)
    begin = last + 1 - count * width
    if count <= 0:
        return np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0, np.int64), width * grid.step

    def summed(array: np.ndarray) -> np.ndarray:
        return np.asarray(array[begin : last + 1, position].reshape(count, width).sum(axis=1, dtype=np.int64))

    held = summed(grid.held)
    whole = summed(grid.known) + np.where(held > 0, width * grid.step, 0) >= HEARD * width * grid.step
    ends = grid.end_of(begin - 1) + width * grid.step * np.arange(1, count + 1)
    return ends, np.where(whole, summed(grid.rain) + held, -1), held, width * grid.step


def _bursts_of(view: View, position: int, tip_um: int, look_back_s: int, alone: _Alone) -> Iterator[Burst]:
    ends, um, held, length = readings_of(view, position, look_back_s + 4 * HOUR)
    um = np.where(_over_gaps(view, position, tip_um, ends, length), -1, um)
    gap = max(PAUSE_S // length, 1)
    for first, last in groups(um > 0, gap):
        counted = np.rint(um[first : last + 1] / tip_um).astype(np.int64)
        begins, ended = int(ends[first]) - length, int(ends[last])
        hour = (begins + view.stations.utc_offset_s) % DAY / HOUR
        complete = first >= gap and (um[first - gap : last + 1 + gap] >= 0).all()
        if ended < view.now - look_back_s or counted.sum() < LEAST_TIPS or not complete:
            continue
        if not WORKING_HOURS[0] <= hour < WORKING_HOURS[1] or _visited(view, position, begins, ended, held[first:last]):
            continue
        witnesses, dry = witnessed(view, position, begins - AFTER_S, ended + AFTER_S)
        before, after = begins - LONG_AFTER_S, ended + AFTER_S
        _many, sky_dry = witnessed(view, position, before, after)
        to_the_end, _dry = witnessed(view, position, before, after, unheard_s=0) if view.now >= after else (0, False)
        if dry and witnesses >= WITNESSES:
            yield Burst(
                position=position,
                begins=begins,
                ends=ended,
                tips=counted,
                reading_s=length,
                over=last + gap < len(um),
                sky_dry=sky_dry,
                witnesses=witnesses,
                witnesses_after=to_the_end,
                rain_um=int(um[first : last + 1].sum()),
                alone_a_month=alone.a_month(position, begins, certain=False),
                alone_at_most=alone.a_month(position, begins, certain=True),
            )


def _over_gaps(view: View, position: int, tip_um: int, ends: np.ndarray, length: int) -> np.ndarray:
    """Say which readings lie in one longer than usual with more than a tip: a running total's first after a gap, whose
    rise fell at any time of the gap.

    ends: of the readings [s]; length: their usual one [s].
    """
    grid = view.record.fine
    inside = np.zeros(len(ends), bool)
    if not len(ends):
        return inside
    first, last = grid.cell(int(ends[0]) - length + 1), grid.cell(int(ends[-1]))
    covers, rain, held = (one[first : last + 1, position] for one in (grid.covers, grid.rain, grid.held))
    long = covers > LONGER * max(length, int(view.record.covers_s[position]))
    for cell in np.flatnonzero(long & (rain + held > tip_um)).tolist():
        end = grid.end_of(first + cell)
        inside |= (ends > end - covers[cell]) & (ends - length < end)
    return inside


def _visited(view: View, position: int, begins: int, ends: int, held: np.ndarray) -> bool:
    """Say whether somebody's visit holds these tips already."""
    if not held.any():
        return False
    station, begins_at, ends_at = view.stations.ids[position], aware(begins), aware(ends)
    own = (one for one in view.held_back if one.station == station)
    return not any(one.begins_at < ends_at and begins_at < one.ends_at for one in own)


def witnessed(view: View, position: int, begin: int, end: int, *, unheard_s: int = AFTER_S) -> tuple[int, bool]:
    """Return how many neighbours within 30 km were heard in a stretch, and whether all of them were dry as far as it
    is over; a stray tip at one of them is nothing.

    unheard_s: what the others will say of its end need not be waited for [s].
    """
    grid = view.record.fine
    first, last = max(grid.cell(begin + 1), 0), min(grid.cell(end), grid.head)
    near = view.stations.neighbours[position][near_enough(view, np.array([position]))[0]]
    # A gauge that was never heard, or not for days, was last heard before the grid begins.
    heard_to = np.clip(grid.cells(view.record.last_rain_at[near]), first - 1, last)
    known = grid.running_known[heard_to + 1, near] - grid.running_known[first, near]
    needed = max(min(end, view.now) - unheard_s - begin, AFTER_S)
    near = near[known >= HEARD * needed]
    um = grid.running[last + 1, near] - grid.running[first, near]
    return len(near), bool((um <= STRAY_UM).all() and np.count_nonzero(um) <= 1)


def _melting(view: View) -> Iterator[tuple[str, tuple[int, int, int]]]:
    """Yield the thaw at gauges that froze: smooth tips by day while gauges that did not freeze are dry."""
    record, hourly = view.record, view.record.hourly
    local = (view.now + view.stations.utc_offset_s) % DAY / HOUR
    if not MELT_HOURS[0] <= local < MELT_HOURS[1]:
        return
    head = hourly.head
    rain = hourly.rain[head - 1 : head + 1] + hourly.held[head - 1 : head + 1]
    wet = np.flatnonzero((rain.sum(axis=0) > 0) & view.in_service)
    if not len(wet):
        return
    hours = slice(max(head - COLD_WITHIN, 0), head + 1)
    for position in wet[_thaws(hourly.mean(TEMPERATURE, hours.start, head)[:, wet])]:
        near = view.stations.neighbours[position][near_enough(view, np.array([position]))[0]]
        chilled = hourly.mean(TEMPERATURE, hours.start, head)[:, near]
        warm = near[np.count_nonzero(chilled < 0, axis=0) == 0]
        warm = warm[record.last_rain_at[warm] > view.now - 2 * HOUR]
        around = hourly.sum(head - 2, head)
        if len(warm) < MELT_WITNESSES or (around[warm] > 0).any():
            continue
        hour_end = hourly.end_of(head)
        own = rain[:, position]
        if own.max() <= MELTS_AT_MOST_UM and _smooth(view, int(position)):
            yield MELT, (int(position), hour_end - 2 * HOUR if own[0] else hour_end - HOUR, hour_end)


def _thaws(degrees: np.ndarray) -> np.ndarray:
    """Say which gauges were frozen and are not any more, from hourly temperatures to now [degC; hour, station]."""
    known = ~np.isnan(degrees)
    newest = np.where(known[-1], degrees[-1], degrees[-2])
    coldest = np.fmin.reduce(degrees, axis=0)
    cold = np.count_nonzero(degrees < 0, axis=0) >= COLD_HOURS
    return np.asarray(cold & (newest > THAWING_C) & (newest >= coldest + WARMER_K))


def _smooth(view: View, position: int) -> bool:
    """Say whether the tips of the last two hours never came fast: at most 2 mm/h over any reading, one tip aside."""
    _ends, um, _held, length = readings_of(view, position, 2 * HOUR)
    tip_um = int(steps.tip_or(view, USUAL_TIP_UM)[position])
    return bool(len(um) and um.max() <= max(MELTS_AT_MOST_UM * length // HOUR, tip_um))


def _in_other_units(view: View) -> Iterator[tuple[str, tuple[int, int, int]]]:
    """Yield what gauges read since their unit changed, a day ahead, so that the span need not grow with each tip."""
    for change in steps.changed_units(view):
        tomorrow = (view.now // HOUR + 24) * HOUR
        standing = (one for one in view.held_back if one.station == view.stations.ids[change.position])
        if not any(one.reason == UNITS and one.ends_at > aware(view.now + HOUR) for one in standing):
            yield UNITS, (change.position, change.since, tomorrow)
