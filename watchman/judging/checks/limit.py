"""Is any variable beyond a limit for a time (damp box, weak signal, hot or overcharged battery)?

A rule names its limits. Each looks at the hourly means of one variable:

    above, below     the mean is beyond the limit in `share` of the known hours of the last `days` or `hours`, and in
                     the last quarter of them too (so that a box that dries is left in peace); half of the hours must
                     be known
    above_full_v     the same, above the most volts to which a good charger goes: one lithium cell 4.2 V, one iron
                     phosphate cell 3.65 V, 12 V lead-acid 15.2 V
    falls_by         the median of the last 3 whole days' means is lower by so much than that of the `days` before, of
                     which half must be known; and so is each of the 3, or that median is a signal under -95 dBm

Wet weather, a heat wave or works at a mast reach the neighbours too: when half of the nearest (at least 2 of 5) are
beyond the same limit, it is undetermined, not theirs. Without 2 neighbours to ask, the limit must hold over twice the
time. Volts are not compared with neighbours', but with the battery's own month: where its usual volts are beyond the
limit too, it is another kind of battery than is written.

Where the numbers come from: charging ends at 4.2 V and 3.65 V a cell, and for lead-acid at 14.4 to 14.8 V at 25 degC,
up to 15.2 V in frost where the charger follows the temperature (common practice, from memory). Under -95 dBm a signal
is weak (common practice, no source). The limits themselves stand in the rule files with their sources. Neighbours,
quarter, half: judgement, no source.

What it cannot see: whether a thermometer sits in the box or outside; a box that was always damp beside boxes that are
damp too; anything shorter than an hour.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Annotated, Any, Literal

import numpy as np
from annotated_types import Len
from pydantic import Field, model_validator

from watchman.judging.science import battery
from watchman.judging.science.trend import median
from watchman.judging.view import Findings, View, rfc3339
from watchman.model import BATTERY, VARIABLES, Severity, Verdict
from watchman.readings.record import HOUR, Grid
from watchman.written import Written

NAME = "limit"
EVERY_S = HOUR

CHARGED_V: Mapping[str, float] = MappingProxyType(
    {battery.LITHIUM: 4.2, battery.LITHIUM_IRON: 3.65, battery.LEAD_ACID: 15.2}
)
PEERS = 5
FALL_DAYS = 3
WEAK_DBM = -95.0
MONTH_HOURS = 744


class Limit(Written):
    """One limit of one variable, and how long it must be beyond it."""

    variable: Literal["battery", "temperature", "humidity", "signal"]
    """What is looked at."""
    above: float | None = None
    """Beyond is above this [V, degC, % or dBm]."""
    below: float | None = None
    """Beyond is below this [V, degC, % or dBm]."""
    above_full_v: Annotated[float, Field(ge=0, le=5)] | None = None
    """Beyond is so much above the volts at which its charger ends [V]; for the battery only."""
    falls_by: Annotated[float, Field(gt=0)] | None = None
    """Beyond is so much lower than in the `days` before [V, degC, % or dB]."""
    hours: Annotated[float, Field(ge=1, le=24)] | None = None
    """How long it must last [h]; or give `days`."""
    days: Annotated[float, Field(ge=1, le=28)] | None = None
    """How long it must last [d]."""
    share: Annotated[float, Field(gt=0, le=1)] = 1.0
    """In which share of that time it must be beyond."""
    severity: Severity | None = Field(None, strict=False)
    """How much it matters; the rule's own when left out."""
    say: Annotated[str, Field(max_length=60)] = ""
    """What to do about it, at most 60 letters; "Bring desiccant, a new seal."."""

    @model_validator(mode="after")
    def _is_one_limit(self) -> Limit:
        if sum(one is not None for one in (self.above, self.below, self.above_full_v, self.falls_by)) != 1:
            raise ValueError("a limit needs one of above, below, above_full_v and falls_by")
        if (self.hours is None) == (self.days is None):
            raise ValueError("a limit needs either hours or days")
        if self.above_full_v is not None and self.variable != "battery":
            raise ValueError("above_full_v is for the battery only")
        return self

    @property
    def span(self) -> int:
        """Return how long it must last [h]."""
        return round(self.hours if self.hours is not None else 24 * (self.days or 0))


