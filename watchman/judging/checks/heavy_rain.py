"""How much rain, in how long: which depth-in-duration limits are reached?

For each limit (a depth [mm] in a duration) the rain of every stretch of that duration ending within the last hour is
compared with the depth, for all stations at once. Stretches slide in steps of the record's cell (5 minutes by default).
A reading that covers more than a cell is only counted where it lies wholly inside the stretch, which gives the least
rain that must have fallen; counting also what may have fallen inside gives the most:

    least = sum of the readings wholly inside      most = least + readings partly inside

    present        when least >= depth, however much is missing
    absent         when most < depth and no second of the stretch is missing
    undetermined   otherwise

A stretch longer than an hour may still hold last night's rain. It is news only when it ends with rain and either
reached the depth within the last hour (having been under four fifths of it since it last was), or that hour alone
brought its share, depth / duration [mm/h]: a trickle next morning on top of last night's 50 mm is not heavy rain.

A reading longer than the duration still proves something: 45 mm in an hour must have brought at least 45/4 mm in some
quarter of it (the mean of its parts can't exceed the greatest part). Sums are whole micrometres, so 6.0 mm is 6.0 mm.

Three other ways to say a limit stand for depths in durations too:

    a return period      the depth of that return period in each duration of the network's own depth-duration-frequency
                         table that lies between a cell and 72 hours
    an intensity line    I = c + a D^-b [mm/h, D in hours] over a stated range of D, as lines for landslides are
                         published; it is crossed where D * I(D) is reached in a duration D. Durations are tried at most
                         a twelfth apart, which can miss a crossing by no more than some 5 % of the depth
    rain before          P_days + factor * P_before >= depth, where P_before is the rain of the days before P_days:
                         in whole hours, the last days never longer than said

Where the numbers come from: the limits are whatever the rule file says; there is no limit that is right everywhere, so
ask the authority that is responsible for floods or landslides. Global lines (Caine 1980: I = 14.82 D^-0.39) are lower
bounds of what has ever set off a slide, with poor local skill. The hour after which rain is history, not news, is
common practice, no source. Back-filled rain older than that is left to the digest.

At a station out of service (a visit) or on probation tips that don't count as rain are read all the same, and told only
if a gauge in service near it is wet too: a storm does not wait for the visitor to leave.

What it cannot see: rain between the stations, snow, rain in a clogged or overflowing gauge, and bursts inside a reading
that covers an hour. A tipping bucket reads low at high rates (science/rain.py); readings are never corrected for it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated, Any

import numpy as np
from pydantic import Field, model_validator

from watchman.judging.science import frequency
from watchman.judging.science.frequency import FrequencyTable
from watchman.judging.view import Findings, View, rfc3339
from watchman.model import Severity, Verdict
from watchman.readings.record import DAY, HOUR, Grid
from watchman.written import Written

NAME = "heavy-rain"
INCH_MM = 25.4
LONGEST_S = 72 * HOUR
"""The longest stretch looked at in fine cells [s]."""
DEADBAND = 0.8
"""A long limit counts as reached anew only after its sum was under this share of the depth (decided here, no
source).
"""
WORTH_SAYING = 1 / 3
"""Depths in other durations are named from this share of their lowest limit on (decided here, no source)."""
NAMED_S = frozenset(round(60 * minutes) for minutes in (15, 30, 60, 180, 360, 720, 1440, 2880, 4320))
"""Durations that people speak of: of a table's or a line's many, only these are named beside the one reached [s]."""
TWELFTH = 13 / 12
"""The step between the durations at which an intensity line is tried (decided here)."""
BLIND = "no reading of the last hour has arrived"


class IntensityLine(Written):
    """A line of mean intensity over duration, I = c + a D^-b, with D in hours and I in mm/h."""

    a: Annotated[float, Field(gt=0, le=1000)]
    """[mm/h at D = 1 h]."""
    b: Annotated[float, Field(ge=0, le=3)]
    """The exponent, as a positive number."""
    c: Annotated[float, Field(ge=0, le=100)] = 0.0
    """[mm/h], 0 for most lines."""
    from_hours: Annotated[float, Field(gt=0, le=72)]
    """The shortest duration for which the line was found [h]."""
    to_hours: Annotated[float, Field(gt=0, le=72)]
    """The longest, 72 at most [h]."""

    @model_validator(mode="after")
    def _range(self) -> IntensityLine:
        if self.from_hours > self.to_hours:
            raise ValueError("write the shorter duration first, for example from_hours = 1 and to_hours = 48")
        return self

    def depth_mm(self, hours: float) -> float:
        """Return the depth that a duration [h] needs [mm]."""
        return hours * (self.c + self.a * float(hours**-self.b))


class RainBefore(Written):
    """Rain of the last days, and of the days before those by a factor."""

    days: Annotated[float, Field(gt=0, le=5)]
    """The last days [d]."""
    before_days: Annotated[float, Field(gt=0, le=20)]
    """The days before those [d]."""
    factor: Annotated[float, Field(gt=0, le=10)]
    """How much a millimetre of the days before counts."""

    @property
    def seconds(self) -> int:
        """Return how long the last days are, in whole hours [s]."""
        return max(round(self.days * 24), 1) * HOUR


class Limit(Written):
    """A depth in a duration, or another way to say one, and how much it matters."""

    depth_mm: Annotated[float, Field(gt=0, le=2000)] | None = None
    """Depth [mm]; write this or depth_inches."""
    depth_inches: Annotated[float, Field(gt=0, le=80)] | None = None
    """Depth [inch]."""
    minutes: Annotated[float, Field(ge=5, le=4320)] | None = None
    """Duration [min]; write this or hours."""
    hours: Annotated[float, Field(gt=0, le=72)] | None = None
    """Duration [h]."""
    return_period_years: Annotated[float, Field(ge=1, le=1000)] | None = None
    """Instead: a return period in any duration of the network's depth-duration-frequency table, up to 72 h [a]."""
    intensity_duration: IntensityLine | None = None
    """Instead: a line I = c + a D^-b, for instance the one found for your slopes."""
    rain_before: RainBefore | None = None
    """Instead of a duration: the depth is reached by rain of the last days plus a share of the days before."""
    severity: Severity = Field(Severity.MODERATE, strict=False)
    """minor, moderate, severe or extreme."""

    @model_validator(mode="after")
    def _one_of_each(self) -> Limit:
        depth = self.depth_mm is not None or self.depth_inches is not None
        duration = self.minutes is not None or self.hours is not None
        alone = [self.return_period_years is not None, self.intensity_duration is not None]
        if sum(alone) > 1 or (any(alone) and (depth or duration or self.rain_before)):
            raise ValueError("a return period or an intensity line stands alone, with its severity")
        if any(alone):
            return self
        if (self.depth_mm is None) == (self.depth_inches is None):
            raise ValueError("write either depth_mm or depth_inches, for example depth_mm = 6")
        if self.rain_before and duration:
            raise ValueError("rain_before has durations of its own: take minutes or hours out")
        if not self.rain_before and (self.minutes is None) == (self.hours is None):
            raise ValueError("write either minutes or hours, for example minutes = 15")
        return self

    @property
    def depth_um(self) -> int:
        """Return the depth [um]."""
        millimetres = self.depth_mm if self.depth_mm is not None else (self.depth_inches or 0.0) * INCH_MM
        return round(millimetres * 1000)

    @property
    def seconds(self) -> int:
        """Return the duration, or the longest one it looks at in fine cells [s]."""
        if self.return_period_years is not None:
            return LONGEST_S
        if self.intensity_duration is not None:
            return round(self.intensity_duration.to_hours * HOUR)
        if self.rain_before is not None:
            return HOUR
        return round((self.minutes if self.minutes is not None else (self.hours or 0.0) * 60) * 60)


