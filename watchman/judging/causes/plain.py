"""One matter for each finding of one station or scope: who is told and when, and whether it began after a visit."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np

from watchman.judging import checks
from watchman.judging.rule import Rule
from watchman.judging.view import Findings, View, aware, rfc3339
from watchman.model import Alarm, AlarmKey, Matter, Severity, Verdict, When
from watchman.readings.record import DAY

AFTER_VISIT_S = 14 * DAY
"""A fault that begins within this time of a visit may have been left behind by it (common practice, no source)."""


def plain(rule: Rule, findings: Findings, view: View, standing: Mapping[AlarmKey, Alarm]) -> list[Matter]:
    """Return one matter for each station or scope that is present, or whose alarm is open."""
    scopes = findings.scopes or tuple(f"station:{name}" for name in view.stations.ids)
    positions = {int(position) for position in findings.present()}
    wanted = {alarm.key.scope for alarm in standing.values() if alarm.key.rule == rule.name}
    if wanted:
        positions |= {position for position, scope in enumerate(scopes) if scope in wanted}
    return [matter_of(rule, findings, view, position, scopes[position]) for position in sorted(positions)]


def matter_of(rule: Rule, findings: Findings, view: View, position: int, scope: str) -> Matter:
    """Return what one finding says of one station or scope, with its evidence where it is present."""
    check = checks.CHECKS[rule.check]
    of_station = findings.scopes is None
    verdict = Verdict(int(findings.verdict[position]))
    present = verdict is Verdict.PRESENT
    numbers: dict[str, Any] = check.evidence(view, rule.settings, findings, position) if present else {}
    since = int(findings.since[position])
    if of_station and present:
        numbers |= _visit_before(view, position, since)
    rank = int(findings.severity[position])
    when, tell = when_and_whom(rule, bool(numbers.get("neighbours_wet") or numbers.get("rain_near")))
    return Matter(
        key=AlarmKey(rule.name, rule.check, scope),
        check=rule.check,
        verdict=verdict,
        stations=(view.stations.ids[position],) if of_station else (),
        severity=rule.severity if rank < 0 else list(Severity)[rank],
        when=when,
        tell=tell,
        since=aware(since) if since else None,
        level=int(findings.level[position]),
        numbers=numbers,
        reason=str(findings.reason[position]),
        held=of_station and rule.during_maintenance == "hold" and not view.in_service[position],
    )


def when_and_whom(rule: Rule, beside_rain: bool) -> tuple[When, tuple[str, ...]]:
    """Return when a rule tells, and which roles, as it stands beside rain or without."""
    if beside_rain and rule.beside_rain:
        return rule.beside_rain.when, tuple(dict.fromkeys((*rule.tell, *rule.beside_rain.tell)))
    return rule.when, rule.tell


def _visit_before(view: View, position: int, since: int) -> dict[str, str]:
    visit = int(view.last_visit[position])
    begun_after = visit and since and visit - DAY <= since <= visit + AFTER_VISIT_S
    return {"after_visit": rfc3339(visit)} if begun_after else {}


def members_of(names: Sequence[str], wanted: Iterable[str]) -> dict[str, np.ndarray]:
    """Return the positions of the stations of each wanted name."""
    members: dict[str, list[int]] = {name: [] for name in wanted}
    for position, name in enumerate(names):
        if name in members:
            members[name].append(position)
    return {name: np.array(positions, np.intp) for name, positions in members.items()}
