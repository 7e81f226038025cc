"""What a person answers, as words: one line, read the same whether it came by mail, by text or was typed.

    OK                        I see to it
    LATER THU                 set it aside until then: a weekday, a date (LATER 2025-10-25) or a while (LATER 48H)
    NOT A FAULT why           close it; its evidence begins again from nothing
    VISIT HOLLIN 2H           I am on site; also FROM 09:40, TO 11:00, 400ML (what was poured)
    DONE                      my visit is over; also DONE 11:00
    TEST, RAIN                the tips that are held back: somebody's test, or rain after all
    CAME                      a drill's notice came
    STOP, START               a volunteer wants no notices any more, or wants them again

Upper and lower case, punctuation and words behind don't matter. The number of what is answered may stand behind the
first word ("OK 43"), with the letters that prove a reply by text ("OK 43kxq").
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from enum import StrEnum
from typing import TYPE_CHECKING

from watchman.model import Alarm

if TYPE_CHECKING:
    from watchman.network import Network, Station


class Kind(StrEnum):
    """What an answer is, by its first word."""

    OK = "OK"
    LATER = "LATER"
    NOT_A_FAULT = "NOT A FAULT"
    VISIT = "VISIT"
    DONE = "DONE"
    TEST = "TEST"
    RAIN = "RAIN"
    CAME = "CAME"
    STOP = "STOP"
    START = "START"


@dataclass(frozen=True, slots=True)
class Said:
    """An answer that was understood.

    number: what it names (an alarm's or a drill's number), 0 for none; code: the letters behind the number; own_code:
    those that are the person's own. until: the end of a LATER. reason: the words behind. station: its id, "" when none
    is named. begins_at, ends_at: of a VISIT, or the end of a DONE; hours: how long a VISIT lasts [h]; poured_ml [ml].
    """

    kind: Kind
    number: int = 0
    code: str = ""
    own_code: str = ""
    until: datetime | None = None
    reason: str = ""
    station: str = ""
    begins_at: datetime | None = None
    ends_at: datetime | None = None
    hours: float | None = None
    poured_ml: float | None = None


CODE_LETTERS = "bcdfghjkmnpqrtvwxz"
"""Letters of codes: no vowels, so that no code is a word; none that is taken for another sign, nor the ends of "hrs"
and "wks"."""

LONGEST = 300
"""How much of a line is read [characters]."""
LONGEST_REASON = 200
"""How much of a reason is kept [characters]."""
MOST_HOURS = 24.0
"""The longest visit that an answer books [h]; longer work is booked by command (judgement, no source)."""
TOO_LONG = f"A visit lasts up to {MOST_HOURS:g} hours; longer work is booked by whoever keeps the watch."
OVER_MIDNIGHT = timedelta(hours=12)
"""A visit that ends "before" it begins ends on the next day if it is no longer than this (judgement, no source)."""
USUAL_HOURS = 3.0
"""How long a visit lasts when nothing is said of it [h] (the owner's word)."""
MOST_DAYS_LATER = 90
"""How far off something may be set aside by an answer [days]."""

OPENINGS = {
    Kind.OK: r"(?:ok|okay|ack|acknowledged?)(?![a-z])",
    Kind.LATER: r"later(?![a-z])",
    Kind.NOT_A_FAULT: r"(?:not? +a? *fault)(?![a-z])",
    Kind.VISIT: r"visit(?![a-z])",
    Kind.DONE: r"done(?![a-z])",
    Kind.TEST: r"tests?(?![a-z])",
    Kind.RAIN: r"rain(?![a-z])",
    Kind.CAME: r"(?:it +)?came(?![a-z])",
    Kind.STOP: r"stop(?![a-z])",
    Kind.START: r"start(?![a-z])",
}
UNSEEN = re.compile("[\u200b-\u200f\u2060\ufeff]")
"""Signs without a shape that programs put before words."""
WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")

CLOCK = r"([01]?[0-9]|2[0-3])[:.h]([0-5][0-9])"
REFERENCE = re.compile(
    rf"(?:no\.?|#)? ?\b([0-9]{{1,9}})(?: ?([{CODE_LETTERS}]{{3}}))?(?![a-z0-9]|[:.-][0-9])", re.IGNORECASE
)
OWN_CODE = re.compile(rf"(?<![a-z0-9])([{CODE_LETTERS}]{{5}})(?![a-z0-9])", re.IGNORECASE)
WHILE = re.compile(r"\b([0-9]{1,4}(?:[.,][0-9]{1,2})?) ?(h|hrs?|hours?|d|days?)\b", re.IGNORECASE)
POURED = re.compile(r"\b([0-9]{1,4}(?:[.,][0-9]{1,2})?) ?ml\b", re.IGNORECASE)
DATE = re.compile(r"\b([0-9]{4}-[0-9]{2}-[0-9]{2})\b")
WEEKDAY = re.compile(r"\b(mon|tue|wed|thu|fri|sat|sun)(?:s|nes|rs|ur)?(?:day)?\b", re.IGNORECASE)
TOMORROW = re.compile(r"\btomorrow\b", re.IGNORECASE)
FROM = re.compile(rf"\b(?:from|since) {CLOCK}(?![0-9])", re.IGNORECASE)
TO = re.compile(rf"\b(?:to|till|until) {CLOCK}(?![0-9])", re.IGNORECASE)
AT = re.compile(rf"\b(?:at )?{CLOCK}(?![0-9])", re.IGNORECASE)


def read(line: str, network: Network, now: datetime) -> Said | str:
    """Return what a line answers, or a sentence that says what can be answered.

    Clock times and days are the network's own; the nearest such time to `now` is meant. Never raises.
    """
    words = " ".join(UNSEEN.sub("", line[:LONGEST]).split()).lstrip("\"'*_.,;:!>()[]- ")
    for kind, opening in OPENINGS.items():
        if (opened := re.match(opening, words, re.IGNORECASE)) is not None:
            rest = words[opened.end() :]
            return _READERS.get(kind, _plain)(kind, rest, network, now)
    return f"That was not understood. {what_can_be_said(network)}"


def what_can_be_said(network: Network) -> str:
    """Return the answers there are, in one sentence."""
    place = next((station.short_name.upper() for station in network.stations), "HOLLIN")
    return f"Answer OK, LATER THU, NOT A FAULT and why, VISIT {place} 2H, DONE, TEST or RAIN."


def offered(kind: str, alarm: Alarm | None, places: Sequence[str]) -> tuple[Kind, ...]:
    """Return what a notice of a kind can be answered with, as its alarm stands.

    alarm: what it is about, or None. places: ids of the stations it is about. A storm's notice books no visit: sent in
    error, that would take a gauge out of the very rain it warns of.
    """
    if kind == "drill":
        return (Kind.CAME,)
    visit = (Kind.VISIT, Kind.DONE) if places and kind != "storm" else ()
    if alarm is None or not alarm.standing:
        return visit
    if kind == "storm":
        return (Kind.OK,)
    fault = (Kind.NOT_A_FAULT,) if kind == "fault" else ()
    return (Kind.OK, Kind.LATER, *fault, *visit, *_about_tips(alarm))


def _about_tips(alarm: Alarm) -> tuple[Kind, ...]:
    """Return what can be said of tips: whether a person made them, or it rained after all."""
    if alarm.check != "doubtful-rain" or alarm.numbers.get("kind") not in ("test tips", "poured"):
        return ()
    return (Kind.TEST, Kind.RAIN) if alarm.numbers.get("held") else (Kind.TEST,)


# One reader for each kind of answer


def _plain(kind: Kind, rest: str, network: Network, now: datetime) -> Said | str:
    number, code, rest = _reference(rest)
    own_code, rest = _own_code(rest)
    return Said(kind, number, code, own_code, reason=_reason(rest))


def _not_a_fault(kind: Kind, rest: str, network: Network, now: datetime) -> Said | str:
    said = _plain(kind, rest, network, now)
    if isinstance(said, Said) and not said.reason:
        named = f" {said.number}{said.code}" if said.number else ""
        return f"Say why in a few words: NOT A FAULT{named} pasture sprinkler."
    return said


def _later(kind: Kind, rest: str, network: Network, now: datetime) -> Said | str:
    while_, rest = _taken(WHILE, rest)
    day, rest = _taken(DATE, rest)
    weekday, rest = _taken(WEEKDAY, rest)
    tomorrow, rest = _taken(TOMORROW, rest)
    number, code, rest = _reference(rest)
    today = now.astimezone(network.zone).date()
    farthest = now + timedelta(days=MOST_DAYS_LATER)
    until = None
    if while_ is not None:
        length = float(while_[1].replace(",", "."))
        until = now + min(timedelta(hours=length * (1 if while_[2][0] in "hH" else 24)), timedelta(days=3650))
    elif day is not None:
        if (written := _date(day[1])) is None:
            return f"{day[1]} is no day. Write LATER 2025-10-25, LATER THU or LATER 48H."
        until = _morning(network, written)
    elif weekday is not None:
        ahead = (WEEKDAYS.index(weekday[1].casefold()) - today.weekday() - 1) % 7 + 1
        until = _morning(network, today + timedelta(days=ahead))
    elif tomorrow is not None:
        until = _morning(network, today + timedelta(days=1))
    if until is None:
        return "Until when? Write LATER THU, LATER 2025-10-25 or LATER 48H."
    if until <= now:
        return "That time is past. Write LATER THU, LATER 48H or a day to come."
    if until > farthest:
        return f"That is too far off: at most {MOST_DAYS_LATER} days."
    return Said(kind, number, code, until=until, reason=_reason(rest))


def _visit(kind: Kind, rest: str, network: Network, now: datetime) -> Said | str:
    begins, rest = _taken(FROM, rest)
    ends, rest = _taken(TO, rest)
    poured, rest = _taken(POURED, rest)
    while_, rest = _taken(WHILE, rest)
    hours = None
    if while_ is not None:
        hours = float(while_[1].replace(",", ".")) * (1 if while_[2][0] in "hH" else 24)
        if not 0 < hours <= MOST_HOURS:
            return TOO_LONG
    station, number, code, own_code, unknown = _whose_and_where(rest, network)
    if unknown:
        return unknown
    begins_at = _nearest(network, begins, now)
    ends_at = _end_of_visit(network, ends, begins_at or now, now)
    if ends_at is not None and ends_at <= (begins_at or now):
        return "The visit would end before it begins. Write for instance FROM 09:40 TO 11:00."
    if ends_at is not None and (ends_at - (begins_at or now)) > timedelta(hours=MOST_HOURS):
        return TOO_LONG
    ml = float(poured[1].replace(",", ".")) if poured is not None else None
    return Said(
        kind,
        number,
        code,
        own_code,
        station=station,
        begins_at=begins_at,
        ends_at=ends_at,
        hours=hours,
        poured_ml=ml,
    )


def _done(kind: Kind, rest: str, network: Network, now: datetime) -> Said | str:
    at, rest = _taken(AT, rest)
    station, number, code, own_code, _unknown = _whose_and_where(rest, network)
    ends_at = _nearest(network, at, now)
    if ends_at is not None and ends_at > now:
        return "That time is still to come. Write DONE when you leave."
    return Said(kind, number, code, own_code, station=station, ends_at=ends_at)


_READERS = {Kind.NOT_A_FAULT: _not_a_fault, Kind.LATER: _later, Kind.VISIT: _visit, Kind.DONE: _done}


# Pieces of a line


def _taken(pattern: re.Pattern[str], rest: str) -> tuple[re.Match[str] | None, str]:
    """Return the first match of a pattern, and the line without it."""
    found = pattern.search(rest)
    return found, rest if found is None else f"{rest[: found.start()]} {rest[found.end() :]}"


def _reference(rest: str) -> tuple[int, str, str]:
    """Return the number that is answered, 0 for none, the letters behind it, and the line without them.

    It stands first behind the word, or anywhere with its letters: other numbers belong to what is said.
    """
    words = rest.lstrip(" .,:;!-")
    found = REFERENCE.match(words)
    if found is None:
        found = next((one for one in REFERENCE.finditer(words) if one[2]), None)
    if found is None:
        return 0, "", words
    return int(found[1]), (found[2] or "").lower(), f"{words[: found.start()]} {words[found.end() :]}"


def _own_code(rest: str) -> tuple[str, str]:
    found, rest = _taken(OWN_CODE, rest)
    return ("" if found is None else found[1].lower()), rest


def _whose_and_where(rest: str, network: Network) -> tuple[str, int, str, str, str]:
    """Return the station that is named ("" for none), the reference, the own code, and what is wrong."""
    number, code, rest = _reference(rest)
    own_code, rest = _own_code(rest)
    words = re.findall(r"[^\W_]+", rest.lower())
    if not words:
        return "", number, code, own_code, ""
    for length in range(min(len(words), 6), 0, -1):
        found = _stations_called("".join(words[:length]), network)
        if len(found) == 1:
            return found[0].id, number, code, own_code, ""
        if found:
            names = " or ".join(station.short_name.upper() for station in found[:3])
            return "", number, code, own_code, f"Which station is meant: {names}?"
    return "", number, code, own_code, f'No station is called "{words[0][:20]}" here.'


def _stations_called(joined: str, network: Network) -> list[Station]:
    """Return the stations of that name, or whose names begin with it; letters and digits alone count."""

    def names(station: Station) -> list[str]:
        called = (station.id, station.name, station.short_name)
        return ["".join(re.findall(r"[^\W_]+", name.lower())) for name in called if name]

    whole = [station for station in network.stations if joined in names(station)]
    begun = [station for station in network.stations if any(name.startswith(joined) for name in names(station))]
    return whole or (begun if len(joined) >= 3 else [])


def _reason(rest: str) -> str:
    return " ".join(rest.split()).strip(" .,:;!\"'-")[:LONGEST_REASON]


def _date(written: str) -> date | None:
    try:
        return date.fromisoformat(written)
    except ValueError:
        return None


def _morning(network: Network, day: date) -> datetime:
    """Return when the network's day begins, by the clock on the wall."""
    if not 1970 <= day.year <= 9000:
        day = date(1970 if day.year < 1970 else 9000, 1, 1)
    return datetime.combine(day, network.by_day.begins, network.zone).astimezone(UTC)


def _nearest(network: Network, clock: re.Match[str] | None, now: datetime) -> datetime | None:
    """Return the time nearest to `now`, today or yesterday, at which the clock on the wall says so.

    In the night in which an hour comes twice, either may be meant, and the nearer one is.
    """
    if clock is None:
        return None
    today = now.astimezone(network.zone).date()
    wall = time(int(clock[1]), int(clock[2]))
    candidates = [
        datetime.combine(day, wall.replace(fold=fold), network.zone).astimezone(UTC)
        for day in (today, today - timedelta(days=1))
        for fold in (0, 1)
    ]
    return min(candidates, key=lambda one: abs(one - now))


def _end_of_visit(network: Network, clock: re.Match[str] | None, begins_at: datetime, now: datetime) -> datetime | None:
    """Return when a visit ends: at the nearest such time, or, of a visit over midnight, at the next one."""
    ends_at = _nearest(network, clock, now)
    if clock is None or ends_at is None or ends_at > begins_at:
        return ends_at
    tomorrow = begins_at.astimezone(network.zone).date() + timedelta(days=1)
    following = datetime.combine(tomorrow, time(int(clock[1]), int(clock[2])), network.zone).astimezone(UTC)
    return following if following - begins_at <= OVER_MIDNIGHT else ends_at
