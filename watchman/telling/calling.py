"""Who is called, and who is told once more, when nobody answers."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from datetime import date, datetime, timedelta

from watchman.model import Alarm, AlarmState, Call, EventKind, Notice, NoticeState, When
from watchman.network import Network
from watchman.telling.roster import (
    due_at,
    due_for,
    in_turn,
    is_away,
    is_working_day,
    kind,
    named,
    next_by_day,
    on_the_wall,
    told_now,
    with_roles,
)

LATER_REMINDERS = 5
"""A reminder after the first comes so many times later (decided here): the digest names what nobody answered too."""

LONGEST_CLOSED_DAYS = 60
"""Nobody waits longer than this for a working day, whatever the holidays say (decided here)."""


def calls(
    network: Network, alarms: Iterable[Alarm], now: datetime, unreached: Mapping[int, Collection[str]] | None = None
) -> list[Call]:
    """Return what is owed because nobody answered: the next person to call, or one more word to those already told.

    In heavy rain the next one is called after some minutes, or at once when nobody who was told could be reached
    (unreached: by an alarm's number); nobody is told the same again. A fault is for the next one after a working day;
    where nobody is left it is said once more, then ever so many times later, as long as people can answer.
    """
    alarms, unreached = list(alarms), unreached or {}
    waiting = (alarm for alarm in alarms if awaits_answer(alarm) and not _answered_elsewhere(network, alarm, alarms))
    return [
        call for alarm in waiting if (call := _call(network, alarm, now, unreached.get(alarm.number, ()))) is not None
    ]


def awaits_answer(alarm: Alarm) -> bool:
    """Say whether people were asked to answer an alarm, nobody has, and it does not seem to be over."""
    unanswered = alarm.state is AlarmState.UNACKNOWLEDGED and not alarm.acknowledged_by and alarm.asked_at is not None
    return unanswered and alarm.standing and alarm.absent_since is None and alarm.when is not When.WEEKLY


def _answered_elsewhere(network: Network, alarm: Alarm, alarms: Iterable[Alarm]) -> bool:
    """Say whether somebody who is told of a storm has answered it under another rule: both were one notice.

    An answer to lesser rain, given before this one asked, is none to it.
    """
    if kind(alarm) != "storm":
        return False
    mine, asked_at = set(_tried(network, alarm)), alarm.asked_at or alarm.first_seen_at
    return any(
        other.acknowledged_by in mine
        and (
            other.severity.rank >= alarm.severity.rank
            or (other.acknowledged_at is not None and other.acknowledged_at > asked_at)
        )
        for other in alarms
        if kind(other) == "storm" and other.key.scope == alarm.key.scope and other.standing
    )


def _call(network: Network, alarm: Alarm, now: datetime, unreached: Collection[str]) -> Call | None:
    tried = _tried(network, alarm)
    known = {contact.name for contact in network.contacts}
    nobody_knows = kind(alarm) == "storm" and known & set(tried) <= set(unreached)
    if now < _answer_due(network, alarm) and not nobody_knows:
        return None
    following = next((name for name in _chain(network, alarm, now) if name not in tried), "")
    if following:
        return Call(alarm.number, EventKind.ESCALATED, following, tried)
    return Call(alarm.number, EventKind.REMINDED, "", tried) if _may_remind(network, alarm) else None


def _may_remind(network: Network, alarm: Alarm) -> bool:
    """Say whether an alarm may be said once more: never in heavy rain, nor where nobody could answer."""
    return kind(alarm) != "storm" and can_answer(network)


def can_answer(network: Network) -> bool:
    """Say whether people can answer a notice from a phone: by its link, a mail or a text."""
    return any((network.board, network.answers.mail, network.answers.text))


def _tried(network: Network, alarm: Alarm) -> tuple[str, ...]:
    """Return who has been told of an alarm: on duty when it began, on duty when it last asked, and called since."""
    moments = sorted({alarm.raised_at or alarm.first_seen_at, alarm.asked_at or alarm.first_seen_at})
    told = (contact.name for moment in moments for contact in told_now(network, alarm.tell, moment))
    return tuple(dict.fromkeys((*told, *alarm.called)))


def _chain(network: Network, alarm: Alarm, now: datetime) -> Iterator[str]:
    """Yield who can be called about an alarm, in order: the turns of its roles, then the roles called after them.

    In heavy rain whoever would not hear of it now is passed over.
    """
    names = [name for role in alarm.tell for name in in_turn(network, role, now)]
    for role in network.escalation.then:
        everybody = (person.name for person in with_roles(network, (role,)))
        names += in_turn(network, role, now) or [name for name in everybody if not is_away(network, name, now)]
    for contact in (contact for name in names for contact in named(network, {name})):
        if kind(alarm) != "storm" or due_for(network, contact, alarm, now) <= now:
            yield contact.name


def unreached(notices: Iterable[Notice], now: datetime) -> set[str]:
    """Return the people whom the newest notice about an alarm did not reach, or reaches later only. notices: about it.

    A mail wakes nobody: whoever has a text or a chat is reached by those alone.
    """
    newest: dict[str, list[Notice]] = {}
    for notice in sorted(notices, key=_step):
        mine = newest.setdefault(notice.person, [])
        if mine and mine[-1].occasion != notice.occasion:
            mine.clear()
        mine.append(notice)
    waking = {person: [one for one in mine if one.channel != "mail"] or mine for person, mine in newest.items()}
    return {person for person, ways in waking.items() if all(_lost(notice, now) for notice in ways)}


def _lost(notice: Notice, now: datetime) -> bool:
    given_up = notice.state in (NoticeState.REFUSED, NoticeState.UNKNOWN)
    return given_up or (notice.state is NoticeState.DUE and notice.due_at > now)


def _step(notice: Notice) -> int:
    return int(notice.occasion.rsplit(":", 1)[-1])


def _answer_due(network: Network, alarm: Alarm) -> datetime:
    """Return until when an answer is waited for. alarm: one that has asked for it."""
    asked_at = alarm.asked_at or alarm.first_seen_at
    if kind(alarm) == "storm":
        return due_at(network, alarm.when, asked_at) + timedelta(minutes=network.escalation.storm_minutes)
    often = LATER_REMINDERS if alarm.reminded else 1
    return after_working_days(network, next_by_day(network, asked_at), often * network.escalation.fault_working_days)


def after_working_days(network: Network, begin: datetime, days: int) -> datetime:
    """Return the same time of day so many working days later (Monday to Friday, without the holidays of all).

    From a day on which nobody works it is counted from the morning of the next working day.
    """
    here = begin.astimezone(network.zone)
    day, clock = here.date(), here.time()
    if not is_working_day(network, day):
        day, clock = _next_working_day(network, day), network.by_day.begins
    for _ in range(days):
        day = _next_working_day(network, day)
    return on_the_wall(network, day, clock)


def _next_working_day(network: Network, day: date) -> date:
    following = (day + timedelta(days=number) for number in range(1, LONGEST_CLOSED_DAYS))
    return next((one for one in following if is_working_day(network, one)), day + timedelta(days=LONGEST_CLOSED_DAYS))
