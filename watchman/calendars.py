"""An iCalendar text (RFC 5545) as the entries that fall into a stretch of time, each once, on nobody's trust.

Calendars come from outside. An entry that can't be read, or that repeats every hour, minute or second, spoils only
itself and is named. A rule may still never find a day and count to the year 9999, so the watch reads calendars in a
child process (`python -m watchman.calendars`), in which each entry has its share of time, and the whole its share of
time and memory. Time zones are those of the time zone database, whatever the text itself says of them.
"""

from __future__ import annotations

import contextlib
import json
import re
import resource
import signal
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import asdict, dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import icalendar
import recurring_ical_events

LARGEST = 2_000_000
"""A calendar may be so large [bytes] (judgement, no source)."""
MOST_ENTRIES = 500
"""So many entries of one calendar count in one stretch; the later ones don't (judgement, no source)."""
MOST_A_DAY = 24
"""A rule that names more times of day than this is refused (judgement, no source)."""
NO_END = timedelta(hours=3)
"""How long an entry without an end lasts (decided here)."""
ENTRY_S, WHOLE_S = 2.0, 20.0
"""How long one entry, and a whole calendar, may take to read [s] (judgement, no source)."""
MEMORY = 512_000_000
"""How much memory reading may take [bytes]."""
OFTEN = ("HOURLY", "MINUTELY", "SECONDLY")
PARTS = ("DTSTART", "DTEND", "DURATION", "RRULE", "RDATE", "EXDATE", "RECURRENCE-ID")
"""Without these an entry's times are not known."""


class UnreadableCalendarError(Exception):
    """A text that is no calendar, or too large a one."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One occurrence. key: the same while it is moved or changed (UID and RECURRENCE-ID); people: names and mail
    addresses of those invited, then of the organizer, in small letters.
    """

    key: str
    summary: str
    begins_at: datetime
    ends_at: datetime
    people: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Book:
    """What a calendar says of a stretch of time. troubles: entries that could not be read, in words."""

    entries: tuple[Entry, ...]
    troubles: tuple[str, ...] = ()


def read(
    text: str,
    begin: datetime,
    end: datetime,
    zone: ZoneInfo,
    guard: Callable[[], AbstractContextManager[Any]] = nullcontext,
) -> Book:
    """Return the entries that overlap begin to end, cancelled ones left out, by their beginning.

    zone: the clock of times without a zone, or of one nobody knows. guard: a context in which each entry is read; what
    it raises spoils that entry alone. An all-day entry ends when its last day does; one without an end lasts 3 hours.
    Raises UnreadableCalendarError.
    """
    if len(text.encode("utf-8", "replace")) > LARGEST:
        raise UnreadableCalendarError(f"it is larger than {LARGEST / 1e6:g} MB")
    if "BEGIN:VCALENDAR" not in text[:2000].upper():
        raise UnreadableCalendarError("it is no calendar: BEGIN:VCALENDAR is missing")
    entries: list[Entry] = []
    troubles: list[str] = []
    for blocks in _by_uid(text, troubles):
        try:
            with guard():
                entries += _entries(blocks, begin, end, zone, troubles)
        except Exception as error:  # noqa: BLE001 -- whatever stands there, it spoils only itself
            troubles.append(f"{_name(blocks[0])}: {_in_words(error)}")
    entries.sort(key=lambda entry: (entry.begins_at, entry.key))
    if len(entries) > MOST_ENTRIES:
        troubles.append(f"it has {len(entries)} entries; only the first {MOST_ENTRIES} count")
    return Book(tuple(entries[:MOST_ENTRIES]), tuple(dict.fromkeys(troubles)))


class _RefusedError(Exception):
    """Why one entry can't be used, in words."""


