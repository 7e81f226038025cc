"""Read everything people wrote, try each source and channel once, and say in plain words what is not covered."""

from __future__ import annotations

import smtplib
import socket
import ssl
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from urllib.parse import urlsplit

import numpy as np

from watchman import bookings, drills, edits, mailbox, watch
from watchman.errors import InputError, OutsideError
from watchman.judging.checks import CHECKS, source_change
from watchman.judging.science.neighbours import NO_WITNESS_KM
from watchman.mistakes import SecretLookup
from watchman.model import BATTERY, RAIN, TEMPERATURE, Delivery, KnownSource, Readings
from watchman.network import Contact, MailSettings, Network, load, load_text
from watchman.readings.cleaning import Held, clean
from watchman.readings.sources import FetchMemory, fetch, sends_itself
from watchman.store import Store
from watchman.telling import calling, who
from watchman.telling.channels import understands
from watchman.telling.phrases import Phrases, changed, counted, lasting, listed

DONE, YOUR_INPUT, OUTSIDE = 0, 2, 3
ANSWER_WITHIN_S = 10.0
PLAIN_SERVICES = {"json": 80, "jsons": 443, "xml": 80, "xmls": 443, "form": 80, "forms": 443}
"""Addresses whose host is the server itself, so that one can knock without sending anything, and the usual ports."""
TIPS_WANTED = 20
"""From so many readings with rain on it shows whether there are any without (judgement, no source)."""
WITNESSES_WANTED = 3
"""With fewer neighbours than this a dry gauge is found late (judgement, no source)."""


@dataclass(frozen=True, slots=True)
class Report:
    """What was found, as lines to print, and the exit code: 0 all well, 2 your input, 3 something outside failed."""

    lines: tuple[str, ...]
    exit_code: int


def verify(folder: Path, secret: SecretLookup, now: datetime) -> Report:
    """Return what works and what is not covered. Asks each source once; sends nothing to anybody."""
    try:
        network = load(folder, secret, now.date())
    except InputError as error:
        count = counted(len(error.mistakes), "mistake")
        return Report((f"{count} in what is written; nothing was tried:", *map(str, error.mistakes)), YOUR_INPUT)
    told = f"{counted(len(network.stations), 'station')}, {counted(len(network.rules), 'rule')}"
    lines = [f"{network.name}: {told}, {counted(len(network.contacts), 'contact')}. All files can be read."]
    lines += [f"Question: {doubt}" for doubt in network.doubts]
    deliveries = [
        fetch(source, network.folder, network.aliases(position), position, FetchMemory(), now)[0]
        for position, source in enumerate(network.sources)
    ]
    readings = Readings.join([delivery.readings for delivery in deliveries])
    phrases = Phrases(network, now)
    channels = list(_channels(network))
    looks = [bookings.look(network, calendar, bookings.Kept(), now) for calendar in network.calendars]
    store, drill, marks = _store(network)
    known = watch.known_sources(network, marks)
    sources = [
        [*_source(network, delivery, phrases), *_changes(known[delivery.source], delivery, phrases)]
        for delivery in deliveries
    ]
    answered = drill.answered if drill is not None and calling.can_answer(network) else None
    people = [who.would_tell(network, role, now) for role in who.roles_told(network)]
    edited = _edited(network, marks, secret, now)
    for title, part in (
        *([("Edited since the watch last read it", edited)] if edited else ()),
        ("Sources", [line for found in sources for line in found]),
        ("Stations", list(_stations(network, readings, phrases, now))),
        ("People: who would be told now", [*people, *_last_drill(network, drill, phrases)]),
        (
            "Channels (nothing was sent; `watchman drill` sends a test notice to everybody)",
            [line for _, line in channels],
        ),
        *([("Calendars", [line for seen in looks for line in _calendar(network, seen, phrases)])] if looks else ()),
        ("Store", [store or "It can be opened and written."]),
        (
            "Not covered",
            [
                *_silent(network, readings),
                *_without_zeros(network, readings),
                *uncovered(network, _delivered(readings)),
                *who.unsafe(network, now, answered),
            ]
            or ["Nothing we know of."],
        ),
    ):
        lines += ["", title, *(f"  {line}" for line in part)]
    troubles = [*(delivery.trouble for delivery in deliveries), *(seen.trouble for seen in looks)]
    failed = store or any(troubles) or not all(good for good, _ in channels)
    return Report(tuple(lines), OUTSIDE if failed else DONE)


