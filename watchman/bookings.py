"""What calendars say, as the watch uses it: visits become maintenance windows, and turns say who is on duty.

A file is read from the network's folder, an address is fetched within a budget of time and size; both are then read in
a child process (calendars.py). The last text that could be read is kept in a mark, and holds while nothing newer can be
had. What a calendar said of each visit is kept too: only when it says otherwise is a window changed, so that what a
person ended or prolonged stays so.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from urllib.parse import urlsplit

from pydantic import BaseModel, ValidationError

from watchman import calendars
from watchman.calendars import Book, Entry
from watchman.model import VISIT, Span, Turn
from watchman.network import Network
from watchman.readings.sources.memory import PageMark
from watchman.readings.sources.web import Door, RefusedError
from watchman.settings import CalendarSettings
from watchman.store import Store
from watchman.telling.phrases import Phrases

BACK, AHEAD = timedelta(days=1), timedelta(days=14)
"""What a calendar says of this time before and after now counts (judgement, no source)."""
LONGEST = timedelta(days=14)
"""A visit that lasts longer takes no station out of service: it is a season, or a slip (judgement, no source)."""
BUDGET_S = 30.0
"""How long an address may take to answer [s] (judgement, no source)."""
VISITS = "calendar-visits:"
"""How the marks begin of what a calendar said of visits."""
TOLD = 3
"""How many entries that can't be used are named; the others are counted."""


class Kept(BaseModel, frozen=True):
    """What is remembered of a calendar: its last text that could be read, and what the server said of it."""

    text: str = ""
    page: PageMark | None = None


@dataclass(frozen=True, slots=True)
class Look:
    """One look into a calendar. book: None while no text of it was ever readable. trouble: why the newest isn't."""

    name: str
    book: Book | None
    kept: Kept
    trouble: str = ""


@dataclass(frozen=True, slots=True)
class Visit:
    """A visit as a calendar has it; key: the entry's."""

    key: str
    station: str
    begins_at: datetime
    ends_at: datetime
    who: str


def look(network: Network, calendar: CalendarSettings, kept: Kept, now: datetime) -> Look:
    """Return what a calendar says of the days around now, from its newest text, else from the one kept."""
    try:
        new = _fetched(calendar, kept) if calendar.address else _from_file(network.folder / calendar.path)
        return Look(calendar.name, _read_apart(new.text, network, now), new)
    except (RefusedError, calendars.UnreadableCalendarError) as error:
        trouble = str(error)
    try:
        book = _read_apart(kept.text, network, now) if kept.text else None
    except calendars.UnreadableCalendarError:
        book = None
    return Look(calendar.name, book, kept, trouble)


def _from_file(path: Path) -> Kept:
    try:
        with path.open("rb") as file:
            content = file.read(calendars.LARGEST + 1)
    except OSError as error:
        raise calendars.UnreadableCalendarError(f"{path.name} can't be read: {error.strerror}") from None
    return Kept(text=content.decode("utf-8-sig", "replace"))


def _fetched(calendar: CalendarSettings, kept: Kept) -> Kept:
    """Return the text at the address: the one kept where the server has nothing newer. Raises RefusedError."""
    address = calendar.address.get_secret_value() if calendar.address else ""
    with Door(BUDGET_S, calendars.LARGEST, {"Accept": "text/calendar"}) as door:
        try:
            content, page = door.get(address, kept.page if kept.text else None)
        except RefusedError as refusal:
            # The door speaks of a source's settings; a calendar has none of them.
            why, large = str(refusal).partition(";")[0], f"max_mb = {calendars.LARGEST / 1e6:g}"
            why = why.replace(large, large.removeprefix("max_mb = ") + " MB").replace("budget_s = ", "")
            # Of the address the server alone: the path of a private calendar is its key.
            raise RefusedError(f"{urlsplit(address).hostname} {why}") from None
    return Kept(text=kept.text if content is None else content.decode("utf-8-sig", "replace"), page=page)


