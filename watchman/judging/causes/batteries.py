"""Batteries beyond one station: cold or cloud that lowers most of them, and the silence of one that was ending."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from watchman.judging.causes.plain import plain
from watchman.judging.checks import battery_decline, overdue
from watchman.judging.rule import Rule
from watchman.judging.view import Findings, View
from watchman.model import Alarm, AlarmKey, AlarmState, Matter, Verdict, When

FALLS = 0.01
"""A battery that loses this share of its charge a day falls [1/d] (judgement, no source)."""
MOST, STILL_MOST = 0.6, 0.4
"""Such a share of the batteries falls together when it is the weather; it is over under the second (judgement)."""
LEAST_STATIONS = 4
WEAKEST_DAYS = 30.0
"""While the weakest has more days left than this nobody need know [d] (judgement, no source)."""
SHOWN = 12
FROSTY_DAYS = 3
"""With so many days of frost among the last 7 at most stations, it is cold rather than cloud (judgement)."""


def batteries(rule: Rule, findings: Findings, view: View, standing: Mapping[AlarmKey, Alarm]) -> list[Matter]:
    """Return the batteries with a trouble of their own, and the weather as one matter of the network.

    What is only at its floor while most fall together is part of the weather's matter.
    """
    key = AlarmKey(rule.name, rule.check, "network")
    weather = _weather(rule, findings, view, key, standing.get(key))
    matters = plain(rule, findings, view, standing)
    if weather is None:
        return matters
    if weather.verdict is Verdict.PRESENT:
        only_low = {view.stations.ids[p] for p in np.flatnonzero(findings.numbers["sign"] == battery_decline.FLOOR)}
        matters = [
            replace(matter, part_of=key) if matter.stations and matter.stations[0] in only_low else matter
            for matter in matters
        ]
    return [weather, *matters]


def _weather(rule: Rule, findings: Findings, view: View, key: AlarmKey, alarm: Alarm | None) -> Matter | None:
    numbers, days = findings.numbers, findings.numbers["days_left"]
    judged = np.isfinite(days) & view.in_service
    falling = judged & (numbers["slope"] <= -FALLS)
    most = MOST if alarm is None or alarm.raised_at is None else STILL_MOST
    together = np.count_nonzero(falling) >= max(most * np.count_nonzero(judged), LEAST_STATIONS)
    own_trouble = (numbers["sign"] > 0) & (numbers["sign"] != battery_decline.FLOOR)
    listed = np.flatnonzero(falling & ~own_trouble)
    listed = listed[np.argsort(days[listed], kind="stable")]
    present = bool(together) and len(listed) >= LEAST_STATIONS and days[listed[0]] <= WEAKEST_DAYS
    if not present:
        return None if alarm is None else Matter(key, rule.check, Verdict.ABSENT, when=rule.when, tell=rule.tell)
    weakest = float(days[listed[0]])
    urgent = weakest <= battery_decline.URGENT_DAYS
    return Matter(
        key=key,
        check=rule.check,
        verdict=Verdict.PRESENT,
        severity=rule.severity,
        when=rule.when if urgent else When.WEEKLY,
        tell=rule.tell,
        level=int(urgent),
        numbers={
            "cause": "weather",
            "cold": bool(np.median(numbers["frosty_days"][listed]) >= FROSTY_DAYS),
            "falling": len(listed),
            "judged": int(np.count_nonzero(judged)),
            "days_left": round(weakest, 1),
            "batteries": [
                {"station": view.stations.ids[p], "days_left": round(float(days[p]), 1)} for p in listed[:SHOWN]
            ],
        },
    )


def with_ended_batteries(matters: list[Matter], standing: Mapping[AlarmKey, Alarm]) -> list[Matter]:
    """Make the silence of a station whose battery was known to be ending part of that battery's matter."""
    ending = {
        alarm.key.scope: alarm
        for alarm in standing.values()
        if alarm.check == battery_decline.NAME
        and alarm.key.scope.startswith("station:")
        and alarm.raised_at is not None
        and alarm.state not in (AlarmState.SHELVED, AlarmState.RETURNED)
    }
    silent = {
        matter.key.scope: matter
        for matter in matters
        if matter.check == overdue.NAME and matter.verdict is Verdict.PRESENT and matter.part_of is None
    }
    return [
        _with_ended_battery(matter, ending[matter.key.scope], silent.get(matter.key.scope))
        if matter.key.scope in ending
        else matter
        for matter in matters
    ]


def _with_ended_battery(matter: Matter, alarm: Alarm, silence: Matter | None) -> Matter:
    if matter is silence:
        return replace(matter, part_of=alarm.key)
    if matter.key != alarm.key:
        return matter
    told_off = alarm.numbers.get("off_since")
    if silence is None or _dies_at_night(alarm.numbers):
        # That it was off once stays in mind: a battery that comes and goes is told once, not each night.
        kept = {"was_off_since": told_off or alarm.numbers.get("was_off_since")}
        return replace(matter, numbers={**matter.numbers, **kept}) if any(kept.values()) else matter
    news = not told_off and not alarm.numbers.get("was_off_since")
    return replace(
        matter,
        verdict=Verdict.PRESENT,
        severity=alarm.severity,
        level=alarm.level + news,
        when=silence.when,
        tell=(*matter.tell, *silence.tell),
        numbers={**alarm.numbers, **matter.numbers, "off_since": silence.numbers.get("silent_since")},
    )


def _dies_at_night(numbers: Mapping[str, Any]) -> bool:
    return numbers.get("sign") == battery_decline.SIGNS[battery_decline.DIES_AT_NIGHT]
