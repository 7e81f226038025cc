"""What a person's answer does: one place for the board, mail, texts and the command line.

Who answers, and whether they may, is for the way in to prove (a link, a mail's token, a code); here only contacts act,
and by a notice only on what that notice told them.
"""

from __future__ import annotations

import hashlib
import logging
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from watchman import links
from watchman.judging.alarms import NOT_A_FAULT
from watchman.judging.holding import TEST_TIPS
from watchman.model import VISIT, WATCH, Alarm, EventKind, Notice, Span, When
from watchman.network import Contact, Network
from watchman.store import Store
from watchman.telling import answering, compose, roster
from watchman.telling.answering import Kind, Said
from watchman.telling.phrases import Phrases, moment

log = logging.getLogger(__name__)

STALE = timedelta(days=30)
"""How long a notice can be answered; what is older is closed or has been told again (decided here)."""
CLOSED_LATELY = timedelta(days=1)
"""A window that closed by itself so long ago may still be given its true end (decided here)."""
STOPPED, POURED = "stopped:", "poured:"
"""How the marks begin of who has stopped their notices, and of what a visitor poured in a window [ml]."""


@dataclass(frozen=True, slots=True)
class Done:
    """What became of an answer. sentence: for the person; acted: whether anything was done; visit: its window."""

    sentence: str
    acted: bool = False
    visit: Span | None = None


@dataclass(frozen=True, slots=True)
class About:
    """What an answer is about, and what may be said of it. places: ids of the stations one may be at by it."""

    alarm: Alarm | None
    places: tuple[str, ...]
    offered: tuple[Kind, ...]


def about(store: Store, network: Network, notice: Notice | None, alarm: int = 0) -> About:
    """Return what a notice, or else the alarm of a number, can be answered with; without both, a visit anywhere."""
    if notice is None and not alarm:
        everywhere = tuple(station.id for station in network.stations)
        return About(None, everywhere, (Kind.VISIT, Kind.DONE))
    standing = store.alarm(notice.alarm if notice is not None else alarm) if notice is None or notice.alarm else None
    kind = notice.kind if notice is not None else roster.kind(standing) if standing is not None else ""
    places = _places(store, network, notice, standing)
    return About(standing, places, answering.offered(kind, standing, places))


def act(
    store: Store,
    network: Network,
    said: Said,
    person: str,
    now: datetime,
    *,
    notice: Notice | None = None,
    alarm: int = 0,
) -> Done:
    """Do what a contact's answer says, and return what to tell them; what can't be done changes nothing.

    notice: the one that is answered, proved to be theirs; without one, alarm: the number of what is meant, for whoever
    needs no proof; without both only a visit can be told. Raises OutsideError.
    """
    contact = next((one for one in network.contacts if one.name == person), None)
    if said.kind in (Kind.STOP, Kind.START):
        return _stop_or_start(store, said.kind, contact, person, now)
    it = about(store, network, notice, alarm)
    refused = _refused(network, said, notice, it, now)
    if refused:
        return Done(refused)
    if said.kind is Kind.CAME or (notice is not None and notice.kind == "drill"):
        store.add_answer(now, "came", person, 0, reason=notice.occasion if notice is not None else "")
        return Done("Thank you: it came, and you answered.", acted=True)
    if said.kind is Kind.VISIT:
        return _visit(store, network, said, person, it, now, only_these=notice is not None)
    if said.kind is Kind.DONE:
        return _done(store, network, said, person, it, now)
    if it.alarm is None:
        raise AssertionError("what is offered without an alarm has been dealt with")
    if said.kind is Kind.OK:
        return _ok(store, said, person, it.alarm, now, notice)
    if said.kind is Kind.LATER and said.until is not None:
        store.add_answer(now, "shelve", person, it.alarm.number, until=said.until, reason=said.reason)
        return Done(f"No. {it.alarm.number} is set aside until {_stamp(network, said.until, now)}.", acted=True)
    if said.kind is Kind.NOT_A_FAULT:
        store.add_answer(now, NOT_A_FAULT, person, it.alarm.number, reason=said.reason)
        return Done(f"No. {it.alarm.number} is closed: not a fault. Its evidence begins anew.", acted=True)
    return _tips(store, network, said.kind, person, it.alarm, now)


def stopped(marks: Mapping[str, str]) -> frozenset[str]:
    """Return who has stopped their notices."""
    return frozenset(name.removeprefix(STOPPED) for name, since in marks.items() if name.startswith(STOPPED) and since)


def is_stale(notice: Notice, now: datetime) -> bool:
    """Say whether a notice is too old to be answered."""
    return now - notice.made_at > STALE


def own_windows(store: Store, person: str, places: Iterable[str], now: datetime) -> list[Span]:
    """Return a person's windows that are open now at some stations."""
    return [span for span in open_windows(store, now) if span.who == person and span.station in places]


