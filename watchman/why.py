"""What `why` answers, rule by rule: told or not, on which numbers, by which limit, and what would have turned it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

import numpy as np

from watchman import watch
from watchman.judging import causes, checks
from watchman.judging.cleared import Cleared
from watchman.judging.difference import Difference, differences
from watchman.judging.rule import Rule
from watchman.judging.view import Findings, View
from watchman.model import (
    Alarm,
    AlarmKey,
    AlarmState,
    Event,
    EventKind,
    Matter,
    Notice,
    NoticeState,
    Readings,
    Span,
    Verdict,
    When,
)
from watchman.network import Network
from watchman.replay import Past, let_clear
from watchman.store import Store
from watchman.telling import compose, outbox, phrases, roster, who

REMEMBERED = timedelta(days=400)
"""How far back the store is asked for alarms that may still stand."""
NAMED = 6


@dataclass(frozen=True, slots=True)
class Answer:
    """What is said of one rule. told: to whom and when, or why not; because: the numbers; differences: what would turn
    it, in words; whom: who would be told of it, role by role.
    """

    rule: str
    verdict: str
    told: str
    because: str
    differences: tuple[str, ...]
    whom: tuple[str, ...] = ()


def of_station(
    network: Network, watching: watch.Watch, store: Store | None, station: str, now: datetime
) -> list[Answer]:
    """Return what is to be said of one station at `now`, rule by rule. watching: the network as it was known then."""
    view, judged, told, notices = _then(network, watching, store, now)
    position = view.stations.ids.index(station)
    matters = causes.gather(judged, view, told)
    return [
        _Of(network, view, rule, findings, now).station(position, _matter(matters, rule, station), told, notices)
        for rule, findings in judged
    ]


def of_network(network: Network, watching: watch.Watch, store: Store | None, now: datetime) -> list[Answer]:
    """Return what is to be said of all stations together at `now`, rule by rule."""
    view, judged, told, notices = _then(network, watching, store, now)
    return [_Of(network, view, rule, findings, now).all_stations(told, notices) for rule, findings in judged]


def as_known(
    network: Network, readings: Readings, spans: tuple[Span, ...], now: datetime, said: Sequence[Cleared] = ()
) -> watch.Watch:
    """Return the watch of a network as it would have begun at `now`, from what had arrived and was said by then."""
    past = Past(readings, spans)
    past.until(now)
    watching = watch.begin(network, past, now)
    let_clear(watching, said, now)
    # How each fetch went then is not kept; an outage that was told is among the alarms.
    watching.health = tuple(replace(one, last_attempt_at=now, last_success_at=now) for one in watching.health)
    return watching


def as_text(title: str, answers: list[Answer]) -> str:
    """Return the answers for a person's eye."""
    lines = [title]
    for answer in answers:
        lines += ["", f"{answer.rule}: {answer.told}"]
        lines += [f"  {line}" for line in (answer.because, *answer.differences, *answer.whom) if line]
    return "\n".join(lines)


def _then(
    network: Network, watching: watch.Watch, store: Store | None, now: datetime
) -> tuple[View, list[tuple[Rule, Findings]], dict[AlarmKey, Alarm], tuple[Notice, ...]]:
    """Return what the checks saw and found at `now`, the alarms that stood, and the notices made by then."""
    watching.record.advance(int(now.timestamp()))
    view = watch.learn(watching, watch.view_of(watching, now))
    judged, _broken = watch.judge(network.rules, view)
    if store is None:
        return view, judged, {}, ()
    events = store.events(now - REMEMBERED, now + timedelta(seconds=1))
    return view, judged, _standing(store, events, now), store.notices(begin=now - REMEMBERED, end=now)


def _standing(store: Store, events: tuple[Event, ...], now: datetime) -> dict[AlarmKey, Alarm]:
    """Return the alarms that stood at `now`, each as its last event then left it."""
    last = {event.alarm.number: event for event in events}
    standing = {}
    for number, event in last.items():
        today = store.alarm(number)
        ended = today is not None and today.ended_at is not None and today.ended_at <= now
        if not ended and event.kind not in (EventKind.ENDED, EventKind.RETURNED):
            standing[event.alarm.key] = replace(event.alarm, ended_at=None)
    return standing