def _read_apart(text: str, network: Network, now: datetime) -> Book:
    """Return a text's book, read in a process of its own. Raises UnreadableCalendarError."""
    stretch = {"begin": (now - BACK).isoformat(), "end": (now + AHEAD).isoformat()}
    asked = json.dumps({"text": text, "zone": network.zone.key, **stretch}).encode()
    # The same modules, nothing of our environment: secrets stand there.
    environment = {"PYTHONPATH": os.pathsep.join(sys.path), "PYTHONUTF8": "1"}
    try:
        done = subprocess.run(  # noqa: S603 -- our own module
            [sys.executable, "-P", "-m", calendars.__name__],
            input=asked,
            capture_output=True,
            timeout=calendars.WHOLE_S,
            env=environment,
            cwd="/",
            check=False,
        )
    except subprocess.TimeoutExpired:
        raise calendars.UnreadableCalendarError(f"it takes more than {calendars.WHOLE_S:g} s to read") from None
    except OSError as error:
        raise calendars.UnreadableCalendarError(f"it could not be read: {error.strerror}") from None
    said = done.stdout.decode("utf-8", "replace")
    if done.returncode == 0:
        return calendars.from_json(said)
    if done.returncode == 2 and said:
        raise calendars.UnreadableCalendarError(said)
    raise calendars.UnreadableCalendarError("reading it failed; is it very large or malformed?")


# What the entries are


def visits(network: Network, calendar: str, book: Book, now: datetime) -> tuple[list[Visit], list[str]]:
    """Return the visits of a calendar, and the entries that are none, in words."""
    found, unknown = [], []
    say = Phrases(network, now)
    for entry in book.entries:
        station = _station_of(network, entry.summary)
        called = f'"{entry.summary}" ({say.day(entry.begins_at)})'
        if not station:
            unknown.append(f"{called} begins with no station's id or name")
        elif entry.ends_at - entry.begins_at > LONGEST:
            unknown.append(f"{called} lasts more than {LONGEST.days} days")
        else:
            who = _contact_of(network, entry)
            found.append(Visit(entry.key, station, entry.begins_at, entry.ends_at, who or f"calendar {calendar}"))
    return found, unknown


def turns(network: Network, calendar: str, book: Book) -> tuple[list[Turn], list[str]]:
    """Return the turns of duty of a calendar, and the entries that are none, in words."""
    found, unknown = [], []
    people = {contact.name: (contact.name,) for contact in network.contacts}
    roles = {contact.name: contact.roles for contact in network.contacts}
    asked = [duty for duty in network.duty if duty.calendar == calendar]
    for entry in book.entries:
        person = _named(entry.summary, people) or _contact_of(network, entry)
        of = [duty.role for duty in asked if person in duty.people or duty.role in roles.get(person, ())]
        found += [Turn(role, person, entry.begins_at, entry.ends_at) for role in of]
        if not of:
            unknown.append(f'"{entry.summary}" begins with nobody who takes turns')
    return found, unknown


def _station_of(network: Network, summary: str) -> str:
    return _named(summary, {one.id: (one.id, one.name, one.short_name) for one in network.stations})


def _named(summary: str, names: Mapping[str, tuple[str, ...]]) -> str:
    """Return whose name a summary begins with, whole words only, the longest name of all; or ""."""
    said = " ".join(summary.casefold().split())
    best, found = 0, ""
    for one, called in names.items():
        for name in (" ".join(word.casefold().split()) for word in called):
            rest = said[len(name) :]
            if name and said.startswith(name) and len(name) > best and not rest[:1].isalnum():
                best, found = len(name), one
    return found


def _contact_of(network: Network, entry: Entry) -> str:
    """Return the first contact among the people of an entry, or ""."""
    known = {word.lower(): one.name for one in reversed(network.contacts) for word in (one.name, one.mail) if word}
    return next((known[person] for person in entry.people if person in known), "")


# What becomes of them


def kept_of(marks: Mapping[str, str], name: str) -> Kept:
    """Return what is remembered of a calendar."""
    try:
        return Kept.model_validate_json(marks.get(f"calendar:{name}", "{}"))
    except ValidationError:
        return Kept()