def open_windows(store: Store, now: datetime) -> list[Span]:
    """Return the windows that are open now."""
    return [span for span in _visits(store) if span.begins_at <= now < span.ends_at]


def refuse(way: str, why: str) -> None:
    """Log that an answer was refused; why: never its words, nor anything secret."""
    log.warning("%s: an answer was refused (%s)", way, why)


def tell(
    store: Store,
    network: Network,
    person: str,
    channel: str,
    sentence: str,
    now: datetime,
    notice: Notice | None = None,
    *,
    once: datetime | None = None,
) -> None:
    """Put a sentence for a person into the outbox, the same one at most once a minute, or once for a given moment.

    notice: what it is an answer to. Raises OutsideError.
    """
    contact = next(one for one in network.contacts if one.name == person)
    sign = hashlib.sha256(f"{channel} {sentence}".encode()).hexdigest()[:12]
    row = Notice(
        number=0,
        occasion=f"answer:{once or now:%Y-%m-%dT%H:%M}:{sign}",
        person=person,
        channel=channel,
        kind="visit",
        due_at=now,
        made_at=now,
        event=EventKind.ANSWERED.value,
    )
    said = compose.occasion_words(compose.Answered(sentence), row, contact, network, now)
    frozen = replace(
        row,
        subject=said.subject,
        text=said.text,
        html=said.html,
        message_id=links.message_id(network.mail.sender if network.mail else ""),
        references=notice.message_id if notice is not None and channel == "mail" else "",
    )
    store.add_notices([frozen])


def _refused(network: Network, said: Said, notice: Notice | None, it: About, now: datetime) -> str:
    """Return why an answer can't be acted on, or ""."""
    number = it.alarm.number if it.alarm is not None else 0
    drill = notice is not None and notice.kind == "drill" and said.kind in (Kind.OK, Kind.CAME)
    if notice is not None and number and said.number and said.number != number and not drill:
        return f"This notice is no. {number}, not {said.number}: nothing was changed."
    if drill or said.kind in it.offered:
        return ""
    if it.alarm is not None and it.alarm.ended_at is not None:
        return f"No. {number} is closed since {_stamp(network, it.alarm.ended_at, now)}: nothing was changed."
    if not it.offered:
        return "There is nothing to answer here: nothing was changed."
    return f"{said.kind.value} is no answer to this: it takes {_listed(it.offered)}. Nothing was changed."


def _listed(kinds: tuple[Kind, ...]) -> str:
    return " or ".join([", ".join(kinds[:-1]), kinds[-1]] if len(kinds) > 1 else kinds)


def _places(store: Store, network: Network, notice: Notice | None, alarm: Alarm | None) -> tuple[str, ...]:
    """Return the stations a notice is about, at which one may be on site."""
    kind, number, *_ = [*notice.occasion.split(":"), ""] if notice is not None else ("", "")
    if kind in ("window", "asked", "on-site") and number.isdigit():
        named = {span.station for span in store.spans() if span.number == int(number)}
    else:
        named = set(alarm.stations) if alarm is not None else set()
    return tuple(station.id for station in network.stations if station.id in named)


def _visits(store: Store) -> list[Span]:
    return [span for span in store.spans() if span.reason == VISIT and span.withdrawn_at is None]


# What each answer does


def _ok(store: Store, said: Said, person: str, alarm: Alarm, now: datetime, notice: Notice | None) -> Done:
    """Acknowledge an alarm, and what was told with it: faults at one place are one notice."""
    if alarm.acknowledged_by:
        who = "you" if alarm.acknowledged_by == person else alarm.acknowledged_by
        return Done(f"No. {alarm.number} is acknowledged already, by {who}.")
    numbers = [alarm.number, *(other.number for other in _told_with(store, alarm, notice))]
    for number in numbers:
        store.add_answer(now, "acknowledge", person, number, reason=said.reason)
    named = f"No. {' and '.join(map(str, numbers))}"
    return Done(f"{named} acknowledged: you see to it. It shows within a minute.", acted=True)


def _told_with(store: Store, alarm: Alarm, notice: Notice | None) -> list[Alarm]:
    """Return the other faults that stood at the alarm's station or plan when a notice of it left."""
    if notice is None or notice.accepted_at is None or not alarm.key.scope.startswith(("station:", "plan:")):
        return []
    left = notice.accepted_at
    others = (other for other in store.open_alarms() if other.number != alarm.number)
    return [
        other
        for other in others
        if other.key.scope == alarm.key.scope
        and other.raised_at is not None
        and other.raised_at <= left
        and other.when is not When.WEEKLY
        and not other.acknowledged_by
    ]