def _matter(matters: list[Matter], rule: Rule, station: str) -> Matter | None:
    """Return what is said of a station under a rule: its own matter, else a shared one that names it."""
    mine = [matter for matter in matters if matter.key.rule == rule.name and station in matter.stations]
    own = [matter for matter in mine if matter.key.scope == f"station:{station}"]
    return next(iter((*own, *mine)), None)


class _Of:
    """What is said of one rule at `now`."""

    def __init__(self, network: Network, view: View, rule: Rule, findings: Findings, now: datetime) -> None:
        self.network, self.view, self.rule, self.findings, self.now = network, view, rule, findings, now
        self.check = checks.CHECKS[rule.check]
        self.say = phrases.Phrases(network, now)

    def station(
        self, position: int, matter: Matter | None, standing: Mapping[AlarmKey, Alarm], notices: tuple[Notice, ...]
    ) -> Answer:
        station = self.view.stations.ids[position]
        place = position if self.findings.scopes is None else self._scope_of(position)
        if place is None:
            return Answer(self.rule.name, "absent", "it has nothing to say of this station.", "", ())
        verdict = Verdict(int(self.findings.verdict[place]))
        alarms = [a for a in standing.values() if a.key.rule == self.rule.name and station in a.stations]
        if self.findings.scopes is not None:
            mine = AlarmKey(self.rule.name, self.rule.check, self.findings.scopes[place])
            alarms += [standing[mine]] if mine in standing else []
        told = self._told(alarms[0], notices) if alarms else self._not_told(verdict, matter)
        turns = [self._turns(one, verdict) for one in self._differences(place)]
        turns += self._without_visit(place, matter)
        because = self._because(place, verdict)
        return Answer(self.rule.name, verdict.name.lower(), told, because, tuple(turns), self._whom())

    def all_stations(self, standing: Mapping[AlarmKey, Alarm], notices: tuple[Notice, ...]) -> Answer:
        findings = self.findings
        names = findings.scopes or self.view.stations.names
        told = [self._told(a, notices) for a in standing.values() if a.key.rule == self.rule.name]
        present = [str(names[p]).replace(":", " ") for p in findings.present()]
        unknown = Counter(str(why) for why in findings.reason[findings.verdict == Verdict.UNDETERMINED])
        because = [f"present at {phrases.listed(present, NAMED)}" if present else "present nowhere"]
        because += [f"can't be judged at {count} of {len(names)}: {why}" for why, count in unknown.most_common(NAMED)]
        verdict = Verdict.PRESENT if present else Verdict.ABSENT
        turns = () if present else [self._turns(one, verdict, "somebody") for one in self._differences(None)]
        said = " ".join(told) or ("nobody is told of anything." if not present else "nobody has been told.")
        return Answer(self.rule.name, verdict.name.lower(), said, "; ".join(because) + ".", tuple(turns), self._whom())

    def _whom(self) -> tuple[str, ...]:
        """Return who would be told of the rule now, role by role."""
        if self.rule.when is When.WEEKLY:
            return ()
        return tuple(f"It tells {who.would_tell(self.network, role, self.now)}" for role in self.rule.tell)

    def _scope_of(self, position: int) -> int | None:
        """Return which of the findings of a check that judges something else is about this station."""
        scopes = self.findings.scopes or ()
        mine = {f"{kind}:{names[position]}" for kind, names in self._shared().items()} | {"network"}
        mine.add(f"station:{self.view.stations.ids[position]}")
        found = [place for place, scope in enumerate(scopes) if scope in mine]
        # What is present comes first, then what is shared: its plan says more than that nothing of its own is due.
        return max(found, key=lambda place: (self.findings.verdict[place] == Verdict.PRESENT, place), default=None)

    def _shared(self) -> dict[str, Any]:
        stations = self.view.stations
        return {"source": stations.source, "mast": stations.mast, "plan": stations.plan, "area": stations.area}

    def _because(self, place: int, verdict: Verdict) -> str:
        """Return the check's own account of its numbers, in its own words."""
        numbers = self.check.evidence(self.view, self.rule.settings, self.findings, place)
        facts = {"n": numbers, "verdict": verdict.name.lower(), "reason": str(self.findings.reason[place])}
        return compose.account(self.check.NAME, facts, self.network, self.now)

    def _told(self, alarm: Alarm, notices: tuple[Notice, ...]) -> str:
        """Return who was told of an alarm and when, or what keeps the notices."""
        mine = [notice for notice in notices if notice.alarm == alarm.number]
        accepted = [notice for notice in mine if notice.accepted_at is not None and notice.accepted_at <= self.now]
        words = [f"no. {alarm.number} stands since {self.say.clock(alarm.since)}"]
        if accepted:
            first = min(accepted, key=lambda notice: notice.accepted_at or self.now)
            people = list(dict.fromkeys(notice.person for notice in accepted))
            words.append(f"told {phrases.listed(people, NAMED)} {self.say.clock(first.accepted_at or self.now)}")
        elif alarm.when is When.WEEKLY:
            words.append("it goes into the weekly digest")
        elif waiting := [notice for notice in mine if notice.due_at > self.now]:
            words.append(f"its notices wait until {self.say.clock(min(n.due_at for n in waiting))}")
        elif told_in := [notice for notice in mine if notice.error.startswith(outbox.TOLD_IN)]:
            people = list(dict.fromkeys(notice.person for notice in told_in))
            words.append(
                f"{phrases.listed(people, NAMED)} {told_in[0].error}, with others beyond the budget of the day"
            )
        elif refused := [notice for notice in mine if notice.state is NoticeState.REFUSED]:
            words.append(f"NOT told: {refused[0].channel} to {refused[0].person} was refused ({refused[0].error})")
        elif not roster.with_roles(self.network, alarm.tell):
            words.append("nobody has a role that it tells")
        else:
            words.append("nobody has been told yet")
        if alarm.acknowledged_by:
            words.append(f"acknowledged by {alarm.acknowledged_by}")
        if alarm.state is AlarmState.SHELVED and alarm.shelved_until:
            words.append(f"shelved until {self.say.clock(alarm.shelved_until)}")
        return ", ".join(words) + "."

    def _not_told(self, verdict: Verdict, matter: Matter | None) -> str:
        """Return why nobody was told."""
        if verdict is Verdict.ABSENT:
            return "not told, nothing is amiss."
        if verdict is Verdict.UNDETERMINED:
            return "not told, it can't be judged."
        if matter is not None and matter.held:
            return "not told, somebody works at the station, or it is on probation: the rule waits."
        if matter is not None and matter.part_of is not None:
            return f"not told by itself, it is part of {matter.part_of.matter} at {matter.part_of.scope}."
        if matter is not None and matter.verdict is Verdict.UNDETERMINED:
            return f"not told: {matter.reason}."
        if self.rule.on_delay_minutes:
            return f"not told yet: it must hold for {self.rule.on_delay_minutes:g} min."
        return "nobody has been told: no watch of this host has judged it."

    def _differences(self, place: int | None) -> list[Difference]:
        return differences(self.check, self.rule.settings, self.view, place)

    def _turns(self, one: Difference, verdict: Verdict, whom: str = "it") -> str:
        """Return a difference in words."""
        would = f"{whom} would have been told" if verdict is not Verdict.PRESENT else "it would not have been told"
        if one.until is not None:
            return f"Silent until {self.say.clock(one.until)}, it would be told."
        return f"With {one.setting} = {one.would:g} instead of {one.was:g} {would}."

    def _without_visit(self, place: int, matter: Matter | None) -> Iterator[str]:
        """Yield that a window made the difference, if without it the rule would not wait."""
        if matter is None or not matter.held or self.findings.scopes is not None:
            return
        served = replace(self.view, in_service=np.ones_like(self.view.in_service))
        again = causes.gather([(self.rule, self.check.judge(served, self.rule.settings))], served, {})
        station = self.view.stations.ids[place]
        if any(not one.held and one.verdict is Verdict.PRESENT and station in one.stations for one in again):
            yield "Without the maintenance window it would have been told."
