"""Silent stations under their widest cause: the source, then a mast, a data plan or an area, then the station."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from watchman.judging.causes.plain import members_of, plain, when_and_whom
from watchman.judging.checks import overdue, source_outage
from watchman.judging.rule import Rule
from watchman.judging.view import Findings, View, aware, rfc3339
from watchman.model import Alarm, AlarmKey, AlarmState, Matter, Verdict

STILL_MOST = 0.34
"""A shared cause that stands is over when no more than this share is still silent."""
LONGEST_WAIT_S = 1800
"""A silent station waits for its peers no longer than this, or two of its own intervals [s] (decided here)."""
WAITING = "waiting until those that share something with it were due too"

Judged = Sequence[tuple[Rule, Findings]]


class Outage(NamedTuple):
    """A source that is out, or may soon be called so: the matter that says it, and since when [s since 1970 UTC]."""

    key: AlarmKey
    since: int


def sources_out(judged: Judged) -> dict[str, Outage]:
    """Return the sources that are out, by name."""
    out = {}
    for rule, findings in judged:
        if rule.check == source_outage.NAME and findings.scopes:
            for position, scope in enumerate(findings.scopes):
                if findings.numbers["failing_since"][position]:
                    key = AlarmKey(rule.name, rule.check, scope)
                    out[scope.removeprefix("source:")] = Outage(key, int(findings.numbers["failing_since"][position]))
    return out


def silences(
    rule: Rule,
    findings: Findings,
    view: View,
    standing: Mapping[AlarmKey, Alarm],
    sources_out: Mapping[str, Outage],
) -> list[Matter]:
    """Return silent stations, each under its widest cause: the source, then a mast, then a data plan, then itself.

    The first silent station waits until the others that share something with it were due too.
    """
    waits, sources = _waits(findings, view), overdue.source_of(view)
    wider: dict[int, AlarmKey] = {}
    matters: list[Matter] = []
    failing = _failing(view)
    for group, members in sorted(_silent_groups(rule, findings, view, standing, waits), key=_widest_first):
        out = [sources[position] for position in members if sources[position] in sources_out]
        if out and not (failing.isdisjoint(out) and _more_than_sources(members, out, sources, view)):
            matters.append(replace(group, part_of=sources_out[out[0]].key))
            continue
        inside = Counter(wider[position] for position in members if position in wider).most_common(1)
        if inside and 2 * inside[0][1] >= len(members):
            matters.append(replace(group, part_of=inside[0][0]))
            continue
        if group.key not in standing and waits.source[members].any():
            group = replace(group, verdict=Verdict.UNDETERMINED, reason=WAITING)
        matters.append(group)
        for position in members:
            wider.setdefault(position, group.key)
    positions = view.stations.positions
    for matter in plain(rule, findings, view, standing):
        position = positions[matter.stations[0]]
        source_out = sources_out.get(sources[position])
        if source_out is not None and position in wider and matter.verdict is Verdict.PRESENT:
            matter = replace(matter, part_of=wider[position])
        elif source_out is not None and _began_before(matter.key, source_out, view, position, standing):
            matter = replace(matter, verdict=Verdict.UNDETERMINED, reason="its source can't be fetched")
        elif source_out is not None:
            matter = replace(matter, part_of=source_out.key)
        elif matter.verdict is Verdict.PRESENT and position in wider:
            matter = replace(matter, part_of=wider[position])
        elif matter.verdict is Verdict.PRESENT and waits.any[position] and matter.key not in standing:
            matter = replace(matter, verdict=Verdict.UNDETERMINED, reason=WAITING)
        matters.append(matter)
    return matters


def _more_than_sources(members: list[int], out: Sequence[str], sources: np.ndarray, view: View) -> bool:
    """Say whether silent stations of one mast, plan or area are more than those of sources that are out: two others at
    least, or one and all that their sources miss.
    """
    beside = len(members) - len(out)
    missed = np.flatnonzero(_missed_by(view, np.isin(sources, out)))
    return beside >= 2 or (beside == 1 and set(missed.tolist()) <= set(members))


def _missed_by(view: View, mine: np.ndarray) -> np.ndarray:
    """Say which stations of a source fell silent together last [bool, n]."""
    return overdue.fell_silent_together(view, mine & overdue.late(view))


def with_sources_behind_groups(matters: list[Matter], view: View) -> list[Matter]:
    """Make a source that is fetched well but silent part of the mast, plan or area that explains more than it."""
    groups = [
        matter
        for matter in matters
        if matter.check == overdue.NAME and matter.verdict is Verdict.PRESENT and len(matter.stations) > 1
    ]
    return [_behind_group(matter, groups, view) for matter in matters]


def _behind_group(matter: Matter, groups: Sequence[Matter], view: View) -> Matter:
    name = matter.key.scope.removeprefix("source:")
    if matter.check != source_outage.NAME or matter.verdict is not Verdict.PRESENT or name in _failing(view):
        return matter
    stations, late = view.stations, overdue.late(view)
    mine = (overdue.source_of(view) == name) & late
    silent = np.flatnonzero(_missed_by(view, mine))
    ids = {stations.ids[position] for position in silent}
    wider = next((group for group in groups if ids < set(group.stations) and group.part_of is None), None)
    if wider is not None:
        return replace(matter, part_of=wider.key)
    every, last = view.record.sends_every_s, view.record.last_received
    for names in (stations.mast, stations.plan, stations.area):
        shared = {names[position] for position in silent}
        same = np.array([one in shared - {""} for one in names], bool)
        # Before one of them is overdue there is no such group yet, only others of its mast that fell silent with it.
        together = overdue.fell_silent_together(view, same & late)
        patient = view.now - last[together].max(initial=0) <= 2 * every[together].max(initial=0) + LONGEST_WAIT_S
        if len(shared) == 1 and np.any(together & ~mine) and patient:
            return replace(matter, verdict=Verdict.UNDETERMINED, reason=WAITING)
    return matter


def _failing(view: View) -> set[str]:
    """Return the sources that can't be fetched."""
    return {health.source for health in view.health if health.failing_since is not None}