class Settings(Written):
    """How heavy-rain is set."""

    limits: tuple[Limit, ...] = Field(
        (
            Limit(depth_mm=6, minutes=15),
            Limit(depth_mm=12, minutes=15, severity=Severity.SEVERE),
            Limit(depth_mm=25, minutes=60, severity=Severity.SEVERE),
        ),
        min_length=1,
        strict=False,
    )
    """Any number of limits."""
    fresh_minutes: Annotated[float, Field(ge=15, le=720)] = 60.0
    """Rain older than this is history: it goes to the digest, and nobody is woken for it [min]."""
    dry_minutes: Annotated[float, Field(ge=30, le=1440)] = 60.0
    """A storm is over when none of its gauges had a millimetre in so long a time [min]."""


@dataclass(frozen=True, slots=True)
class Threshold:
    """A depth in a duration that a limit stands for. place: the limit's own in the settings."""

    depth_um: int
    seconds: int
    severity: Severity
    place: int


def thresholds(settings: Settings, table: FrequencyTable | None, step: int) -> list[Threshold]:
    """Return the depths in durations that the limits stand for, the least severe first; step: a cell [s]."""
    found = [
        Threshold(depth_um, seconds, limit.severity, place)
        for place, limit in enumerate(settings.limits)
        for depth_um, seconds in _depths_of(limit, table, step)
    ]
    return sorted(found, key=lambda one: one.severity.rank)


