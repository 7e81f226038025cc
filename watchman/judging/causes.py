"""Many findings with one cause become one matter: a source or mast that fails, a storm over many gauges, a battery
that ends.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any, NamedTuple, cast

import numpy as np

from watchman.judging import checks
from watchman.judging.checks import battery_decline, heavy_rain, overdue, source_outage
from watchman.judging.rule import Rule
from watchman.judging.view import Findings, View, aware, rfc3339
from watchman.model import Alarm, AlarmKey, AlarmState, Certainty, Matter, Severity, Verdict, When
from watchman.readings.record import DAY, HOUR

STILL_MOST = 0.34
"""A shared cause that stands is over when no more than this share is still silent."""
AFTER_VISIT_S = 14 * DAY
"""A fault that begins within this time of a visit may have been left behind by it (common practice, no source)."""
NEAREST = 3
SHOWN = 8
"""As many gauges are named as evidence."""
WET_SHARE = 0.1
"""A neighbour with this share of a gauge's rain was in the same rain (decided here, no source)."""
LONGEST_WAIT_S = 1800
"""A silent station waits for its peers no longer than this, or two of its own intervals [s] (decided here)."""
WAITING = "waiting until those that share something with it were due too"

KEEPER = "technician"
"""The role that is told of the watch's own trouble."""
OWN_TROUBLE = "check-failure"
"""The check of which the watch's own troubles are matters."""

Judged = Sequence[tuple[Rule, Findings]]


def gather(judged: Judged, view: View, standing: Mapping[AlarmKey, Alarm]) -> list[Matter]:
    """Return what is to be said this cycle: every matter that is present, and how it stands with those already open.

    standing: the alarms that have not ended, by key.
    """
    matters: list[Matter] = []
    for rule, findings in judged:
        try:
            matters += _of_rule(rule, findings, judged, view, standing)
        except Exception as error:  # noqa: BLE001 -- one rule's evidence must not stop the others
            matters.append(own_trouble(f"evidence of rule {rule.name}", error))
    return _ended_batteries(_back_with_missed_rain(matters, judged, view, standing), standing)


def own_trouble(what: str, error: Exception | str) -> Matter:
    """Return a failure of the watch's own as a matter for whoever keeps it; without an error, that it is over."""
    trouble = f"{type(error).__name__}: {error}" if isinstance(error, Exception) else error
    return Matter(
        AlarmKey("tool", OWN_TROUBLE, f"tool:{what}"),
        OWN_TROUBLE,
        Verdict.PRESENT if trouble else Verdict.ABSENT,
        tell=(KEEPER,),
        numbers={"what": what, "trouble": trouble},
    )


def _of_rule(
    rule: Rule, findings: Findings, judged: Judged, view: View, standing: Mapping[AlarmKey, Alarm]
) -> list[Matter]:
    if rule.check == heavy_rain.NAME:
        return _storm(rule, findings, view, standing)
    if rule.check == overdue.NAME:
        return _silences(rule, findings, view, standing, _sources_out(judged))
    return _plain(rule, findings, view, standing)


