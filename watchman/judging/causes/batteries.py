"""The silence of a station whose battery was known to be ending is part of that battery's matter."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from watchman.judging.checks import battery_decline, overdue
from watchman.model import Alarm, AlarmKey, AlarmState, Matter, Verdict


def with_ended_batteries(matters: list[Matter], standing: Mapping[AlarmKey, Alarm]) -> list[Matter]:
    """Make the silence of a station whose battery was known to be ending part of that battery's matter."""
    batteries = {
        alarm.key.scope: alarm
        for alarm in standing.values()
        if alarm.check == battery_decline.NAME
        and alarm.raised_at is not None
        and alarm.state not in (AlarmState.SHELVED, AlarmState.RETURNED)
    }
    silent = {
        matter.key.scope: matter
        for matter in matters
        if matter.check == overdue.NAME and matter.verdict is Verdict.PRESENT and matter.part_of is None
    }
    ended = batteries.keys() & silent.keys()
    return [_with_ended_battery(matter, batteries, silent, ended) for matter in matters]


def _with_ended_battery(
    matter: Matter, batteries: Mapping[str, Alarm], silent: Mapping[str, Matter], ended: Iterable[str]
) -> Matter:
    scope = matter.key.scope
    if scope not in ended:
        return matter
    alarm = batteries[scope]
    if matter is silent[scope]:
        return replace(matter, part_of=alarm.key)
    if matter.key == alarm.key:
        silence = silent[scope]
        return replace(
            matter,
            verdict=Verdict.PRESENT,
            severity=alarm.severity,
            level=alarm.level if "off_since" in alarm.numbers else alarm.level + 1,
            when=silence.when,
            tell=(*matter.tell, *silence.tell),
            numbers={**alarm.numbers, **matter.numbers, "off_since": silence.numbers.get("silent_since")},
        )
    return matter
