"""Who is told, when, and by which channel."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from datetime import UTC, date, datetime, time, timedelta

from watchman.model import Alarm, AlarmState, Event, EventKind, Notice, Turn, When
from watchman.network import Contact, Network
from watchman.settings import DutySettings

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
            due_at=due_for(network, contact, event.alarm, now),
            made_at=now,
            alarm=event.alarm.number,
            event=event.kind.value,
        )
        for event in events
        for contact in told_of(network, event, now)
        for channel in channels(contact)
    ]
    due, put_off, _ = still_due(notices, {event.alarm.number: event.alarm for event in events})
    return [*due, *put_off]


def summon(
    network: Network,
    occasion: str,
    kind: str,
    contacts: Collection[Contact],
    now: datetime,
    when: When = When.NOW,
    *,
    urgent: bool = False,
) -> list[Notice]:
    """Return notices of something that is no step of an alarm (a drill, "I was off", a window's end, a digest).

    urgent: it does not wait for the end of anybody's quiet hours; nor does what is for a visitor, who is awake. A
    digest goes by mail alone.
    """
    passes = urgent or kind == "visit"
    due = {contact.name: now if passes else _due(network, contact, when, now) for contact in contacts}
    return [
        Notice(0, occasion, contact.name, channel, kind, due_at=due[contact.name], made_at=now)
        for contact in contacts
        for channel in channels(contact)
        if kind != "digest" or channel == "mail"
    ]


def with_roles(network: Network, roles: Iterable[str]) -> list[Contact]:
    """Return the contacts who have any of the roles, or are named among them, each once, in the order written."""
    wanted = set(roles)
    return [contact for contact in network.contacts if wanted & {contact.name, *contact.roles}]


def told_now(network: Network, roles: Iterable[str], now: datetime) -> list[Contact]:
    """Return who is told of what concerns these roles: of each role whoever is on duty, each person once."""
    return named(network, {contact.name for role in roles for contact in on_duty(network, role, now)})


def on_duty(network: Network, role: str, now: datetime) -> list[Contact]:
    """Return who does a role now: the one whose turn it is, else everybody of it; who is away is left out.

    Should nobody be left, everybody of the role is told: a notice nobody gets is worse than one on a holiday. Only who
    asked not to be told any more is never told.
    """
    order = in_turn(network, role, now)
    if order:
        return named(network, order[:1])
    everybody = with_roles(network, (role,))
    present = [contact for contact in everybody if not is_away(network, contact.name, now)]
    return present or [contact for contact in everybody if contact.name not in network.stopped]


def in_turn(network: Network, role: str, now: datetime) -> list[str]:
    """Return the people who take turns at a role and are not away, whoever is on duty first, in the order of calls."""
    duty = _duty(network, role)
    if duty is None:
        return []
    # Of two turns in a calendar the one that began later is the swap, or the shorter cover.
    turns = sorted(_turns(network, role, now), key=lambda turn: turn.begins_at, reverse=True)
    order = dict.fromkeys((*(turn.person for turn in turns), *_by_rota(network, duty, now)))
    known = {contact.name for contact in network.contacts}
    return [name for name in order if name in known and not is_away(network, name, now)]


def _duty(network: Network, role: str) -> DutySettings | None:
    return next((duty for duty in network.duty if duty.role == role), None)


def _turns(network: Network, role: str, now: datetime) -> list[Turn]:
    return [turn for turn in network.turns if turn.role == role and turn.begins_at <= now < turn.ends_at]


def _by_rota(network: Network, duty: DutySettings, now: datetime) -> tuple[str, ...]:
    """Return the people of a role in the order of their written turns, whoever has the present one first."""
    if duty.first_day is None:
        return duty.people
    days = (_duty_day(network, duty, now) - duty.first_day).days
    first = max(days, 0) // duty.days % len(duty.people)
    return (*duty.people[first:], *duty.people[:first])


def _duty_day(network: Network, duty: DutySettings, now: datetime) -> date:
    """Return the day on which the present turn's day began: until the hand-over it is still yesterday."""
    here = now.astimezone(network.zone)
    return here.date() if here.time() >= duty.hand_over else here.date() - timedelta(days=1)


def turn_ends_at(network: Network, role: str, now: datetime) -> datetime | None:
    """Return when the present turn at a role ends, or None where nobody takes turns by the calendar or by days."""
    duty, turns = _duty(network, role), _turns(network, role, now)
    if turns:
        return max(turns, key=lambda turn: turn.begins_at).ends_at
    if duty is None or duty.first_day is None or len(duty.people) == 1:
        return None
    begun = max((_duty_day(network, duty, now) - duty.first_day).days, -1) // duty.days
    last_day = duty.first_day + timedelta(days=(max(begun, 0) + 1) * duty.days)
    return on_the_wall(network, last_day, duty.hand_over)


def is_away(network: Network, person: str, now: datetime) -> bool:
    """Say whether somebody is on holiday now, or asked not to be told any more."""
    return person in network.stopped or away_until(network, person, now) is not None


def away_until(network: Network, person: str, now: datetime) -> date | None:
    """Return the last day of the holiday on which somebody is now, or None."""
    today = now.astimezone(network.zone).date()
    holidays = (holiday for holiday in network.holidays if holiday.person == person)
    last_days = [one.last_day or one.first_day for one in holidays if one.first_day <= today]
    return max((day for day in last_days if today <= day), default=None)


def named(network: Network, names: Iterable[str]) -> list[Contact]:
    """Return contacts by their names, in the order written."""
    wanted = set(names)
    return [contact for contact in network.contacts if contact.name in wanted]


def is_working_day(network: Network, day: date) -> bool:
    """Say whether people work on a day."""
    closed = (one for one in network.holidays if not one.person)
    return day.weekday() < 5 and not any(one.first_day <= day <= (one.last_day or one.first_day) for one in closed)


def channels(contact: Contact) -> list[str]:
    """Return the channels by which a person can be reached."""
    return [channel for channel in CHANNELS if getattr(contact, channel)]


def told_of(network: Network, event: Event, now: datetime | None = None) -> list[Contact]:
    """Return the contacts who are told of an event, by default as things stood when it happened.

    A station's return is news to whoever acknowledged it or was called; the others read it in the digest. A shared
    cause (a source, a mast, the tool itself) tells its return to all, as a storm does its end: also to who was on duty
    when it began. Of what is shelved nobody is told, not even its end. Whoever was called because nobody answered hears
    how it goes on. A volunteer hears of the gauge they host, and of no other.
    """
    alarm, now = event.alarm, now or event.at
    if event.kind not in TOLD or alarm.when is When.WEEKLY or alarm.state is AlarmState.SHELVED:
        return []
    if event.kind is EventKind.ESCALATED:
        return named(network, {event.who})
    besides = {alarm.acknowledged_by, *alarm.called}
    if event.kind is EventKind.RETURNED and alarm.key.scope.startswith("station:"):
        return named(network, besides)
    moments = {now, alarm.raised_at or now} if event.kind in (EventKind.RETURNED, EventKind.ENDED) else {now}
    on_duty_then = (contact for moment in moments for contact in told_now(network, alarm.tell, moment))
    names = {contact.name for contact in on_duty_then if _concerns(network, contact, alarm)}
    told = named(network, (names | besides) - network.stopped)
    # The watch's own trouble must reach somebody, whatever the roles are called here.
    return told or (list(network.contacts) if alarm.key.scope.startswith("tool:") else [])


def _concerns(network: Network, contact: Contact, alarm: Alarm) -> bool:
    """Say whether a contact may be told of an alarm's stations: a volunteer only of those they host."""
    hosted = {station.id for station in network.stations if station.host == contact.name}
    return not contact.is_volunteer or bool(hosted & set(alarm.stations))


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


def due_for(network: Network, contact: Contact, alarm: Alarm, now: datetime) -> datetime:
    """Return when one person is told of an alarm: neither outside the network's day nor in their own quiet hours.

    Heavy rain, and a station blind beside rain, wait for neither, unless the person asked for that in so many words.
    """
    if is_safety(alarm) and not contact.hold_heavy_rain:
        return due_at(network, alarm.when, now)
    return _due(network, contact, alarm.when, now)


def is_safety(alarm: Alarm) -> bool:
    """Say whether an alarm is of heavy rain, or of a station, a mast or a source that went silent beside rain."""
    beside_rain = alarm.numbers.get("neighbours_wet") or alarm.numbers.get("rain_near")
    return kind(alarm) == "storm" or (alarm.when is When.NOW and bool(beside_rain))


def day_begins_at(network: Network, now: datetime) -> datetime:
    """Return when the day of the network's own clock began."""
    return on_the_wall(network, now.astimezone(network.zone).date(), time())


def next_morning(network: Network, contact: Contact, now: datetime) -> datetime:
    """Return when a person may be told on the next day."""
    tomorrow = now.astimezone(network.zone).date() + timedelta(days=1)
    return _due(network, contact, When.BY_DAY, on_the_wall(network, tomorrow, network.by_day.begins))


def _due(network: Network, contact: Contact, when: When, now: datetime) -> datetime:
    """Return the first moment, from `now` on, at which a person may be told."""
    # The end of quiet hours may lie before the day begins, and its beginning may lie in them.
    return due_at(network, when, _after_quiet_hours(network, contact, due_at(network, when, now)))


def silent_until(network: Network, contact: Contact, now: datetime) -> datetime | None:
    """Return when the quiet hours end in which a person is now, or None."""
    ends = _after_quiet_hours(network, contact, now)
    return ends if ends > now else None


def _after_quiet_hours(network: Network, contact: Contact, moment: datetime) -> datetime:
    """Return a moment, or the end of the person's quiet hours in which it lies, by the clock on the wall."""
    quiet = contact.quiet_hours
    if quiet is None:
        return moment
    today = moment.astimezone(network.zone).date()
    for day in (today - timedelta(days=1), today):
        begins = on_the_wall(network, day, quiet.begins)
        ends = on_the_wall(network, day + timedelta(days=quiet.ends <= quiet.begins), quiet.ends)
        if begins <= moment < ends:
            return ends
    return moment


def on_the_wall(network: Network, day: date, clock: time) -> datetime:
    """Return the moment at which the network's own clock shows a time on a day."""
    return datetime.combine(day, clock, network.zone).astimezone(UTC)


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
    alone = (
        notice.kind == "fault"
        and alarm.key.scope.startswith(("station:", "plan:"))
        and notice.event != EventKind.RETURNED
    )
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