def _back_with_missed_rain(
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


def _plain(rule: Rule, findings: Findings, view: View, standing: Mapping[AlarmKey, Alarm]) -> list[Matter]:
    """Return one matter for each station or scope that is present, or whose alarm is open."""
    scopes = findings.scopes or tuple(f"station:{name}" for name in view.stations.ids)
    positions = {int(position) for position in findings.present()}
    wanted = {alarm.key.scope for alarm in standing.values() if alarm.key.rule == rule.name}
    if wanted:
        positions |= {position for position, scope in enumerate(scopes) if scope in wanted}
    return [_matter(rule, findings, view, position, scopes[position]) for position in sorted(positions)]


def _matter(rule: Rule, findings: Findings, view: View, position: int, scope: str) -> Matter:
    check = checks.CHECKS[rule.check]
    of_station = findings.scopes is None
    verdict = Verdict(int(findings.verdict[position]))
    present = verdict is Verdict.PRESENT
    numbers: dict[str, Any] = check.evidence(view, rule.settings, findings, position) if present else {}
    since = int(findings.since[position])
    if of_station and present:
        numbers |= _visit_before(view, position, since)
    rank = int(findings.severity[position])
    when, tell = _when_and_whom(rule, bool(numbers.get("neighbours_wet") or numbers.get("rain_near")))
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


def _when_and_whom(rule: Rule, beside_rain: bool) -> tuple[When, tuple[str, ...]]:
    """Return when a rule tells, and which roles, as it stands beside rain or without."""
    if beside_rain and rule.beside_rain:
        return rule.beside_rain.when, tuple(dict.fromkeys((*rule.tell, *rule.beside_rain.tell)))
    return rule.when, rule.tell


def _visit_before(view: View, position: int, since: int) -> dict[str, str]:
    visit = int(view.last_visit[position])
    begun_after = visit and since and visit - DAY <= since <= visit + AFTER_VISIT_S
    return {"after_visit": rfc3339(visit)} if begun_after else {}


class _Outage(NamedTuple):
    """A source that is out, or may soon be called so: the matter that says it, and since when [s since 1970 UTC]."""

    key: AlarmKey
    since: int


def _sources_out(judged: Judged) -> dict[str, _Outage]:
    """Return the sources that are out, by name."""
    out = {}
    for rule, findings in judged:
        if rule.check == source_outage.NAME and findings.scopes:
            for position, scope in enumerate(findings.scopes):
                if findings.numbers["failing_since"][position]:
                    key = AlarmKey(rule.name, rule.check, scope)
                    out[scope.removeprefix("source:")] = _Outage(key, int(findings.numbers["failing_since"][position]))
    return out


def _silences(
    rule: Rule,
    findings: Findings,
    view: View,
    standing: Mapping[AlarmKey, Alarm],
    sources_out: Mapping[str, _Outage],
) -> list[Matter]:
    """Return silent stations, each under its widest cause: the source, then a mast, then a data plan, then itself.

    The first silent station waits until the others that share something with it were due too.
    """
    waits, sources = _waits(findings, view), overdue.source_of(view)
    wider: dict[int, AlarmKey] = {}
    matters: list[Matter] = []
    for group, members in _silent_groups(rule, findings, view, standing):
        outages = [sources_out[sources[position]] for position in members if sources[position] in sources_out]
        if outages:
            matters.append(replace(group, part_of=outages[0].key))
            continue
        if group.key not in standing and waits.source[members].any():
            group = replace(group, verdict=Verdict.UNDETERMINED, reason=WAITING)
        matters.append(group)
        for position in members:
            wider.setdefault(position, group.key)
    positions = {name: position for position, name in enumerate(view.stations.ids)}
    for matter in _plain(rule, findings, view, standing):
        position = positions[matter.stations[0]]
        source_out = sources_out.get(sources[position])
        if source_out is not None and _began_before(matter.key, source_out, view, position, standing):
            matter = replace(matter, verdict=Verdict.UNDETERMINED, reason="its source can't be fetched")
        elif source_out is not None:
            matter = replace(matter, part_of=source_out.key)
        elif matter.verdict is Verdict.PRESENT and position in wider:
            matter = replace(matter, part_of=wider[position])
        elif matter.verdict is Verdict.PRESENT and waits.any[position] and matter.key not in standing:
            matter = replace(matter, verdict=Verdict.UNDETERMINED, reason=WAITING)
        matters.append(matter)
    return matters


def _began_before(
    key: AlarmKey, outage: _Outage, view: View, position: int, standing: Mapping[AlarmKey, Alarm]
) -> bool:
    """Say whether a station was already told as silent before its source went out: that is no part of the outage."""
    alarm = standing.get(key)
    own_interval = 2 * int(view.record.sends_every_s[position]) + overdue.SLACK_S
    return alarm is not None and bool(alarm.raised_at) and alarm.since.timestamp() < outage.since - own_interval


def _silent_groups(
    rule: Rule, findings: Findings, view: View, standing: Mapping[AlarmKey, Alarm]
) -> list[tuple[Matter, list[int]]]:
    late = overdue.late(view) | (findings.verdict == Verdict.PRESENT)
    scopes = [key.scope for key in standing if key.rule == rule.name]
    groups = []
    for kind, names in (("mast", view.stations.mast), ("plan", view.stations.plan), ("area", view.stations.area)):
        open_groups = {scope.split(":", 1)[1] for scope in scopes if scope.startswith(f"{kind}:")}
        late_at = Counter(names[position] for position in np.flatnonzero(late))
        wanted = {name for name, number in late_at.items() if number > 1 and name} | open_groups
        for name, members in sorted(_members(names, wanted).items()):
            members = members[view.in_service[members]]
            key = AlarmKey(rule.name, rule.check, f"{kind}:{name}")
            group = _silent_group(rule, findings, view, key, members, late, standing.get(key))
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
) -> tuple[Matter, list[int]] | None:
    last, every = view.record.last_received, view.record.sends_every_s
    members = members[last[members] > 0]
    silent = members[late[members]]
    if alarm is not None and alarm.raised_at is not None and alarm.state is not AlarmState.RETURNED:
        began = alarm.since.timestamp()
        silent = silent[last[silent] >= began - 1.5 * every[silent] - 600]
        mine = [p for p in members if view.stations.ids[p] in alarm.stations or p in silent]
        present = len(silent) > STILL_MOST * len(mine)
    else:
        # Those that fell silent long before the others have a trouble of their own.
        mask = np.zeros(len(late), bool)
        mask[silent] = True
        silent = np.flatnonzero(overdue.fell_silent_together(view, mask))
        own_trouble = late[members] & ~np.isin(members, silent)
        known_bad = (findings.verdict[silent] == Verdict.PRESENT).any()
        present = (
            len(silent) >= 2 and known_bad and len(silent) >= source_outage.MOST * (len(members) - own_trouble.sum())
        )
    if not present and alarm is None:
        return None
    wet = overdue.rain_of_last_hour(view) >= overdue.WET_UM
    near = view.stations.neighbours[silent]
    beside_rain = bool(wet[near[near >= 0]].any())
    when, tell = _when_and_whom(rule, beside_rain)
    since = int(view.record.last_observed[silent].min()) if len(silent) else 0
    matter = Matter(
        key=key,
        check=rule.check,
        verdict=Verdict.PRESENT if present else Verdict.ABSENT,
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
        }
        if present
        else {},
    )
    return matter, [int(p) for p in silent] if present else []


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

    A peer spoke when it was heard at least one of the station's intervals later; it is unsure until it is late itself.
    """
    last, every = view.record.last_received, view.record.sends_every_s
    unsure = view.now - last <= 2 * every + overdue.SLACK_S
    could = np.zeros(len(names), bool)
    for peers in _members(names, {names[position] for position in silent} - {""}).values():
        peers = peers[last[peers] > 0]
        own = np.intersect1d(peers, silent)
        next_due = last[own] + every[own]
        spoke = len(peers) - np.searchsorted(np.sort(last[peers]), next_due)
        earliest_unsure = last[peers[unsure[peers]]].min(initial=np.iinfo(np.int64).max)
        could[own] = (earliest_unsure < next_due) & (len(peers) - spoke >= source_outage.MOST * len(peers))
    return could


def _members(names: Sequence[str], wanted: Iterable[str]) -> dict[str, np.ndarray]:
    """Return the positions of the stations of each wanted name."""
    members: dict[str, list[int]] = {name: [] for name in wanted}
    for position, name in enumerate(names):
        if name in members:
            members[name].append(position)
    return {name: np.array(positions, np.intp) for name, positions in members.items()}


def _storm(rule: Rule, findings: Findings, view: View, standing: Mapping[AlarmKey, Alarm]) -> list[Matter]:
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
        for matter in _storm(rule, findings, then, {}):
            if worst is None or matter.level > worst.level:
                worst = matter
    return worst


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


def _ended_batteries(matters: list[Matter], standing: Mapping[AlarmKey, Alarm]) -> list[Matter]:
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
