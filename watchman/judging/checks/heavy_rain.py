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

Where the numbers come from: the limits are whatever the rule file says; there is no limit that is right everywhere, so
ask the authority that is responsible for floods or landslides. The hour after which rain is history, not news, is
common practice, no source. Back-filled rain older than that is left to the digest.

At a station out of service (a visit) tips that don't count as rain are read all the same, and told only if a gauge in
service near it is wet too: a storm does not wait for the visitor to leave.

What it cannot see: rain between the stations, snow, rain in a clogged or overflowing gauge, and bursts inside a reading
that covers an hour. A tipping bucket reads low at high rates (science/rain.py); readings are never corrected for it.
"""

from __future__ import annotations

from typing import Annotated, Any

import numpy as np
from pydantic import Field, model_validator

from watchman.judging.view import Findings, View, rfc3339
from watchman.model import Severity, Verdict
from watchman.readings.record import HOUR, Grid
from watchman.written import Written

NAME = "heavy-rain"
INCH_MM = 25.4
DEADBAND = 0.8
"""A long limit counts as reached anew only after its sum was under this share of the depth (decided here, no
source).
"""
WORTH_SAYING = 1 / 3
"""Depths in other durations are named from this share of their lowest limit on (decided here, no source)."""
BLIND = "no reading of the last hour has arrived"


class Limit(Written):
    """A depth in a duration, and how much it matters."""

    depth_mm: Annotated[float, Field(gt=0, le=2000)] | None = None
    """Depth [mm]; write this or depth_inches."""
    depth_inches: Annotated[float, Field(gt=0, le=80)] | None = None
    """Depth [inch]."""
    minutes: Annotated[float, Field(ge=5, le=4320)] | None = None
    """Duration [min]; write this or hours."""
    hours: Annotated[float, Field(gt=0, le=72)] | None = None
    """Duration [h]."""
    severity: Severity = Field(Severity.MODERATE, strict=False)
    """minor, moderate, severe or extreme."""

    @model_validator(mode="after")
    def _one_of_each(self) -> Limit:
        if (self.depth_mm is None) == (self.depth_inches is None):
            raise ValueError("write either depth_mm or depth_inches, for example depth_mm = 6")
        if (self.minutes is None) == (self.hours is None):
            raise ValueError("write either minutes or hours, for example minutes = 15")
        return self

    @property
    def depth_um(self) -> int:
        """Return the depth [um]."""
        millimetres = self.depth_mm if self.depth_mm is not None else (self.depth_inches or 0.0) * INCH_MM
        return round(millimetres * 1000)

    @property
    def seconds(self) -> int:
        """Return the duration [s]."""
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
    """Any number of depths in durations."""
    fresh_minutes: Annotated[float, Field(ge=15, le=720)] = 60.0
    """Rain older than this is history: it goes to the digest, and nobody is woken for it [min]."""


def judge(view: View, settings: Settings) -> Findings:
    """Return, for each station, the most severe limit that rain of the last hour reaches.

    Levels are the severities' ranks + 1; numbers: depth_um and seconds of the limit reached, ended_at.
    """
    grid = _with_what_fell_during_visits(view)
    size = len(view.stations)
    verdict = np.full(size, Verdict.ABSENT, np.int8)
    severity = np.full(size, -1, np.int8)
    since = np.zeros(size, np.int64)
    depth_um, seconds, ended_at = (np.zeros(size, np.int64) for _ in range(3))
    ends = _fresh(view, settings)
    delivered = ends[:, None] <= grid.cells(view.record.last_rain_at)
    quiet = (grid.rain[ends] == 0) & (grid.straddle[ends] == 0) & (grid.known[ends] >= grid.step)
    wet = grid.rain[ends] > 0
    sums = {seconds: depths(grid, ends, seconds) for seconds in {limit.seconds for limit in settings.limits}}
    for limit in sorted(settings.limits, key=lambda one: one.severity.rank):
        least, most, complete = sums[limit.seconds]
        news = _is_news(grid, ends, limit, least)
        reached = (least >= limit.depth_um) & wet & news
        present = reached.any(axis=0)
        possible = (delivered & news & ~quiet & ((most >= limit.depth_um) | ~complete)).any(axis=0)
        verdict[(verdict == Verdict.ABSENT) & possible] = Verdict.UNDETERMINED
        if not present.any():
            continue
        verdict[present] = Verdict.PRESENT
        severity[present] = limit.severity.rank
        best = np.argmax(np.where(reached, least, -1), axis=0)
        columns = np.flatnonzero(present)
        depth_um[columns] = least[best[columns], columns]
        seconds[columns] = limit.seconds
        # A cell may end a little after the reading that lies in it.
        newest = view.record.last_rain_at[columns]
        ended_at[columns] = np.minimum(grid.start + (ends[best[columns]] + 1) * grid.step, newest)
        first = grid.start + (ends[np.argmax(reached, axis=0)] + 1) * grid.step
        began = np.minimum(first[columns], newest)
        since[columns] = np.where(since[columns] == 0, began, np.minimum(since[columns], began))
    blind = ~delivered.any(axis=0)
    verdict[blind] = Verdict.UNDETERMINED
    reason = np.full(size, "", object)
    reason[verdict == Verdict.UNDETERMINED] = "readings are missing, or cover too long a time for this limit"
    reason[blind] = BLIND
    return Findings.of(
        verdict,
        since=since,
        severity=severity,
        level=np.where(verdict == Verdict.PRESENT, severity.astype(np.int16) + 1, 0).astype(np.int16),
        numbers={"depth_um": depth_um, "seconds": seconds, "ended_at": ended_at},
        reason=reason,
    )


def _with_what_fell_during_visits(view: View) -> Grid:
    """Return the fine grid, for stations out of service with the tips that don't count: a storm may be among them.

    Whether such rain is told is for causes.py to say, from what the gauges in service have.
    """
    away = np.flatnonzero(~view.in_service)
    return view.record.fine.with_held(away) if len(away) else view.record.fine


def _is_news(grid: Grid, ends: np.ndarray, limit: Limit, least: np.ndarray) -> np.ndarray:
    """Say of each stretch longer than an hour whether it is more than last night's rain; shape [ends, station]."""
    news = np.ones((len(ends), grid.stations), bool)
    if limit.seconds <= HOUR or not len(ends):
        return news
    columns = np.flatnonzero((least >= limit.depth_um).any(axis=0))
    if not len(columns):
        return news
    last_hour, _most, _complete = depths(grid, ends, HOUR, columns)
    rains_on = last_hour * limit.seconds >= limit.depth_um * HOUR
    news[:, columns] = rains_on | _crossed(grid, ends, limit, columns)
    return news