def take(network: Network, store: Store, seen: Look, now: datetime) -> tuple[tuple[Turn, ...], str]:
    """Write down what a look has shown: windows booked, moved and withdrawn, and the text. Return turns and trouble.

    May be done again at any time: what is already so stays. Raises OutsideError.
    """
    calendar = next(one for one in network.calendars if one.name == seen.name)
    if seen.kept.text and seen.kept != kept_of(store.marks(f"calendar:{seen.name}"), seen.name):
        store.set_mark(f"calendar:{seen.name}", seen.kept.model_dump_json())
    on_duty: list[Turn] = []
    unknown: list[str] = []
    if seen.book is not None and calendar.holds == "duty":
        on_duty, unknown = turns(network, seen.name, seen.book)
    elif seen.book is not None:
        booked, unknown = visits(network, seen.name, seen.book, now)
        _book(store, seen.name, booked, now)
    troubles = [seen.trouble, *(seen.book.troubles if seen.book else ()), *unknown]
    return tuple(on_duty), _in_short([trouble for trouble in troubles if trouble])


def let_go(network: Network, store: Store, now: datetime) -> None:
    """Withdraw the coming windows of calendars that are not written any more; what has begun stays.

    Raises OutsideError.
    """
    written = {f"{VISITS}{calendar.name}" for calendar in network.calendars if calendar.holds == "visits"}
    for mark, text in store.marks(VISITS).items():
        for visit in _said(text) if mark not in written else ():
            span = _span_of(visit, _holding(store))
            if span is not None and visit.begins_at > now:
                store.withdraw_span(span.number, now)
        if mark not in written:
            store.set_mark(mark, "[]")


def _in_short(troubles: Sequence[str]) -> str:
    """Return troubles as one sentence: the first few, and how many more."""
    more = len(troubles) - TOLD
    return "; ".join([*troubles[:TOLD], *([f"and {more} more"] if more > 0 else [])])


def _book(store: Store, name: str, booked: Iterable[Visit], now: datetime) -> None:
    """Bring the windows of one calendar up to what it says now."""
    mark = f"{VISITS}{name}"
    before = {visit.key: visit for visit in _said(store.marks(mark).get(mark, "[]"))}
    wanted = {visit.key: visit for visit in booked}
    holding = _holding(store)
    # What lies too far back is not said any more, and stays as it was. So does a visit that has begun: somebody may be
    # there, and a slip in the entry must not make their test tips rain.
    over = {
        key
        for key, visit in before.items()
        if visit.ends_at <= now - BACK or (key not in wanted and visit.begins_at <= now)
    }
    for key, visit in before.items():
        if key not in over and wanted.get(key) != visit and (span := _span_of(visit, holding)) is not None:
            store.withdraw_span(span.number, now)
            holding.remove(span)
    for key, visit in wanted.items():
        if before.get(key) != visit and not any(_is(span, visit) for span in holding):
            store.add_span(visit.station, visit.begins_at, visit.ends_at, VISIT, visit.who, now)
    if wanted != before:
        said = [[v.key, v.station, v.begins_at.isoformat(), v.ends_at.isoformat(), v.who] for v in wanted.values()]
        store.set_mark(mark, json.dumps(said, ensure_ascii=False))


def _holding(store: Store) -> list[Span]:
    return [span for span in store.spans() if span.reason == VISIT and span.withdrawn_at is None]


def _said(text: str) -> Iterator[Visit]:
    """Yield what a calendar said before."""
    for key, station, begins, ends, who in json.loads(text):
        yield Visit(key, station, datetime.fromisoformat(begins), datetime.fromisoformat(ends), who)


def _span_of(visit: Visit, holding: Iterable[Span]) -> Span | None:
    """Return the window of a visit, also when a person has ended or prolonged it since."""
    beginning = (visit.station, visit.begins_at, visit.who)
    return next((span for span in holding if (span.station, span.begins_at, span.who) == beginning), None)


def _is(span: Span, visit: Visit) -> bool:
    ours = (visit.station, visit.begins_at, visit.ends_at, visit.who)
    return (span.station, span.begins_at, span.ends_at, span.who) == ours
