"""What the digest of one week is made of, gathered from the record, the store and the checks."""

from __future__ import annotations

from datetime import datetime, timedelta
from itertools import pairwise

import numpy as np

from watchman import watch
from watchman.judging.checks import battery_decline, dry_among_wet
from watchman.judging.science.season import days_to_season
from watchman.judging.view import Findings, View
from watchman.model import VISIT, Verdict
from watchman.network import Network
from watchman.readings.record import DAY
from watchman.store import REJECTED_KEPT, Store
from watchman.telling import digest


def facts(network: Network, store: Store, watching: watch.Watch, name: str, now: datetime) -> digest.WeekFacts:
    """Return the facts of an ISO week ("2025-W43"); alarms, batteries and what can't be judged as they are at `now`."""
    begin, end = digest.week_span(network, name)
    view = watch.view_of(watching, now)
    rain_um, known = _days(network, view, name)
    judged, _broken = watch.judge(network.rules, view)
    findings = {rule.check: found for rule, found in judged}
    events = store.events(begin, end)
    return digest.WeekFacts(
        week=name,
        rain_um=rain_um,
        known=known,
        events=events,
        open_alarms=tuple(watching.alarms.values()),
        notices=store.notices(begin=begin, end=end),
        days_left=_days_left(view, findings.get(battery_decline.NAME)),
        left_out=_left_out(network, view),
        not_judged=_not_judged(view, findings.get(dry_among_wet.NAME)),
        held_nothing=_held_nothing(watching, view, begin, end),
        revised=_revised(network, store, view, name),
        health=_health(store, begin, end),
        also_owed=tuple(watching.marks.get(f"also:{name}", "").split()),
    )


def _days(network: Network, view: View, name: str) -> tuple[np.ndarray, np.ndarray]:
    """Return each station's rain [um] and share known of the week's seven local days, from the hourly cells."""
    grid = view.record.hourly
    edges = [int(edge.timestamp()) for edge in digest.day_edges(network, name)]
    rain = np.zeros((len(view.stations), 7), np.int64)
    known = np.zeros((len(view.stations), 7))
    for day, (begin, end) in enumerate(pairwise(edges)):
        first, last = max(grid.cell(begin) + 1, 0), min(grid.cell(end), grid.head)
        if first > last:
            continue
        rain[:, day] = grid.sum(first, last)
        seconds = grid.running_known[last + 1] - grid.running_known[first]
        known[:, day] = np.minimum(seconds / (end - begin), 1.0)
    return rain, known


def _days_left(view: View, findings: Findings | None) -> dict[str, float]:
    if findings is None:
        return {}
    left = findings.numbers["days_left"]
    return {station: float(left[p]) for p, station in enumerate(view.stations.ids) if np.isfinite(left[p])}


def _left_out(network: Network, view: View) -> dict[str, str]:
    """Return why a station's rain isn't ranked: what stations.csv says of it, its season, or that it is new here."""
    seasonal = view.stations.season
    today = (view.now + view.stations.utc_offset_s) // DAY
    out: dict[str, str] = {}
    for position, station in enumerate(network.stations):
        if station.status:
            out[station.id] = station.status
        elif seasonal[position] and days_to_season(seasonal[position], today):
            out[station.id] = "stood down for the season"
        elif view.on_probation[position]:
            out[station.id] = "new here, on probation"
    return out


def _not_judged(view: View, findings: Findings | None) -> dict[str, str]:
    if findings is None:
        return {}
    undetermined = np.flatnonzero(findings.verdict == Verdict.UNDETERMINED)
    return {view.stations.ids[p]: str(findings.reason[p]) for p in undetermined}


def _held_nothing(watching: watch.Watch, view: View, begin: datetime, end: datetime) -> tuple[digest.Hold, ...]:
    """Return the visits of the week in which the station sent no tip: booked in vain, or at the wrong time."""
    positions = {station: position for position, station in enumerate(view.stations.ids)}
    grid, holds = view.record.hourly, []
    for span in watching.spans:
        if span.reason != VISIT or span.station not in positions or not begin <= span.ends_at < end:
            continue
        first, last = grid.cell(int(span.begins_at.timestamp())), grid.cell(int(span.ends_at.timestamp()))
        if first >= 0 and not grid.held[first : last + 1, positions[span.station]].any():
            holds.append(digest.Hold("visit", span.station, span.begins_at, span.ends_at, span.who))
    return tuple(holds)


def _revised(network: Network, store: Store, view: View, name: str) -> dict[str, tuple[float, float]]:
    """Return what late readings have changed since of the week before, by station [mm told, mm known now]."""
    begin, _end = digest.week_span(network, name)
    before = digest.week_name((begin - timedelta(days=3)).astimezone(network.zone).date())
    told = _totals_told(store, before)
    if not told:
        return {}
    rain, _known = _days(network, view, before)
    now_mm = {station: int(rain[p].sum()) / 1000 for p, station in enumerate(view.stations.ids)}
    return {
        station: (mm, now_mm[station])
        for station, mm in told.items()
        if station in now_mm and abs(now_mm[station] - mm) >= 0.1
    }


def _health(store: Store, begin: datetime, end: datetime) -> digest.ToolHealth:
    """Return how the watch itself did: the week's rows that could not be read, and the last drill."""
    marks = store.marks()
    drilled_at, asked = marks.get("last_drill_at"), int(marks.get("last_drill_asked", 0))
    answers = (one for one in store.answers_after(0) if one.kind == "came")
    return digest.ToolHealth(
        rejected_rows=sum(begin <= row.received_at < end for row in store.rejected(REJECTED_KEPT)),
        last_drill_at=datetime.fromisoformat(drilled_at) if drilled_at else None,
        reached=len({one.who for one in answers if one.reason == f"drill:{marks.get('last_drill')}"}),
        asked=asked,
    )


def totals_mark(network: Network, week: digest.WeekFacts) -> str:
    """Return a week's totals as they are told now, to be kept, so that a later revision can be named."""
    totals = week.rain_um.sum(axis=1).tolist()
    return " ".join(f"{station.id}={um}" for station, um in zip(network.stations, totals, strict=True))


def _totals_told(store: Store, name: str) -> dict[str, float]:
    pairs = (item.rsplit("=", 1) for item in store.marks().get(f"totals:{name}", "").split())
    return {station: int(um) / 1000 for station, um in pairs}