def _by_uid(text: str, troubles: list[str]) -> list[list[str]]:
    """Return the events as they stand, those of one UID together: a series and its changed occurrences."""
    series: dict[str, list[str]] = {}
    block: list[str] | None = None
    for line in text.splitlines():
        word = line.strip().upper()
        if word == "BEGIN:VEVENT":
            if block is not None:
                troubles.append(f"{_name(_joined(block))}: it has no end")
            block = []
        elif word == "END:VEVENT" and block is not None:
            whole = _joined(block)
            uid = re.search(r"^UID(?:;[^:\r\n]*)?:(.*)$", whole, re.MULTILINE | re.IGNORECASE)
            # Without the UID that RFC 5545 asks for, an entry is known by all that stands in it.
            series.setdefault(uid[1].strip() if uid else whole, []).append(whole)
            block = None
        elif block is not None:
            block.append(line)
    if block is not None:
        troubles.append(f"{_name(_joined(block))}: it has no end")
    return list(series.values())


def _joined(lines: Sequence[str]) -> str:
    """Return lines with folded ones put together again (RFC 5545, 3.1)."""
    return re.sub(r"\n[ \t]", "", "\n".join(lines))


def _name(block: str) -> str:
    """Return what people call an entry, as far as that can be seen."""
    found = re.search(r"^SUMMARY(?:;[^:\n]*)?:(.*)$", block, re.MULTILINE | re.IGNORECASE)
    return f'"{_plain(found[1], 60)}"' if found and found[1].strip() else "an entry without a name"


def _plain(text: str, longest: int = 200) -> str:
    return " ".join("".join(letter if letter.isprintable() else " " for letter in text).split())[:longest]


def _in_words(error: Exception) -> str:
    if isinstance(error, _RefusedError):
        return str(error)
    if isinstance(error, TimeoutError):
        return "its rule takes too long to follow"
    return f"it can't be read ({_plain(str(error), 80) or type(error).__name__})"


def _entries(
    blocks: Sequence[str], begin: datetime, end: datetime, zone: ZoneInfo, troubles: list[str]
) -> Iterator[Entry]:
    """Yield the occurrences of one UID that overlap begin to end."""
    body = "".join(f"BEGIN:VEVENT\n{block}\nEND:VEVENT\n" for block in blocks)
    calendar = icalendar.Calendar.from_ical(f"BEGIN:VCALENDAR\nVERSION:2.0\nPRODID:-\n{body}END:VCALENDAR\n")
    events: list[Any] = calendar.walk("VEVENT")
    for event in events:
        _refuse(event)
        zone_name = event["DTSTART"].params.get("TZID")
        if zone_name and getattr(event["DTSTART"].dt, "tzinfo", zone) is None:
            troubles.append(f'its time zone "{_plain(str(zone_name), 60)}" is unknown; read on the network\'s clock')
    repeats = any(key in event for event in events for key in ("RRULE", "RDATE", "RECURRENCE-ID"))
    day = timedelta(days=1)
    # A day more on both sides: which day a time without a zone falls on is settled below.
    for found in recurring_ical_events.of(calendar).between(begin - day, end + day):
        begins_at, ends_at = _span(found, zone)
        if str(found.get("STATUS", "")).upper() == "CANCELLED" or not (begins_at < end and ends_at > begin):
            continue
        uid = str(found.get("UID", "")) or blocks[0]
        which = _moment(found["RECURRENCE-ID"].dt, zone).isoformat() if repeats and "RECURRENCE-ID" in found else ""
        summary = _plain(str(found.get("SUMMARY", "")))
        yield Entry(f"{uid} {which}".strip(), summary, begins_at, ends_at, _people(found))


def _refuse(event: Any) -> None:
    """Raise _RefusedError for an event whose times can't be known, or whose rule comes too often."""
    broken = [name for name, _why in event.errors if name in PARTS]
    if broken:
        raise _RefusedError(f"its {broken[0]} can't be read")
    if "DTSTART" not in event:
        raise _RefusedError("it has no beginning")
    rules = event.get("RRULE", [])
    for rule in rules if isinstance(rules, list) else [rules]:
        often = [str(one).upper() for one in rule.get("FREQ", [])]
        if not often or set(often) & set(OFTEN):
            raise _RefusedError(f"it repeats {' '.join(often).lower() or 'in no known way'}; daily is the most")
        times = 1
        for part in ("BYHOUR", "BYMINUTE", "BYSECOND"):
            times *= max(len(rule.get(part, [])), 1)
        if times > MOST_A_DAY or min(rule.get("INTERVAL", [1])) < 1:
            raise _RefusedError("its rule repeats too often")
    begins, ends = event["DTSTART"].dt, event["DTEND"].dt if "DTEND" in event else None
    if ends is not None and _wall(ends) < _wall(begins):
        raise _RefusedError("it ends before it begins")


