"""Who is told, when, and by which channel."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import UTC, datetime, timedelta

from watchman.model import Alarm, AlarmState, Event, EventKind, Notice, When
from watchman.network import Contact, Network

CHANNELS = ("text", "mail", "chat")
"""A notice goes by every channel its person has: the text short, the mail with the evidence."""

TOLD = frozenset(
    {EventKind.RAISED, EventKind.UPDATED, EventKind.REMINDED, EventKind.ESCALATED, EventKind.RETURNED, EventKind.ENDED}
)
"""The events worth telling; the others are written down and shown, but nobody's phone rings for them."""

HELD = frozenset({AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE})
"""The states in which people set an alarm aside: nobody is told of it."""


def address(network: Network, events: Iterable[Event], now: datetime) -> list[Notice]:
    """Return one notice per person and channel for each event worth telling, without words and not yet numbered.

    Two faults at one station at one moment are one notice to a person; the words name the other.
    """
    events = list(events)
    notices = [
        Notice(
            number=0,
            occasion=event.occasion,
            person=contact.name,
            channel=channel,
            kind=kind(event.alarm),
            due_at=due_at(network, event.alarm.when, now),
            made_at=now,
            alarm=event.alarm.number,
            event=event.kind.value,
        )
        for event in events
        for contact in told_of(network, event)
        for channel in channels(contact)
    ]
    due, put_off, _ = still_due(notices, {event.alarm.number: event.alarm for event in events})
    return [*due, *put_off]


def summon(
    network: Network, occasion: str, kind: str, contacts: Iterable[Contact], now: datetime, when: When = When.NOW
) -> list[Notice]:
    """Return notices of something that is no step of an alarm (a drill, "I was off", a window's end, a digest).

    A digest goes by mail alone.
    """
    return [
        Notice(0, occasion, contact.name, channel, kind, due_at=due_at(network, when, now), made_at=now)
        for contact in contacts
        for channel in channels(contact)
        if kind != "digest" or channel == "mail"
    ]


def with_roles(network: Network, roles: Iterable[str]) -> list[Contact]:
    """Return the contacts who have any of the roles, each once, in the order written."""
    wanted = set(roles)
    return [contact for contact in network.contacts if wanted & set(contact.roles)]


def channels(contact: Contact) -> list[str]:
    """Return the channels by which a person can be reached."""
    return [channel for channel in CHANNELS if getattr(contact, channel)]


def told_of(network: Network, event: Event) -> list[Contact]:
    """Return the contacts who are told of an event.

    A station's return is news to whoever acknowledged it; the others read it in the digest. A shared cause (a source,
    a mast, the tool itself) tells its return to all. Of what is shelved nobody is told, not even its end.
    """
    alarm = event.alarm
    if event.kind not in TOLD or alarm.when is When.WEEKLY or alarm.state is AlarmState.SHELVED:
        return []
    if event.kind is EventKind.RETURNED and alarm.key.scope.startswith("station:"):
        return [contact for contact in network.contacts if contact.name == alarm.acknowledged_by]
    told = with_roles(network, alarm.tell)
    # The watch's own trouble must reach somebody, whatever the roles are called here.
    return told or (list(network.contacts) if alarm.key.scope.startswith("tool:") else [])


def read_by(network: Network, event: Event) -> list[Contact]:
    """Return who reads of an event in the digest, when that is the way its rule tells."""
    news = event.kind in (EventKind.RAISED, EventKind.UPDATED) and event.alarm.state is not AlarmState.SHELVED
    return with_roles(network, network.digest.tell) if news and event.alarm.when is When.WEEKLY else []


def kind(alarm: Alarm) -> str:
    """Return the kind of notice: a storm goes first and is told even when it is over."""
    if alarm.check == "heavy-rain":
        return "storm"
    return "tool" if alarm.check in ("check-failure", "source-outage") else "fault"


def due_at(network: Network, when: When, now: datetime) -> datetime:
    """Return when a notice is due: at once, or at the next moment people are told by day."""
    return now if when is When.NOW else next_by_day(network, now)


