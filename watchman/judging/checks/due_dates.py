"""Does a data plan end, a calibration fall due, or a season begin?

What stands in stations.csv, counted in local days: plan_end (one matter a plan, with all its stations: a phone call, no
drive), calibration_due (one a station), and the first day of `season` (a look at a station that has stood down). A plan
or a calibration stays due until a later day is written.

Where the numbers come from: 30 days for a visit or an order, 7 for a phone call, 14 before a season: common practice,
no source. A calibration at least once a year: USGS OSW memo SW2006.01 (rev. 2010).

What it cannot see: plans and calibrations nobody wrote down, and data used up before a plan's end.
"""

from __future__ import annotations

from datetime import date, timedelta
from typing import Annotated, Any

import numpy as np
from pydantic import Field

from watchman.judging.science.season import EPOCH, days_to_season
from watchman.judging.view import Findings, View
from watchman.model import Verdict
from watchman.readings.record import DAY, HOUR
from watchman.written import Written

NAME = "due-dates"
EVERY_S = HOUR
FAR_DAYS = 99_999
WHATS = ("plan", "calibration", "season")
PLAN, CALIBRATION, SEASON = range(len(WHATS))


class Settings(Written):
    """How due-dates is set."""

    plan_days: Annotated[int, Field(ge=0, le=365)] = 30
    """Tell so long before a data plan ends [d]; 0: not at all."""
    calibration_days: Annotated[int, Field(ge=0, le=365)] = 30
    """Tell so long before a calibration is due [d]; 0: not at all."""
    season_days: Annotated[int, Field(ge=0, le=90)] = 14
    """Tell so long before a season begins [d]; 0: not at all."""


def judge(view: View, settings: Settings) -> Findings:
    """Return what falls due, first at stations, then of plans; numbers: days_left [d], what [place in WHATS]."""
    plans, stations = _plans(view), view.stations
    today = _today(view)
    size = len(stations)
    left = np.full((len(WHATS), size + len(plans)), FAR_DAYS, np.int64)
    kept = np.array(stations.status, object) != "stolen"
    for what, days in (
        (PLAN, np.where(np.array(stations.plan, object) == "", stations.plan_end, 0)),
        (CALIBRATION, stations.calibration_due),
    ):
        left[what, :size] = np.where(kept & (days > 0), days - today, FAR_DAYS)
    for position in np.flatnonzero(kept & (np.array(stations.season, object) != "")):
        left[SEASON, position] = days_to_season(stations.season[position], today) or FAR_DAYS
    ends = np.array([_first_end(view, plan) for plan in plans], np.int64)
    left[PLAN, size:] = np.where(ends > 0, ends - today, FAR_DAYS)
    asked = np.array([settings.plan_days, settings.calibration_days, settings.season_days])
    due = (left <= asked[:, None]) & (asked[:, None] > 0)
    soonest = np.where(due.any(axis=0), np.argmin(np.where(due, left, FAR_DAYS), axis=0), np.argmin(left, axis=0))
    days_left = np.take_along_axis(left, soonest[None, :], axis=0)[0]
    return Findings.of(
        np.where(due.any(axis=0), Verdict.PRESENT, Verdict.ABSENT),
        level=(due.any(axis=0) & (days_left < 0)).astype(np.int16),
        numbers={"days_left": days_left, "what": soonest.astype(np.int8)},
        scopes=(*(f"station:{name}" for name in stations.ids), *(f"plan:{plan}" for plan in plans)),
    )


def evidence(view: View, settings: Settings, findings: Findings, position: int) -> dict[str, Any]:
    """Return what people are shown: what is due, when, how many days that is from today, and the plan's stations."""
    days_left, what = (int(findings.numbers[name][position]) for name in ("days_left", "what"))
    known = days_left != FAR_DAYS
    plan = _plans(view)[position - len(view.stations)] if position >= len(view.stations) else ""
    names = [name for name, its in zip(view.stations.names, view.stations.plan, strict=True) if plan and its == plan]
    limits = (settings.plan_days, settings.calibration_days, settings.season_days)
    return {
        "what": WHATS[what] if known else None,
        "due_on": _day(_today(view) + days_left).isoformat() if known else None,
        "days_left": days_left if known else None,
        "limit_days": limits[what],
        "stations_due": names,
    }


def _today(view: View) -> int:
    """Return the local day [days since 1970]."""
    return (view.now + view.stations.utc_offset_s) // DAY


def _day(days: int) -> date:
    return EPOCH + timedelta(days=days)


def _plans(view: View) -> tuple[str, ...]:
    return tuple(sorted(set(view.stations.plan) - {""}))


def _first_end(view: View, plan: str) -> int:
    """Return when the first of a plan's stations comes to its end [days since 1970], 0 where nobody wrote it."""
    ends = view.stations.plan_end[np.array(view.stations.plan, object) == plan]
    return int(ends[ends > 0].min(initial=FAR_DAYS)) % FAR_DAYS