class Settings(Written):
    """How limit is set."""

    limits: Annotated[tuple[Limit, ...], Len(1), Field(strict=False)] = (
        Limit(variable="humidity", above=80.0, days=3.0, share=0.6),
    )
    """Any number of limits: a variable, what is beyond, how long it must last, how much it matters, what to do."""


@dataclass(frozen=True, slots=True)
class _Measured:
    """What one limit says of some stations: the value that is the limit, the share of the known hours beyond it (NaN
    where it asks for no share), and the verdict. All [n].
    """

    edge: np.ndarray
    share: np.ndarray
    verdict: np.ndarray


def judge(view: View, settings: Settings) -> Findings:
    """Return which stations are beyond a limit; numbers: which [position in settings.limits, -1 for none]."""
    size = len(view.stations)
    verdict = np.full(size, Verdict.UNDETERMINED, np.int8)
    severity, which = np.full(size, -1, np.int8), np.full(size, -1, np.int8)
    since, doubted = np.zeros(size, np.int64), np.zeros(size, bool)
    reason = np.full(size, "does not send what the limits ask for, or not often enough", object)
    for place, limit in enumerate(settings.limits):
        found = _measured(view, limit, slice(None)).verdict
        for position in np.flatnonzero(found == Verdict.PRESENT):
            why = _doubt(view, limit, int(position))
            if why:
                found[position], reason[position], doubted[position] = Verdict.UNDETERMINED, why, True
        verdict[(found == Verdict.ABSENT) & (verdict == Verdict.UNDETERMINED)] = Verdict.ABSENT
        rank = -1 if limit.severity is None else limit.severity.rank
        new = (found == Verdict.PRESENT) & ((verdict != Verdict.PRESENT) | (rank > severity))
        verdict[new], severity[new], which[new] = Verdict.PRESENT, rank, place
        since[new] = [_since(view, limit, int(position)) for position in np.flatnonzero(new)]
    verdict[doubted & (verdict != Verdict.PRESENT)] = Verdict.UNDETERMINED
    reason[verdict != Verdict.UNDETERMINED] = ""
    return Findings.of(verdict, since=since, severity=severity, numbers={"which": which}, reason=reason)


def evidence(view: View, settings: Settings, findings: Findings, position: int) -> dict[str, Any]:
    """Return what people are shown of one station: each limit, what was measured, and which of them it is beyond."""
    which = int(findings.numbers["which"][position])
    limits = [_account(view, limit, position) for limit in settings.limits]
    since = int(findings.since[position])
    return {
        **(limits[which] if which >= 0 else {}),
        "beyond_since": rfc3339(since) if since else None,
        "limits": limits,
    }


def _account(view: View, limit: Limit, position: int) -> dict[str, Any]:
    measured = _measured(view, limit, np.array([position]))
    falls = limit.falls_by is not None
    grid, cells = (view.record.daily, FALL_DAYS) if falls else (view.record.hourly, limit.span)
    value = median(_means(grid, limit, cells, np.array([position])))[0]
    return {
        "variable": limit.variable,
        "side": "below" if limit.below is not None else "fallen" if limit.falls_by is not None else "above",
        "value": _number(value),
        "limit": _number(measured.edge[0]),
        "falls_by": limit.falls_by,
        "fall_days": FALL_DAYS if falls else None,
        "weak_dbm": WEAK_DBM if falls and limit.variable == "signal" else None,
        "share_percent": None if np.isnan(measured.share[0]) else round(100 * float(measured.share[0])),
        "limit_share_percent": round(100 * limit.share),
        "hours": limit.span,
        "say": limit.say,
    }


def _number(value: float) -> float | None:
    return None if np.isnan(value) else round(float(value), 2)


