"""Heavy rain over many gauges as one matter: its level, how many agree, its account when it is over."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, cast

import numpy as np

from watchman.judging.checks import heavy_rain, overdue, source_outage
from watchman.judging.rule import Rule
from watchman.judging.view import Findings, View, aware, rfc3339
from watchman.model import Alarm, AlarmKey, AlarmState, Certainty, Matter, Severity, Verdict
from watchman.readings.record import DAY, HOUR

NEAREST = 3
SHOWN = 8
"""As many gauges are named as evidence."""
WET_SHARE = 0.1
"""A neighbour with this share of a gauge's rain was in the same rain (decided here, no source)."""

Judged = Sequence[tuple[Rule, Findings]]


def storm(rule: Rule, findings: Findings, view: View, standing: Mapping[AlarmKey, Alarm]) -> list[Matter]:
    """Return heavy rain anywhere as one matter of the network: its gauges, its level, and how many agree."""
    key = AlarmKey(rule.name, rule.check, "network")
    settings = cast(heavy_rain.Settings, rule.settings)
    gauges = _believable(findings, view)
    alarm = standing.get(key)
    if not len(gauges):
        if alarm is None:
            return []
        storm_gauges = [p for p, name in enumerate(view.stations.ids) if name in alarm.stations]
        blind = all(findings.reason[p] == heavy_rain.BLIND for p in storm_gauges)
        verdict = Verdict.UNDETERMINED if blind and not _long_over(view, alarm) else Verdict.ABSENT
        numbers = _account(view, alarm) if verdict is Verdict.ABSENT else {}
        return [Matter(key, rule.check, verdict, numbers=numbers, when=rule.when, tell=rule.tell)]
    order = np.lexsort((-findings.numbers["depth_um"][gauges], -findings.level[gauges]))
    gauges = gauges[order]
    dry = _dry_neighbours(view, gauges[0], findings)
    alone = len(gauges) == 1 and dry > 0
    rank = int(findings.severity[gauges[0]])
    certainty = Certainty.POSSIBLE if alone else Certainty.LIKELY if len(gauges) == 1 else Certainty.OBSERVED
    names = view.stations.names
    listed = [
        {
            "station": view.stations.ids[p],
            "name": names[p],
            **heavy_rain.evidence(view, settings, findings, int(p)),
        }
        for p in gauges[:SHOWN]
    ]
    return [
        Matter(
            key=key,
            check=rule.check,
            verdict=Verdict.PRESENT,
            stations=tuple(view.stations.ids[p] for p in gauges),
            severity=list(Severity)[rank],
            certainty=certainty,
            when=rule.when,
            tell=rule.tell,
            since=aware(findings.since[gauges].min()),
            level=int(findings.level[gauges[0]]),
            numbers={
                "gauges": listed,
                "peaks": _peaks(listed, standing.get(key)),
                "gauges_total": len(gauges),
                "one_gauge_only": alone,
                "dry_neighbours": dry,
                "still_rising": _still_rising(view, gauges),
            },
        )
    ]


def _peaks(gauges: Sequence[Mapping[str, Any]], alarm: Alarm | None) -> list[Mapping[str, Any]]:
    """Return the strongest that each gauge has had since the storm was raised, the strongest of all first."""
    strongest: dict[str, Mapping[str, Any]] = {}
    for gauge in (*(alarm.numbers.get("peaks", []) if alarm else []), *gauges):
        if gauge["station"] not in strongest or _strength(gauge) > _strength(strongest[gauge["station"]]):
            strongest[gauge["station"]] = gauge
    return sorted(strongest.values(), key=_strength, reverse=True)[:SHOWN]


def _strength(gauge: Mapping[str, Any]) -> tuple[int, float]:
    """Return what makes one reaching of a limit stronger than another: its severity, then its mean intensity."""
    return Severity(gauge["severity"]).rank, gauge["mm"] / gauge["minutes"]


def missed_rain(rule: Rule, view: View, begin: int, end: int) -> Matter | None:
    """Return the worst heavy rain between two times [s since 1970 UTC] as it would have been told live, or None."""
    worst: Matter | None = None
    settings = cast(heavy_rain.Settings, rule.settings)
    step = round(settings.fresh_minutes * 60)
    for now in (*range(begin + step, end, step), end):
        then = replace(view, now=now)
        findings = heavy_rain.judge(then, settings)
        for matter in storm(rule, findings, then, {}):
            if worst is None or matter.level > worst.level:
                worst = matter
    return worst


