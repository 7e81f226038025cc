"""The life of an alarm: from a matter that stands long enough to its end, told once (ISA-18.2 states and moves)."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from watchman.judging.rule import Rule
from watchman.model import Alarm, AlarmKey, AlarmState, Answer, Call, Event, EventKind, Matter, Verdict, When

LATCHED = timedelta(hours=24)
"""How long a returned alarm that nobody acknowledged waits for its acknowledgement; coming back by then, it is the
same.
"""

NOT_A_FAULT = "not a fault"
"""The answer that closes an alarm at once; its evidence begins again from nothing (`judging/cleared.py`)."""

ASIDE = frozenset({AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE})
"""What people themselves set aside; when it is back, they are asked anew."""

STORM_CHECKS = frozenset({"heavy-rain"})
"""Their matters end with a summary rather than return to normal."""


def step(
    alarms: Iterable[Alarm],
    matters: Iterable[Matter],
    answers: Sequence[Answer],
    rules: Mapping[str, Rule],
    last_number: int,
    now: datetime,
    calls: Iterable[Call] = (),
) -> tuple[list[Alarm], list[Event]]:
    """Return the alarms that changed, those that ended first, and the events of this cycle, in order.

    alarms: all that have not ended, one a key at most; matters: what is said of each key this cycle; a key of which
    nothing is said stays as it is. last_number: the highest number ever used. calls: what is owed because nobody
    answered; made only where that is still so.
    """
    steps = _Steps({alarm.key: alarm for alarm in alarms}, rules, last_number, now)
    for answer in answers:
        steps.answer(answer)
    # What is part of a wider matter must find the wider alarm raised.
    for matter in sorted(matters, key=lambda one: one.part_of is not None):
        steps.matter(matter)
    for call in calls:
        steps.call(call)
    steps.clock()
    return [*steps.ended, *steps.changed.values()], steps.events


class _Steps:
    """The moves of one cycle, collected."""

    def __init__(
        self, alarms: dict[AlarmKey, Alarm], rules: Mapping[str, Rule], last_number: int, now: datetime
    ) -> None:
        self.alarms, self.rules, self.last_number, self.now = alarms, rules, last_number, now
        self.changed: dict[AlarmKey, Alarm] = {}
        self.ended: list[Alarm] = []
        self.events: list[Event] = []

    def keep(self, alarm: Alarm) -> Alarm:
        if alarm.ended_at is not None:
            # Its key is free again: the matter may be back in this very cycle, as an alarm of its own.
            self.ended.append(alarm)
            self.alarms.pop(alarm.key, None)
            self.changed.pop(alarm.key, None)
        elif self.alarms.get(alarm.key) != alarm:
            self.alarms[alarm.key] = self.changed[alarm.key] = alarm
        return alarm

    def tell(self, alarm: Alarm, kind: EventKind, who: str = "", note: str = "") -> Alarm:
        alarm = self.keep(replace(alarm, steps=alarm.steps + 1))
        self.events.append(Event(self.now, kind, alarm, alarm.steps, who, note))
        return alarm

    def answer(self, answer: Answer) -> None:
        alarm = next((one for one in self.alarms.values() if one.number == answer.alarm and one.standing), None)
        if alarm is None:
            return
        if answer.kind == "acknowledge":
            self._acknowledge(alarm, answer)
        elif answer.kind == "shelve" and answer.until is not None and answer.until > self.now:
            shelved = replace(_aside(alarm, AlarmState.SHELVED), shelved_until=answer.until)
            self.tell(shelved, EventKind.SHELVED, answer.who, answer.reason)
        elif answer.kind == "unshelve" and alarm.state is AlarmState.SHELVED:
            self.tell(self._back(alarm), EventKind.UNSHELVED, answer.who, answer.reason)
        elif answer.kind == NOT_A_FAULT and alarm.check not in STORM_CHECKS:
            alarm = replace(alarm, state=AlarmState.NORMAL, state_before=None, absent_since=self.now)
            note = f"{NOT_A_FAULT}: {answer.reason}" if answer.reason else NOT_A_FAULT
            self._end(self.tell(alarm, EventKind.ANSWERED, answer.who, note))

    def call(self, call: Call) -> None:
        """Call one more person, or say it once more, unless somebody has answered meanwhile or it is over."""
        alarm = next((one for one in self.alarms.values() if one.number == call.alarm), None)
        if alarm is None or alarm.state is not AlarmState.UNACKNOWLEDGED or alarm.acknowledged_by:
            return
        if call.kind is EventKind.ESCALATED:
            alarm = replace(alarm, called=(*alarm.called, call.who), asked_at=self.now)
        else:
            alarm = replace(alarm, reminded=alarm.reminded + 1, asked_at=self.now)
        self.tell(alarm, call.kind, call.who, ", ".join(call.tried))

    def _acknowledge(self, alarm: Alarm, answer: Answer) -> None:
        if alarm.acknowledged_by:
            return
        state = alarm.state
        before = alarm.state_before
        if state is AlarmState.UNACKNOWLEDGED:
            state = AlarmState.ACKNOWLEDGED
        elif state is not AlarmState.RETURNED and before is AlarmState.UNACKNOWLEDGED:
            before = AlarmState.ACKNOWLEDGED
        alarm = replace(alarm, state=state, state_before=before, acknowledged_by=answer.who, acknowledged_at=self.now)
        alarm = self.tell(alarm, EventKind.ACKNOWLEDGED, answer.who, answer.reason)
        if alarm.state is AlarmState.RETURNED:
            self._end(alarm)

    def matter(self, matter: Matter) -> None:
        alarm = self.alarms.get(matter.key)
        if alarm is None:
            if matter.verdict is not Verdict.PRESENT:
                return
            alarm = self.keep(pending(matter, self.now))
        if alarm.raised_at is None:
            self._wait(alarm, matter)
        elif matter.verdict is Verdict.ABSENT:
            self._return(alarm, matter)
        elif alarm.state is AlarmState.RETURNED and (matter.held or matter.verdict is Verdict.UNDETERMINED):
            return  # it is over until it is seen again
        elif (wider := self._wider(matter)) is not None and alarm.state is not AlarmState.SHELVED:
            self._absorb(alarm, wider)
        elif matter.held:
            self.keep(_aside(alarm, AlarmState.OUT_OF_SERVICE))
        elif matter.verdict is Verdict.PRESENT:
            self._stand(alarm, matter)
        else:
            self.keep(_aside(replace(alarm, absent_since=None), AlarmState.SUPPRESSED))

    def _wider(self, matter: Matter) -> Alarm | None:
        """Return the alarm that a matter is part of, if it has been told and still stands."""
        wider = self.alarms.get(matter.part_of) if matter.part_of is not None else None
        return wider if wider is not None and wider.raised_at and wider.state is not AlarmState.RETURNED else None

    def _wait(self, alarm: Alarm, matter: Matter) -> None:
        """Let the on-delay run, and raise the alarm when it is over."""
        if matter.verdict is Verdict.ABSENT:
            self.keep(replace(alarm, ended_at=self.now))
            return
        if matter.verdict is Verdict.UNDETERMINED:
            return
        alarm = _with(alarm, matter)
        on_delay = timedelta(minutes=self._rule(alarm).on_delay_minutes)
        if matter.held or matter.part_of is not None or self.now - alarm.first_seen_at < on_delay:
            self.keep(alarm)
            return
        self.last_number += 1
        state = AlarmState.UNACKNOWLEDGED
        alarm = replace(alarm, number=self.last_number, state=state, raised_at=self.now, asked_at=self.now)
        self.tell(alarm, EventKind.RAISED)

    def _stand(self, alarm: Alarm, matter: Matter) -> None:
        """Go on with an alarm whose matter is still there; say so again only if it got worse or wider."""
        worse = matter.level > alarm.level
        known = alarm.check in STORM_CHECKS and matter.severity.rank <= alarm.severity.rank
        wider = not set(matter.stations) <= set(alarm.stations) and alarm.check not in STORM_CHECKS
        urgent = matter.when is When.NOW and alarm.when is not When.NOW
        came_back = alarm.state is AlarmState.RETURNED
        # What comes and goes is told as such once, not each time it is back.
        again = (came_back and not alarm.came_back) or alarm.absorbed_by
        shelved = alarm.state is AlarmState.SHELVED
        if came_back:
            alarm = replace(
                alarm,
                state=AlarmState.UNACKNOWLEDGED,
                since=matter.since or self.now,
                first_seen_at=self.now,
                came_back=alarm.came_back + 1,
            )
        elif not shelved:
            alarm = self._back(alarm)
        alarm = replace(_with(alarm, matter), absent_since=None, absorbed_by=0)
        if (worse or wider or urgent or again) and not shelved:
            if again:
                alarm = replace(alarm, asked_at=self.now)
            # An answer to what was known before is no answer to worse.
            if worse or urgent:
                alarm = _asked_anew(alarm, self.now)
            changes = (
                ("heavy again", worse and known),
                ("worse", worse or urgent),
                ("wider", wider),
                ("comes and goes", came_back),
                ("still so", True),
            )
            self.tell(alarm, EventKind.UPDATED, note=next(note for note, holds in changes if holds))
        else:
            self.keep(alarm)

    def _return(self, alarm: Alarm, matter: Matter) -> None:
        """Let the off-delay run, and end the alarm when it is over."""
        if alarm.state is AlarmState.RETURNED:
            return
        if alarm.state is not AlarmState.SHELVED:
            alarm = self._back(alarm)
        gone_since = alarm.absent_since or self.now
        alarm = self.keep(replace(alarm, absent_since=gone_since))
        if self.now - gone_since < timedelta(minutes=self._rule(alarm).off_delay_minutes):
            return
        tell = tuple(dict.fromkeys((*alarm.tell, *matter.tell)))
        alarm = replace(alarm, numbers={**alarm.numbers, **matter.numbers}, tell=tell)
        if alarm.check in STORM_CHECKS:
            self._end(self.tell(alarm, EventKind.ENDED))
            return
        latched = alarm.state is AlarmState.UNACKNOWLEDGED
        alarm = replace(alarm, state=AlarmState.RETURNED if latched else AlarmState.NORMAL)
        alarm = self.tell(alarm, EventKind.RETURNED)
        if not latched:
            self._end(alarm)

    def _absorb(self, alarm: Alarm, wider: Alarm) -> None:
        if alarm.absorbed_by != wider.number:
            alarm = replace(_aside(alarm, AlarmState.SUPPRESSED), absorbed_by=wider.number)
            self.tell(alarm, EventKind.ABSORBED, note=f"part of {wider.number} now")

    def _end(self, alarm: Alarm) -> None:
        self.keep(replace(alarm, state=AlarmState.NORMAL, ended_at=self.now))

    def clock(self) -> None:
        """Do what time alone brings: the end of a shelving, and of waiting for an acknowledgement."""
        for alarm in list(self.alarms.values()):
            if alarm.state is AlarmState.SHELVED and alarm.shelved_until and alarm.shelved_until <= self.now:
                back = self.tell(self._back(alarm), EventKind.UNSHELVED, note="its time was over")
                if back.absent_since is None and back.state in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED):
                    self.tell(back, EventKind.UPDATED, note="still so")
            waits = alarm.state is AlarmState.RETURNED and alarm.ended_at is None
            if waits and alarm.absent_since and self.now - alarm.absent_since >= LATCHED:
                self._end(alarm)

    def _back(self, alarm: Alarm) -> Alarm:
        """Return an alarm that was set aside to where it was; the wait for an answer begins anew if people did it."""
        if alarm.state_before is None:
            return alarm
        asked_at = self.now if alarm.state in ASIDE else alarm.asked_at
        return replace(alarm, state=alarm.state_before, state_before=None, shelved_until=None, asked_at=asked_at)

    def _rule(self, alarm: Alarm) -> Rule:
        return self.rules.get(alarm.key.rule) or Rule(name=alarm.key.rule, check=alarm.check)


def pending(matter: Matter, now: datetime) -> Alarm:
    """Return the alarm of a matter just seen, not yet raised."""
    return Alarm(
        number=0,
        key=matter.key,
        check=matter.check,
        state=AlarmState.NORMAL,
        stations=matter.stations,
        severity=matter.severity,
        certainty=matter.certainty,
        when=matter.when,
        tell=matter.tell,
        since=matter.since or now,
        first_seen_at=now,
        level=matter.level,
        numbers=matter.numbers,
    )


def _asked_anew(alarm: Alarm, now: datetime) -> Alarm:
    """Return the alarm waiting for an answer again; where one was still awaited, the wait goes on."""
    waiting = alarm.state is AlarmState.UNACKNOWLEDGED and not alarm.acknowledged_by and alarm.asked_at is not None
    asked_at = alarm.asked_at if waiting else now
    return replace(alarm, state=AlarmState.UNACKNOWLEDGED, acknowledged_by="", asked_at=asked_at)


def _with(alarm: Alarm, matter: Matter) -> Alarm:
    """Return the alarm with this cycle's evidence; it began when it first began, and is never less severe than it
    was.
    """
    worse = matter.severity.rank >= alarm.severity.rank
    return replace(
        alarm,
        stations=tuple(dict.fromkeys((*alarm.stations, *matter.stations))) if alarm.raised_at else matter.stations,
        severity=matter.severity if worse else alarm.severity,
        certainty=matter.certainty,
        when=When.NOW if When.NOW in (alarm.when, matter.when) else matter.when,
        tell=tuple(dict.fromkeys((*alarm.tell, *matter.tell))),
        numbers=matter.numbers,
        # A storm's level falls when nothing has reached it for a while, so that the next burst is news.
        level=matter.level if alarm.check in STORM_CHECKS else max(alarm.level, matter.level),
    )


def _aside(alarm: Alarm, state: AlarmState) -> Alarm:
    """Return the alarm set aside, remembering what it goes back to; what a person shelved stays shelved."""
    if alarm.state in (state, AlarmState.SHELVED):
        return alarm
    before = alarm.state_before if alarm.state_before is not None else alarm.state
    return replace(alarm, state=state, state_before=before)
