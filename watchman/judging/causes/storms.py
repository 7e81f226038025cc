"""Heavy rain over many gauges as one matter: its level, how many agree, its account when it is over."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, cast

import numpy as np

from watchman.judging.checks import heavy_rain, overdue, source_outage
from watchman.judging.rule import Rule
from watchman.judging.science.storms import storm_around
from watchman.judging.view import Findings, View, aware, rfc3339
from watchman.model import TEMPERATURE, Alarm, AlarmKey, AlarmState, Certainty, Matter, Severity, Verdict
from watchman.readings.record import DAY, HOUR

NEAREST = 3
SHOWN = 8
"""As many gauges are named as evidence."""
RANKED = 50
"""Of so many of the wettest gauges the rarest depth is looked for when a storm is over."""
WET_SHARE = 0.1
"""A neighbour with this share of a gauge's rain was in the same rain (decided here, no source)."""
HEARD_SHARE = 0.5
"""A neighbour that was heard for less of the time can't say that it was dry there (decided here, no source)."""
MAYBE_SNOW_C = 2.4
"""Up to this temperature snow may lie in a gauge unseen: at 95 % of stations rain and snow are equally likely below it
(Jennings et al. 2018, Nat. Commun.).
"""

Judged = Sequence[tuple[Rule, Findings]]


def storm(rule: Rule, findings: Findings, view: View, standing: Mapping[AlarmKey, Alarm]) -> list[Matter]:
    """Return heavy rain anywhere as one matter of the network: its gauges, its level, and how many agree.

    Its level rises with a limit that is reached now, and falls when none has been for an hour; it is over when no gauge
    of it had a millimetre in the dry time of the rule.
    """
    key = AlarmKey(rule.name, rule.check, "network")
    settings = cast(heavy_rain.Settings, rule.settings)
    gauges = _believable(rule, findings, view)
    alarm = standing.get(key)
    raised = alarm is not None and alarm.raised_at is not None
    if not len(gauges):
        return [] if alarm is None else [_without_limit(rule, settings, findings, view, alarm)]
    agree, dry = _neighbours_say(view, gauges, findings)
    sure = np.where(agree, 2, np.where(dry == 0, 1, 0))
    level, crossed = findings.level[gauges], findings.numbers["crossed"][gauges]
    order = np.lexsort((-findings.numbers["depth_um"][gauges], -sure, -level, -crossed if raised else 0 * level))
    gauges, first = gauges[order], order[0]
    # What goes on at its rate is no news while the storm stands; what is reached again after an hour is.
    told_level = max(int(crossed.max()), min(alarm.level, int(level.max()))) if alarm and raised else int(level.max())
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
            severity=list(Severity)[int(findings.severity[gauges[0]])],
            certainty=(Certainty.POSSIBLE, Certainty.LIKELY, Certainty.OBSERVED)[sure[first]],
            when=rule.when,
            tell=rule.tell,
            since=aware(findings.since[gauges].min()),
            level=told_level,
            numbers={
                "gauges": listed,
                "peaks": _peaks(listed, alarm),
                "gauges_total": len(gauges),
                "one_gauge_only": bool(sure[first] == 0),
                "dry_neighbours": int(dry[first]),
                "still_rising": _still_rising(view, gauges),
            },
        )
    ]


def _without_limit(rule: Rule, settings: heavy_rain.Settings, findings: Findings, view: View, alarm: Alarm) -> Matter:
    """Return a storm of which no gauge reaches a limit now: it rains on, it can't be seen, or it is over."""
    matter = Matter(alarm.key, rule.check, Verdict.ABSENT, when=rule.when, tell=rule.tell)
    gauges = _gauges_of(view, alarm)
    if all(findings.reason[p] == heavy_rain.BLIND for p in gauges) and not _long_over(view, alarm):
        return replace(matter, verdict=Verdict.UNDETERMINED)
    if alarm.raised_at is None:
        return matter
    grid = view.record.fine
    dry_cells = _dry_cells(view, settings)
    if (grid.sum(max(grid.head - dry_cells + 1, 0), grid.head)[gauges] >= overdue.WET_UM).any():
        numbers = {**alarm.numbers, "still_rising": _still_rising(view, gauges)}
        return replace(
            matter,
            verdict=Verdict.PRESENT,
            severity=alarm.severity,
            certainty=alarm.certainty,
            since=alarm.since,
            numbers=numbers,
        )
    return replace(matter, numbers=_account(view, settings, alarm, gauges))


def _gauges_of(view: View, alarm: Alarm) -> np.ndarray:
    named = set(alarm.stations)
    positions = view.stations.positions
    return np.array(sorted(positions[name] for name in named if name in positions), np.int64)