def _crossed(grid: Grid, ends: np.ndarray, limit: Limit, columns: np.ndarray) -> np.ndarray:
    """Say whether the depth was first reached within these ends, having been under the deadband since it last was."""
    before = np.arange(max(ends[0] - limit.seconds // grid.step, 0), ends[0])
    then, _most, _complete = depths(grid, before, limit.seconds, columns)
    low = then < DEADBAND * limit.depth_um
    since_low = len(then) - np.argmax(low[::-1], axis=0)
    reached = np.where(np.arange(len(then))[:, None] >= since_low, then, 0).max(axis=0, initial=0)
    return np.asarray(reached < limit.depth_um)


def _fresh(view: View, settings: Settings) -> np.ndarray:
    """Return the cells in which a stretch may end to be news."""
    grid = view.record.fine
    first = grid.cell(view.now - round(settings.fresh_minutes * 60)) + 1
    return np.arange(max(first, 0), min(grid.cell(view.now), grid.head) + 1)


def depths(
    grid: Grid, ends: np.ndarray, seconds: int, stations: np.ndarray | None = None
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the least and the most rain [um] of the stretches ending with these cells, and whether nothing is missing.

    seconds: the stretch's length; lengths that are no whole number of cells are rounded down, so that a limit is
    never called reached in more time than it allows. stations: positions, None for all. Shapes [ends, station].
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
    covers = at(grid.covers, ends)
    longer = covers > seconds
    if longer.any():
        parts = -(-covers // seconds)
        least = np.where(longer, np.maximum(least, -(-at(grid.rain, ends) // np.maximum(parts, 1))), least)
    most = total + at(grid.straddle, ends)
    known = at(grid.running_known, ends + 1) - at(grid.running_known, begins)
    complete = inside[:, None] & (known >= width * grid.step)
    return least, most, complete


def evidence(view: View, settings: Settings, findings: Findings, position: int) -> dict[str, Any]:
    """Return what people are told of one gauge: the depth that reached the limit, and the depths in other durations."""
    grid = _with_what_fell_during_visits(view)
    ends = _fresh(view, settings)
    lowest: dict[int, int] = {}
    for limit in settings.limits:
        lowest[limit.seconds] = min(limit.depth_um, lowest.get(limit.seconds, limit.depth_um))
    also = []
    for seconds in sorted(lowest.keys() - {int(findings.numbers["seconds"][position])}):
        least, _most, _complete = depths(grid, ends, seconds, np.array([position]))
        depth_um = int(least.max())
        if depth_um >= WORTH_SAYING * lowest[seconds]:
            also.append({"mm": depth_um / 1000, "minutes": seconds // 60})
    return {
        "mm": int(findings.numbers["depth_um"][position]) / 1000,
        "minutes": int(findings.numbers["seconds"][position]) // 60,
        "ended_at": rfc3339(findings.numbers["ended_at"][position]),
        "severity": list(Severity)[int(findings.severity[position])].value,
        "also": also,
    }