def next_by_day(network: Network, now: datetime) -> datetime:
    """Return `now` if it lies in the network's day, else when that day next begins, by the clock on the wall."""
    today = now.astimezone(network.zone).date()
    closes = datetime.combine(today, network.by_day.ends, network.zone)
    # Compared in UTC: on the day of a clock change, times of one zone lie wrongly apart.
    day = today if now < closes.astimezone(UTC) else today + timedelta(days=1)
    return max(now, datetime.combine(day, network.by_day.begins, network.zone).astimezone(UTC))


def is_day(network: Network, moment: datetime) -> bool:
    """Say whether a moment lies in the network's day."""
    return next_by_day(network, moment) == moment


def still_due(
    notices: Iterable[Notice], alarms: Mapping[int, Alarm]
) -> tuple[list[Notice], list[Notice], list[Notice]]:
    """Split notices that wait into those worth sending, those to put off, and those to withdraw.

    alarms: as they are now, by number. What the morning notice tells must still stand in the morning: a fault that is
    over, set aside or part of a wider one is not told; of one alarm only the newest step is; faults at one station are
    one notice, and so is one step of a storm by two rules, the more severe. While nobody can say whether a fault is
    still there, its notice waits. A storm is always told.
    """
    notices, put_off = list(notices), []
    chosen: dict[tuple[str, str, str], Notice] = {}
    unsaid = {(notice.person, notice.channel, notice.alarm) for notice in notices if notice.event == EventKind.RAISED}
    for notice in notices:
        alarm = alarms.get(notice.alarm)
        if alarm is not None and _undetermined(notice, alarm):
            put_off.append(notice)
            continue
        if alarm is not None and not _stands(notice, alarm, unsaid):
            continue
        slot = (notice.person, notice.channel, _matter(notice, alarm))
        rival = chosen.get(slot)
        if rival is None or _weight(notice, alarm) >= _weight(rival, alarms.get(rival.alarm)):
            chosen[slot] = notice
    kept, waits = {id(notice) for notice in chosen.values()}, {id(notice) for notice in put_off}
    withdrawn = [notice for notice in notices if id(notice) not in kept | waits]
    return [notice for notice in notices if id(notice) in kept], put_off, withdrawn


def _undetermined(notice: Notice, alarm: Alarm) -> bool:
    """Say whether it can't be told now if what a notice tells is still so."""
    return notice.kind != "storm" and alarm.state is AlarmState.SUPPRESSED and not alarm.absorbed_by


def _stands(notice: Notice, alarm: Alarm, unsaid: set[tuple[str, str, int]]) -> bool:
    """Say whether what a notice tells is still so; a fault that came and went untold needs no word of its return."""
    if notice.kind == "storm":
        return True
    over = not alarm.standing or alarm.state in (AlarmState.RETURNED, AlarmState.NORMAL)
    if notice.event == EventKind.RETURNED:
        return over and (notice.person, notice.channel, notice.alarm) not in unsaid
    if notice.event in (EventKind.REMINDED, EventKind.ESCALATED) and alarm.acknowledged_by:
        return False
    return not over and not alarm.absorbed_by and alarm.state not in HELD


def _matter(notice: Notice, alarm: Alarm | None) -> str:
    """Return what makes two notices to one person one: the same alarm, faults at one station, rules about one storm."""
    if alarm is None:
        return notice.occasion
    if notice.kind == "storm":
        return f"storm over {alarm.key.scope}" if notice.event == EventKind.ENDED else f"storm {alarm.key.scope}"
    alone = notice.kind == "fault" and alarm.key.scope.startswith("station:") and notice.event != EventKind.RETURNED
    return alarm.key.scope if alone else f"alarm:{alarm.number}"


def _weight(notice: Notice, alarm: Alarm | None) -> tuple[float, int, datetime, int, int]:
    """Return what decides between two notices about one matter: which is due first, then severity, the newest trouble,
    the newest step.
    """
    sooner = -notice.due_at.timestamp()
    if alarm is None:
        return (sooner, 0, notice.made_at, 0, 0)
    if notice.kind == "storm":
        sooner = 0.0
    return (sooner, alarm.severity.rank, alarm.since, alarm.number, int(notice.occasion.rsplit(":", 1)[-1]))