def _dry_cells(view: View, settings: heavy_rain.Settings) -> int:
    return max(round(settings.dry_minutes * 60) // view.record.fine.step, 1)


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
    for rule, findings in judged if back else ():
        if rule.check != heavy_rain.NAME:
            continue
        told_live = {view.stations.names[position] for position in findings.present()}
        for place, matter in enumerate(matters):
            if matter.key in back:
                since = int(standing[matter.key].since.timestamp())
                missed = missed_rain(rule, view, since, view.now)
                gauges = [g for g in missed.numbers["gauges"] if g["name"] not in told_live] if missed else []
                if gauges:
                    numbers = {**matter.numbers, "missed": gauges}
                    matters[place] = replace(matter, numbers=numbers, tell=(*matter.tell, *rule.tell))
    return matters


def _believable(rule: Rule, findings: Findings, view: View) -> np.ndarray:
    """Return the gauges whose heavy rain is told: those in service, and others, or new ones, only beside wet ones in
    service; at a visit none where the rule holds.
    """
    present = findings.present()
    # Only where somebody wrote it: what no rule says must not silence a storm.
    if rule.during_maintenance == "hold" and "during_maintenance" in rule.model_fields_set:
        present = present[view.in_service[present]]
    trusted = view.in_service & ~view.on_probation
    if trusted[present].all():
        return present
    wet = (overdue.rain_of_last_hour(view) >= overdue.WET_UM) & trusted
    near = view.stations.neighbours[present]
    by = (near >= 0) & (view.stations.neighbours_km[present] <= overdue.NEAR_KM)
    return np.asarray(present[trusted[present] | (wet[near] & by).any(axis=1)])


def _neighbours_say(view: View, gauges: np.ndarray, findings: Findings) -> tuple[np.ndarray, np.ndarray]:
    """Return for each gauge whether one of its nearest three had a share of its rain, and else how many of them were
    dry and in a state to say so.

    They are asked for the time of its limit, an hour at least, up to now.
    """
    near = view.stations.neighbours[gauges][:, :NEAREST]
    near_by = (near >= 0) & (view.stations.neighbours_km[gauges][:, :NEAREST] <= overdue.NEAR_KM)
    near_by &= (view.in_service & ~view.on_probation)[near]
    grid, last = view.record.fine, min(view.record.fine.cell(view.now), view.record.fine.head)
    seconds, ended = findings.numbers["seconds"][gauges], findings.numbers["ended_at"][gauges]
    end = np.clip(grid.cells(ended), 0, last)

    def since(length: np.ndarray) -> np.ndarray:
        return np.asarray(np.maximum(end - length // grid.step + 1, 0)[:, None])

    depth = grid.running[last + 1, near] - grid.running[since(np.maximum(seconds, HOUR)), near]
    wet = near_by & (depth >= np.maximum(overdue.WET_UM, WET_SHARE * findings.numbers["depth_um"][gauges])[:, None])
    known = grid.running_known[end[:, None] + 1, near] - grid.running_known[since(seconds), near]
    maybe_snow = view.record.last_value[TEMPERATURE][near] <= MAYBE_SNOW_C
    can_say = near_by & (known >= HEARD_SHARE * seconds[:, None]) & ~maybe_snow
    agree = wet.any(axis=1)
    return agree, np.asarray(np.where(agree, 0, can_say.sum(axis=1)))


def _still_rising(view: View, gauges: np.ndarray) -> bool:
    """Say whether the newest reading of any of the gauges brought rain."""
    grid = view.record.fine
    cells = np.clip(grid.cells(view.record.last_rain_at[gauges]), 0, grid.length - 1)
    return bool((grid.rain[cells, gauges] > 0).any())


def _long_over(view: View, alarm: Alarm) -> bool:
    return view.now - alarm.since.timestamp() > DAY


def _account(view: View, settings: heavy_rain.Settings, alarm: Alarm, gauges: np.ndarray) -> dict[str, Any]:
    """Return a storm's totals and peaks, its rarest depth, and who could not be seen, from its first tip to its last.

    It is set off by the dry time of the rule.
    """
    grid = view.record.fine
    around = grid.cell(int(alarm.since.timestamp()))
    running = grid.running[: grid.head + 2, gauges]
    first, last = storm_around(running, around, _dry_cells(view, settings), overdue.WET_UM)
    total = grid.sum(first, last)
    order = gauges[np.argsort(-total[gauges], kind="stable")]
    names = view.stations.names
    return {
        "began_at": rfc3339(grid.end_of(first) - grid.step),
        "ended_at": rfc3339(grid.end_of(last)),
        "dry_minutes": settings.dry_minutes,
        "gauges_total": len(gauges),
        "totals": [{"name": names[p], "mm": int(total[p]) / 1000} for p in order[:6] if total[p] > 0],
        "peaks": [
            {key: gauge[key] for key in ("name", "mm", "minutes", "ended_at", "limit") if key in gauge}
            for gauge in alarm.numbers.get("peaks", [])[:3]
        ],
        "rarest": _rarest(view, np.arange(first, last + 1), order[:RANKED]),
        "blind": [names[p] for p in _unseen(view, gauges, first, last)[:8]],
    }


def _rarest(view: View, ends: np.ndarray, gauges: np.ndarray) -> dict[str, Any] | None:
    """Return the rarest depth that any of the gauges had in any duration of the network's table."""
    minutes = heavy_rain.durations_of(view.frequency, view.record.fine.step)
    if not minutes or not len(gauges):
        return None
    strongest = [heavy_rain.depths(view.record.fine, ends, round(60 * m), gauges)[0].max(axis=0) for m in minutes]
    found = [
        {**rarest, "name": view.stations.names[gauge]}
        for column, gauge in enumerate(gauges)
        if (
            rarest := heavy_rain.rarest(
                view.frequency, [(int(um[column]), m) for um, m in zip(strongest, minutes, strict=True)]
            )
        )
    ]
    return max(found, key=lambda one: (one["years"], one["beyond"] == "more"), default=None)


def _unseen(view: View, gauges: np.ndarray, first: int, last: int) -> np.ndarray:
    """Return the stations of the storm, and those around it, that are silent now or were for most of it."""
    grid = view.record.fine
    around = np.zeros(len(view.stations), bool)
    around[gauges] = True
    near = view.stations.neighbours[gauges]
    around[near[near >= 0]] = True
    known = grid.running_known[last + 1] - grid.running_known[first]
    unheard = known < HEARD_SHARE * (last + 1 - first) * grid.step
    return np.flatnonzero(around & view.in_service & (view.record.last_received > 0) & (overdue.late(view) | unheard))