def _measured(view: View, limit: Limit, stations: slice | np.ndarray, times: int = 1) -> _Measured:
    """Return what a limit says of some stations over its time, or over so many times its time."""
    if limit.falls_by is not None:
        return _fallen(view, limit, limit.falls_by, stations, times)
    mean = _means(view.record.hourly, limit, times * limit.span, stations)
    known = ~np.isnan(mean)
    number = known.sum(axis=0)
    edge = _edge(view, limit, stations)
    beyond = known & ((mean < edge) if limit.below is not None else (mean > edge))
    lately = slice(-max(limit.span // 4, 1), None)
    share = beyond.sum(axis=0) / np.maximum(number, 1)
    share_lately = beyond[lately].sum(axis=0) / np.maximum(known[lately].sum(axis=0), 1)
    present = (share >= limit.share) & (share_lately >= limit.share)
    enough = (number > 0) & (2 * number >= times * limit.span)
    return _Measured(edge, np.where(number > 0, share, np.nan), _verdicts(present, enough))


def _fallen(view: View, limit: Limit, by: float, stations: slice | np.ndarray, times: int) -> _Measured:
    """Return whether the last days' values lie so much lower than those of the days before; `times`: of more days."""
    days, now = round(limit.span / 24), times * FALL_DAYS
    mean = _means(view.record.daily, limit, days + now, stations)
    before, lately = mean[:-now], mean[-now:]
    edge, value = median(before) - by, median(lately)
    stands = (lately <= edge).all(axis=0)
    weak = (limit.variable == "signal") & (value < WEAK_DBM)
    enough = (2 * (~np.isnan(before)).sum(axis=0) >= days) & (2 * (~np.isnan(lately)).sum(axis=0) >= now)
    size = mean.shape[1]
    return _Measured(edge, np.full(size, np.nan), _verdicts((value <= edge) & (stands | weak), enough))


def _verdicts(present: np.ndarray, enough: np.ndarray) -> np.ndarray:
    return np.where(enough, np.where(present, Verdict.PRESENT, Verdict.ABSENT), Verdict.UNDETERMINED).astype(np.int8)


def _means(grid: Grid, limit: Limit, cells: int, stations: slice | np.ndarray) -> np.ndarray:
    """Return the means of the last whole cells [cell, station], NaN where nothing came."""
    variable = VARIABLES.index(limit.variable)
    rows = slice(max(grid.head - cells, 0), grid.head)
    count = grid.count[variable][rows][:, stations]
    return np.where(count > 0, grid.total[variable][rows][:, stations] / np.maximum(count, 1), np.float32(np.nan))


def _edge(view: View, limit: Limit, stations: slice | np.ndarray) -> np.ndarray:
    """Return the value that is the limit, by station."""
    volts = view.record.last_value[BATTERY, stations]
    if limit.above_full_v is None:
        return np.full(len(volts), limit.above if limit.above is not None else limit.below, np.float64)
    kinds = battery.guess(np.array(view.stations.chemistry, object)[stations].tolist(), volts)
    return np.array([CHARGED_V[kind] for kind in kinds]) + limit.above_full_v


def _doubt(view: View, limit: Limit, position: int) -> str:
    """Return why a station beyond a limit is not believed to have a fault of its own, or nothing."""
    here = np.array([position])
    if limit.variable == "battery":
        usual = median(_means(view.record.hourly, limit, MONTH_HOURS, here))[0]
        other = limit.above_full_v is not None and usual > _edge(view, limit, here)[0]
        return "its usual volts are not those of such a battery: is the chemistry right?" if other else ""
    near = view.stations.neighbours[position]
    near = near[near >= 0][:PEERS]
    theirs = _measured(view, limit, near).verdict if len(near) else np.empty(0)
    asked = theirs != Verdict.UNDETERMINED
    if asked.sum() >= 2:
        beyond = 2 * (theirs == Verdict.PRESENT).sum() >= asked.sum()
        return "half of its neighbours are beyond the limit too: weather, or a cause they share" if beyond else ""
    alone = _measured(view, limit, here, times=2).verdict[0] == Verdict.PRESENT
    return "" if alone else "no two neighbours to compare with, and not yet for twice the time"


def _since(view: View, limit: Limit, position: int) -> int:
    """Return since when a station is beyond a limit without a longer pause than a day [s since 1970 UTC]."""
    grid = view.record.hourly
    mean = _means(grid, limit, MONTH_HOURS, np.array([position]))[:, 0]
    edge = _measured(view, limit, np.array([position])).edge[0]
    beyond = np.flatnonzero(mean > edge if limit.above is not None or limit.above_full_v is not None else mean < edge)
    if not len(beyond):
        return 0
    pauses = np.flatnonzero(np.diff(beyond) > 24)
    first = beyond[pauses[-1] + 1] if len(pauses) else beyond[0]
    return int(grid.end_of(grid.head - len(mean) + int(first)) - grid.step)
