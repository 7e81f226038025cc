"""What a person said is not a fault: its evidence begins again from nothing.

A check that gathers evidence over days counts only what came after the answer (`View.cleared_s`). For every other one a
matter that began before the answer is not raised again until it was absent once, or is worse than it was then.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from watchman.judging.alarms import NOT_A_FAULT, STORM_CHECKS
from watchman.judging.checks import dry_among_wet
from watchman.judging.rule import Rule
from watchman.judging.view import Findings, View
from watchman.model import Alarm, AlarmKey, Answer, Matter, Verdict

GATHERS = frozenset({dry_among_wet.NAME})
"""The checks that begin their evidence anew themselves: its absence, which the answer brings about, says nothing."""


@dataclass(frozen=True, slots=True)
class Cleared:
    """An answer "not a fault": of what, when [s since 1970 UTC], and how bad it was then."""

    key: AlarmKey
    check: str
    at: int
    level: int
    severity: int


def newly(alarms: Iterable[Alarm], answers: Iterable[Answer]) -> dict[AlarmKey, Cleared]:
    """Return what these answers clear, of the alarms that stand."""
    said = {answer.alarm: answer for answer in answers if answer.kind == NOT_A_FAULT}
    return {
        alarm.key: of(alarm, int(said[alarm.number].at.timestamp()))
        for alarm in alarms
        if alarm.standing and alarm.number in said and alarm.check not in STORM_CHECKS
    }


def of(alarm: Alarm, at: int) -> Cleared:
    """Return an alarm as cleared at a moment [s since 1970 UTC]."""
    return Cleared(alarm.key, alarm.check, at, alarm.level, alarm.severity.rank)


def guarded(
    matters: Sequence[Matter], judged: Sequence[tuple[Rule, Findings]], view: View, cleared: Mapping[AlarmKey, Cleared]
) -> tuple[list[Matter], dict[AlarmKey, Cleared]]:
    """Return the matters, those still cleared as absent, and what stays cleared.

    judged: what each rule found; of a matter that is absent nothing else is said when no alarm of it is open.
    """
    if not cleared:
        return list(matters), {}
    said = {matter.key for matter in matters}
    left = {
        key: mark
        for key, mark in cleared.items()
        if mark.check in GATHERS or key in said or not _absent(key, judged, view)
    }
    kept = []
    for matter in matters:
        mark = left.get(matter.key)
        if mark is not None and matter.verdict is Verdict.ABSENT:
            left = left if mark.check in GATHERS else {key: one for key, one in left.items() if key != matter.key}
        elif mark is not None and matter.verdict is Verdict.PRESENT and _is_new(matter, mark):
            left = {key: one for key, one in left.items() if key != matter.key or one.check in GATHERS}
        elif mark is not None and matter.verdict is Verdict.PRESENT:
            matter = replace(matter, verdict=Verdict.ABSENT, held=False, part_of=None)
        kept.append(matter)
    return kept, left


def _is_new(matter: Matter, mark: Cleared) -> bool:
    """Say whether a matter began after it was said not to be a fault, or is worse than it was then."""
    began_since = matter.since is not None and matter.since.timestamp() >= mark.at
    return began_since or matter.level > mark.level or matter.severity.rank > mark.severity


def _absent(key: AlarmKey, judged: Sequence[tuple[Rule, Findings]], view: View) -> bool:
    """Say whether what a matter is made of is absent now; of groups that nothing is said of is enough."""
    findings = next((found for rule, found in judged if rule.name == key.rule), None)
    if findings is None:
        return False
    if findings.scopes is not None:
        position = findings.scopes.index(key.scope) if key.scope in findings.scopes else None
    else:
        position = view.stations.positions.get(key.scope.removeprefix("station:"))
    return position is None or int(findings.verdict[position]) == Verdict.ABSENT


def to_text(mark: Cleared) -> str:
    """Return a mark as text to be kept."""
    key = mark.key
    return json.dumps([key.rule, key.matter, key.scope, mark.check, mark.at, mark.level, mark.severity])


def from_text(text: str) -> Cleared:
    """Return the mark that `to_text` wrote."""
    rule, matter, scope, check, at, level, severity = json.loads(text)
    return Cleared(AlarmKey(rule, matter, scope), check, at, level, severity)