def _wall(when: date | datetime) -> datetime:
    """Return a time to compare with another of the same entry, in UTC where its zone is known."""
    if not isinstance(when, datetime):
        return datetime(when.year, when.month, when.day, tzinfo=UTC)
    return when.replace(tzinfo=UTC) if when.tzinfo is None else when.astimezone(UTC)


def _span(event: Any, zone: ZoneInfo) -> tuple[datetime, datetime]:
    begins, ends = event["DTSTART"].dt, event["DTEND"].dt if "DTEND" in event else None
    begins_at = _moment(begins, zone)
    ends_at = begins_at if ends is None else _moment(ends, zone)
    if ends_at > begins_at:
        return begins_at, ends_at
    # A day alone is that whole day; a time alone says nothing of an end (RFC 5545, 3.6.1).
    whole_day = not isinstance(begins, datetime)
    return begins_at, _moment(begins + timedelta(days=1), zone) if whole_day else begins_at + NO_END


def _moment(when: date | datetime, zone: ZoneInfo) -> datetime:
    """Return a time as UTC; one without a zone, and a day's midnight, on the network's clock."""
    if not isinstance(when, datetime):
        when = datetime(when.year, when.month, when.day)  # noqa: DTZ001 -- a day alone has no zone of its own
    return (when.replace(tzinfo=zone) if when.tzinfo is None else when).astimezone(UTC)


def _people(event: Any) -> tuple[str, ...]:
    invited = event.get("ATTENDEE", [])
    everybody = [*(invited if isinstance(invited, list) else [invited]), event.get("ORGANIZER", "")]
    words = []
    for one in everybody:
        address = str(one).lower().removeprefix("mailto:")
        words += [address, str(getattr(one, "params", {}).get("CN", "")).lower()]
    return tuple(dict.fromkeys(_plain(word) for word in words if word))


# The child process


def as_json(book: Book) -> str:
    """Return a book as text that `from_json` reads again."""
    return json.dumps(asdict(book), default=datetime.isoformat)


def from_json(text: str) -> Book:
    """Return a book from its text."""
    body = json.loads(text)
    entries = (
        Entry(
            one["key"],
            one["summary"],
            datetime.fromisoformat(one["begins_at"]),
            datetime.fromisoformat(one["ends_at"]),
            tuple(one["people"]),
        )
        for one in body["entries"]
    )
    return Book(tuple(entries), tuple(body["troubles"]))


@contextlib.contextmanager
def within_its_time() -> Iterator[None]:
    """Raise TimeoutError where an entry takes too long; in the main thread of a process of its own only."""

    def over(_number: int, _frame: object) -> None:
        raise TimeoutError

    signal.signal(signal.SIGALRM, over)
    signal.setitimer(signal.ITIMER_REAL, ENTRY_S)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)


def main() -> None:
    """Read what the standard input asks for, and print the book; on a text that is no calendar say why and end 2."""
    resource.setrlimit(resource.RLIMIT_DATA, (MEMORY, MEMORY))
    asked = json.load(sys.stdin)
    begin, end = (datetime.fromisoformat(asked[name]) for name in ("begin", "end"))
    try:
        book = read(asked["text"], begin, end, ZoneInfo(asked["zone"]), within_its_time)
    except UnreadableCalendarError as error:
        sys.stdout.write(str(error))
        sys.exit(2)
    sys.stdout.write(as_json(book))


if __name__ == "__main__":
    main()