def _depths_of(limit: Limit, table: FrequencyTable | None, step: int) -> Iterator[tuple[int, int]]:
    line, years = limit.intensity_duration, limit.return_period_years
    if line is not None:
        for seconds in _ladder(round(line.from_hours * HOUR), round(line.to_hours * HOUR), step):
            yield round(1000 * line.depth_mm(seconds / HOUR)), seconds
    elif years is not None:
        for minutes in durations_of(table, step):
            depth_mm = frequency.depth_of(table, years, minutes) if table else None
            if depth_mm is not None:
                yield round(1000 * depth_mm), round(60 * minutes)
    elif limit.rain_before is None:
        yield limit.depth_um, limit.seconds


def durations_of(table: FrequencyTable | None, step: int) -> list[float]:
    """Return the durations of a table that fine cells can hold [min]."""
    return [minutes for minutes in table.minutes if step <= 60 * minutes <= LONGEST_S] if table else []


def _ladder(first: int, last: int, step: int) -> Iterator[int]:
    """Yield durations in whole cells from one to another, at most a twelfth or one cell apart [s]."""
    seconds = max(-(-first // step) * step, step)
    while seconds <= last:
        yield seconds
        seconds = max(int(seconds * TWELFTH) // step * step, seconds + step)


class _Reached:
    """What the limits say of each station, the most severe first, of equals the one that is passed by most."""

    def __init__(self, stations: int) -> None:
        self.verdict = np.full(stations, Verdict.ABSENT, np.int8)
        self.severity, self.crossed = np.full(stations, -1, np.int8), np.full(stations, -1, np.int8)
        self.ratio = np.zeros(stations)
        self.since, self.depth_um, self.seconds, self.ended_at, self.place = (
            np.zeros(stations, np.int64) for _ in range(5)
        )

    def possible(self, columns: np.ndarray) -> None:
        """Note the stations at which a limit may have been reached."""
        self.verdict[columns[self.verdict[columns] == Verdict.ABSENT]] = Verdict.UNDETERMINED

    def present(
        self,
        one: Threshold,
        columns: np.ndarray,
        depth_um: np.ndarray,
        began: np.ndarray,
        ended_at: np.ndarray,
        crossed: np.ndarray,
        passed: np.ndarray,
    ) -> None:
        """Note the stations at which a limit is reached; passed: how many times its depth."""
        self.verdict[columns] = Verdict.PRESENT
        before = self.since[columns]
        self.since[columns] = np.where(before == 0, began, np.minimum(before, began))
        anew = columns[crossed]
        self.crossed[anew] = np.maximum(self.crossed[anew], one.severity.rank)
        rank = one.severity.rank
        best = (self.severity[columns] < rank) | ((self.severity[columns] == rank) & (passed > self.ratio[columns]))
        columns = columns[best]
        self.severity[columns], self.ratio[columns] = rank, passed[best]
        self.depth_um[columns], self.ended_at[columns] = depth_um[best], ended_at[best]
        self.seconds[columns], self.place[columns] = one.seconds, one.place


def judge(view: View, settings: Settings) -> Findings:
    """Return, for each station, the most severe limit that rain of the last hour reaches.

    Levels are the severities' ranks + 1; numbers: depth_um and seconds of the limit reached, ended_at, place of the
    limit in the settings; crossed: the level that was reached within the last hour, and does not merely go on.
    """
    grid = _with_what_fell_during_visits(view)
    ends = _fresh(view, settings)
    reached = _Reached(len(view.stations))
    delivered = ends[:, None] <= grid.cells(view.record.last_rain_at)
    quiet = (grid.rain[ends] == 0) & (grid.straddle[ends] == 0) & (grid.known[ends] >= grid.step)
    # Most stations are dry most of the time, and then no limit can be reached.
    busy = np.flatnonzero((delivered & ~quiet).any(axis=0))
    if len(busy):
        _judge_depths(view, grid, ends, settings, busy, (delivered & ~quiet)[:, busy], reached)
        for place, limit in enumerate(settings.limits):
            if limit.rain_before is not None:
                one = Threshold(limit.depth_um, limit.rain_before.seconds, limit.severity, place)
                _judge_rain_before(view, grid, ends, one, limit.rain_before, busy, reached)
    verdict = reached.verdict
    blind = ~delivered.any(axis=0)
    verdict[blind] = Verdict.UNDETERMINED
    reason = np.full(len(verdict), "", object)
    reason[verdict == Verdict.UNDETERMINED] = "readings are missing, or cover too long a time for this limit"
    reason[blind] = BLIND
    present = verdict == Verdict.PRESENT
    return Findings.of(
        verdict,
        since=reached.since,
        severity=reached.severity,
        level=np.where(present, reached.severity + 1, 0).astype(np.int16),
        numbers={
            "depth_um": reached.depth_um,
            "seconds": reached.seconds,
            "ended_at": reached.ended_at,
            "place": reached.place,
            "crossed": np.where(present, reached.crossed + 1, 0).astype(np.int16),
        },
        reason=reason,
    )


def _judge_depths(
    view: View,
    grid: Grid,
    ends: np.ndarray,
    settings: Settings,
    busy: np.ndarray,
    opened: np.ndarray,
    reached: _Reached,
) -> None:
    """Compare the sums of all durations with their depths at stations that are not plainly dry.

    opened: the ends that have arrived and were not plainly dry [ends, busy].
    """
    by_duration: dict[int, list[Threshold]] = {}
    for one in thresholds(settings, view.frequency, grid.step):
        by_duration.setdefault(one.seconds, []).append(one)
    newest = view.record.last_rain_at[busy]
    upto = np.minimum(grid.cells(newest), ends[-1])
    straddles = grid.straddle[np.ix_(ends, busy)].max(axis=0)
    # The longest first: what is missing is most likely missing there, and need be found only once.
    for seconds, group in sorted(by_duration.items(), key=lambda one: -one[0]):
        # Where all that fell in all these stretches together is less than the depth, no sliding is needed.
        first = int(ends[0]) + 1 - max(seconds // grid.step, 1)
        begin = max(first, 0)
        most_at_all = grid.running[ends[-1] + 1, busy] - grid.running[begin, busy] + straddles
        known = grid.running_known[upto + 1, busy] - grid.running_known[begin, busy]
        missing = (known < (upto + 1 - begin) * grid.step) | (first < 0)
        missing &= reached.verdict[busy] == Verdict.ABSENT
        near = np.flatnonzero((most_at_all >= min(one.depth_um for one in group)) | missing)
        if len(near):
            _slide(grid, ends, seconds, group, busy[near], opened[:, near], newest[near], reached)


def _slide(
    grid: Grid,
    ends: np.ndarray,
    seconds: int,
    group: list[Threshold],
    columns: np.ndarray,
    opened: np.ndarray,
    newest: np.ndarray,
    reached: _Reached,
) -> None:
    """Compare the sums of one duration with its depths. newest: when the latest readings ended [s, columns]."""
    least, most, complete = depths(grid, ends, seconds, columns)
    wet = grid.rain[np.ix_(ends, columns)] > 0
    for one in group:
        news, crossed = _is_news(grid, ends, one, least, columns)
        hits = (least >= one.depth_um) & wet & news
        reached.possible(columns[(opened & news & ((most >= one.depth_um) | ~complete)).any(axis=0)])
        chosen = np.flatnonzero(hits.any(axis=0))
        if not len(chosen):
            continue
        best = np.argmax(np.where(hits, least, -1), axis=0)[chosen]
        first = np.argmax(hits, axis=0)[chosen]
        depth_um = least[best, chosen]
        reached.present(
            one,
            columns[chosen],
            depth_um,
            # A cell may end a little after the reading that lies in it.
            np.minimum(grid.start + (ends[first] + 1) * grid.step, newest[chosen]),
            np.minimum(grid.start + (ends[best] + 1) * grid.step, newest[chosen]),
            crossed[chosen],
            depth_um / one.depth_um,
        )


def _judge_rain_before(
    view: View,
    grid: Grid,
    ends: np.ndarray,
    one: Threshold,
    before: RainBefore,
    busy: np.ndarray,
    reached: _Reached,
) -> None:
    """Compare the rain of the last days, and a share of the days before, with its depth: in whole hours."""
    hourly = view.record.hourly
    now = np.array([hourly.head])
    least, most, complete = (found[0] for found in _weighted(view, before, now, busy))
    wet = (grid.rain[np.ix_(ends, busy)] > 0).any(axis=0)
    reached.possible(busy[wet & (least < one.depth_um) & ((most >= one.depth_um) | ~complete)])
    hits = np.flatnonzero(wet & (least >= one.depth_um))
    if not len(hits):
        return
    columns = busy[hits]
    last_hour, _most, _complete = depths(grid, ends, HOUR, columns)
    rains_on = (last_hour * one.seconds >= one.depth_um * HOUR).any(axis=0)
    earlier = np.arange(hourly.head - 1 - one.seconds // HOUR, hourly.head - 1)
    then, _most, _complete = _weighted(view, before, earlier, columns)
    crossed = _crossed(then, one.depth_um)
    news = np.flatnonzero(rains_on | crossed)
    newest = view.record.last_rain_at[columns[news]]
    last_days, _most, _complete = depths(hourly, now, one.seconds, columns[news])
    passed = least[hits[news]] / one.depth_um
    reached.present(one, columns[news], last_days[0], newest, newest, crossed[news], passed)


def _weighted(
    view: View, before: RainBefore, ends: np.ndarray, columns: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the least and the most of P_days + factor * P_before [um], and whether nothing is missing, at hours."""
    hourly = view.record.hourly
    last = depths(hourly, ends, before.seconds, columns, view.record.last_rain_at)
    earlier = depths(hourly, ends - before.seconds // HOUR, round(before.before_days * DAY), columns)
    least, most = (
        days + np.round(before.factor * rest).astype(np.int64) for days, rest in zip(last[:2], earlier[:2], strict=True)
    )
    return least, most, last[2] & earlier[2]


def _with_what_fell_during_visits(view: View) -> Grid:
    """Return the fine grid, for stations out of service with the tips that don't count: a storm may be among them.

    Whether such rain is told is for causes to say, from what the gauges in service have. What the watch itself has held
    back stays so.
    """
    away = np.flatnonzero(~view.in_service)
    if not len(away):
        return view.record.fine
    places = {view.stations.ids[position]: int(position) for position in away}
    kept_back = [
        (places[span.station], int(span.begins_at.timestamp()), int(span.ends_at.timestamp()))
        for span in view.held_back
        if span.station in places
    ]
    return view.record.fine.with_held(away, kept_back)


def _is_news(
    grid: Grid, ends: np.ndarray, one: Threshold, least: np.ndarray, columns: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Say of each stretch longer than an hour whether it is more than last night's rain [ends, columns], and at which
    stations its depth was reached only now [columns].
    """
    news, crossed = np.ones(least.shape, bool), np.ones(len(columns), bool)
    chosen = np.flatnonzero((least >= one.depth_um).any(axis=0)) if one.seconds > HOUR else np.empty(0, np.int64)
    if len(chosen):
        last_hour, _most, _complete = depths(grid, ends, HOUR, columns[chosen])
        rains_on = last_hour * one.seconds >= one.depth_um * HOUR
        before = np.arange(max(ends[0] - one.seconds // grid.step, 0), ends[0])
        then, _most, _complete = depths(grid, before, one.seconds, columns[chosen])
        crossed[chosen] = _crossed(then, one.depth_um)
        news[:, chosen] = rains_on | crossed[chosen]
    return news, crossed


def _crossed(then: np.ndarray, depth_um: int) -> np.ndarray:
    """Say whether a depth that is reached now was not since the sums before were last under the deadband [um; ends,
    stations].
    """
    low = then < DEADBAND * depth_um
    since_low = len(then) - np.argmax(low[::-1], axis=0)
    since_low[~low.any(axis=0)] = 0
    reached = np.where(np.arange(len(then))[:, None] >= since_low, then, 0).max(axis=0, initial=0)
    return np.asarray(reached < depth_um)


def _fresh(view: View, settings: Settings) -> np.ndarray:
    """Return the cells in which a stretch may end to be news."""
    grid = view.record.fine
    first = grid.cell(view.now - round(settings.fresh_minutes * 60)) + 1
    return np.arange(max(first, 0), min(grid.cell(view.now), grid.head) + 1)


def depths(
    grid: Grid,
    ends: np.ndarray,
    seconds: int,
    stations: np.ndarray | None = None,
    upto: np.ndarray | None = None,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the least and the most rain [um] of the stretches ending with these cells, and whether nothing is missing.

    seconds: the stretch's length; lengths that are no whole number of cells are rounded down, so that a limit is
    never called reached in more time than it allows. stations: positions, None for all. upto: when the newest reading
    of each station of the network ended, if a stretch that ends with it is complete. Shapes [ends, station].
    """

    def at(array: np.ndarray, cells: np.ndarray) -> np.ndarray:
        return np.asarray(array[cells] if stations is None else array[np.ix_(cells, stations)])

    width = max(seconds // grid.step, 1)
    before = ends + 1 - width
    inside = before >= 0
    begins = np.maximum(before, 0)
    total = at(grid.running, ends + 1) - at(grid.running, begins)
    edge = np.where((begins > 0)[:, None], at(grid.straddle, np.maximum(begins - 1, 0)), 0)
    least = np.maximum(total - edge, 0)
    covers = np.maximum(at(grid.covers, ends), grid.step)
    longer = covers > seconds
    if longer.any():
        parts = np.maximum(-(-covers // seconds), 1)
        shared = -(-at(grid.rain, ends) // parts)
        # In a cell longer than the duration nothing but a share is proven.
        least = np.where(longer, np.maximum(least if seconds >= grid.step else 0, shared), least)
    most = total + at(grid.straddle, ends)
    known = at(grid.running_known, ends + 1) - at(grid.running_known, begins)
    asked = np.full((len(ends), 1), width * grid.step)
    if upto is not None:
        newest = upto if stations is None else upto[stations]
        asked = np.clip(newest - (grid.start + begins * grid.step)[:, None], 0, asked)
    complete = inside[:, None] & (known >= asked)
    return least, most, complete


def evidence(view: View, settings: Settings, findings: Findings, position: int) -> dict[str, Any]:
    """Return what people are told of one gauge: the depth that reached the limit, and the depths in other durations.

    Where no limit is reached, the depth that came nearest to one. "rarest": the rarest depth by the network's table.
    """
    grid, ends = _with_what_fell_during_visits(view), _fresh(view, settings)

    def most(seconds: int) -> int:
        least, _most, _complete = depths(grid, ends, seconds, np.array([position]))
        return int(least.max(initial=0))

    asked = thresholds(settings, view.frequency, grid.step)
    present = findings.verdict[position] == Verdict.PRESENT
    place, depth_um, seconds = (int(findings.numbers[name][position]) for name in ("place", "depth_um", "seconds"))
    if not present and asked:
        nearest = max(asked, key=lambda one: most(one.seconds) / one.depth_um)
        place, depth_um, seconds = nearest.place, most(nearest.seconds), nearest.seconds
    lowest: dict[int, int] = {}
    for one in asked:
        if one.seconds in NAMED_S or settings.limits[one.place].depth_um:
            lowest[one.seconds] = min(one.depth_um, lowest.get(one.seconds, one.depth_um))
    also = [(most(other), other) for other in sorted(lowest.keys() - {seconds})]
    ended_at = findings.numbers["ended_at"][position] if present else view.record.last_rain_at[position]
    rank = int(findings.severity[position])
    return {
        "mm": depth_um / 1000,
        "minutes": seconds // 60,
        "ended_at": rfc3339(ended_at),
        "severity": list(Severity)[rank].value if present else "",
        "also": [
            {"mm": um / 1000, "minutes": other // 60} for um, other in also if um >= WORTH_SAYING * lowest[other] and um
        ],
        "limit": _limit_in_figures(view, settings.limits[place], place, seconds, asked, position),
        "rarest": rarest(view.frequency, [(most(round(60 * m)), m) for m in durations_of(view.frequency, grid.step)]),
    }


def _limit_in_figures(
    view: View, limit: Limit, place: int, seconds: int, asked: list[Threshold], position: int
) -> dict[str, Any]:
    """Return a limit as it was compared: its depth in this duration [mm], and where that comes from."""
    depth_um = next((one.depth_um for one in asked if one.place == place and one.seconds == seconds), limit.depth_um)
    figures: dict[str, Any] = {"mm": depth_um / 1000, "minutes": seconds // 60, "severity": limit.severity.value}
    if limit.return_period_years is not None:
        figures["years"] = limit.return_period_years
    if limit.intensity_duration is not None:
        figures["line"] = limit.intensity_duration.model_dump()
    if limit.rain_before is not None:
        before = limit.rain_before
        hourly = view.record.hourly
        ends = np.array([hourly.head - before.seconds // HOUR])
        least, _most, _complete = depths(hourly, ends, round(before.before_days * DAY), np.array([position]))
        figures |= {**before.model_dump(), "before_mm": int(least[0, 0]) / 1000}
    return figures


def rarest(table: FrequencyTable | None, depths_um: list[tuple[int, float]]) -> dict[str, Any] | None:
    """Return the rarest of some (depth [um], duration [min]) by the table, with its return period; None without one."""
    if table is None:
        return None
    found = [
        (period.years, period.beyond == "more", um / row[-1], um, minutes, period.beyond)
        for um, minutes in depths_um
        if (period := frequency.return_period(table, um / 1000, minutes)) is not None
        and (row := frequency.depths_in(table, minutes)) is not None
    ]
    if not found:
        return None
    years, _more, _share, um, minutes, beyond = max(found, key=lambda one: one[:3])
    return {"mm": um / 1000, "minutes": round(minutes), "years": round(years, 2), "beyond": beyond}