def _edited(network: Network, marks: Mapping[str, str], secret: SecretLookup, now: datetime) -> tuple[str, ...]:
    """Say what is written otherwise than what the watch goes by; nothing where that can't be told."""
    try:
        before = load_text(marks["config"], network.folder, secret, now.date())
    except (KeyError, InputError):
        return ()
    return edits.differences(before, network)


def _source(network: Network, delivery: Delivery, phrases: Phrases) -> Iterator[str]:
    """Say how fetching from one source went."""
    readings = delivery.readings
    if delivery.trouble:
        yield f"{delivery.source}: FAILED: {delivery.trouble}"
    elif not len(readings) and any(one.name == delivery.source and sends_itself(one) for one in network.sources):
        yield f"{delivery.source}: lets us listen; nothing of our stations was sent while we did, for some seconds."
    elif not len(readings):
        yield f"{delivery.source}: answers, and has no readings of our stations."
    else:
        heard = counted(len(np.unique(readings.station)), "station")
        newest = phrases.stamp(datetime.fromtimestamp(int(readings.observed_at.max()), UTC))
        count = len(readings.without_repeats())
        yield f"{delivery.source}: {counted(count, 'reading')} of {heard}, the newest of {newest}."
    for rejected in delivery.rejected:
        row = "" if rejected.row.startswith("station ") else rejected.row
        yield f"{delivery.source}: not read: {rejected.reason}{f' (the row: {row})' if row else ''}"


def _changes(known: KnownSource, delivery: Delivery, phrases: Phrases) -> Iterator[str]:
    """Say how a source writes otherwise now than while it was watched, by the same settings."""
    seen = source_change.after(known, delivery.look, (), int(phrases.now.timestamp()))
    for change in seen.changes:
        at = datetime.fromtimestamp(change.at, UTC)
        yield f"{delivery.source}: CHANGED by {phrases.stamp(at)}: {changed(asdict(change))}."
    names = {name for header in known.look.headers for name in header}
    new = sorted({name for header in delivery.look.headers for name in header} - names)
    if names and new and not any(name.isdigit() for name in new):
        yield f"{delivery.source}: new in its header, and not read: {listed(new, 9)}."


def _stations(network: Network, readings: Readings, phrases: Phrases, now: datetime) -> Iterator[str]:
    """Say of each station whether it is heard, how often, beside whom, and what is known of its battery."""
    near = (network.columns().neighbours_km <= NO_WITNESS_KM).sum(axis=1)
    for position, station in enumerate(network.stations):
        own = readings.take(readings.station == position)
        parts = [_heard(own, phrases, now)]
        witnesses = int(near[position])
        parts.append(
            f"{counted(witnesses, 'neighbour')} within {NO_WITNESS_KM:.0f} km" if witnesses else "no neighbours"
        )
        parts.append(_battery(station.chemistry, own))
        yield f"{station.name or station.id}: {', '.join(parts)}"


def _heard(own: Readings, phrases: Phrases, now: datetime) -> str:
    if not len(own):
        return "NOT HEARD"
    moments = np.unique(own.observed_at)
    newest = datetime.fromtimestamp(int(moments[-1]), UTC)
    ago = "in the future" if newest > now + timedelta(minutes=10) else f"{lasting(now - newest)} ago"
    words = f"last reading {phrases.stamp(newest)} ({ago})"
    if len(moments) > 1:
        words += f", one every {float(np.median(np.diff(moments))) / 60:.3g} min"
    return words


def _battery(chemistry: str, own: Readings) -> str:
    volts = own.take(own.variable == BATTERY)
    if not len(volts):
        return "no battery voltage"
    now_v = volts.value[np.argmax(volts.observed_at)]
    return f"battery {now_v:.2f} V ({chemistry or 'kind not written, to be guessed from its volts'})"


def _calendar(network: Network, seen: bookings.Look, phrases: Phrases) -> Iterator[str]:
    """Say what one calendar holds, and which of its entries can't be used."""
    if seen.book is None:
        yield f"{seen.name}: FAILED: {seen.trouble}"
        return
    within = f"in the next {bookings.AHEAD.days} days"
    if any(calendar.holds == "duty" for calendar in network.calendars if calendar.name == seen.name):
        turns, unknown = bookings.turns(network, seen.name, seen.book)
        people = listed(list(dict.fromkeys(turn.person for turn in turns)), 6)
        yield (
            f"{seen.name}: {counted(len(turns), 'turn')} {within}, {people}"
            if turns
            else (f"{seen.name}: nobody's turn {within}")
        )
    else:
        visits, unknown = bookings.visits(network, seen.name, seen.book, phrases.now)
        coming = [visit for visit in visits if visit.ends_at > phrases.now]
        told = f"{seen.name}: {counted(len(coming), 'visit')} {within}"
        first = coming[0] if coming else None
        yield f"{told}, the next at {phrases.full(first.station)} {phrases.stamp(first.begins_at)}" if first else told
    yield from (f"{seen.name}: {trouble}" for trouble in (*seen.book.troubles, *unknown))