def _visit(
    store: Store, network: Network, said: Said, person: str, it: About, now: datetime, *, only_these: bool
) -> Done:
    say = Phrases(network, now)
    station = said.station or (it.places[0] if len(it.places) == 1 else "")
    if not station:
        return Done("Which station? Write for instance VISIT HOLLIN 2H.")
    if station not in it.places:
        about_it = "This notice is not about" if only_these else "There is no station"
        return Done(f"{about_it} {say.full(station)}: nothing was changed. Your own page books any station.")
    begins = said.begins_at or now
    ends = said.ends_at or begins + timedelta(hours=said.hours or answering.USUAL_HOURS)
    if said.ends_at is None and said.hours is None and ends < now:
        ends = now
    open_now = own_windows(store, person, (station,), now) if said.begins_at is None else []
    window = store.end_span(open_now[0].number, ends, now) if open_now else None
    if window is None:
        window = store.add_span(station, begins, ends, VISIT, person, now)
    if said.poured_ml is not None:
        store.set_mark(poured_mark(window), f"{said.poured_ml:g}")
    verb = "were" if window.ends_at <= now else "will be" if window.begins_at > now else "are"
    since = f" from {say.clock(window.begins_at)}" if said.begins_at is not None else ""
    return Done(
        f"You {verb} on site at {say.full(station)}{since} until {say.clock(window.ends_at)}. Tips are kept, but not "
        "counted as rain.",
        acted=True,
        visit=window,
    )


def poured_mark(window: Span) -> str:
    """Return the name of the mark that says what the visitor of a window poured [ml]; its end may change."""
    return f"{POURED}{window.station}:{window.begins_at.isoformat()}"


def _done(store: Store, network: Network, said: Said, person: str, it: About, now: datetime) -> Done:
    say = Phrases(network, now)
    ends = said.ends_at or now
    since = now - CLOSED_LATELY if said.ends_at is not None else now
    places = (said.station,) if said.station else it.places
    own = [one for one in _visits(store) if one.who == person and one.station in places]
    over = [one for one in own if one.begins_at < ends < one.ends_at and one.ends_at > since]
    if not over:
        return Done("You have no window open there: nothing was changed.")
    for window in over:
        store.end_span(window.number, ends, now)
    names = " and ".join(dict.fromkeys(say.full(window.station) for window in over))
    return Done(f"Done: {names} counts again from {say.clock(ends)} on.", acted=True)


def _tips(store: Store, network: Network, kind: Kind, person: str, alarm: Alarm, now: datetime) -> Done:
    """Have tips that looked like a test stay out of the rain for good, or count after all."""
    place = Phrases(network, now).full(alarm.stations[0])
    held = _held(store, alarm)
    if kind is Kind.RAIN:
        for span in held:
            store.withdraw_span(span.number, now)
        if not held:
            return Done(f"Nothing is held back at {place}: these tips count as rain.")
        store.add_answer(now, NOT_A_FAULT, person, alarm.number, reason="it was rain")
        return Done(f"Rain, then: the tips at {place} count again. No. {alarm.number} is closed.", acted=True)
    for span in held:
        store.confirm_span(span.number, person, now)
    began, ended = alarm.numbers.get("began_at"), alarm.numbers.get("ended_at")
    if not held and began and ended:
        store.add_span(alarm.stations[0], moment(began), moment(ended), TEST_TIPS, person, now)
    elif not held:
        return Done(f"These tips at {place} can't be told apart any more: book the visit instead.")
    store.add_answer(now, NOT_A_FAULT, person, alarm.number, reason="test tips")
    return Done(f"Test tips: they stay out of the rain at {place}. No. {alarm.number} is closed.", acted=True)


def _held(store: Store, alarm: Alarm) -> list[Span]:
    """Return the watch's own spans that hold an alarm's tips back."""
    began, ended = alarm.numbers.get("began_at"), alarm.numbers.get("ended_at")
    own = [
        span
        for span in store.spans()
        if (span.who, span.reason, span.withdrawn_at) == (WATCH, TEST_TIPS, None) and span.station in alarm.stations
    ]
    if began and ended:
        return [span for span in own if span.begins_at < moment(ended) and moment(began) < span.ends_at]
    return own[-1:]


def _stop_or_start(store: Store, kind: Kind, contact: Contact | None, person: str, now: datetime) -> Done:
    if contact is None or not contact.is_volunteer:
        return Done(f"{kind.value} is for volunteers; who is told what stands in network.toml: ask whoever keeps it.")
    stop = kind is Kind.STOP
    if stop == (person in stopped(store.marks(f"{STOPPED}{person}"))):
        return Done("You get no notices. START brings them back." if stop else "You get notices. STOP ends them.")
    store.add_answer(now, kind.value.lower(), person, 0)
    store.set_mark(f"{STOPPED}{person}", now.isoformat() if stop else "")
    if stop:
        return Done("You get no more notices. START brings them back. Thank you for hosting.", acted=True)
    return Done("You get notices again. STOP ends them.", acted=True)


def _stamp(network: Network, when: datetime, now: datetime) -> str:
    return Phrases(network, now).stamp(when)