def _widest_first(group: tuple[Matter, list[int]]) -> tuple[float, bool]:
    """Return a sort key: most stations first; of as many, a plan that has ended before the mast they also share.

    A plan that is known to run on takes a mast's place only with two stations more.
    """
    matter, members = group
    stations = len(members) - 1.5 * bool(matter.numbers.get("plan_runs_on"))
    return -stations, not matter.numbers.get("plan_ended")


def _began_before(key: AlarmKey, outage: Outage, view: View, position: int, standing: Mapping[AlarmKey, Alarm]) -> bool:
    """Say whether a station was already told as silent before its source went out: that is no part of the outage."""
    alarm = standing.get(key)
    own_interval = 2 * int(view.record.sends_every_s[position]) + overdue.SLACK_S
    return alarm is not None and bool(alarm.raised_at) and alarm.since.timestamp() < outage.since - own_interval


def _silent_groups(
    rule: Rule, findings: Findings, view: View, standing: Mapping[AlarmKey, Alarm], waits: _Waits
) -> list[tuple[Matter, list[int]]]:
    late = overdue.late(view) | (findings.verdict == Verdict.PRESENT)
    scopes = [key.scope for key in standing if key.rule == rule.name]
    groups = []
    for kind, names in (("mast", view.stations.mast), ("plan", view.stations.plan), ("area", view.stations.area)):
        open_groups = {scope.split(":", 1)[1] for scope in scopes if scope.startswith(f"{kind}:")}
        late_at = Counter(names[position] for position in np.flatnonzero(late))
        wanted = {name for name, number in late_at.items() if number > 1 and name} | open_groups
        for name, members in sorted(members_of(names, wanted).items()):
            members = members[view.in_service[members]]
            key = AlarmKey(rule.name, rule.check, f"{kind}:{name}")
            group = _silent_group(rule, findings, view, key, members, late, standing.get(key), waits)
            if group is not None:
                groups.append(group)
    return groups


