"""Does the source itself fail?

A source is out when no fetch has succeeded for `minutes`, or when fetches succeed and most of its stations fell silent
together: an answer without news is not health. While it is out, its stations are not
judged overdue: one notice, not one a station.

Where the numbers come from: 30 minutes is the longest an operator should not know that the watch is blind (common
practice, no source); 60 % of the stations, with at least three of them, is the project's own choice, and so is it that
two are enough when no other was heard through it since.

What it cannot see: whether the fault lies with the service, its network or our own link; the notice says all three.
Whether a source with a single station fails or that station.
"""

from __future__ import annotations

from typing import Annotated, Any

import numpy as np
from pydantic import Field

from watchman.judging.checks import overdue
from watchman.judging.view import Findings, View, rfc3339
from watchman.model import Verdict
from watchman.written import Written

NAME = "source-outage"


class Settings(Written):
    """How source-outage is set."""

    minutes: Annotated[float, Field(ge=5, le=1440)] = 30.0
    """How long a source may fail, or bring nothing new, before anybody is told [min]."""


def judge(view: View, settings: Settings) -> Findings:
    """Return which sources are out, one entry per source; numbers: failing_since [s], stations, stations_late."""
    late = overdue.late(view)
    source_of, heard = overdue.source_of(view), view.record.last_received
    verdict = np.full(len(view.health), Verdict.ABSENT, np.int8)
    since, stations, stations_late = (np.zeros(len(view.health), np.int64) for _ in range(3))
    reason = np.full(len(view.health), "", object)
    for row, health in enumerate(view.health):
        mine = source_of == health.source
        together = overdue.fell_silent_together(view, mine & late)
        mine &= view.in_service & (heard > 0)
        # Those that fell silent on their own, long before, have a trouble of their own.
        judgeable = mine & (~late | together)
        spoke = mine & ~late & (heard > heard[together].max(initial=0))
        stations[row], stations_late[row] = (source_of == health.source).sum(), together.sum()
        if health.last_attempt_at is None:
            verdict[row], reason[row] = Verdict.UNDETERMINED, "not fetched yet"
        elif health.failing_since is not None:
            since[row] = int(health.failing_since.timestamp())
            verdict[row] = _out(view.now - since[row], settings)
        elif _enough(int(together.sum()), int(judgeable.sum()), int(spoke.sum())):
            since[row] = int(np.median(view.record.last_received[together]))
            stations[row] = together.sum()
            verdict[row] = _out(view.now - since[row], settings)
        if verdict[row] == Verdict.UNDETERMINED and not reason[row]:
            reason[row] = "failing, but not yet long enough to tell anybody"
    return Findings.of(
        verdict,
        since=since,
        numbers={"failing_since": since, "stations": stations, "stations_late": stations_late},
        reason=reason,
        scopes=tuple(f"source:{health.source}" for health in view.health),
    )


def _enough(silent: int, stations: int, spoke: int) -> bool:
    """Say whether so many that fell silent together, of so many, are the source's doing; spoke: were heard since."""
    return silent >= overdue.MOST * stations and (silent >= 3 or (silent == 2 and not spoke))


def _out(seconds: int, settings: Settings) -> Verdict:
    return Verdict.PRESENT if seconds >= settings.minutes * 60 else Verdict.UNDETERMINED


def evidence(view: View, settings: Settings, findings: Findings, position: int) -> dict[str, Any]:
    """Return what people are told of one source that is out."""
    health = view.health[position]
    return {
        "source": health.source,
        "failing_since": rfc3339(findings.numbers["failing_since"][position]),
        "trouble": health.trouble,
        "stations_due": int(findings.numbers["stations"][position]),
        "last_new_at": rfc3339(health.last_new_at.timestamp()) if health.last_new_at else None,
        "rain_near": bool((overdue.rain_of_last_hour(view) >= overdue.WET_UM).any()),
    }