def back_with_missed_rain(
    matters: list[Matter], judged: Judged, view: View, standing: Mapping[AlarmKey, Alarm]
) -> list[Matter]:
    """Name, in the matter of a source that is back, the heavy rain nobody could be told of, and tell those it
    concerns.
    """
    back = {
        m.key
        for m in matters
        if m.check == source_outage.NAME and m.verdict is Verdict.ABSENT and m.key in standing
        # Once it has been told it need not be looked for again.
        if standing[m.key].state is not AlarmState.RETURNED
    }
    for rule, _findings in judged if back else ():
        if rule.check != heavy_rain.NAME:
            continue
        for place, matter in enumerate(matters):
            if matter.key in back:
                since = int(standing[matter.key].since.timestamp())
                missed = missed_rain(rule, view, since, view.now)
                if missed is not None:
                    numbers = {**matter.numbers, "missed": missed.numbers["gauges"]}
                    matters[place] = replace(matter, numbers=numbers, tell=(*matter.tell, *rule.tell))
    return matters


def _believable(findings: Findings, view: View) -> np.ndarray:
    """Return the gauges whose heavy rain is told: those in service, and others only beside wet ones in service."""
    present = findings.present()
    in_service = view.in_service[present]
    if in_service.all():
        return present
    wet = (overdue.rain_of_last_hour(view) >= overdue.WET_UM) & view.in_service
    near = view.stations.neighbours[present]
    beside_wet = (wet[near] & (near >= 0)).any(axis=1)
    return np.asarray(present[in_service | beside_wet])


def _dry_neighbours(view: View, position: int, findings: Findings) -> int:
    """Return how many of the nearest three gauges had almost no rain in the time of its limit; 0 as soon as one had."""
    near = view.stations.neighbours[position][:NEAREST]
    near = near[(near >= 0) & (view.stations.neighbours_km[position][:NEAREST] <= overdue.NEAR_KM)]
    seconds = max(int(findings.numbers["seconds"][position]), HOUR)
    near = near[view.record.last_rain_at[near] > view.now - 2 * HOUR]
    grid = view.record.fine
    last = min(grid.cell(view.now), grid.head)
    depth = grid.sum(max(last - seconds // grid.step + 1, 0), last)[near]
    wet = depth >= max(overdue.WET_UM, WET_SHARE * int(findings.numbers["depth_um"][position]))
    return 0 if wet.any() else len(near)


def _still_rising(view: View, gauges: np.ndarray) -> bool:
    """Say whether the newest reading of any of the gauges brought rain."""
    grid = view.record.fine
    cells = np.clip(grid.cells(view.record.last_rain_at[gauges]), 0, grid.length - 1)
    return bool((grid.rain[cells, gauges] > 0).any())


def _long_over(view: View, alarm: Alarm) -> bool:
    return view.now - alarm.since.timestamp() > DAY


def _account(view: View, alarm: Alarm) -> dict[str, Any]:
    """Return a storm's totals and peaks: from the first tip of the first hour with 1 mm to the last (no standard
    exists).
    """
    grid = view.record.fine
    gauges = [p for p, name in enumerate(view.stations.ids) if name in alarm.stations]
    hour = max(HOUR // grid.step, 1)
    running = grid.running[: grid.head + 2, gauges]
    # By cell: did any of the storm's gauges have a millimetre in the hour that ends there?
    wet: np.ndarray = np.zeros(grid.head + 1, bool)
    wet[hour - 1 :] = np.any(running[hour:] - running[:-hour] >= overdue.WET_UM, axis=1)
    first = last = int(np.clip(grid.cell(int(alarm.since.timestamp())), 0, grid.head))
    while first > 0 and wet[first - 1]:
        first -= 1
    first = max(first - hour + 1, 0)
    tips: np.ndarray = np.any(grid.rain[: grid.head + 1, gauges], axis=1)
    first += int(np.argmax(tips[first : last + 1]))
    while last < grid.head and wet[last + 1]:
        last += 1
    while last > first and not tips[last]:
        last -= 1
    total = grid.sum(first, last)
    order = [int(p) for p in np.argsort(-total, kind="stable")[:6] if total[p] > 0]
    names = view.stations.names
    silent = overdue.late(view) & (view.record.last_received > 0)
    return {
        "began_at": rfc3339(grid.end_of(first) - grid.step),
        "ended_at": rfc3339(grid.end_of(last)),
        "totals": [{"name": names[p], "mm": int(total[p]) / 1000} for p in order],
        "peaks": [
            {key: gauge[key] for key in ("name", "mm", "minutes", "ended_at")}
            for gauge in alarm.numbers.get("peaks", [])[:3]
        ],
        "blind": [names[p] for p in np.flatnonzero(silent)][:8],
    }