def _channels(network: Network) -> Iterator[tuple[bool, str]]:
    """Knock at each way out once, without sending; say whether it opened, and in words."""
    if network.mail is not None:
        place = f"mail through {network.mail.host}:{network.mail.port}"
        yield _tried(place, partial(_knock_at_mail, network.mail))
    else:
        yield True, "mail: none; no [mail] is written"
    if network.answers.mail is not None:
        box = network.answers.mail
        yield _tried(f"replies from {box.user} at {box.host}:{box.port}", partial(mailbox.knock, box))
    for contact in network.contacts:
        for channel in ("text", "chat"):
            address = getattr(contact, channel).get_secret_value()
            if address:
                yield _way(contact, channel, address)


def _way(contact: Contact, channel: str, address: str) -> tuple[bool, str]:
    place = f"{channel} to {contact.name}"
    if not understands(address):
        return False, f"{place}: FAILED: this is no address apprise can send to"
    parts = urlsplit(address)
    if parts.scheme not in PLAIN_SERVICES or not parts.hostname:
        return True, f"{place}: the address is understood; only a drill can show whether it arrives"
    host, port = parts.hostname, parts.port or PLAIN_SERVICES[parts.scheme]
    return _tried(place, lambda: socket.create_connection((host, port), ANSWER_WITHIN_S).close())


def _tried(place: str, knock: Callable[[], None]) -> tuple[bool, str]:
    try:
        knock()
    except smtplib.SMTPAuthenticationError:
        return False, f"{place}: FAILED: user or password not accepted"
    except (smtplib.SMTPException, OutsideError, OSError) as error:
        words = getattr(error, "strerror", None) or str(error) or type(error).__name__
        return False, f"{place}: FAILED: {' '.join(words.split())}"
    return True, f"{place}: the server answers"


def _knock_at_mail(mail: MailSettings) -> None:
    """Connect, make the line private and log in, as for a mail, and go again."""
    name, context = mail.sender.rpartition("@")[2], ssl.create_default_context()
    client: smtplib.SMTP
    if mail.security == "tls":
        client = smtplib.SMTP_SSL(mail.host, mail.port, name, timeout=ANSWER_WITHIN_S, context=context)
    else:
        client = smtplib.SMTP(mail.host, mail.port, name, timeout=ANSWER_WITHIN_S)
    with client:
        if mail.security == "starttls":
            client.starttls(context=context)
        client.ehlo_or_helo_if_needed()
        if mail.user:
            client.login(mail.user, mail.password.get_secret_value())


def _store(network: Network) -> tuple[str, drills.Drill | None, dict[str, str]]:
    """Return why the store can't be used, or "", and what it knows: the last drill, and its marks."""
    try:
        with closing(Store.open(network.store.address.get_secret_value(), network.folder)) as store:
            return "", drills.last(store), store.marks()
    except OutsideError as error:
        return f"FAILED: {error}", None, {}


def _last_drill(network: Network, drill: drills.Drill | None, phrases: Phrases) -> Iterator[str]:
    """Say who has answered the last drill."""
    if drill is None:
        yield "No drill yet: nobody knows whether every phone would ring. `watchman drill` asks them."
    elif calling.can_answer(network):
        missing = f", not {listed(drill.missing, 12)}" if drill.missing else ""
        yield (
            f"Last drill {phrases.stamp(drill.drilled_at)}: {len(drill.asked) - len(drill.missing)} of "
            f"{len(drill.asked)} answered{missing}."
        )


def _delivered(readings: Readings) -> set[int]:
    return set(np.unique(readings.variable).tolist())


def _silent(network: Network, readings: Readings) -> Iterator[str]:
    """Name the listed stations of which nothing was heard, and those whose rain was not."""
    heard = set(np.unique(readings.station).tolist())
    wet = set(np.unique(readings.station[readings.variable == RAIN]).tolist())
    for missing, words in (
        (set(range(len(network.stations))) - heard, "not heard: until it is, nothing can be said of it"),
        (heard - wet, "no rain in what was heard"),
    ):
        names = [network.stations[position].name or network.stations[position].id for position in sorted(missing)]
        if names:
            yield f"{listed(names, 6)}: {words}."