def _silent_group(
    rule: Rule,
    findings: Findings,
    view: View,
    key: AlarmKey,
    members: np.ndarray,
    late: np.ndarray,
    alarm: Alarm | None,
    waits: _Waits,
) -> tuple[Matter, list[int]] | None:
    unsure = False
    last, every = view.record.last_received, view.record.sends_every_s
    members = members[last[members] > 0]
    silent = members[late[members]]
    if alarm is not None and alarm.raised_at is not None and alarm.state is not AlarmState.RETURNED:
        began = alarm.since.timestamp()
        silent = silent[last[silent] >= began - _within(every[silent])]
        known = np.isin(silent, [p for p in members if view.stations.ids[p] in alarm.stations])
        # Who was heard long after the others fell silent has a trouble of its own.
        latest = last[silent[known]].max(initial=int(began))
        silent = silent[known | (last[silent] <= latest + _within(every[silent]))]
        mine = [p for p in members if view.stations.ids[p] in alarm.stations or p in silent]
        # The last one that is still silent has a trouble of its own by now.
        present = len(silent) > max(STILL_MOST * len(mine), 1)
    else:
        # Those that fell silent long before the others have a trouble of their own.
        mask = np.zeros(len(late), bool)
        mask[silent] = True
        silent = np.flatnonzero(overdue.fell_silent_together(view, mask))
        own_trouble = late[members] & ~np.isin(members, silent)
        known_bad = (findings.verdict[silent] == Verdict.PRESENT).any()
        # A peer that was not due since can't speak for the group; while it may soon, the group waits for it.
        spoke = np.count_nonzero(last[members] > last[silent].max(initial=0))
        others = len(members) - int(own_trouble.sum())
        fewest = 3 if _plan_runs_on(key, silent, view) else 2
        enough = len(silent) >= max(fewest, overdue.MOST * (len(silent) + spoke))
        # Of a few, one that speaks and two that fell silent one after the other are no outage.
        enough = enough and bool(len(silent) > 2 or not spoke or overdue.at_one_moment(view, silent))
        present = bool(known_bad and enough)
        unsure = bool(present and len(silent) < overdue.MOST * others and waits.any[silent].any())
    if not present and alarm is None:
        return None
    wet = overdue.rain_of_last_hour(view) >= overdue.WET_UM
    near = view.stations.neighbours[silent]
    beside_rain = bool(wet[near[near >= 0]].any())
    when, tell = when_and_whom(rule, beside_rain)
    since = int(view.record.last_observed[silent].min()) if len(silent) else 0
    matter = Matter(
        key=key,
        check=rule.check,
        verdict=Verdict.UNDETERMINED if unsure else Verdict.PRESENT if present else Verdict.ABSENT,
        reason=WAITING if unsure else "",
        stations=tuple(view.stations.ids[p] for p in silent),
        severity=rule.severity,
        when=when,
        tell=tell,
        since=aware(since) if since else None,
        numbers={
            "cause": key.scope.split(":")[0],
            "stations": [view.stations.names[p] for p in silent],
            "count": len(silent),
            "silent_since": rfc3339(since) if since else "",
            "neighbours_wet": beside_rain,
            "plan_ended": bool(overdue.plan_ended(view, silent).any()) and key.scope.startswith("plan:"),
            "plan_runs_on": _plan_runs_on(key, silent, view),
        }
        if present
        else {},
    )
    return matter, [int(p) for p in silent] if present else []


def _within(every: np.ndarray) -> np.ndarray:
    """Return how far apart stations that send so often may be heard last of one outage [s, n]."""
    return np.asarray(1.5 * every + 2 * overdue.SLACK_S)


def _plan_runs_on(key: AlarmKey, silent: np.ndarray, view: View) -> bool:
    """Say whether this is a data plan of which it is known that it has not ended."""
    known = (view.stations.plan_end[silent] > 0).all() and not overdue.plan_ended(view, silent).any()
    return bool(known and key.scope.startswith("plan:"))


class _Waits(NamedTuple):
    """Which silent stations have peers of whom it is not yet known whether they fell silent too [bool, n]."""

    source: np.ndarray
    any: np.ndarray


def _waits(findings: Findings, view: View) -> _Waits:
    """Return whose peers of the source, and of anything shared, could still turn out to be silent for the most part."""
    stations, silent = view.stations, findings.present()
    source, mast, plan, area = (
        _could_be_most(view, silent, names)
        for names in (tuple(overdue.source_of(view)), stations.mast, stations.plan, stations.area)
    )
    every = view.record.sends_every_s
    over_limit = findings.numbers["silent_s"] - findings.numbers["limit_s"]
    patient = over_limit <= np.maximum(2 * every, LONGEST_WAIT_S)
    return _Waits(source & patient, (source | mast | plan | area) & patient)


def _could_be_most(view: View, silent: np.ndarray, names: Sequence[str]) -> np.ndarray:
    """Say of each silent station whether those of its name that it isn't known of could make up most of them [bool, n].

    A peer spoke when it measured and sent something after the station's second missed report; it is unsure until it is
    late itself. Where too many spoke of those that can be told, the others are not waited for.
    """
    could = np.zeros(len(names), bool)
    if not len(silent):
        return could
    last, every, sent = view.record.last_received, view.record.sends_every_s, overdue.last_sent(view)
    unsure = view.now - last <= 2 * every + overdue.SLACK_S
    for peers in members_of(names, {names[position] for position in silent} - {""}).values():
        peers = peers[last[peers] > 0]
        own = np.intersect1d(peers, silent)
        missed = sent[own] + 2 * every[own]  # its last report before an outage may have been lost besides
        spoke = len(peers) - np.searchsorted(np.sort(sent[peers]), missed)
        earliest_unsure = sent[peers[unsure[peers]]].min(initial=np.iinfo(np.int64).max)
        known_silent = np.count_nonzero(~unsure[peers])
        could[own] = (
            (earliest_unsure < missed)
            & (len(peers) - spoke >= overdue.MOST * len(peers))
            & (known_silent >= overdue.MOST * (known_silent + spoke))
        )
    return could
