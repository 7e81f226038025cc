"""One matter for each finding of one station or scope: who is told and when, and whether it began after a visit."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np

from watchman.judging import checks
from watchman.judging.rule import Rule
from watchman.judging.view import Findings, View, aware, rfc3339
from watchman.model import Alarm, AlarmKey, Matter, Severity, Verdict, When
from watchman.readings.record import DAY, HOUR

AFTER_VISIT_S = 14 * DAY
"""A fault that begins within this time of a visit may have been left behind by it (common practice, no source)."""
VISIT_S = 4 * HOUR
"""A visit's end is known, and it seldom lasts longer than this [s]; a fault during it counts (judgement, no source)."""
TO_THE_MINUTE = frozenset({"overdue", "stuck-value"})
"""Checks that know when a fault began; the others know the day, which may have begun before the visit."""


def plain(rule: Rule, findings: Findings, view: View, standing: Mapping[AlarmKey, Alarm]) -> list[Matter]:
    """Return one matter for each station or scope that is present, or whose alarm is open."""
    positions = set(findings.present().tolist())
    positions |= _open(findings, view, {alarm.key.scope for alarm in standing.values() if alarm.key.rule == rule.name})
    return [_matter(rule, findings, view, position) for position in sorted(positions)]


def evidence(rule: Rule, findings: Findings, view: View, position: int) -> Mapping[str, Any]:
    """Return what people are shown of one finding, as its check made it when it was first asked for."""
    if position not in findings.shown:
        check = checks.CHECKS[rule.check]
        findings.shown[position] = check.evidence(view, rule.settings, findings, position)
    return findings.shown[position]


def _open(findings: Findings, view: View, scopes: set[str]) -> set[int]:
    """Return the positions of the findings that are about these scopes."""
    if findings.scopes is not None:
        return {position for position, scope in enumerate(findings.scopes) if scope in scopes}
    positions = view.stations.positions
    ids = (scope.removeprefix("station:") for scope in scopes if scope.startswith("station:"))
    return {positions[station] for station in ids if station in positions}


def _matter(rule: Rule, findings: Findings, view: View, position: int) -> Matter:
    """Return what one finding says of one station or scope, with its evidence where it is present."""
    of_station = findings.scopes is None
    scope = f"station:{view.stations.ids[position]}" if findings.scopes is None else findings.scopes[position]
    verdict = Verdict(int(findings.verdict[position]))
    present = verdict is Verdict.PRESENT
    numbers: dict[str, Any] = dict(evidence(rule, findings, view, position)) if present else {}
    since = int(findings.since[position])
    if of_station and present:
        numbers |= _visit_before(view, position, since, VISIT_S if rule.check in TO_THE_MINUTE else DAY)
    elif of_station and view.now - int(view.last_visit[position]) < DAY:
        numbers["visited"] = rfc3339(view.last_visit[position])
    rank = int(findings.severity[position])
    when, tell = when_and_whom(rule, bool(numbers.get("neighbours_wet") or numbers.get("rain_near")))
    if of_station and numbers.get("relied_on") and rule.relied_on:
        relies = filter(None, [view.stations.relied_on_by[position]])
        when, tell = rule.relied_on.when, tuple(dict.fromkeys((*tell, *rule.relied_on.tell, *relies)))
    return Matter(
        key=AlarmKey(rule.name, rule.check, scope),
        check=rule.check,
        verdict=verdict,
        stations=(view.stations.ids[position], *numbers.get("shared_with", ()))
        if of_station
        else _stations_of(scope, view),
        severity=rule.severity if rank < 0 else list(Severity)[rank],
        when=when,
        tell=tell,
        since=aware(since) if since else None,
        level=int(findings.level[position]),
        numbers=numbers,
        reason=str(findings.reason[position]),
        held=of_station and _held(rule, view, position),
    )


def _held(rule: Rule, view: View, position: int) -> bool:
    """Say whether nobody is told of a station now: somebody works there, or it is new and may still be on a bench."""
    waits = rule.during_maintenance == "hold" and not view.in_service[position]
    return bool(waits or view.on_probation[position])


def _stations_of(scope: str, view: View) -> tuple[str, ...]:
    """Return the stations that a plan or a station's own matter concerns; a source's are not listed."""
    kind, _, name = scope.partition(":")
    if kind == "plan":
        return tuple(one for one, plan in zip(view.stations.ids, view.stations.plan, strict=True) if plan == name)
    return (name,) if kind == "station" else ()


def when_and_whom(rule: Rule, beside_rain: bool) -> tuple[When, tuple[str, ...]]:
    """Return when a rule tells, and which roles, as it stands beside rain or without."""
    if beside_rain and rule.beside_rain:
        return rule.beside_rain.when, tuple(dict.fromkeys((*rule.tell, *rule.beside_rain.tell)))
    return rule.when, rule.tell


def _visit_before(view: View, position: int, since: int, earlier_s: int) -> dict[str, str]:
    visit = int(view.last_visit[position])
    begun_after = visit and since and visit - earlier_s <= since <= visit + AFTER_VISIT_S
    return {"after_visit": rfc3339(visit)} if begun_after else {}


def members_of(names: Sequence[str], wanted: Iterable[str]) -> dict[str, np.ndarray]:
    """Return the positions of the stations of each wanted name."""
    members: dict[str, list[int]] = {name: [] for name in wanted}
    for position, name in enumerate(names) if members else ():
        if name in members:
            members[name].append(position)
    return {name: np.array(positions, np.intp) for name, positions in members.items()}