def _without_zeros(network: Network, readings: Readings) -> Iterator[str]:
    """Name the stations whose silence can't be told from dry weather: they send rain when it falls and no more."""
    terms = watch.terms_of(network)
    rows = clean(readings, terms, Held.of(()))
    silent, undeclared = [], []
    for position, station in enumerate(network.stations):
        rain = (rows.station == position) & (rows.variable == RAIN)
        tips = rain & (rows.value > 0)
        if tips.sum() < TIPS_WANTED:
            continue
        if terms.each_tip[rows.source[rain]].all():
            silent += [station.name or station.id] if not rows.known_s[rows.station == position].any() else []
        elif tips.sum() == rain.sum() and not terms.running[rows.source[rain]].any():
            undeclared.append(station.name or station.id)
    if silent:
        yield (
            f"{listed(silent, 6)}: tips only, and no message that comes regularly: silence can't be told from dry "
            "weather, and no zero is ever known."
        )
    if undeclared:
        yield (
            f"{listed(undeclared, 6)}: never a zero, as if rain were sent only when it falls. If so, write "
            'rain = { counts = "each tip" }.'
        )


def uncovered(network: Network, variables: set[int]) -> list[str]:
    """Return what nobody would learn from this network, in plain words.

    variables: positions in VARIABLES of what is delivered; none when nothing could be fetched.
    """
    missing = _uncovered_variables(variables) if variables else ()
    return [*_uncovered_people(network), *_uncovered_stations(network), *missing]


def _uncovered_people(network: Network) -> Iterator[str]:
    if network.sign_of_life is None:
        yield "No outside watcher: if this machine or its link stops, you won't know. Write [sign_of_life]."
    if network.board is None:
        yield "No page for phones: nobody can acknowledge by a link, or say that they are on site. Write [board]."
    if not calling.can_answer(network):
        yield (
            "Nobody can answer from a phone: heavy rain goes down the whole order of duty, and faults are never said "
            "again. Write [board] or [answers]."
        )
    wakes = [rule for rule in network.rules if rule.when == "now"]
    asleep = [
        contact.name
        for contact in network.contacts
        if not (contact.text or contact.chat) and any(set(rule.tell) & set(contact.roles) for rule in wakes)
    ]
    if asleep:
        yield f"{listed(asleep, 6)}: heavy rain is told by mail only, which wakes nobody. Give them text."
    told: dict[str, set[str]] = {}
    for contact in network.contacts:
        for role in contact.roles:
            told.setdefault(role, set()).add(contact.name)
    alone = sorted({role for rule in wakes for role in rule.tell if len(told.get(role, ())) == 1})
    if alone:
        yield f"{listed(alone, 6)}: one person each. On holiday nobody stands in for them."
    unasked = sorted(CHECKS.keys() - {rule.check for rule in network.rules})
    if unasked:
        yield f"{', '.join(unasked)}: no rule asks. Write a file of that name into rules/."


def _uncovered_stations(network: Network) -> Iterator[str]:
    stations = network.columns()
    within = stations.neighbours_km <= NO_WITNESS_KM
    near = within.sum(axis=1)
    # A witness must be confirmed by another gauge near it besides the one in question.
    confirmed = (within & (near >= 2)[stations.neighbours]).any(axis=1)
    names = [station.name or station.id for station in network.stations]
    for count, words in (
        (near == 0, f"no neighbour within {NO_WITNESS_KM:.0f} km: a clogged gauge there can't be told from a dry one"),
        (
            (near > 0) & ~confirmed,
            "no neighbour that another gauge near it could confirm: a clogged gauge there can't be told from a dry one",
        ),
        (confirmed & (near < WITNESSES_WANTED), "one or two neighbours only: a clogged gauge there is found late"),
    ):
        chosen = [names[position] for position in np.flatnonzero(count)]
        if chosen:
            yield f"{listed(chosen, 6)}: {words}."


def _uncovered_variables(variables: set[int]) -> Iterator[str]:
    reasons = {
        RAIN: "rain: neither heavy rain nor clogged gauges can be seen",
        BATTERY: "battery voltage: a station that will stop is only seen when it has stopped",
        TEMPERATURE: "temperature: in the frost months a dry gauge is not judged, since it may be frozen",
    }
    for variable, reason in reasons.items():
        if variable not in variables:
            yield f"The sources bring no {reason}."
